"""Decoded rows with all that is known of each character again: line errors and inner silences.

Job: put a decoder over records and give each frame and each stretch of rubble back the line errors
and silences of its characters, which a row only sums up. It must not know what a frame was to hold.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from kerfbus.bench.capturerecords import Burst, CaptureInfo, LineEvent, Record
from kerfbus.bench.conversation import Role
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.frames import Frame, FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.quality import Quality
from kerfbus.bench.transport import CharacterError, LineEventKind

HARMLESS = int(FrameError.GAP)
NEVER = 1 << 62
"""A silence longer than any, for what has nothing before it."""


class Piece(NamedTuple):
    """A good frame, or characters that make none.

    Attributes:
        data: the characters.
        start: beginning of the first one, ns.
        at: end of the last one, ns.
        gap: silence before, ns; `NEVER` where nothing is known before.
        role: what the conversation takes it for.
        number: of the printed frame, None for stray characters.
        pairs_with: number of the request that it answers.
        good: a frame whose CRC fits and whose characters bear no line error.
        late: it answers a request that was given up.
        echo: the station's own frame, heard again.
        outbound: the recording station sent it.
        flags: line errors by position.
        gaps: silences inside, as (position of the character behind, ns).
    """

    data: bytes
    start: int
    at: int
    gap: int
    role: Role
    number: int | None
    pairs_with: int | None
    good: bool
    late: bool
    echo: bool
    outbound: bool
    flags: tuple[CharacterError, ...]
    gaps: tuple[tuple[int, int], ...]


class _Part(NamedTuple):
    """Characters of one burst that no piece has taken yet, and where the first one stands in it."""

    burst: Burst
    taken: int


class _Characters:
    """The characters of one direction, first in, first out."""

    def __init__(self) -> None:
        self._parts: deque[_Part] = deque()
        self._ended: int | None = None

    def add(self, burst: Burst) -> None:
        self._parts.append(_Part(burst, 0))

    def take(
        self, count: int, settings: LineSettings
    ) -> tuple[int, int, list[CharacterError], list[tuple[int, int]]]:
        """Return start, end, line errors and inner silences of the next characters."""
        flags: list[CharacterError] = []
        gaps: list[tuple[int, int]] = []
        start, end, done = -1, self._ended or 0, 0
        character = settings.character_ns
        while done < count and self._parts:
            burst, taken = self._parts.popleft()
            size = len(burst.data)
            some = min(count - done, size - taken)
            begin = burst.at - settings.characters_ns(size - taken)
            if done and begin - end > character // 2:
                gaps.append((done, begin - end))
            start = begin if start < 0 else start
            end = burst.at - settings.characters_ns(size - taken - some)
            flags += [
                error._replace(position=error.position - taken + done)
                for error in burst.errors
                if taken <= error.position < taken + some
            ]
            done += some
            if taken + some < size:
                self._parts.appendleft(_Part(burst, taken + some))
        self._ended = end
        return start, end, flags, gaps


class Reading(NamedTuple):
    """What a capture holds, decoded.

    Attributes:
        pieces: in the order of the line.
        events: line events that belong to no character.
        quality: the account of the link.
        reports: whether any line error was reported.
    """

    pieces: list[Piece]
    events: list[LineEvent]
    quality: Quality
    reports: bool


class PieceReader:
    """Takes the records of one station and gives pieces.

    Args:
        info: what the capture says about itself.
        watch: is shown each row.
    """

    def __init__(self, info: CaptureInfo, watch: Callable[[Row], None] | None = None) -> None:
        self._watch = watch
        self._decoder = Decoder(info)
        self._heard = _Characters()
        self._sent = _Characters()
        self._ended: int | None = None
        self.quality = Quality(info.settings, reports_errors=info.timing == "exact")
        self.events: list[LineEvent] = []
        self.reports = False

    def feed(self, record: Record) -> Iterator[Piece]:
        """Take a record and yield what it completes."""
        if isinstance(record, LineEvent):
            self.events.append(record)
            key, _, value = record.comment.partition("=")
            if record.kind is LineEventKind.MARK and key == "arc":
                self.quality.mark(key, value)
        else:
            (self._sent if record.outbound else self._heard).add(record)
            for error in record.errors:
                self.quality.character_error(error.kind)
                self.reports = True
        yield from self._pieces(self._decoder.feed(record))

    def finish(self) -> Iterator[Piece]:
        """Yield what is left at the end."""
        yield from self._pieces(self._decoder.finish())
        self.quality.finish()

    def _pieces(self, rows: Iterable[Row]) -> Iterator[Piece]:
        for row in rows:
            if self._watch is not None:
                self._watch(row)
            message = row.message
            if message is None:
                continue
            self.quality.take(message)
            found = message.piece
            source = self._sent if message.outbound else self._heard
            start, at, flags, gaps = source.take(len(found.data), row.settings)
            before = self._ended
            self._ended = at if before is None else max(before, at)
            yield Piece(
                data=found.data,
                start=start,
                at=at,
                gap=NEVER if before is None else start - before,
                role=message.role,
                number=message.number,
                pairs_with=message.pairs_with,
                good=isinstance(found, Frame) and not message.errors & ~HARMLESS,
                late=message.late,
                echo=message.echo,
                outbound=message.outbound,
                flags=tuple(flags),
                gaps=tuple(gaps),
            )


def in_order(records: Iterable[Record], info: CaptureInfo) -> Iterator[Record]:
    """Yield records with what a station sends before the echo of it.

    A recorder stamps either with its end, so that an echo may stand before what it is the echo of.
    """
    held: deque[Record] = deque()
    for record in _asked_first(records, info):
        if isinstance(record, LineEvent) or not record.outbound:
            held.append(record)
            if len(held) > HELD:
                yield held.popleft()
            continue
        for _ in range(_asked_alike(held, record, info)):
            yield held.popleft()
        start = record.at - info.settings.characters_ns(len(record.data))
        while held and not _while_sending(held[0], record, start, info):
            yield held.popleft()
        yield record
    yield from held


def _asked_alike(held: Iterable[Record], sent: Burst, info: CaptureInfo) -> int:
    """Return how many records are the request to which a server's reply is alike to the byte.

    Its first occurrence is the request; only one behind that can be the echo of the reply.
    """
    if info.vantage != "server" or sent.data[1:2] not in SAME_REPLY:
        return 0
    heard = b""
    for number, record in enumerate(held, 1):
        if isinstance(record, Burst):
            heard += record.data
            if sent.data in heard:
                return number
    return 0


def _asked_first(records: Iterable[Record], info: CaptureInfo) -> Iterator[Record]:
    """Yield records with what was read before something was sent before it, on equal stamps.

    A host stamps both with one instant when it reads, decides and writes at once.
    """
    if info.vantage == "client" and info.timing == "exact":
        yield from records
        return
    sent: Burst | None = None
    for record in records:
        if sent is None:
            pass
        elif (
            isinstance(record, Burst)
            and not record.outbound
            and record.at <= sent.at
            and record.data not in sent.data
        ):
            yield record
            continue
        else:
            yield sent
            sent = None
        if isinstance(record, Burst) and record.outbound:
            sent = record
        else:
            yield record
    if sent is not None:
        yield sent


def _while_sending(heard: Record, sent: Burst, start: int, info: CaptureInfo) -> bool:
    """Return whether a record was heard while the station sent: by its time, or by its content."""
    if isinstance(heard, LineEvent):
        return heard.at > start
    if info.timing == "exact":
        began = heard.at - info.settings.characters_ns(len(heard.data))
        return began > start - info.settings.character_ns // 2
    return heard.at > start - info.uncertainty_ns and heard.data in sent.data


SAME_REPLY = (b"\x05", b"\x06", b"\x08")
"""Functions whose reply repeats the request (MODBUS Application Protocol V1.1b3, 6.5, 6.6, 6.8)."""
HELD = 64
"""Records that are looked back over for an echo (chosen: more than a frame has bursts)."""


def read_pieces(
    info: CaptureInfo, records: Iterable[Record], watch: Callable[[Row], None] | None = None
) -> Reading:
    """Return all that records hold; `watch` is shown each row on the way."""
    reader = PieceReader(info, watch)
    ordered = records if info.vantage == "tap" else in_order(records, info)
    pieces = [piece for record in ordered for piece in reader.feed(record)]
    pieces += reader.finish()
    return Reading(pieces, reader.events, reader.quality, reader.reports)


__all__ = ["Burst", "LineEventKind", "Piece", "PieceReader", "Reading", "read_pieces"]
