"""A simulated line for plain functions: no event loop, no waiting, all of it recorded.

Job: let a test ask a simulated supply, or hear a simulated line, in virtual time. Rule: nothing
here may take real time. In virtual time no call has to wait for anything, so each runs to its end
at once, also inside a running event loop. Asynchronous code uses `PlainLine.transport` instead.
"""

from __future__ import annotations

from collections.abc import Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from kerfbus.bench import wire
from kerfbus.bench.access import read_values, readings_wanted, write_values
from kerfbus.bench.capturewriter import CaptureWriter
from kerfbus.bench.client import Client, Result
from kerfbus.bench.clock import NS, ManualClock
from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.recorder import RecordingTransport
from kerfbus.bench.regmap import RegisterMap, Target, Value, parse_target, plan_write
from kerfbus.bench.transport import Chunk, Vantage
from kerfbus.bench.valuetext import place
from kerfbus.sim.maps import default_map
from kerfbus.sim.port import open_on
from kerfbus.sim.scenario.asked import open_asked

T = TypeVar("T")
SIM = "sim:"


@dataclass(frozen=True)
class PlainOptions:
    """How a line is opened.

    Attributes:
        port: ``sim:``, or a scenario, ``sim:NAME?severity=0.3``.
        capture: a new file that all of it is recorded to.
        vantage: who the caller is on the line.
        seed: of all chance; 0 for the scenario's own.
        clock: of all instants; a new one unless one is given.
        register_map: names the values.
    """

    port: str
    capture: Path
    vantage: Vantage = "client"
    seed: int = 0
    clock: ManualClock = field(default_factory=ManualClock)
    register_map: RegisterMap = field(default_factory=default_map)


def at_once(work: Coroutine[Any, Any, T]) -> T:
    """Run what never has to wait to its end.

    Raises:
        UsageError: it waits for something that nobody will do.
    """
    try:
        while True:
            if work.send(None) is not None:
                break
    except StopIteration as ended:
        result: T = ended.value
        return result
    work.close()
    raise UsageError("nothing would ever come: in virtual time say until when to wait")


class PlainLine:
    """A simulated line, opened.

    Args:
        options: which, for whom, recorded where.

    Attributes:
        port: its port string.
        capture: where it is recorded.
        clock: virtual; moves when something is asked or waited for.
        server: address of the supply, of the first one where there are several.
        map: names the values.
        transport: for asynchronous code, and for code of your own that wants characters.
        client: asks over it.

    Raises:
        PortMissingError: there is no such scenario.
        ScenarioError: the scenario's file is wrong.
        SettingsError: the query behind its name is not of its form.
        CaptureError: the capture exists or cannot be written.
    """

    def __init__(self, options: PlainOptions) -> None:
        self.port, self.capture, self.clock = options.port, options.capture, options.clock
        self.map = options.register_map
        self.server, settings, seed = _cast(options.port, options.seed)
        asked = PortOptions(vantage=options.vantage, speed="fast", seed=options.seed)
        opened = at_once(open_on(self.clock, options.port, settings, asked))
        self._writer = CaptureWriter(
            options.capture,
            settings=opened.settings,
            vantage=options.vantage,
            timing=opened.timing,
            clock="virtual",
            uncertainty_ns=opened.uncertainty_ns,
            seed=seed,
            buffered=True,
        )
        self.transport = RecordingTransport(opened, self._writer)
        self.client = Client(self.transport)

    def read(self, *names: str) -> dict[str, Value | tuple[int, ...]]:
        """Return values by name, or by table and address as in ``holding:100+3``.

        Raises:
            UsageError: an unknown name, or nothing came: refused, damaged, no reply.
        """
        targets = [parse_target(name) for name in names]
        wanted = readings_wanted(self.map, targets)
        found = at_once(read_values(self.client, self.server, self.map, wanted))
        for each in found:
            if each.problem:
                raise UsageError(f"{place(each)}: {each.problem}")
        return {place(each): each.value for each in found}

    def write(self, **values: bool | float | str) -> dict[str, Value | tuple[int, ...]]:
        """Set values by name, one request for each, and return what was read back.

        Raises:
            LimitError: the map does not allow a value; nothing was sent.
            UsageError: an unknown name, or the supply did not do it.
        """
        planned = [
            plan_write(self.map, Target(name=name, value=_typed(value)))
            for name, value in values.items()
        ]
        found: dict[str, Value | tuple[int, ...]] = {}
        for name, plan in zip(values, planned, strict=True):
            (setting,) = at_once(write_values(self.client, self.server, plan))
            if setting.problem:
                raise UsageError(f"{name}: {setting.problem}")
            found[name] = setting.after.value
        return found

    def ask(self, request: wire.Request, server: int | None = None) -> Result:
        """Send a request and return what came of it, whatever that is."""
        return at_once(self.client.request(self.server if server is None else server, request))

    def send(self, data: bytes) -> int:
        """Send characters as they are and return the instant of their end."""
        return at_once(self.transport.send(data))

    def hear(self, seconds: float) -> list[Chunk]:
        """Let time pass and return what was heard meanwhile."""
        end = self.clock.now() + round(seconds * NS)
        found = []
        while (chunk := at_once(self.transport.receive(end))) is not None:
            found.append(chunk)
        return found

    def mark(self, key: str, value: str) -> None:
        """Put a mark into the capture, e.g. ``arc`` ``on``."""
        self.transport.mark(key, value)

    @property
    def captures(self) -> tuple[Path, ...]:
        """Return what was recorded so far, handed over so that others can read it."""
        if not self._writer.closed:
            self._writer.flush()
        return (self.capture,)

    def close(self) -> None:
        """End the line and its recording. Calling it again does nothing."""
        at_once(self.transport.close())


class _Cast(NamedTuple):
    """Who is there: the first supply's address, the line, and the seed in force."""

    address: int
    settings: LineSettings
    seed: int


def _cast(port: str, seed: int) -> _Cast:
    """Return who is at a port."""
    named = port.partition(":")[2].strip()
    if not port.startswith(SIM):
        raise UsageError(f"{port!r} is no simulated line; give sim: or sim:NAME")
    if not named:
        return _Cast(PortOptions().address, LineSettings(), seed)
    scenario, seeded = open_asked(named)
    in_force = scenario.seed if seeded else seed or scenario.seed
    return _Cast(scenario.supplies[0].address, scenario.line, in_force)


def _typed(value: bool | float | str) -> str:
    """Return a value as a person types it."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(value)
