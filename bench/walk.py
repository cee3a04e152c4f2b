"""Frames that follow one another, and damage among them: the framer's quick way.

Job: what nearly all characters need. Rule: nothing here knows a silence or a line error; where one
stands in what is in hand, `kerfbus.bench.resync` takes over. `kerfbus.bench.framing` decides which
of the two it is and says how frames are found.
"""

from __future__ import annotations

from typing import Any

from kerfbus.bench.crc import crc16
from kerfbus.bench.frames import Frame, Piece
from kerfbus.bench.held import SCALE_BITS, scaled_character, stamp_of
from kerfbus.bench.line import LineSettings
from kerfbus.bench.resync import MAX_DAMAGE, as_damaged
from kerfbus.bench.seek import (
    NOTHING_SAID,
    OUT_OF_REACH,
    SETTLED,
    frame_at,
    prefers_shorter,
    seek,
)
from kerfbus.bench.shapes import MIN_ADU, USER_DEFINED

NEVER = -(1 << 80)
"""Before all instants, which are not negative."""

_new = tuple.__new__


class Walker:
    """Holds back the head of a frame, perhaps behind damage, and goes on from there.

    Args:
        settings: rate and format of the line.
    """

    def __init__(self, settings: LineSettings) -> None:
        self._scale = scaled_character(settings)
        self._at = NEVER  # the newest stamp
        self._floor = 0  # the stamp before it; nothing in the newest chunk ended earlier
        self._said = NOTHING_SAID
        self._buf = b""  # what is held back
        self._skip = 0  # so many characters of it start no frame
        self._need = MIN_ADU  # so many must be there before more can be decided
        self._gap: int | None = 0  # the silence before it
        self._marks: list[tuple[int, int]] = []  # (end offset, stamp) of its chunks but the last
        self._before = 0  # the stamp before its first chunk

    @property
    def newest(self) -> int | None:
        """Return the stamp of the newest characters, None before the first."""
        return None if self._at == NEVER else self._at

    def _silence(self, gap: int, at: int) -> int | None:
        """Return the silence before a chunk that ended at `at`, None when it is unknown."""
        if self._at <= at and self._at != NEVER:
            return gap
        self._floor = 0
        return None

    def _keep(self, data: bytes, at: int) -> None:
        """Hold back one more chunk, with which nothing can be decided yet."""
        if self._buf:
            self._marks.append((len(self._buf), self._floor))
        else:
            self._before = self._floor
        self._at = at
        self._buf += data

    def _hold(self, buf: bytes, start: int) -> None:
        """Hold back what stands in `buf` from `start` on.

        `_buf` is still what was held before: the newest chunk begins behind it.
        """
        if start >= len(self._buf):
            self._marks, self._before = [], self._floor
        else:
            while self._marks[0][0] <= start:
                self._before = self._marks.pop(0)[1]
            if start:
                self._marks = [(end - start, at) for end, at in self._marks]
        self._buf = buf[start:]

    def _walk(  # noqa: C901 (one pass, written out)
        self, buf: bytes, start: int, out: list[Any], floor: int
    ) -> int:
        """Walk over `buf` as long as good frames follow one another.

        This is the path that nearly all characters take, so it is written out: one pass, no calls
        but the CRC. Stamps are those of frames that end in the newest chunk.

        Returns:
            Where it stopped. `_need` says how many characters from there on are needed to go on. It
            is -1 when no frame with a layout stands there, 0 when that takes more to tell.
        """
        end = len(buf)
        at = self._at
        scale = self._scale
        gap = self._gap
        begin = start
        need = 0
        try:
            while True:
                place, rows = SETTLED[buf[start + 1]]
                length, shape, longer, longer_shape, risky = rows[buf[start + place]]
                stop = start + length
                if stop > end:
                    need = length
                    break
                found = buf[start:stop]
                if crc16(found):
                    stop = start + longer
                    if stop > end:
                        need = longer
                        break
                    found = buf[start:stop]
                    if crc16(found):  # that of no characters is not 0
                        need = -1
                        break
                    shape = longer_shape
                elif risky:
                    said = out[-1] if start > begin else self._said
                    if not prefers_shorter(said, found, shape):
                        break
                start = stop
                if stop == end:
                    out.append(_new(Frame, (found, at, 0, gap, shape)))
                    gap, need = 0, MIN_ADU
                    break
                stamp = at - ((end - stop) * scale >> SCALE_BITS)
                out.append(_new(Frame, (found, stamp if stamp > floor else floor, 0, gap, shape)))
                gap = 0
        except IndexError:
            if end - start < MIN_ADU:
                need = MIN_ADU
            elif rows:
                need = place + 1
        if start > begin:
            self._said = out[-1]
        self._gap, self._need = gap, need
        return start

    def _look(self, buf: bytes, bad: int, out: list[Piece]) -> int:
        """Go on where `_walk` cannot: other layouts, and damage without a silence in it.

        Args:
            buf: characters.
            bad: how many are reported; the next `_skip` of them start no frame.
            out: takes what is found.

        Returns:
            How many are reported now. `_need` is as from `_walk`, but 0 when it takes a `Resync`.
        """
        start, length, shape = bad + self._skip, 0, 0
        while True:
            self._skip = 0
            if start == bad and not self._need:
                length, shape = frame_at(buf, start, len(buf), self._said, sealed=False)
                if not length and buf[start + 1] in USER_DEFINED:
                    return bad
            if not length:
                start, length, shape = seek(buf, max(start, bad + 1), len(buf), sealed=False)
            if start - bad > MAX_DAMAGE:
                self._need = 0
                return bad
            if length < 0:
                self._skip = start - bad
                self._need = self._skip - length
                return bad
            if start > bad:
                out.append(as_damaged(buf[bad:start], self._stamp(buf, start), 0, self._gap))
                self._gap = 0
            stop = start + length
            stamp = self._stamp(buf, stop)
            frame = _new(Frame, (buf[start:stop], stamp, 0, self._gap, shape))
            out.append(frame)
            self._said, self._gap = frame, 0
            first = len(out)
            start = bad = self._walk(buf, stop, out, self._floor)
            if stop < len(self._buf):
                self._restamp(stop, out, first)
            if self._need > 0:
                return bad
            length = 0

    def _stamp(self, buf: bytes, stop: int) -> int:
        """Return the instant at which the character before `stop` ended."""
        if stop <= len(self._buf):
            return stamp_of(stop - 1, self._marks, self._before, self._scale)
        stamp = self._at - ((len(buf) - stop) * self._scale >> SCALE_BITS)
        return max(stamp, self._floor)

    def _restamp(self, stop: int, out: list[Any], first: int) -> None:
        """Correct the stamps of frames that ended in earlier chunks.

        Args:
            stop: where the frames begin; they follow one another.
            out: pieces.
            first: the first of the frames in it.
        """
        marks = iter(self._marks)
        end, at, before = 0, self._before, 0
        scale = self._scale
        for place in range(first, len(out)):
            data, _, errors, gap, shapes = out[place]
            stop += len(data)
            while stop > end:
                before = at
                end, at = next(marks, (OUT_OF_REACH, 0))
            if end == OUT_OF_REACH:
                return
            stamp = at - ((end - stop) * scale >> SCALE_BITS)
            stamp = stamp if stamp > before else before
            out[place] = _new(Frame, (data, stamp, errors, gap, shapes))
