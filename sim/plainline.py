"""A line for plain functions, simulated or recorded: no event loop, no waiting, all of it recorded.

Job: let a test ask a simulated supply, or hear a line again, in virtual time. Rule: nothing
here may take real time. In virtual time no call has to wait for anything, so each runs to its end
at once, also inside a running event loop. Asynchronous code uses `PlainLine.transport` instead.
"""

from __future__ import annotations

import contextlib
from collections.abc import Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from kerfbus.bench import wire
from kerfbus.bench.access import read_values, readings_wanted, write_values
from kerfbus.bench.capturewriter import CaptureWriter
from kerfbus.bench.client import Client, Result
from kerfbus.bench.clock import NS, ManualClock
from kerfbus.bench.errors import PortLostError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.recordedline import PlayOptions, open_recording
from kerfbus.bench.recorder import RecordingTransport
from kerfbus.bench.regmap import RegisterMap, Target, Value, parse_target, plan_write
from kerfbus.bench.transactions import read_transactions
from kerfbus.bench.transport import Chunk, Transport, Vantage
from kerfbus.bench.valuetext import place
from kerfbus.sim.maps import default_map
from kerfbus.sim.port import open_on
from kerfbus.sim.scenario.asked import open_asked

T = TypeVar("T")


@dataclass(frozen=True)
class PlainOptions:
    """How a line is opened.

    Attributes:
        capture: a new file that all of it is recorded to.
        vantage: who the caller is on the line.
        seed: of a simulated line; 0 for the scenario's own.
        clock: of a simulated line; a new one unless one is given.
        register_map: names the values.
    """

    capture: Path
    vantage: Vantage = "client"
    seed: int = 0
    clock: ManualClock = field(default_factory=ManualClock)
    register_map: RegisterMap = field(default_factory=default_map)


class Cast(NamedTuple):
    """Who is there.

    Attributes:
        server: address of the server, of the first one where there are several.
        seed: in force; None on a recorded line.
    """

    server: int
    seed: int | None = None


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
    """A line in virtual time, opened.

    Args:
        transport: the line.
        cast: who is there.
        options: for whom, recorded where.

    Attributes:
        server: whom `read` and `write` ask.
        capture: where it is recorded.
        clock: virtual; moves when something is asked or waited for.
        map: names the values.
        transport: for asynchronous code, and for code of your own that wants characters.
        client: asks over it.

    Raises:
        CaptureError: the capture exists or cannot be written.
    """

    def __init__(self, transport: Transport, cast: Cast, options: PlainOptions) -> None:
        self.server = cast.server
        self.capture, self.map = options.capture, options.register_map
        self.clock = transport.clock
        self._writer = CaptureWriter(
            options.capture,
            settings=transport.settings,
            vantage=options.vantage,
            timing=transport.timing,
            clock="virtual",
            uncertainty_ns=transport.uncertainty_ns,
            seed=cast.seed,
            buffered=True,
        )
        self.transport = RecordingTransport(transport, self._writer)
        self.client = Client(self.transport)

    @property
    def port(self) -> str:
        """Return the port string."""
        return self.transport.name

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
        """Let time pass and return what was heard meanwhile, at most to a recording's end."""
        end = self.clock.now() + round(seconds * NS)
        found = []
        with contextlib.suppress(PortLostError):
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


def open_simulated(port: str, options: PlainOptions) -> PlainLine:
    """Open ``sim:``, or a scenario, ``sim:NAME?severity=0.3``.

    Raises:
        PortMissingError: there is no such scenario.
        ScenarioError: the scenario's file is wrong.
        SettingsError: the query behind its name is not of its form.
        CaptureError: the capture exists or cannot be written.
    """
    named = port.partition(":")[2].strip()
    settings, cast = LineSettings(), Cast(PortOptions().address, options.seed)
    if named:
        scenario, seeded = open_asked(named)
        seed = scenario.seed if seeded else options.seed or scenario.seed
        settings, cast = scenario.line, Cast(scenario.supplies[0].address, seed)
    asked = PortOptions(vantage=options.vantage, speed="fast", seed=options.seed)
    opened = at_once(open_on(options.clock, port, settings, asked))
    return PlainLine(opened, cast, options)


def open_recorded(
    recording: Path, options: PlainOptions, play: PlayOptions | None = None
) -> PlainLine:
    """Open a recorded line: whoever asks what was asked gets what came then, damage and all.

    Raises:
        CaptureError: the recording cannot be read, or the capture cannot be written.
    """
    opened = open_recording(recording, play, PortOptions(vantage=options.vantage, speed="fast"))
    asked = read_transactions(recording).transactions[:1]
    return PlainLine(opened, Cast(asked[0].request[0] if asked else 1), options)


def _typed(value: bool | float | str) -> str:
    """Return a value as a person types it."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(value)
