"""Captures of known causes, made in virtual time, for whoever learns or tests from them.

Each is a small plasma shop of its own: rate, format, cable, addresses, polling and cuts are drawn
from the seed unless they are given, so that nothing but the cause is common to all of one cause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from os import PathLike
from random import Random

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Vantage
from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.defects import with_cause
from kerfbus.sim.pair.setup import CLIENT, TAP, Fidelity, Setup, server_name, usual
from kerfbus.sim.scenario import parse_scenario
from kerfbus.sim.scenario.pairrun import PairRun
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.truth import Truth
from kerfbus.sim.scenario.wiring import slowed

__all__ = ["CauseRun", "Truth", "record_cause"]

NS = 1_000_000_000
_RATES = (9600, 19200, 19200, 19200, 38400, 57600, 115200)
_FORMATS = ("8E1", "8E1", "8E1", "8N2", "8N2", "8O1", "8N1")
_NEEDS_COMPANY = frozenset({"no-server", "duplicate-address", "swapped-pair", "wrong-baud"})
"""Causes that a line with one server cannot tell from others."""
_NEEDS_SPEED = 38400
"""A missing termination does no harm below: no cable is long enough."""


@dataclass(frozen=True)
class CauseRun:
    """What is to be recorded.

    Attributes:
        cause: slug, or several that are there at once.
        severity: of each, 0 (barely visible) to 1 (dead).
        path: of the capture; the truth comes beside it, with ``.truth.json`` behind the name.
        vantage: who records.
        fidelity: which line; a missing termination is always on the sampled one.
        line: rate and format; None to draw them.
        seed: of all chance.
        transactions: requests of the client to record.
        servers: how many there are; 0 to draw it.
        poll_ms: from one request to the next; 0 to draw it.
        overwrite: whether a file of this name may be replaced.

    Raises:
        UsageError: a number cannot be.
    """

    cause: str | tuple[str, ...]
    severity: float
    path: str | PathLike[str]
    vantage: Vantage = "tap"
    fidelity: Fidelity = "bits"
    line: LineSettings | None = None
    seed: int = 0
    transactions: int = 300
    servers: int = 0
    poll_ms: int = 0
    overwrite: bool = True

    def __post_init__(self) -> None:
        if self.transactions < 1:
            raise UsageError(f"transactions {self.transactions}: give at least 1")
        if not 0 <= self.servers <= 16:
            raise UsageError(f"servers {self.servers}: give 1 to 16, or 0 to draw the number")

    @property
    def causes(self) -> tuple[str, ...]:
        """Return the slugs."""
        return (self.cause,) if isinstance(self.cause, str) else self.cause


def record_cause(run: CauseRun) -> Truth:
    """Record a capture of a cause, with the truth beside it.

    Raises:
        UsageError: there is no such cause, or the severity is out of range.
        CaptureError: a file cannot be written.
    """
    draw = dice(run.seed, "cause run", 0)
    line = run.line or _line(draw, run.causes)
    scenario = _scenario(run, line, draw)
    setup, span_ns = _setup(run, scenario)
    stage = Stage(slowed(scenario, setup), seed=run.seed)
    causes = tuple((cause, run.severity) for cause in run.causes)
    running = PairRun(stage, setup, causes, run.path, run.overwrite)
    running.run_transactions(run.transactions, 20 * span_ns)
    return running.close()


def _line(draw: Random, causes: tuple[str, ...]) -> LineSettings:
    rates: tuple[int, ...] = _RATES
    if "missing-termination" in causes:
        rates = tuple(rate for rate in _RATES if rate >= _NEEDS_SPEED)
    return LineSettings.parse(draw.choice(rates), draw.choice(_FORMATS))


def _setup(run: CauseRun, scenario: Scenario) -> tuple[Setup, int]:
    """Return the pair, and about how long the recording takes."""
    addresses = [each.address for each in scenario.supplies]
    station = {"client": CLIENT, "tap": TAP}.get(run.vantage, server_name(addresses[0]))
    setup = usual(scenario.line, addresses, station, run.seed)
    each_ns = min(each.program.poll_ns for each in scenario.supplies if each.program is not None)
    span_ns = run.transactions * each_ns + NS
    for cause in sorted(run.causes, key="swapped-pair".__eq__):
        setup = with_cause(setup, cause, run.severity, span_ns)
    if run.fidelity == "sampled":
        setup = replace(setup, fidelity="sampled")
    return setup, span_ns


def _scenario(run: CauseRun, line: LineSettings, draw: Random) -> Scenario:
    """Return a shop with some supplies that cut short cuts."""
    company = not _NEEDS_COMPANY.isdisjoint(run.causes)
    drawn = draw.choice((1, 1, 2, 3))
    count = run.servers or (max(drawn, 2) if company else drawn)
    addresses = draw.sample(range(1, 33), count)
    # Two thirds of what the wire takes at most, so that there is silence between transactions.
    least = 1.5 * (line.transaction_ns(8, 21) / 1e9 + 0.004)
    poll = run.poll_ms / 1000 or draw.uniform(least, 2.5 * least)
    text = [
        'title = "A shop for a cause"',
        "[line]",
        f"baud = {line.baud}",
        f'format = "{line.format}"',
    ]
    text += [_supply(address, poll * count, draw) for address in addresses]
    return parse_scenario("\n".join(text), "cause run", " and ".join(run.causes))


def _supply(address: int, poll: float, draw: Random) -> str:
    """Return a supply in the words of a scenario's file."""
    process = draw.choice((101, 102, 103, 104, 201, 301))
    ignition = draw.choice(("contact", "contact", "high-frequency"))
    return f"""
[[supply]]
address = {address}
[supply.settings]
preflow_time = 0.2
ignition_method = "{ignition}"
[supply.table]
process = {process}
poll = {poll:.4f}
begin = {draw.uniform(0.0, 0.3):.3f}
pause = {draw.uniform(0.4, 1.2):.2f}
fault_pause = 1.0
fault_tries = 1000
[[supply.table.cut]]
length = {draw.uniform(25.0, 70.0):.1f}
"""
