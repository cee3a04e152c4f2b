"""Finding frames where silences, line errors or damage make it more than reading off lengths.

Job: take over from the framer's quick walk wherever something is out of the ordinary, and hand back
as soon as nothing is. It must not know chunks: only characters, silences and line errors.

A segment is what stands between two silences of at least t3.5. Each is treated in two steps, and
never otherwise, so that it does not matter when characters arrive:

1. As long as its end is not known: lengths and CRC at its start; behind damage, at each character
   that may start a frame. If characters are missing that could make a frame, nothing behind it is
   decided.
2. When it has ended: lengths as far as they fit into it; then the segment as a whole by CRC, for
   function codes without a layout; then together with what follows (a torn frame); then what stands
   behind the damage.
"""

from __future__ import annotations

from kerfbus.bench.crc import crc16
from kerfbus.bench.frames import Frame, FrameError, Piece, Stray
from kerfbus.bench.held import Held
from kerfbus.bench.line import MAX_ADU
from kerfbus.bench.seek import (
    LIKELY,
    MAX_ADDRESS,
    NOTHING_SAID,
    Said,
    frame_at,
    seek,
    user_defined_at,
)
from kerfbus.bench.shapes import MIN_ADU, USER_DEFINED, Shape, candidates

MAX_DAMAGE = MAX_ADU
"""Damage without silence is reported in pieces of at most this many characters."""

_CRC = int(FrameError.CRC)
_RAW = int(Shape.RAW)
_IDLE = (0x00, 0xFF)
_NONE = (0, 0)
_WAIT = (-1, 0)


class Resync:
    """Works through characters in hand.

    Args:
        held: the characters, none of them reported.
        silence_ns: the least silence that ends a segment.
        join_ns: a silence behind which nothing belongs to a torn frame any more.

    Attributes:
        said: what was said last.
        need: how many characters must be in hand before more can be decided, unless there is a
            silence.
    """

    __slots__ = (
        *("_bad", "_dirty", "_join_ns", "_out", "_silence_ns", "_start"),
        *("held", "need", "said"),
    )

    def __init__(self, held: Held, silence_ns: int, join_ns: int) -> None:
        self.held = held
        self.said = NOTHING_SAID
        self.need = 0
        self._silence_ns = silence_ns
        self._join_ns = join_ns
        self._bad = 0  # how many characters are reported
        self._start = 0  # the next place to try; what is between `_bad` and it starts no frame
        self._dirty = False  # damage before `_bad` goes on behind it
        self._out: list[Piece] = []

    def begin(self, start: int, said: Said) -> None:
        """Say what is known.

        Args:
            start: the next place to try; what is before it starts no frame with a layout.
            said: what was said last.
        """
        self._start, self.said = start, said

    def advance(self, out: list[Piece], *, expired: bool = False) -> bool:
        """Report what can be reported.

        Args:
            out: takes it.
            expired: nothing can join what stands at the end any more.

        Returns:
            Whether what is left is ordinary (or nothing); else it waits for more.
        """
        self._out, self.need = out, 0
        ordinary = self._work(expired=expired)
        self.held.drop(self._bad)
        self._start -= self._bad
        self.need = max(self.need - self._bad, 0)
        self._bad = 0
        return ordinary

    def _work(self, *, expired: bool) -> bool:
        held, end = self.held, len(self.held.buf)
        while self._bad < end:
            cut = held.cut_behind(self._bad)
            if not cut and self._bad and not self._dirty and held.ordinary(self._bad):
                return True
            if self._open(cut or end):
                continue
            if not (cut or held.closed):
                return False
            if not self._ended(cut or end, expired=expired):
                self.need = 0
                return False
        return True

    def _open(self, limit: int) -> bool:
        """Look for a frame in a segment as though its end were not known.

        Returns:
            Whether one was found and reported.
        """
        buf = self.held.buf
        length = shape = 0
        if self._start == self._bad and not self._dirty:
            length, shape = self._at_start(limit)
            self._start += not length
        if not length:
            self._start, length, shape = seek(buf, self._start, limit, sealed=False)
        if length > 0:
            self._frame(self._start, length, shape)
            return True
        self.need = self._start - length
        while self._start - self._bad > MAX_DAMAGE:
            self._damage(self._bad + MAX_DAMAGE, ended=False)
            self._dirty = True
        return False

    def _at_start(self, limit: int) -> tuple[int, int]:
        """Return what stands at a segment's start or behind a good frame, as `frame_at` does."""
        buf, start = self.held.buf, self._start
        found = frame_at(buf, start, limit, self.said, sealed=False)
        if found[0] or buf[start + 1] not in USER_DEFINED:
            return found
        return user_defined_at(buf, start, limit, sealed=False), _RAW

    def _ended(self, limit: int, *, expired: bool) -> bool:
        """Report what is left of a segment that ended at `limit`.

        Returns:
            False when it may go on behind the silence and that is not clear yet.
        """
        clean = self._start == self._bad
        length, shape = _NONE if self._dirty else self._as_a_whole(limit, clean=clean)
        if clean and not length:
            length, shape = self._join(limit, expired=expired)
            if length < 0:
                return False
        start = self._bad
        if not length:
            start, length, shape = seek(self.held.buf, self._start + clean, limit, sealed=True)
        if length:
            self._frame(start, length, shape)
        else:
            self._damage(limit, ended=True)
            self._start = limit
            self._dirty = False
        return True

    def _as_a_whole(self, limit: int, *, clean: bool) -> tuple[int, int]:
        """Return the frame at the start of a segment that ended at `limit`.

        Args:
            limit: where it ended.
            clean: whether lengths were left to try.
        """
        buf, start = self.held.buf, self._bad
        length = shape = 0
        if clean:
            length, shape = frame_at(buf, start, limit, self.said, sealed=True)
        if not length and MIN_ADU <= limit - start <= MAX_ADU:
            if not crc16(buf[start:limit]):
                return limit - start, _RAW
            if clean and buf[start + 1] in USER_DEFINED:
                return user_defined_at(buf, start, limit, sealed=True), _RAW
        return length, shape

    def _join(self, limit: int, *, expired: bool) -> tuple[int, int]:
        """Return the frame at `bad` that goes on behind the silence at `limit`.

        A frame that stands complete behind that silence wins over such a joint: a character lost at
        the end of one frame must not be made up for from the next one.

        Returns:
            A length of 0 for none, a negative one while that is not clear.
        """
        buf, start = self.held.buf, self._bad
        if buf[start] > MAX_ADDRESS or (expired and limit == len(buf)):
            return _NONE
        reach = self._reach(limit)
        expired |= reach < len(buf)
        if reach - start < 2:
            return _NONE if expired else _WAIT
        for length, shape, known_after in candidates(buf[start:reach]):
            stop = start + (length or known_after)
            if length and stop <= limit:
                continue  # tried before
            missing = not length or stop > reach
            if missing and expired:
                break
            if missing or not crc16(buf[start:stop]):
                stands = self._stands_behind(limit, min(stop, reach))
                if stands is None or (missing and not stands):
                    return _WAIT
                return _NONE if stands else (length, int(shape))
        return _NONE

    def _reach(self, limit: int) -> int:
        """Return how far a frame torn at `limit` may go: to the next silence that is too long."""
        for cut in self.held.cuts:
            if cut >= limit:
                gap = self.held.gap(cut)
                if gap is None or gap >= self._join_ns:
                    return cut
        return len(self.held.buf)

    def _stands_behind(self, first: int, stop: int) -> bool | None:
        """Return whether a good frame starts at a cut from `first` to before `stop`.

        None while that is not clear.
        """
        held = self.held
        for cut in held.cuts:
            if first <= cut < stop:
                end = held.cut_behind(cut)
                sealed = end > 0 or held.closed
                end = end or len(held.buf)
                length, _ = frame_at(held.buf, cut, end, NOTHING_SAID, sealed=sealed)
                if not length and end - cut >= MIN_ADU and held.buf[cut + 1] in USER_DEFINED:
                    if sealed:
                        length = not crc16(held.buf[cut:end])
                    elif end - cut < MAX_ADU:
                        return None
                if length:
                    return True if length > 0 else None
        return False

    def _frame(self, start: int, length: int, shape: int) -> None:
        """Report a good frame, and the damage before it."""
        if start > self._bad:
            self._damage(start, ended=False)
        held, stop = self.held, start + length
        data = held.buf[start:stop]
        stamp = held.stamp(stop - 1)
        self._out.append(Frame(data, stamp, held.errors(start, stop), held.gap(start), shape))
        self.said = (data, shape)
        self._bad = self._start = stop
        self._dirty = False

    def _damage(self, stop: int, *, ended: bool) -> None:
        """Report the characters up to `stop` as such that make no good frame.

        Args:
            stop: behind the last one.
            ended: whether a silence stands at `stop`.
        """
        held, self.said = self.held, NOTHING_SAID
        while self._bad < stop:
            start = self._bad
            self._bad = min(stop, start + MAX_DAMAGE)
            whole = ended and self._bad == stop and not self._dirty and self._after_silence(start)
            data = held.buf[start : self._bad]
            errors = held.errors(start, self._bad)
            stamp = held.stamp(self._bad - 1)
            self._out.append(as_damaged(data, stamp, errors, held.gap(start), whole=whole))

    def _after_silence(self, start: int) -> bool:
        gap = self.held.gap(start)
        return gap is None or gap >= self._silence_ns


def as_damaged(
    data: bytes, at: int, errors: int, gap_before_ns: int | None, *, whole: bool = False
) -> Piece:
    """Return characters that make no good frame as a damaged frame where they look like one.

    They do when there are at least four, not all 00 or all FF (a floating line), and they start
    like a frame or are all that stands between two silences.

    Args:
        data: the characters; this and what follows as in `Frame`.
        at: see there.
        errors: see there.
        gap_before_ns: see there.
        whole: whether they are all that stands between two silences.
    """
    if len(data) >= MIN_ADU and not (data[0] in _IDLE and data.count(data[0]) == len(data)):
        likely = data[0] <= MAX_ADDRESS and data[1] in LIKELY
        if whole and likely:
            errors |= _wrong_length(data)
        if whole or likely:
            return Frame(data, at, errors | _CRC, gap_before_ns, 0)
    return Stray(data, at, errors, gap_before_ns)


def _wrong_length(data: bytes) -> int:
    """Return whether damage is too short or too long for its function code, as an error bit."""
    options = candidates(data)
    if options and len(data) < (options[0].length or options[0].known_after + 2):
        return int(FrameError.SHORT)
    if options and len(data) > (options[-1].length or MAX_ADU):
        return int(FrameError.LONG)
    return 0
