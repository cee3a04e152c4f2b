"""Puts servers onto a line: characters in, replies out, at the right time.

One station serves all servers of one line over any `Transport`. It holds the framer and the
conversation (so that it does not take its own echo for a request), waits the turnaround, and
follows the servers when their line settings are changed over the link.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kerfbus.bench.conversation import Conversation, Message
from kerfbus.bench.errors import PortLostError, UsageError
from kerfbus.bench.framing import Frame, FrameError, Framer, Piece
from kerfbus.bench.shapes import Shape
from kerfbus.bench.transport import Chunk, Transport
from kerfbus.sim.answering import answers
from kerfbus.sim.server import SupplyServer

NS = 1_000_000_000
NO_ERRORS = 0


@dataclass(frozen=True, slots=True)
class StationOptions:
    """How a station behaves.

    Attributes:
        turnaround_seconds: from the end of a request to the start of the reply, the servers' own
            reply delay not counted; None for t3.5 where time is real (MODBUS over Serial Line
            V1.02, 2.5.1.1) and for none on ptys and TCP.
        pace: on ptys and TCP, let a transaction take the time that it takes on a wire.
        comes_back: go on after a lost port; for a transport that opens itself again.

    Raises:
        UsageError: the time is negative.
    """

    turnaround_seconds: float | None = None
    pace: bool = False
    comes_back: bool = False

    def __post_init__(self) -> None:
        if (self.turnaround_seconds or 0) < 0:
            raise UsageError(f"turnaround {self.turnaround_seconds} s: give 0 or more")


class Station:
    """Serves one line.

    Args:
        servers: on this line; each has its own state. At least one.
        transport: the line.
        options: turnaround and pace.

    Attributes:
        replies: sent so far.
    """

    def __init__(
        self,
        servers: Sequence[SupplyServer],
        transport: Transport,
        options: StationOptions | None = None,
    ) -> None:
        self.servers = tuple(servers)
        self.transport = transport
        self.options = options or StationOptions()
        self.replies = 0
        self._follow()

    async def run(self) -> None:
        """Serve until cancelled.

        Raises:
            PortLostError: the port went away, and the options do not say that it comes back.
        """
        while True:
            try:
                chunk = await self.transport.receive(self._framer.deadline)
                await self.take(chunk)
            except PortLostError:
                if not self.options.comes_back:
                    raise
                self._follow()

    async def take(self, chunk: Chunk | None) -> None:
        """Take what the transport gave (None: nothing came until the framer's deadline)."""
        if chunk is None:
            pieces = self._framer.tick(self.transport.clock.now())
        else:
            pieces = self._framer.receive(chunk.data, chunk.at, chunk.errors)
        for piece in pieces:
            await self._hear(self._conversation.inbound(piece))

    async def _hear(self, message: Message) -> None:
        piece = message.piece
        if message.echo:
            return
        errors = self._errors(message)
        for server, reply in answers(message, self.servers, errors):
            await self._send(server, piece, reply)
        if isinstance(piece, Frame):
            await self._settle()

    def _errors(self, message: Message) -> int:
        """Return what spoils a frame. A gap counts only where stamps are exact (2.5.1.1)."""
        spoiling = ~FrameError.GAP if self.transport.timing == "host" else ~NO_ERRORS
        return message.piece.errors & spoiling

    async def _send(self, server: SupplyServer, request: Piece, reply: bytes) -> None:
        settings, clock = self.transport.settings, self.transport.clock
        wait = self._turnaround_ns + server.reply_delay_ns
        if self.options.pace and not self.transport.facts.paced:
            wait += settings.characters_ns(len(request.data) + len(reply))
        due = request.at + wait
        if due > clock.now():
            await clock.sleep_until(due)
        at = await self.transport.send(reply)
        self.replies += 1
        self._framer.sent(reply)
        self._conversation.outbound(Frame(reply, at, NO_ERRORS, None, int(Shape.REPLY)))

    async def _settle(self) -> None:
        """Follow the servers to new line settings once all of them have changed."""
        wanted = {server.settings for server in self.servers}
        if len(wanted) == 1 and (settings := wanted.pop()) != self.transport.settings:
            await self.transport.reconfigure(settings)
            self._follow()

    def _follow(self) -> None:
        """Begin anew with the transport's line settings."""
        line, settings = self.transport, self.transport.settings
        self._framer = Framer(settings, line.timing, line.uncertainty_ns)
        self._conversation = Conversation("server", settings, paced=line.facts.paced)
        usual = settings.t35_ns if line.facts.paced or self.options.pace else 0
        given = self.options.turnaround_seconds
        self._turnaround_ns = usual if given is None else round(given * NS)


async def serve(
    servers: SupplyServer | Sequence[SupplyServer],
    transport: Transport,
    options: StationOptions | None = None,
) -> None:
    """Serve one or several servers on a line until cancelled.

    Raises:
        PortLostError: the port went away.
    """
    several = (servers,) if isinstance(servers, SupplyServer) else servers
    await Station(several, transport, options).run()
