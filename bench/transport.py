"""The interface between protocol code and anything that carries characters.

A transport sends characters and hands over what arrived, with times and line errors. It knows
nothing of frames. Adapters: `kerfbus.bench.loopback` (in memory), `kerfbus.bench.serialport`
(pyserial), `kerfbus.sim.port` (a simulated line), and whatever an entry point of the group
``kerfbus.ports`` names. `kerfbus.bench.conformance` holds the checks that each must pass.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:  # the clock brings asyncio along, which decoding a capture does not need
    from kerfbus.bench.clock import Clock
    from kerfbus.bench.line import LineSettings

Timing = Literal["exact", "host"]
Vantage = Literal["client", "server", "tap"]


class LineEventKind(IntEnum):
    """Kinds of line events, numbered as in the capture format, version 1."""

    FRAMING = 1
    """Stop bit not at idle level."""
    PARITY = 2
    BREAK = 3
    """Delivered as a 00 character."""
    OVERRUN = 4
    """The receiver lost characters."""
    DROPPED = 5
    """The host dropped characters; the value says how many, 0 = unknown."""
    OPENED = 16
    LOST = 17
    """Port lost or closed."""
    SETTINGS = 18
    """Settings changed; the comment is ``baud=9600 format=8N2``."""
    MARK = 19
    """Mark; the comment is ``key=value``."""


class CharacterError(NamedTuple):
    """A line error and the character that bears it.

    Attributes:
        position: of the character in the chunk, from 0.
        kind: FRAMING, PARITY, BREAK or OVERRUN.
        value: as the capture format says; 0 where it says nothing.
    """

    position: int
    kind: LineEventKind
    value: int = 0


class Chunk(NamedTuple):
    """Characters that arrived together.

    Attributes:
        data: the characters, at least one.
        at: end of the last stop bit (``exact`` timing) or the moment the read returned (``host``).
        errors: line errors, in order of position.
    """

    data: bytes
    at: int
    errors: tuple[CharacterError, ...] = ()


@dataclass(frozen=True, slots=True)
class LineCounters:
    """What the driver counted since the port was opened; None = not reported by this driver."""

    framing: int | None = None
    parity: int | None = None
    break_: int | None = None
    overrun: int | None = None
    dropped: int | None = None


@dataclass(frozen=True, slots=True)
class PortFacts:
    """What a port can and cannot say, read back from it, never assumed.

    Attributes:
        reports_errors: whether line errors are tied to characters; None = unknown.
        counters: whether the driver counts line errors.
        rs485: the kernel's RS-485 mode in force, as text; None = not supported here.
        low_latency: whether low-latency mode is in force; None = not supported here.
        exclusive: whether the port is locked against other programs; None = not supported here.
        paced: whether characters take the time that they take on a wire (false for ptys and TCP).
        identity: a stable name for the hardware (serial number, socket), "" when there is none.
        notes: further one-line remarks for a person.
    """

    reports_errors: bool | None = None
    counters: bool | None = None
    rs485: str | None = None
    low_latency: bool | None = None
    exclusive: bool | None = None
    paced: bool | None = None
    identity: str = ""
    notes: tuple[str, ...] = ()


class Transport(ABC):
    """A way to send and receive characters.

    One task at a time may be in `receive`; `send` may be called while another task is in it.

    Attributes:
        name: the port string, for messages.
        settings: rate and format in force.
        clock: the clock of all instants that this transport gives and takes.
        timing: whether `Chunk.at` is exact or the host's.
        uncertainty_ns: for ``host``: the longest believed delay from stop bit to stamp.
        facts: what the port can and cannot say.
    """

    name: str
    settings: LineSettings
    clock: Clock
    timing: Timing
    uncertainty_ns: int
    facts: PortFacts

    @abstractmethod
    async def send(self, data: bytes) -> int:
        """Send characters without a gap.

        Returns:
            The instant of the last stop bit: exact, or the best estimate on a real port.

        Raises:
            PortLostError: the port is gone. How much was sent is unknown.
        """

    @abstractmethod
    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters, or None once `until` has passed with none.

        Characters that are already there are returned even when `until` is past. None for `until`
        waits without limit. Cancelling is safe and loses no character.

        Raises:
            PortLostError: the port is gone. Characters received before that were delivered first.
        """

    @abstractmethod
    async def close(self) -> None:
        """Release the port. Calling it again does nothing."""

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format; what was received before is still delivered.

        Raises:
            PortError: the port refuses them; the old ones stay in force.
        """
        self.settings = settings

    def counters(self) -> LineCounters | None:
        """Return the driver's counters, None when it has none."""
        return None

    def send_at_once(self, data: bytes, silent_until: int) -> int | None:  # noqa: ARG002
        """Do what `receive` up to `silent_until` and then `send` do, where nothing has to wait.

        That is possible in virtual time; a transport that never can leaves this as it is.

        Args:
            data: characters to send without a gap.
            silent_until: instant up to which nothing may be heard before.

        Returns:
            What `send` returns. None where something would have to wait, is heard before, or is
            wrong: then nothing has happened, and the other two methods are to be used.
        """
        return None

    def receive_at_once(self, until: int) -> Chunk | None:  # noqa: ARG002
        """Do what `receive` does, where nothing has to wait.

        Returns:
            The next characters. None where there are none without waiting: then nothing has
            happened, and `receive` is to be used.
        """
        return None

    async def __aenter__(self) -> Transport:
        """Return the transport itself."""
        return self

    async def __aexit__(self, *exc_info: object) -> None:
        """Close it."""
        await self.close()


class Through(Transport):
    """A transport in front of another one; what a subclass does not change is the inner one's.

    What can be done at once is not passed on: a subclass that changes `send` or `receive` would be
    passed by.

    Args:
        inner: does the work; closed by closing this one.
    """

    def __init__(self, inner: Transport) -> None:
        self._inner = inner

    # All of these may change when a port is opened again, so they are asked for each time.

    @property
    def name(self) -> str:  # type: ignore[override]
        """Return the port string."""
        return self._inner.name

    @property
    def clock(self) -> Clock:  # type: ignore[override]
        """Return the clock of all instants."""
        return self._inner.clock

    @property
    def timing(self) -> Timing:  # type: ignore[override]
        """Return whether instants are exact or the host's."""
        return self._inner.timing

    @property
    def settings(self) -> LineSettings:  # type: ignore[override]
        """Return the rate and format in force."""
        return self._inner.settings

    @property
    def uncertainty_ns(self) -> int:  # type: ignore[override]
        """Return the longest believed delay from stop bit to stamp."""
        return self._inner.uncertainty_ns

    @property
    def facts(self) -> PortFacts:  # type: ignore[override]
        """Return what the port can and cannot say."""
        return self._inner.facts

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send`."""
        return await self._inner.send(data)

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`."""
        return await self._inner.receive(until)

    async def close(self) -> None:
        """Release the port."""
        await self._inner.close()

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format."""
        await self._inner.reconfigure(settings)

    def counters(self) -> LineCounters | None:
        """Return the driver's counters, None when it has none."""
        return self._inner.counters()
