"""A line without faults, in exact time: one client and any number of servers.

Sans-IO: characters and the instant of their end go in, replies with theirs come out. Every server
hears everything, answers after the silent interval (MODBUS over Serial Line V1.02, 2.5.1.1) and its
own reply delay, and its characters follow one another without a gap.

A server whose line settings differ from those of the client hears nothing that it could use; here
it stays deaf and mute, and counts nothing. Nobody talks over anybody: what a client sends while
the line is busy starts when it is free.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kerfbus.bench.crc import crc16
from kerfbus.bench.framing import Framer, Piece, Stray
from kerfbus.bench.line import MAX_ADU, LineSettings
from kerfbus.bench.transport import Chunk
from kerfbus.sim.server import SupplyServer

MIN_ADU = 4
NO_ERRORS = 0
_new = tuple.__new__


@dataclass
class CleanLine:
    """The line.

    Args:
        servers: on it, each with its own state.
        settings: rate and format of the client.
        turnaround_ns: what servers wait at least; t3.5 is waited in any case.

    Attributes:
        free_at: when the last character on the line ends.
    """

    servers: Sequence[SupplyServer]
    settings: LineSettings
    turnaround_ns: int = 0
    free_at: int = 0

    def __post_init__(self) -> None:
        # The servers' own object where they agree: comparing is then a matter of identity.
        agreeing = [each.settings for each in self.servers if each.settings == self.settings]
        settings = self.settings = agreeing[0] if agreeing else self.settings
        self._framer = Framer(settings, "exact")
        self._silence = settings.t35_ns
        self._wait = max(self.turnaround_ns, settings.t35_ns)
        self._spans = [settings.characters_ns(count) for count in range(MAX_ADU + 1)]
        self._heard_at = self.free_at - settings.t35_ns

    def span_ns(self, count: int) -> int:
        """Return the time of `count` characters without gaps."""
        return self._spans[count] if count <= MAX_ADU else self.settings.characters_ns(count)

    def reconfigure(self, settings: LineSettings) -> None:
        """Let the client talk at another rate or format from now on."""
        self.settings = settings
        self.__post_init__()

    def transmit(self, data: bytes, end: int) -> list[Chunk]:
        """Let the client's characters pass and return what the servers answer, in order.

        Args:
            data: characters without a gap between them.
            end: of the last stop bit; not before `free_at` plus their time.
        """
        before, self.free_at, self._heard_at = self._heard_at, end, end
        whole = not self._framer.held and end - before - self.span_ns(len(data)) >= self._silence
        if whole and len(data) >= MIN_ADU and not crc16(data):
            # A good frame after a silence: what the framer would say of nearly all that comes.
            return self._ask(data, end, NO_ERRORS)
        return self._hear(self._framer.receive(data, end))

    @property
    def waiting(self) -> bool:
        """Return whether characters are held back that may be part of a frame."""
        return self._framer.held > 0

    def tick(self, now: int) -> list[Chunk]:
        """Take note that the client was silent up to `now`."""
        deadline = self._framer.deadline
        if deadline is None or now < deadline:
            return []
        return self._hear(self._framer.tick(now))

    def _hear(self, pieces: Sequence[Piece]) -> list[Chunk]:
        replies: list[Chunk] = []
        for piece in pieces:
            if isinstance(piece, Stray):
                for server in self.servers:
                    if server.settings == self.settings:
                        server.damaged(piece.errors)
            else:
                replies += self._ask(piece.data, piece.at, piece.errors)
        return replies

    def _ask(self, frame: bytes, at: int, errors: int) -> list[Chunk]:
        replies: list[Chunk] = []
        for server in self.servers:
            settings = server.settings
            if settings is not self.settings and settings != self.settings:
                continue
            reply = server.handle(frame, at, errors)
            if reply is not None:
                start = max(at + self._wait + server.reply_delay_ns, self.free_at)
                self.free_at = end = start + self._spans[len(reply)]
                replies.append(_new(Chunk, (reply, end, ())))
                if len(self.servers) > 1:
                    self._overhear(server)
        return replies

    def _overhear(self, speaker: SupplyServer) -> None:
        """Let the other servers hear a reply."""
        for other in self.servers:
            if other is not speaker and other.settings == self.settings:
                other.overhear()
