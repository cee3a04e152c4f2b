"""Puts a director onto a line: the characters of a controller in, whatever it is to hear out."""

from __future__ import annotations

from collections.abc import Callable

from kerfbus.bench.conversation import Conversation
from kerfbus.bench.errors import PortError
from kerfbus.bench.framing import Frame, FrameError, Framer, Piece
from kerfbus.bench.shapes import Shape
from kerfbus.bench.transport import Transport
from kerfbus.sim.qualification.director import Director
from kerfbus.sim.qualification.record import Stage, What
from kerfbus.sim.qualification.schedule import STEADY

NS = 1_000_000_000
LOOK_NS = 10_000_000
"""How often the side channel is looked at, and the schedule moved on."""
LONGEST_LINE = 80
WORDS = {What.PROMPT_START: b"start\n", What.PROMPT_CLEAR: b"clear\n"}
"""What the side channel is told."""
SAYS = {b"moving": True, b"still": False}
"""What it may say."""


class Stand:
    """Drives one qualification over a transport.

    Args:
        director: decides.
        transport: the line; the stand does not close it.
        signals: the side channel, None without one: lines ``moving`` and ``still`` come from it,
            lines ``start`` and ``clear`` go to it.
        tell: called with each prompt.
    """

    def __init__(
        self,
        director: Director,
        transport: Transport,
        signals: Transport | None = None,
        tell: Callable[[What], None] | None = None,
    ) -> None:
        self._director = director
        self._line = transport
        self._signals = signals
        self._tell = tell or (lambda _: None)
        self._words = b""
        settings = transport.settings
        self._framer = Framer(settings, transport.timing, transport.uncertainty_ns)
        self._conversation = Conversation("server", settings, paced=transport.facts.paced)

    async def run(self, patience_ns: int) -> None:
        """Run the schedule to its end.

        Args:
            patience_ns: so long a request is waited for. A controller that falls silent later than
                its polling was watched is judged by what it did.

        Raises:
            PortError: it was silent before that.
            PortLostError: the port went away.
        """
        clock, director = self._line.clock, self._director
        last = clock.now() + patience_ns
        while not director.done:
            await self._hear()
            now = clock.now()
            await self._listen(now)
            director.tick(now)
            await self._speak()
            if director.record.asked:
                last = director.record.asked[-1].at + patience_ns
            if now > last and director.record.stage_at(STEADY, Stage.WATCH) is not None:
                director.give_up(now)
            elif now > last:
                raise PortError(
                    self._line.name,
                    f"no good request came for {patience_ns // NS} s ({director.record.damaged} "
                    "damaged pieces); is the controller connected, with this rate and format?",
                )

    async def _hear(self) -> None:
        """Take what comes until something else is due."""
        clock = self._line.clock
        dues = (self._framer.deadline, self._director.due, clock.now() + LOOK_NS)
        until = min(due for due in dues if due is not None)
        chunk = await self._line.receive(until)
        if chunk is None:
            pieces = self._framer.tick(clock.now())
        else:
            pieces = self._framer.receive(chunk.data, chunk.at, chunk.errors)
        for piece in pieces:
            self._take(piece)

    def _take(self, piece: Piece) -> None:
        message = self._conversation.inbound(piece)
        if message.echo:
            return
        # A gap inside counts only where stamps are exact (MODBUS over Serial Line V1.02, 2.5.1.1).
        spoiling = ~FrameError.GAP if self._line.timing == "host" else ~0
        if isinstance(piece, Frame) and not message.errors & spoiling:
            self._director.heard(piece)
        else:
            self._director.damaged()

    async def _speak(self) -> None:
        director, clock = self._director, self._line.clock
        for data in director.sendings(clock.now()):
            at = await self._line.send(data)
            director.sent(at)
            self._framer.sent(data)
            self._conversation.outbound(Frame(data, at, 0, None, int(Shape.REPLY)))

    async def _listen(self, now: int) -> None:
        """Look at the side channel, and hand over what is asked for."""
        prompts, self._director.prompts[:] = self._director.prompts[:], []
        for prompt in prompts:
            self._tell(prompt)
            if self._signals is not None:
                await self._signals.send(WORDS[prompt])
        if self._signals is None:
            return
        chunk = await self._signals.receive(now)
        if chunk is None:
            return
        *lines, rest = (self._words + chunk.data).split(b"\n")
        self._words = rest[-LONGEST_LINE:]
        for line in lines:
            moves = SAYS.get(line.strip().lower())
            if moves is not None:
                self._director.moving(chunk.at, moves=moves)
