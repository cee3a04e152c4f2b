"""From characters with times to frames, for a client, a server or a tap.

Job: cut the stream of characters of an RTU line into frames. Rule: characters and instants go in,
events come out; nothing here opens a port, sleeps or reads a clock. It must not know who talks to
whom (that is `kerfbus.bench.conversation`) nor what a PDU means (`kerfbus.bench.wire`).

How a frame is found. RTU marks a frame's end by silence alone. A host rarely sees the silence: an
adapter hands over lumps. So two witnesses are used together. Silence of at least t3.5 (MODBUS over
Serial Line V1.02, 2.5.1.1), when the stamps prove it, ends a *segment*. Inside a segment the
lengths that the function code allows (`kerfbus.bench.shapes`) are tried, shortest first, and the
CRC decides. When none fits, the next character is tried as a start, so a good frame behind damage
is found. A segment whose CRC fits as a whole is a frame whatever its function code.

The same characters with the same times give the same events however they are chunked: a decision
never depends on where a chunk ends, only on characters and silences. `tick` is a silence too.

A frame that an adapter tore apart by more than t3.5 is put together again when its CRC proves it
and the parts are no further apart than `JOIN_NS`; it then bears the error GAP. A frame that stands
complete at the start of the later part always wins over such a joint.

Memory: what is held back is at most 512 characters besides the chunk in hand (255 of a frame that
may still become complete, 256 of damage before it).

Not promised: after damage without silence, a wrong frame may be read out of wrong characters when a
16-bit CRC fits by chance, about once in 65,536 tries. Instants of characters in the middle of a
lump are computed back from its stamp and never earlier than the stamp before.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntFlag
from typing import NamedTuple

from kerfbus.bench.crc import crc16
from kerfbus.bench.line import MAX_ADU, LineSettings
from kerfbus.bench.shapes import (
    MIN_ADU,
    PUBLIC,
    USER_DEFINED,
    Options,
    Shape,
    candidates,
    echoes_request,
    expected_reply_length,
    settled,
)
from kerfbus.bench.transport import CharacterError, LineEventKind, Timing

JOIN_NS = 25_000_000
"""How much longer than t3.5 the parts of a torn frame may be apart (an adapter's latency timer of
16 ms and a scheduling delay; chosen)."""
MAX_ADDRESS = 247
"""Higher server addresses are reserved (MODBUS over Serial Line V1.02, 2.2)."""
MAX_DAMAGE = MAX_ADU
"""Damage without silence is reported in pieces of this many characters."""


class FrameError(IntFlag):
    """What is wrong with a frame."""

    CRC = 1
    FRAMING = 2
    PARITY = 4
    BREAK = 8
    OVERRUN = 16
    GAP = 32
    """More than 1.5 characters of silence inside (2.5.1.1)."""
    SHORT = 64
    """Shorter than its request or its function code demands."""
    LONG = 128


_ERROR_OF_KIND = {
    LineEventKind.FRAMING: FrameError.FRAMING,
    LineEventKind.PARITY: FrameError.PARITY,
    LineEventKind.BREAK: FrameError.BREAK,
    LineEventKind.OVERRUN: FrameError.OVERRUN,
    LineEventKind.DROPPED: FrameError.OVERRUN,
}


class Frame(NamedTuple):
    """Characters that make a frame, good or damaged.

    Attributes:
        data: address, PDU and CRC as heard.
        at: end of the last character.
        errors: `FrameError` bits; 0 for a good frame.
        gap_before_ns: silence before the first character, 0 for none, None when unknown.
        shapes: `Shape` bits that the length allows; 0 for a damaged frame.
    """

    data: bytes
    at: int
    errors: int
    gap_before_ns: int | None
    shapes: int

    @property
    def usable(self) -> bool:
        """Return whether the content can be trusted: the CRC fits and no character is marked.

        A gap does not spoil the content. A receiver that follows the standard to the letter
        discards the frame all the same; on a host whose stamps are late that would discard good
        ones.
        """
        return not self.errors & ~FrameError.GAP


class Stray(NamedTuple):
    """Characters that fit no frame; fields as in `Frame`."""

    data: bytes
    at: int
    errors: int
    gap_before_ns: int | None


Piece = Frame | Stray

_new = tuple.__new__
_REQUEST = int(Shape.REQUEST)
_REPLY = int(Shape.REPLY)
# Lengths by function code; None where one character does not settle them.
_Row = tuple[int, int, int, int, bool]


def _row(options: Options) -> _Row:
    """Return the options side by side, and whether they are one character apart."""
    (length, shape), (longer, longer_shape) = (*options, (0, 0), (0, 0))[:2]
    return length, shape, longer, longer_shape, longer == length + 1


def _rows(function: int) -> tuple[int, tuple[_Row, ...]]:
    lengths = settled(function)
    if lengths is None:
        return 1 << 30, ()
    rows = {options: _row(options) for options in set(lengths.rows)}
    return lengths.place, tuple(rows[options] for options in lengths.rows)


# By function code: the place of the character that settles the lengths (out of reach where none
# does) and a row for each value of it.
_SETTLED = (*map(_rows, range(0x81)), *((_rows(0x81),) * 0x7F))
# Behind damage only the standard's function codes and their exceptions are taken for a start.
_LIKELY = bytes((f & 0x7F) in PUBLIC for f in range(256))
_SCALE_BITS = 20
"""Character times are multiples of 2^-20 ns in the hot loop: whole numbers, off by under 1 ns."""


def _options(buf: bytes, start: int) -> Options:
    """Return the (length, shape) options of a frame at `start`, shortest first, 0 = not known."""
    place, rows = _SETTLED[buf[start + 1]]
    if start + place < len(buf):
        length, shape, longer, longer_shape, _ = rows[buf[start + place]]
        return tuple(o for o in ((length, shape), (longer, longer_shape)) if o[0])
    if not rows and buf[start + 1] not in PUBLIC:
        return ()
    return tuple((c.length, int(c.shape)) for c in candidates(buf, start))


def _prefers_shorter(context: bytes, said: int, found: bytes, shape: int) -> bool:
    """Return whether what was said last makes `found` the frame, not one a character longer.

    After a request, the reply of the length that it asks for follows; after all else, a request.

    Args:
        context: the last good frame, empty when damage came after it.
        said: its shapes.
        found: the shorter frame.
        shape: its shapes.
    """
    if said == _REQUEST and context[:2] == found[:2]:
        return shape & _REPLY > 0 and expected_reply_length(context) == len(found)
    if said == _REQUEST or not context:
        return False
    # A frame that may be request or reply leaves no doubt when its function code repeats requests:
    # what follows with another function code does not answer it.
    return shape & _REQUEST > 0 and (said == _REPLY or echoes_request(context[1]))


class Framer:
    """Cuts one line's characters into frames.

    One framer serves one direction-less line; call its methods from one task. After any input it
    is usable again: there is no error state.

    Args:
        settings: rate and format of the line.
        timing: whether stamps are ``exact`` or the ``host``'s.
        uncertainty_ns: for ``host``: the longest believed delay from stop bit to stamp. A silence
            counts only where it is longer than this on top.
    """

    def __init__(
        self, settings: LineSettings, timing: Timing = "host", uncertainty_ns: int = 0
    ) -> None:
        self._scale = settings.characters_ns(1 << _SCALE_BITS)
        # Half a bit of grace: an exact line is allowed to be off by its clock's tolerance.
        self._slack = slack = settings.bit_ns // 2
        late = uncertainty_ns if timing == "host" else 0
        self._t15 = settings.t15_ns + slack + late
        self._t35 = settings.t35_ns - slack + late
        self._last: int | None = None
        self._floor = 0  # the stamp before the first mark; no character in hand ended before
        self._context = b""  # the last good frame, empty after damage
        self._said = 0  # its shapes
        self._clear()

    def _clear(self) -> None:
        self._buf = b""
        self._closed = False  # the last segment has ended by silence
        self._odd = False  # what is held back is not just the head of a good frame
        self._skip = 0  # characters at the head of the buffer that start no frame
        self._marks: list[tuple[int, int]] = []  # (end offset, stamp) of each chunk in the buffer
        self._need = 0  # how many characters must be held before anything can be decided
        self._heads: dict[int, int | None] = {}  # chunk start -> silence before it, if any
        self._breaks: list[int] = []  # chunk starts after more than t1.5
        self._cuts: list[int] = []  # chunk starts after t3.5 or more
        self._faults: list[tuple[int, int]] = []  # (offset, FrameError bit)

    @property
    def deadline(self) -> int | None:
        """Return when `tick` has something to do, None while nothing is held back."""
        if not self._buf or self._last is None:
            return None
        return self._last + self._t35 + (JOIN_NS if self._closed else 0)

    @property
    def held(self) -> int:
        """Return how many characters are held back."""
        return len(self._buf)

    def receive(self, data: bytes, at: int, errors: Iterable[CharacterError] = ()) -> list[Piece]:
        """Take characters and return what they complete.

        Args:
            data: characters without a gap between them as far as known.
            at: end of the last one (or the host's stamp); not before that of the last call.
            errors: line errors of these characters, by position.
        """
        if not data:
            return []
        last = self._last
        self._last = at
        base = len(self._buf)
        if not base:
            self._floor = at if last is None or last > at else last
        gap = None if last is None else at - last - (len(data) * self._scale >> _SCALE_BITS)
        if gap is None or gap > self._slack or self._closed:
            self._silence(base, gap)
        for error in errors:
            self._faults.append((base + error.position, _ERROR_OF_KIND[error.kind]))
        out: list[Piece] = []
        buf = self._buf + data if base else bytes(data)
        self._marks.append((len(buf), at))
        if self._odd or self._breaks or self._faults or self._heads:
            if len(buf) < self._need and not self._breaks:
                self._buf = buf
                return out
            return self._run(buf, out)
        start, more = self._scan(buf, 0, out)
        if more or start < base:
            return self._run(buf, out, bad=start, more=more)
        self._buf = buf[start:]
        self._marks = [(len(buf) - start, at)] if self._buf else []
        self._floor = at if last is None or last > at else last
        return out

    def _silence(self, base: int, gap: int | None) -> None:
        """Note the silence before the characters that follow the `base` characters held back."""
        self._heads[base] = gap
        if base and (self._closed or (gap is not None and gap > self._t15)):
            self._breaks.append(base)
            if self._closed or (gap is not None and gap >= self._t35):
                self._cuts.append(base)
        self._closed = False

    def sent(self, frame: bytes) -> None:
        """Take note of a frame that this station sends; nothing is returned for it.

        It tells which kind of frame comes next: a station does not hear itself, except as an echo.
        """
        shapes = 0
        for candidate in candidates(frame):
            if candidate.length == len(frame):
                shapes = candidate.shape
        self._context, self._said = frame, int(shapes)

    def tick(self, now: int) -> list[Piece]:
        """Take note that no character has arrived up to `now` and return what that completes."""
        deadline = self.deadline
        if deadline is None or now < deadline or self._last is None:
            return []
        return self._close(expired=now - self._last >= self._t35 + JOIN_NS)

    def flush(self) -> list[Piece]:
        """Return all that is held back, as at the end of a capture."""
        return self._close(expired=True) if self._buf else []

    def _close(self, *, expired: bool) -> list[Piece]:
        self._closed = True
        return self._run(self._buf, [], expired=expired)

    def _run(
        self,
        buf: bytes,
        out: list[Piece],
        *,
        bad: int = 0,
        more: bool = True,
        expired: bool = False,
    ) -> list[Piece]:
        """Report what can be reported of `buf` and hold back the rest.

        Args:
            buf: all characters in hand.
            out: takes what is found.
            bad: how many characters are reported.
            more: whether there is anything to find.
            expired: nothing can join what stands at the end of `buf` any more.

        Returns:
            `out`.
        """
        start = bad + self._skip
        self._need = 0
        while more and bad < len(buf):
            if start == bad and not (self._breaks or self._faults or self._closed):
                bad, more = self._scan(buf, bad, out)
                start = bad
                if not more:
                    break
            bad, start, more = self._step(buf, bad, start, out, expired=expired)
        if bad == len(buf):
            self._clear()
            return out
        self._drop(buf, bad)
        self._skip = start - bad
        self._need = max(self._need - bad, 0)
        self._odd = bool(self._skip or self._closed or self._breaks or self._faults or self._need)
        return out

    def _scan(self, buf: bytes, start: int, out: list[Piece]) -> tuple[int, bool]:
        """Walk over `buf` as long as there are good frames.

        This is the path that nearly all characters take, so it is written out: one pass, no calls
        but the CRC. All that is unusual is left to `_step`.

        Returns:
            Where it stopped, and whether what stands there is unusual, not merely incomplete.
        """
        end, heads, scale = len(buf), self._heads, self._scale
        marks = iter(self._marks)
        mark, at = next(marks)
        floor = self._floor
        context, said = self._context, self._said
        unusual = False
        while start + 3 < end:
            place, rows = _SETTLED[buf[start + 1]]
            if start + place >= end:
                unusual = place >= MAX_ADU
                break
            length, shape, longer, longer_shape, risky = rows[buf[start + place]]
            stop = start + length
            if stop > end:
                break
            found = buf[start:stop]
            if crc16(found):
                stop = start + longer
                if stop > end:
                    break
                found = buf[start:stop]
                if not longer or crc16(found):
                    unusual = True
                    break
                shape = longer_shape
            elif risky and not _prefers_shorter(context, said, found, shape):
                unusual = True
                break
            while stop > mark:
                floor = at
                mark, at = next(marks)
            stamp = at
            if stop < mark:
                stamp = at - ((mark - stop) * scale >> _SCALE_BITS)
                if stamp < floor:  # noqa: PLR1730 (the hot loop)
                    stamp = floor
            out.append(_new(Frame, (found, stamp, 0, heads.get(start, 0) if heads else 0, shape)))
            context, said, start = found, shape, stop
        self._context, self._said = context, said
        return start, unusual

    def _step(
        self, buf: bytes, bad: int, start: int, out: list[Piece], *, expired: bool
    ) -> tuple[int, int, bool]:
        """Find the next frame with regard to silences, damage and every layout.

        Args:
            buf: all characters in hand.
            bad: how many of them are reported.
            start: where a frame may start; between are characters that start none.
            out: takes what is found.
            expired: as for `_run`.

        Returns:
            The new `bad` and `start`, and whether it is worth going on.
        """
        cut = next((c for c in self._cuts if c > bad), 0)
        limit = cut or len(buf)
        sealed = bool(cut) or self._closed
        while start < limit:
            length, shape = self._try(buf, start, limit, sealed=sealed, resuming=start > bad)
            if not length and sealed and start == bad:
                length, shape = self._whole(buf, start, limit, expired=expired)
            if length < 0:
                return bad, start, False
            if length:
                if start > bad:
                    out.append(self._damage(buf, bad, start))
                out.append(self._frame(buf, start, start + length, shape))
                return start + length, start + length, True
            start += 1
            while start + 1 < limit and not _LIKELY[buf[start + 1]]:
                start += 1
            if start - bad >= MAX_DAMAGE:
                out.append(self._damage(buf, bad, bad + MAX_DAMAGE))
                bad += MAX_DAMAGE
                start = max(start, bad)
        if not sealed:
            return bad, start, False
        if bad < limit:
            out.append(self._damage(buf, bad, limit, sealed=True))
        return limit, limit, True

    def _try(
        self, buf: bytes, start: int, limit: int, *, sealed: bool, resuming: bool
    ) -> tuple[int, int]:
        """Return length and shape of the frame at `start`.

        Args:
            buf: all characters in hand.
            start: where the frame would start.
            limit: where its segment ends as far as known.
            sealed: whether the segment goes no further than `limit`.
            resuming: whether characters before `start` fit no frame.

        Returns:
            A length of 0 for no frame, -1 while characters are missing that could make one.
        """
        waiting = (0, 0) if sealed else (-1, 0)
        if limit - start < MIN_ADU:
            return waiting
        if resuming and buf[start] > MAX_ADDRESS:
            return (0, 0)
        options = _options(buf, start)
        for length, _ in options:
            if not length or start + length > limit:
                self._need = 0 if sealed else start + length
                return waiting
            if crc16(buf[start : start + length]) == 0:
                return self._settle(buf, start, limit, options, waiting)
        # A user-defined frame has no length: it ends by silence or, when none comes, by CRC. Behind
        # damage it is not looked for: a wrong guess would hold back good frames.
        if sealed or resuming or options or buf[start + 1] & 0x7F not in USER_DEFINED:
            return (0, 0)
        return waiting if limit - start < MAX_ADU else self._prefix(buf, start, limit)

    def _settle(
        self,
        buf: bytes,
        start: int,
        limit: int,
        options: Options,
        waiting: tuple[int, int],
    ) -> tuple[int, int]:
        """Return the frame at `start` when its CRC fits at the first or only of the `options`.

        A frame that ends in 00 has a good CRC one character earlier too (the residue is 0 and 00
        keeps it 0). Where both lengths are possible, what was said last decides; where that is not
        clear the longer one is taken if it comes before a silence.
        """
        first = next(o for o in options if crc16(buf[start : start + o[0]]) == 0)
        longer = next((o for o in options if o[0] == first[0] + 1), None)
        found = buf[start : start + first[0]]
        if longer is None or _prefers_shorter(self._context, self._said, found, first[1]):
            return first
        if start + longer[0] > limit:
            return waiting if waiting[0] else first
        return first if crc16(buf[start : start + longer[0]]) else longer

    @staticmethod
    def _prefix(buf: bytes, start: int, limit: int) -> tuple[int, int]:
        """Return the shortest frame at `start` by CRC alone."""
        for length in range(MIN_ADU, min(limit - start, MAX_ADU) + 1):
            if crc16(buf[start : start + length]) == 0:
                return length, Shape.RAW
        return (0, 0)

    def _whole(self, buf: bytes, start: int, limit: int, *, expired: bool) -> tuple[int, int]:
        """Return the frame that a segment is as a whole, or with what follows after a silence."""
        if MIN_ADU <= limit - start <= MAX_ADU and crc16(buf[start:limit]) == 0:
            return limit - start, Shape.RAW
        if limit - start >= MIN_ADU and buf[start + 1] & 0x7F in USER_DEFINED:
            return self._prefix(buf, start, limit)
        return self._join(buf, start, limit, expired=expired)

    def _join(self, buf: bytes, start: int, limit: int, *, expired: bool) -> tuple[int, int]:
        """Return the frame at `start` that goes on behind the silence at `limit`.

        Candidates of `start` and of the segments behind it are tried in order of their ends, so
        that the answer does not depend on how much has arrived yet.
        """
        reach = self._reach(limit)
        if buf[start] > MAX_ADDRESS:
            return (0, 0)
        if reach - start < 2:
            return (0, 0) if expired or reach < len(buf) else (-1, 0)
        options = [
            (start + (c.length or c.known_after + 2), start, c)
            for c in candidates(buf[:reach], start)
            if not c.length or limit < start + c.length
        ]
        if reach < len(buf):
            options = [o for o in options if o[0] <= reach and o[2].length]
        if not options:
            return (0, 0)
        furthest = max(option[0] for option in options)
        for cut in (c for c in self._cuts if limit <= c < min(furthest, len(buf) - 1)):
            options += [
                (cut + (c.length or c.known_after + 2), cut, c) for c in candidates(buf, cut)
            ]
        for stop, origin, candidate in sorted(options, key=lambda option: option[:2]):
            if stop > len(buf) or not candidate.length:
                return (0, 0) if expired else (-1, 0)
            if crc16(buf[origin:stop]) == 0:
                return (stop - start, candidate.shape) if origin == start else (0, 0)
        return (0, 0)

    def _reach(self, limit: int) -> int:
        """Return how far a frame torn at `limit` may go: to the next silence that is too long."""
        for cut in self._cuts:
            gap = self._heads.get(cut)
            if cut >= limit and (gap is None or gap > self._t35 + JOIN_NS):
                return cut
        return self._marks[-1][0]

    def _drop(self, buf: bytes, count: int) -> None:
        """Forget the first `count` characters of `buf`; the rest stays held back."""
        if count >= len(buf):
            self._clear()
            return
        self._buf = buf[count:]
        self._skip = 0
        if not count:
            return
        gone = [at for end, at in self._marks if end <= count]
        self._floor = gone[-1] if gone else self._floor
        self._marks = [(end - count, at) for end, at in self._marks[len(gone) :]]
        self._heads = {o - count: gap for o, gap in self._heads.items() if o >= count}
        self._breaks = [o - count for o in self._breaks if o >= count]
        self._cuts = [o - count for o in self._cuts if o > count]
        self._faults = [(o - count, bit) for o, bit in self._faults if o >= count]

    def _stamp(self, index: int) -> int:
        """Return the instant at which character `index` of the buffer ended."""
        floor = self._floor
        for end, at in self._marks:
            if index < end:
                return max(at - ((end - 1 - index) * self._scale >> _SCALE_BITS), floor)
            floor = at
        raise AssertionError("a character without a stamp")

    def _errors(self, start: int, stop: int) -> int:
        errors = 0
        for offset, bit in self._faults:
            if start <= offset < stop:
                errors |= bit
        if any(start < offset < stop for offset in self._breaks):
            errors |= FrameError.GAP
        return errors

    def _frame(self, buf: bytes, start: int, stop: int, shape: int) -> Frame:
        errors = int(self._errors(start, stop))
        gap = self._heads.get(start, 0)
        data = buf[start:stop]
        self._context, self._said = data, int(shape)
        return Frame(data, self._stamp(stop - 1), errors, gap, int(shape))

    def _damage(self, buf: bytes, start: int, stop: int, *, sealed: bool = False) -> Piece:
        """Return characters that make no good frame, as a damaged frame where they look like one.

        They do when there are at least four, not all 00 or all FF (a floating line), and they start
        like a frame or fill a segment.
        """
        self._context, self._said = b"", 0
        data = buf[start:stop]
        stamp, errors = self._stamp(stop - 1), int(self._errors(start, stop))
        gap = self._heads.get(start, 0)
        idle = data.count(data[0]) == len(data) and data[0] in (0x00, 0xFF)
        likely = data[0] <= MAX_ADDRESS and len(data) >= 2 and bool(candidates(data))
        alone = sealed and (gap is None or gap >= self._t35)
        if len(data) < MIN_ADU or idle or not (likely or alone):
            return Stray(data, stamp, errors, gap)
        return Frame(data, stamp, errors | FrameError.CRC, gap, 0)
