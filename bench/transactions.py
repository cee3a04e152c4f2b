"""From a recording to transactions: what was asked, what came of it, character by character.

Job: cut the records of a capture into requests and all that was heard behind each, with its times
and line errors, so that either side can be played again. It is sans-IO: records in, transactions
out. It must not know what a value means nor who will be asked again.

What belongs to whom comes from `kerfbus.bench.decode`; here each of its frames is led back to the
bursts that it came in, because a frame has no line errors of single characters and no gaps.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from os import PathLike
from typing import NamedTuple

from kerfbus.bench.capture import read_capture
from kerfbus.bench.capturerecords import Burst, CaptureInfo, Record
from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.frames import Frame
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, Vantage

__all__ = [
    "Ending",
    "Recording",
    "Transaction",
    "TransactionCutter",
    "cut_transactions",
    "read_transactions",
]


class Ending(Enum):
    """What came of a request."""

    REPLY = "reply"
    EXCEPTION = "exception"
    SILENCE = "silence"
    """Nothing came, or only what answers an older request."""
    DAMAGED = "damaged reply"
    """Characters came but no good reply."""
    BROADCAST = "broadcast"
    """Nobody answers."""


@dataclass(frozen=True, slots=True)
class Transaction:
    """A request and what came of it.

    Attributes:
        index: counts the requests of the recording, from 0.
        burst: number of the burst, from 0, in which the request begins.
        request: address, PDU and CRC, as asked or as heard.
        asked: the request as it was sent or heard, with its line errors; instants count from
            `asked_at`.
        asked_at: end of the request's last character, ns as in the capture.
        intact: whether the request is a good frame. A tap or a server may have heard it damaged.
        ending: what came of it.
        reply: the reply, good or damaged; None where nothing can be called one.
        turnaround_ns: from the end of the request to the reply's first character; None without a
            good reply.
        heard: all that was heard up to the next request, the station's own echo left out. Instants
            count from the end of the request; they may be below 0 where the host was late.
        echo: what of that was the station's own request; empty where it does not hear itself.
        rest: the characters of `heard` that are not the reply.
        settings: rate and format in force.
        late: replies in `heard` that answer older requests.
    """

    index: int
    burst: int
    request: bytes
    asked: tuple[Chunk, ...]
    asked_at: int
    intact: bool
    ending: Ending
    reply: Frame | None
    turnaround_ns: int | None
    heard: tuple[Chunk, ...]
    echo: tuple[Chunk, ...]
    rest: bytes
    settings: LineSettings
    late: int = 0

    @property
    def damage(self) -> bool:
        """Return whether anything of what was heard is not as a healthy line has it."""
        return self.ending is Ending.DAMAGED or bool(self.rest)


class Span(NamedTuple):
    """Part of a burst.

    Attributes:
        number: of the burst in the recording, from 0.
        burst: the burst.
        start: its first character in this part.
        end: behind its last character in this part.
        settings: that it was recorded under.
        echo: whether the station heard itself.
    """

    number: int
    burst: Burst
    start: int
    end: int
    settings: LineSettings
    echo: bool = False


class Attribution:
    """Decodes records and leads each row back to the bursts that its characters came in.

    The decoder gives every character back, in the order of the records.

    Args:
        info: what the capture says about itself.
    """

    def __init__(self, info: CaptureInfo) -> None:
        self._decoder = Decoder(info)
        self._settings = info.settings
        self._bursts: deque[Span] = deque()  # what no row has taken yet
        self._count = 0

    def feed(self, record: Record) -> list[tuple[Row, list[Span]]]:
        """Take the next record and return the rows that it completes, with their characters."""
        if isinstance(record, Burst):
            whole = Span(self._count, record, 0, len(record.data), self._settings)
            self._bursts.append(whole)
            self._count += 1
        return self._rows(self._decoder.feed(record))

    def finish(self) -> list[tuple[Row, list[Span]]]:
        """Return what is still held back, at the end of the recording."""
        return self._rows(self._decoder.finish())

    def _rows(self, rows: list[Row]) -> list[tuple[Row, list[Span]]]:
        found: list[tuple[Row, list[Span]]] = []
        for row in rows:
            if row.message is None:
                self._settings = row.settings
                found.append((row, []))
            else:
                found.append((row, self._take(len(row.message.piece.data), row.message.echo)))
        return found

    def _take(self, count: int, echo: bool) -> list[Span]:
        """Return the next characters in hand."""
        found = []
        while count:
            head = self._bursts.popleft()
            end = min(head.start + count, head.end)
            found.append(head._replace(end=end, echo=echo))
            count -= end - head.start
            if end < head.end:
                self._bursts.appendleft(head._replace(start=end))
        return found


class _Open:
    """A transaction that may still go on."""

    def __init__(self, row: Row, message: Message, asked: list[Span]) -> None:
        piece = message.piece
        self.request = piece.data
        self.asked_at = piece.at
        self.number = message.number
        self.intact = row.ok
        self.settings = row.settings
        self.reply: Row | None = None
        self.rest = b""
        self.late = 0
        self.asked = asked
        self.spans: list[Span] = []

    def add(self, span: Span) -> None:
        """Take characters behind the request; what follows without a break stays one chunk."""
        last = self.spans[-1] if self.spans else None
        here = (span.number, span.start, span.echo)
        if last is not None and (last.number, last.end, last.echo) == here:
            self.spans[-1] = last._replace(end=span.end)
        else:
            self.spans.append(span)


class TransactionCutter:
    """Cuts the records of one station into transactions.

    Args:
        info: what the capture says about itself.
    """

    def __init__(self, info: CaptureInfo) -> None:
        self._attribution = Attribution(info)
        self._vantage: Vantage = info.vantage
        self._exact = info.timing == "exact"
        self._count = 0
        self._open: _Open | None = None

    def feed(self, record: Record) -> list[Transaction]:
        """Take the next record and return the transactions that it ends."""
        return self._rows(self._attribution.feed(record))

    def finish(self) -> list[Transaction]:
        """Return what is still open, at the end of the recording."""
        return self._rows(self._attribution.finish()) + self._end()

    def _rows(self, rows: list[tuple[Row, list[Span]]]) -> list[Transaction]:
        return [done for row, spans in rows for done in self._row(row, spans)]

    def _row(self, row: Row, spans: list[Span]) -> list[Transaction]:
        message = row.message
        if message is None:
            return []
        if self._asks(message):
            ended = self._end()
            self._open = _Open(row, message, spans)
            return ended
        if self._open is not None:
            for span in spans:
                self._open.add(span)
            self._weigh(self._open, message, row)
        return []

    def _asks(self, message: Message) -> bool:
        """Return whether a message begins a transaction: for a client, all that it sends."""
        if self._vantage == "client":
            return message.outbound
        return message.role is Role.REQUEST and not message.echo

    @staticmethod
    def _weigh(current: _Open, message: Message, row: Row) -> None:
        """Say what heard characters are to the request."""
        if message.echo:
            return
        mine = message.pairs_with is not None and message.pairs_with == current.number
        if message.late and not mine:
            current.late += 1
        elif mine and current.reply is None:
            current.reply = row
        else:
            current.rest += message.piece.data

    def _end(self) -> list[Transaction]:
        current, self._open = self._open, None
        if current is None:
            return []
        index = self._count
        self._count += 1
        row = current.reply
        reply = row.frame if row is not None else None
        good = row is not None and row.ok
        turnaround = None
        if good and reply is not None:
            span = current.settings.characters_ns(len(reply.data))
            turnaround = max(reply.at - span - current.asked_at, 0)
        chunks = [(self._chunk(current, span), span.echo) for span in current.spans]
        return [
            Transaction(
                index=index,
                burst=current.asked[0].number,
                request=current.request,
                asked=tuple(self._chunk(current, span) for span in current.asked),
                asked_at=current.asked_at,
                intact=current.intact,
                ending=_ending(current, good=good),
                reply=reply,
                turnaround_ns=turnaround,
                heard=tuple(chunk for chunk, echo in chunks if not echo),
                echo=tuple(chunk for chunk, echo in chunks if echo),
                rest=current.rest,
                settings=current.settings,
                late=current.late,
            )
        ]

    def _chunk(self, current: _Open, span: Span) -> Chunk:
        """Return part of a burst, with instants that count from the end of the request."""
        exact = span.settings if self._exact else None
        part = part_of(span.burst, span.start, span.end, exact)
        return part._replace(at=part.at - current.asked_at)


def part_of(burst: Burst | Chunk, start: int, end: int, exact: LineSettings | None) -> Chunk:
    """Return characters from `start` to `end` of a burst.

    Args:
        burst: characters with one stamp.
        start: the first of them, from 0.
        end: behind the last of them.
        exact: settings of the line when instants are exact: the part then ends with its own last
            character. The host's stamp is that of the read, the same for all parts.
    """
    behind = len(burst.data) - end
    at = burst.at if exact is None or not behind else burst.at - exact.characters_ns(behind)
    errors = tuple(
        CharacterError(position - start, kind, value)
        for position, kind, value in burst.errors
        if start <= position < end
    )
    return Chunk(burst.data[start:end], at, errors)


def _ending(current: _Open, *, good: bool) -> Ending:
    row = current.reply
    if row is not None and good:
        return Ending.REPLY if row.exception is None else Ending.EXCEPTION
    if current.request[:1] == b"\0" and not current.rest:
        return Ending.BROADCAST
    return Ending.DAMAGED if row is not None or current.rest else Ending.SILENCE


def cut_transactions(info: CaptureInfo, records: Iterable[Record]) -> Iterator[Transaction]:
    """Yield the transactions of a recording."""
    cutter = TransactionCutter(info)
    for record in records:
        yield from cutter.feed(record)
    yield from cutter.finish()


class Recording(NamedTuple):
    """The transactions of a capture.

    Attributes:
        info: what its first section says.
        transactions: in the order of the line.
        warning: what is odd about the end of the file, None when nothing is.
        began_at: when the recording began: with its first record, and a burst with its first bit.
    """

    info: CaptureInfo
    transactions: tuple[Transaction, ...]
    warning: str | None = None
    began_at: int = 0


def beginning(info: CaptureInfo, records: Iterable[Record]) -> int:
    """Return when a recording begins: with its first record, and a burst with its first bit.

    A port may be said to be open a little after its first characters, which counts for nothing.
    """
    first: int | None = None
    for each in records:
        at = each.at
        if isinstance(each, Burst):
            at -= info.settings.characters_ns(len(each.data))
        first = at if first is None else min(first, at)
        if isinstance(each, Burst):
            break
    return first or 0


def read_transactions(path: str | PathLike[str]) -> Recording:
    """Return the transactions of a capture.

    Raises:
        CaptureError: it cannot be read or is damaged.
    """
    info, records, warning = read_capture(path)
    found = tuple(cut_transactions(info, records))
    return Recording(info, found, warning, beginning(info, records))
