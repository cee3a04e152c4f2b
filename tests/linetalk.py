"""Captures made by hand, exchange by exchange, with whatever is to be wrong with each.

A client polls two servers in turn, two registers each, at 19200 8E1; one value moves, the others
stand. What is done to a frame is a function from its characters to those that are heard. A line of
text says what was done where a test needs it. Everything is invented.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from kerfbus.bench.capture import Burst, CaptureInfo, LineEvent, Record
from kerfbus.bench.crc import with_crc
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, LineEventKind, Timing, Vantage

LINE = LineSettings()
MS = 1_000_000
TURNAROUND, PAUSE, PATIENCE = 4 * MS, 20 * MS, 100 * MS
SERVERS = (3, 9)

Spoil = Callable[[bytes], bytes]


def request(server: int) -> bytes:
    """Return the request that the client polls a server with."""
    return with_crc(bytes((server, 4, 0, 16, 0, 4)))


def reply(server: int, turn: int) -> bytes:
    """Return the reply to it: the third register moves slowly."""
    words = (600 + server, 520, 1000 + turn // 7, 3)
    return with_crc(bytes((server, 4, 8)) + b"".join(word.to_bytes(2, "big") for word in words))


def flipped(place: int, bit: int = 0) -> Spoil:
    """Return what turns one bit of one character."""
    return lambda data: data[:place] + bytes((data[place] ^ 1 << bit,)) + data[place + 1 :]


def nothing(_: bytes) -> bytes:
    """Lose a frame."""
    return b""


@dataclass
class HandMade:
    """A capture in the making.

    Attributes:
        vantage: who records.
        timing: exact or host.
        seed: of what is drawn.
    """

    vantage: Vantage = "tap"
    timing: Timing = "exact"
    seed: int = 0
    records: list[Record] = field(default_factory=list)
    now: int = MS
    turn: int = 0

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)

    @property
    def info(self) -> CaptureInfo:
        """Return what the capture says about itself."""
        return CaptureInfo(LINE, self.vantage, self.timing, "virtual")

    def say(
        self,
        data: bytes,
        *,
        sent: bool = False,
        wait: int = 0,
        errors: dict[int, LineEventKind] | None = None,
    ) -> None:
        """Let characters be heard, or sent by the recording station, after a silence."""
        self.now += wait + LINE.characters_ns(len(data))
        if data:
            marks = tuple(CharacterError(at, kind) for at, kind in sorted((errors or {}).items()))
            self.records.append(Burst(data, self.now, sent, marks))

    def arc(self, on: bool) -> None:
        """Mark the arc."""
        comment = f"arc={'on' if on else 'off'}"
        self.records.append(LineEvent(LineEventKind.MARK, self.now, comment=comment))

    def exchange(
        self,
        server: int | None = None,
        *,
        there: Spoil | None = None,
        back: Spoil | None = None,
        turnaround: int = TURNAROUND,
    ) -> None:
        """Poll once.

        Args:
            server: whom; by default the two in turn.
            there: what is done to the request; the server then keeps silent.
            back: what is done to the reply.
            turnaround: silence before the reply, ns.
        """
        whom = SERVERS[self.turn % len(SERVERS)] if server is None else server
        asked, answer = request(whom), reply(whom, self.turn)
        self.turn += 1
        mine = self.vantage == "client"
        self.say(asked if mine or there is None else there(asked), sent=mine, wait=PAUSE)
        heard = b"" if there is not None else answer if back is None else back(answer)
        if not heard:
            self.now += PATIENCE
            return
        self.say(heard, sent=self.vantage == "server" and whom == SERVERS[0], wait=turnaround)

    def polls(self, count: int) -> None:
        """Poll so often with nothing wrong."""
        for _ in range(count):
            self.exchange()
