"""A rerun as server: the recorded replies answer a controller under test.

A request is matched by content and gets what was recorded behind it: at the recorded time after
its end, with the silences inside. What of the recording the port cannot carry is counted.

What a port can carry. Line errors go over no port that is opened as a file or a socket: the
characters come, bad as they are, without the mark that a UART would have set. On a pty or TCP
characters take no time of their own; `kerfbus.sim.pacedline` gives them the pace of a wire to about
a millisecond, and silences shorter than that are not kept.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

from kerfbus.bench.answerbook import AnswerBook, Repeat, Unexpected
from kerfbus.bench.conversation import Conversation, Message, Role
from kerfbus.bench.errors import KerfbusError, PortLostError
from kerfbus.bench.frames import Frame
from kerfbus.bench.framing import Framer
from kerfbus.bench.line import LineSettings
from kerfbus.bench.rerun.comparison import Difference
from kerfbus.bench.rerun.report import Report
from kerfbus.bench.rerun.values import request_text
from kerfbus.bench.shapes import Shape
from kerfbus.bench.transactions import Transaction
from kerfbus.bench.transport import Chunk, Transport

LINGER_NS = 1_000_000_000
"""How long a server stays once all was asked: a pty that is closed takes the last reply along, and
what a controller asks beyond the recording would not be seen (chosen)."""


@dataclass(frozen=True, slots=True)
class ReplayPlan:
    """How recorded replies are given.

    Attributes:
        repeat: what answers a request whose recorded answers were all given.
        ends_when_used: end `LINGER_NS` after every recorded transaction was asked for.
        until: end at this instant of the port's clock at the latest; None without such an end.
    """

    repeat: Repeat = Repeat.LAST
    ends_when_used: bool = True
    until: int | None = None


class _Due(NamedTuple):
    """Characters to be sent, from this instant on."""

    at: int
    data: bytes


class ReplayServer:
    """Answers a controller from a recording.

    Args:
        port: the line. Not closed here.
        transactions: of the recording.
        plan: how.
        tell: called with each request that has no recorded answer.

    Attributes:
        book: what was asked, what was not.
        damaged: pieces that were heard and are no good request.
        unsent_errors: recorded line errors that no port carries.
        left_out: recorded characters that were still to come when the next request came.
        trouble: the loss of the port that ended it, None when nothing did.
    """

    def __init__(
        self,
        port: Transport,
        transactions: Iterable[Transaction],
        plan: ReplayPlan | None = None,
        tell: Callable[[Unexpected], None] | None = None,
    ) -> None:
        self._port = port
        self._plan = plan or ReplayPlan()
        self._tell = tell or (lambda _: None)
        self._recorded = tuple(transactions)
        self.book = AnswerBook(self._recorded, self._plan.repeat)
        self.damaged = self.unsent_errors = self.left_out = 0
        self.trouble: KerfbusError | None = None
        self._until = self._plan.until
        self._servers = {each.request[0] for each in self._recorded if each.intact}
        self._given: list[Transaction] = []
        self._due: deque[_Due] = deque()
        settings, timing = port.settings, port.timing
        self._framer = Framer(settings, timing, port.uncertainty_ns)
        self._conversation = Conversation("server", settings, paced=port.facts.paced)

    async def run(self) -> Report:
        """Answer until the plan's end, or until the port is lost."""
        try:
            while not self._over():
                await self._step()
        except PortLostError as lost:
            self.trouble = lost
        return self.report()

    def _over(self) -> bool:
        plan, now = self._plan, self._port.clock.now()
        if plan.ends_when_used and not self._due and not self.book.left:
            self._until = min(now + LINGER_NS, self._until or now + LINGER_NS)
        return self._until is not None and now >= self._until

    async def _step(self) -> None:
        """Send what is due, or hear what comes before anything is."""
        port, due = self._port, self._due
        if due and due[0].at <= port.clock.now():
            await self._send(due.popleft().data)
            return
        ends = [self._framer.deadline, self._until, due[0].at if due else None]
        chunk = await port.receive(min((each for each in ends if each is not None), default=None))
        pieces = (
            self._framer.tick(port.clock.now())
            if chunk is None
            else self._framer.receive(chunk.data, chunk.at, chunk.errors)
        )
        for piece in pieces:
            self._hear(self._conversation.inbound(piece))

    async def _send(self, data: bytes) -> None:
        at = await self._port.send(data)
        self._framer.sent(data)
        self._conversation.outbound(Frame(data, at, 0, None, int(Shape.REPLY)))

    def _hear(self, message: Message) -> None:
        if message.echo:
            return
        piece = message.piece
        if not isinstance(piece, Frame) or not piece.usable or not self._asks(message):
            self.damaged += 1
            return
        found = self.book.find(piece.data, piece.at)
        self.left_out += sum(len(each.data) for each in self._due)
        self._due.clear()
        if found is None:
            self._tell(self.book.unexpected[-1])
            return
        self._given.append(found)
        for chunk in found.heard:
            self.unsent_errors += len(chunk.errors)
            start = piece.at + chunk.at - found.settings.characters_ns(len(chunk.data))
            self._due.append(_Due(start, chunk.data))

    def _asks(self, message: Message) -> bool:
        """Return whether a good frame is a request.

        One that repeats an unanswered request may as well be another server's reply to it, where
        its function code repeats the request. From a server that is played here it cannot be.
        """
        piece = message.piece
        assert isinstance(piece, Frame)
        mine = piece.data[0] in self._servers and bool(piece.shapes & Shape.REQUEST)
        return mine or message.role is Role.REQUEST

    def report(self) -> Report:
        """Return what came of it so far."""
        different = [_unexpected(*each) for each in _counted(self.book.unexpected)]
        different += _missing(self.book, self._recorded)
        off = len(self.book.unexpected)
        return Report(len(self._given) + off, tuple(different), off, notes=self._notes())

    def _notes(self) -> tuple[str, ...]:
        notes = []
        if self.damaged:
            notes.append(f"heard and not answered: {self.damaged} damaged requests or strays")
        if self.unsent_errors:
            notes.append(f"not carried by this port: {self.unsent_errors} line errors")
        if self.left_out:
            notes.append(f"left out, the next request came before: {self.left_out} characters")
        if self.trouble is not None:
            notes.append(f"ended early: {self.trouble}")
        return tuple(notes)


def _counted(unexpected: Iterable[Unexpected]) -> list[tuple[Unexpected, int]]:
    """Return each unexpected request once, with how often it came."""
    first: dict[tuple[bytes, str], Unexpected] = {}
    counts: Counter[tuple[bytes, str]] = Counter()
    for each in unexpected:
        key = (each.request, each.why.value)
        first.setdefault(key, each)
        counts[key] += 1
    return [(first[key], count) for key, count in counts.items()]


def _unexpected(each: Unexpected, count: int) -> Difference:
    times = "" if count == 1 else f", {count} times"
    return Difference(
        None,
        request_text(each.request),
        "no such request",
        f"asked{times}: {each.why.value}",
        "unexpected",
        each.request.hex(),
    )


def _missing(book: AnswerBook, recorded: Iterable[Transaction]) -> list[Difference]:
    """Return the recorded requests that were never asked, each once."""
    left = {each.index for each in book.left}
    asked = {each.request for each in recorded if each.intact and each.index not in left}
    found: dict[bytes, Difference] = {}
    for each in book.left:
        if each.request not in asked:
            text = request_text(each.request)
            difference = Difference(
                each.index, text, "asked", "never asked", "missing", each.request.hex()
            )
            found.setdefault(each.request, difference)
    return list(found.values())


async def play(chunks: Iterable[tuple[Chunk, LineSettings]], port: Transport, speed: float) -> int:
    """Play a recorded line into a port, whatever is said there; return the line errors left out.

    Args:
        chunks: with instants from the beginning, and the settings that they were recorded under.
        port: where they go.
        speed: how many times as fast as recorded; characters keep their own time.

    Raises:
        PortLostError: the port is gone.
    """
    begin, unsent = port.clock.now(), 0
    for chunk, settings in chunks:
        start = chunk.at - settings.characters_ns(len(chunk.data))
        await port.clock.sleep_until(begin + round(start / speed))
        await port.send(chunk.data)
        unsent += len(chunk.errors)
    return unsent
