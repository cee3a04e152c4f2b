"""What `kerfbus rerun` opens and how its answer reads."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, is_simulated, open_port
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.rerun import DEVICE, SIMULATED, Difference, Report, Rules, load_rules
from kerfbus.bench.rerun import rules_beside as beside
from kerfbus.bench.transport import Timing, Transport
from kerfbus.tui.options import DEFAULT_PORT
from kerfbus.tui.output import BAD, GOOD, Output

SHOWN = 20
"""So many differences are printed unless all are asked for."""
INDENT = " " * 10


@dataclass(frozen=True, slots=True)
class Place:
    """Where a rerun takes place.

    Attributes:
        port: the port string, None where a pty or TCP was asked for.
        pty: path of the pty to make.
        tcp: where to listen.
    """

    port: str | None
    pty: str | None
    tcp: str | None

    def __post_init__(self) -> None:
        if [self.port, self.pty, self.tcp].count(None) < 2:
            raise click.UsageError("give one of --port PORT, --pty PATH and --tcp HOST:PORT")

    @property
    def real(self) -> bool:
        """Return whether there may be hardware at the other end."""
        return not (self.pty or self.tcp or is_simulated(self.port or DEFAULT_PORT))

    def __str__(self) -> str:
        """Return where it is."""
        return self.port or self.pty or self.tcp or DEFAULT_PORT


def speed_of(text: str) -> float | None:
    """Return how many times as fast as recorded, None for as fast as replies come.

    Raises:
        click.UsageError: it is neither a word nor a number above 0.
    """
    if text in ("recorded", "fast"):
        return 1.0 if text == "recorded" else None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed < 1e9:
        raise click.UsageError(f"--speed {text}: give recorded, fast, or a number such as 10")
    return speed


def rules_for(
    capture: str, rules: str | None, register_map: RegisterMap, *, real: bool
) -> tuple[Rules, str]:
    """Return the rules, and where they come from in words.

    Raises:
        FormError: their file is wrong.
    """
    base = DEVICE if real else SIMULATED
    path = beside(capture) if rules is None else Path(rules)
    if path is None:
        return base, f"{base.default} by default"
    return load_rules(path, register_map, base), str(path)


@asynccontextmanager
async def server_line(
    place: Place, settings: LineSettings, timing: Timing, output: Output
) -> AsyncIterator[Transport]:
    """Give the line on which a controller is answered; on TCP once it has called.

    Args:
        place: where.
        settings: rate and format.
        timing: of the recording: exact times are worth the pace of a wire.
        output: told when a controller can come.
    """

    def ready(where: object) -> None:
        output.remark(f"ready: {where}, {settings}; Ctrl-C ends it", always=True)

    if place.tcp is not None:
        from kerfbus.sim.endpoint import Endpoint
        from kerfbus.sim.firstcaller import first_caller

        async with first_caller(Endpoint.parse(place.tcp), settings, ready) as line:
            yield _paced(line, timing)
        return
    if place.pty is not None:
        from kerfbus.tui.commands.supply import open_pty_at

        async with _paced(open_pty_at(place.pty, settings), timing) as line:
            ready(place)
            yield line
        return
    options = PortOptions(vantage="server", speed="fast")
    async with await open_port(str(place), settings, options) as line:
        ready(place)
        yield line


def _paced(line: Transport, timing: Timing) -> Transport:
    from kerfbus.sim.pacedline import PacedLine

    return PacedLine(line) if timing == "exact" else line


def tell(output: Output, report: Report, *, show_all: bool, role: str) -> None:
    """Give out what came of a rerun."""
    output.answer(report.to_json())
    if output.as_json:
        return
    shown = report.different if show_all else report.different[:SHOWN]
    for each in shown:
        output.texts(difference_lines(each))
    if len(shown) < len(report.different):
        output.text(f"... and {len(report.different) - len(shown)} more; --all shows them")
    _tell_left_out(output, report)
    for note in report.notes:
        output.text(note[:1].upper() + note[1:])
    times = [
        f"p{each.percent} {each.got / 1e6:.2f} ms (recorded {each.recorded / 1e6:.2f} ms)"
        for each in report.turnarounds
    ]
    if times:
        output.text("Turnaround: " + ", ".join(times))
    asked = "Transactions" if role == "client" else "Requests that came"
    counts = f"{asked}: {report.transactions}, of these as recorded: {report.same}. "
    verdict = "Same." if report.good else f"Different: {len(report.different)}."
    output.text(counts + verdict, GOOD if report.good else BAD)


def _tell_left_out(output: Output, report: Report) -> None:
    """Say what was not sent, once for each reason."""
    reasons: dict[str, list[str]] = {}
    for each in report.left_out:
        reasons.setdefault(each.reason, []).append(each.request)
    for reason, requests in reasons.items():
        more = f" and {len(requests) - 1} more" if len(requests) > 1 else ""
        output.text(f"Not sent: {requests[0]}{more}: {reason}")


def difference_lines(each: Difference) -> list[str]:
    """Return a difference as lines: what was asked, what was expected, what came."""
    number = "" if each.index is None else f"#{each.index}"
    lines = [f"{number:>8}  {each.request or 'all of them'}"]
    lines.append(f"{INDENT}expected  {each.expected}")
    lines.append(f"{INDENT}came      {each.got}")
    return lines


def check_line_role(place: Place) -> None:
    """Refuse to play a whole recorded line where hardware may hear it.

    Raises:
        UsageError: it is a real port.
    """
    if place.pty is None and place.tcp is None:
        raise UsageError(
            f"{place}: a recorded line holds requests, which hardware would obey; play it on "
            "--pty or --tcp, or let a command hear it: --port capture:FILE"
        )
