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

A frame that was torn apart by more than t3.5 is put together again when its CRC proves it and the
parts are no further apart than `JOIN_NS`; it then bears the error GAP. A frame that stands complete
behind the silence always wins over such a joint.

Nearly all characters take the quick way (`kerfbus.bench.walk`): frames that follow one another, and
damage among them. Silences inside what is in hand, line errors and the ends of segments are left to
`kerfbus.bench.resync`.

Memory: what is held back is at most 512 characters besides the chunk in hand (255 of a frame that
may still become complete, 256 of damage before it).

Not promised: a frame is taken for a shorter one, or read out of damage, where a 16-bit CRC fits by
chance, about once in 65,536 tries. Nor is a frame that ends in 00 told from one without it, where
neither what was said before nor a silence tells: both have a good CRC. Instants of characters in
the middle of a lump are computed back from its stamp and never earlier than the stamp before.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from kerfbus.bench.frames import Frame, FrameError, Piece, Stray
from kerfbus.bench.held import SCALE_BITS, Held
from kerfbus.bench.line import MAX_ADU, LineSettings
from kerfbus.bench.resync import Resync
from kerfbus.bench.shapes import MIN_ADU, Shape, candidates
from kerfbus.bench.transport import CharacterError, Chunk, Timing
from kerfbus.bench.walk import NEVER, Walker

__all__ = ["JOIN_NS", "Frame", "FrameError", "Framer", "Piece", "Shape", "Stray"]

JOIN_NS = 25_000_000
"""How much longer than t3.5 the parts of a torn frame may be apart (an adapter's latency timer of
16 ms and a scheduling delay; chosen)."""
MAX_PART = 2048
"""Longer chunks are taken in parts, so that work grows with their length only (chosen)."""
MAX_BUFFER = MAX_PART + 2 * MAX_ADU
"""What is at most in hand: a part, and what is held back."""


class Framer(Walker):
    """Cuts one line's characters into frames.

    One framer serves one direction-less line; call its methods from one task. After any input it
    is usable again: there is no error state.

    Args:
        settings: rate and format of the line.
        timing: whether stamps are ``exact`` or the ``host``'s.
        uncertainty_ns: for ``host``: the longest believed delay from stop bit to stamp. A silence
            counts only where it is longer than this on top.

    Attributes:
        grace_ns: up to this length a silence counts as none.
        silence_ns: the least silence, as the stamps show it, that ends a segment.
        join_ns: such a silence, behind which no torn frame goes on.
    """

    def __init__(
        self, settings: LineSettings, timing: Timing = "host", uncertainty_ns: int = 0
    ) -> None:
        super().__init__(settings)
        # Half a bit of grace: an exact line is allowed to be off by its clock's tolerance.
        self.grace_ns = grace = settings.bit_ns // 2
        late = uncertainty_ns if timing == "host" else 0
        self._t15 = settings.t15_ns + grace + late
        self.silence_ns = settings.t35_ns - grace + late
        self.join_ns = self.silence_ns + JOIN_NS
        # A character that began before the silence was long enough is heard only at its end.
        self._wait = self.silence_ns + settings.character_ns
        self._resync: Resync | None = None  # in charge where the quick way will not do
        self._limit = grace  # the silence up to which it will; `NEVER` while it will not

    @property
    def deadline(self) -> int | None:
        """Return when `tick` has something to do, None while nothing is held back."""
        if not self.held:
            return None
        closed = self._resync is not None and self._resync.held.closed
        return self._at + self._wait + (JOIN_NS if closed else 0)

    @property
    def held(self) -> int:
        """Return how many characters are held back."""
        return len(self._buf if self._resync is None else self._resync.held.buf)

    def receive(self, data: bytes, at: int, errors: Iterable[CharacterError] = ()) -> list[Piece]:
        """Take characters and return what they complete.

        Args:
            data: characters without a gap between them as far as known.
            at: end of the last one (or the host's stamp). Where it is before that of the last call
                (a clock set back) the silence between them counts as unknown.
            errors: line errors of these characters, by position.
        """
        last = floor = self._at
        gap = at - last - (len(data) * self._scale >> SCALE_BITS)
        held = self._buf
        if gap > self._limit or errors or at < last:
            self._floor = last
            if held or errors or not data or self._limit < 0:
                return self._receive_oddly(data, at, errors)
            self._gap = self._silence(gap, at)
            floor = self._floor
        buf = held + data
        if not self._need <= len(buf) <= MAX_BUFFER:
            self._floor = floor
            return self._receive_few_or_many(data, at)
        self._at = at
        out: list[Piece] = []
        start = self._walk(buf, 0, out, floor)
        if self._need <= 0:
            self._floor = floor
            return self._look_on(buf, start, out)
        if start < len(held):
            self._marks.append((len(held), last))
        else:
            if self._marks:
                self._marks = []
            self._before = floor
        self._buf = buf[start:]
        return out

    def outbound(self, data: bytes, at: int) -> tuple[list[Piece], list[Piece]]:
        """Take characters that this station sends.

        What was heard before them ends here: a station does not hear itself, except as an echo.

        Args:
            data: all that is sent without a gap.
            at: end of the last character.

        Returns:
            What was still held back of what was heard, and what is sent.
        """
        return self.flush(), self.segment(data, at)

    def segment(self, data: bytes, at: int, errors: Iterable[CharacterError] = ()) -> list[Piece]:
        """Take characters to which nothing belongs that comes before or behind them.

        The same as `flush`, `receive` and `flush`, but quicker than the last two.

        Args:
            data: the characters.
            at: end of the last one (or the host's stamp).
            errors: line errors of these characters, by position.
        """
        out = self.flush()
        if not 0 < len(data) <= MAX_PART:
            return out + self.receive(data, at, errors) + self.flush()
        self._floor = self._at
        gap = self._silence(at - self._at - (len(data) * self._scale >> SCALE_BITS), at)
        self._at = at
        self._gap = gap if gap is None or gap > self.grace_ns else 0
        resync = self._handed_over(at)
        resync.held.add(data, at, errors)
        resync.held.closed = True
        return self._resume(resync, out, expired=True)

    def sent(self, frame: bytes, at: int | None = None) -> None:
        """Take note of a good frame that this station sends: it tells what comes next.

        Args:
            frame: the whole frame.
            at: when its last character ended: the silence before what comes next counts from here,
                unless something is held back that came before.
        """
        shapes = [int(c.shape) for c in candidates(frame) if c.length == len(frame)]
        self.passed(frame, shapes[0] if shapes else 0, at)

    def passed(self, frame: bytes, shapes: int, at: int | None) -> None:
        """Take note of a good frame that was found without this framer.

        Args:
            frame: the whole frame.
            shapes: its `Shape` bits.
            at: as for `sent`.
        """
        self._said = (frame, shapes)
        if self._resync is not None:
            self._resync.said = self._said
        if at is not None and not self.held:
            self._at = at

    def tick(self, now: int) -> list[Piece]:
        """Take note that no character has arrived up to `now` and return what that completes.

        Characters that were on their way must have been handed over first.
        """
        deadline = self.deadline
        if deadline is None or now < deadline:
            return []
        return self._close(expired=now >= self._at + self._wait + JOIN_NS)

    def flush(self) -> list[Piece]:
        """Return all that is held back, as at the end of a capture."""
        return self._close(expired=True) if self.held else []

    def _close(self, *, expired: bool) -> list[Piece]:
        resync = self._resync or self._handed_over(self._at)
        resync.held.closed = True
        return self._resume(resync, [], expired=expired)

    def _receive_few_or_many(self, data: bytes, at: int) -> list[Piece]:
        """Take characters that decide nothing yet, or a long chunk."""
        if len(data) >= self._need:
            return self._receive_in_parts(data, at, [])
        if data:
            self._keep(data, at)
        return []

    def _receive_oddly(self, data: bytes, at: int, errors: Iterable[CharacterError]) -> list[Piece]:
        """Take characters where the quick way will not do or damage is in hand."""
        if not data:
            return []
        if len(data) > MAX_PART:
            return self._receive_in_parts(data, at, list(errors))
        last = self._at
        gap = self._silence(at - last - (len(data) * self._scale >> SCALE_BITS), at)
        self._at = at
        silent = gap is None or gap > self.grace_ns
        if self._resync is None and not errors and not silent:
            buf = self._buf + data
            if len(buf) >= self._need:
                return self._look_on(buf, 0, [])
            self._keep(data, at)
            return []
        resync = self._resync or self._handed_over(last)
        held = resync.held
        cuts = held.closed if gap is None else gap >= self.silence_ns
        if silent:
            held.silence(gap, breaks=cuts or (gap or 0) > self._t15, cuts=cuts)
        # A tick that came too early, as these stamps show, has decided nothing about what is held.
        held.closed = False
        held.add(data, at, errors)
        if cuts or len(held.buf) >= resync.need:
            return self._resume(resync, [])
        self._resync, self._limit = resync, NEVER
        return []

    def _receive_in_parts(self, data: bytes, at: int, errors: list[CharacterError]) -> list[Piece]:
        """Take a long chunk as several; it makes no difference to what is found."""
        earliest = self._at if self._at <= at else 0
        out: list[Piece] = []
        for part in _parts(Chunk(data, at, tuple(errors)), self._scale):
            out += self.receive(part.data, max(part.at, earliest, 0), part.errors)
        return out

    def _handed_over(self, at: int) -> Resync:
        """Return what takes over from the quick way, with all that is held back.

        Args:
            at: the stamp of the newest chunk in it.
        """
        if self._buf:
            marks = [*self._marks, (len(self._buf), at)]
            held = Held(self._buf, marks, self._before, self._gap, self._scale)
        else:
            held = Held(b"", [], self._floor, self._gap, self._scale)
        resync = Resync(held, self.silence_ns, self.join_ns)
        resync.begin(self._skip, self._said)
        self._buf, self._skip, self._marks = b"", 0, []
        return resync

    def _resume(self, resync: Resync, out: list[Piece], *, expired: bool = False) -> list[Piece]:
        """Let `resync` work until it waits for more or the quick way is open again."""
        while True:
            ordinary = resync.advance(out, expired=expired)
            held, self._said = resync.held, resync.said
            self._limit, self._resync = (self.grace_ns, None) if ordinary else (NEVER, resync)
            if not held.buf:
                self._gap, self._need = 0, MIN_ADU
            if not (ordinary and held.buf):
                return out
            *self._marks, _ = held.marks
            self._buf = held.buf[: self._marks[-1][0]] if self._marks else b""
            self._before, self._gap, self._need = held.floor, held.gap(0), 0
            self._hold(held.buf, self._look(held.buf, 0, out))
            self._limit = NEVER if self._skip else self.grace_ns
            if self._need:
                return out
            resync = self._handed_over(self._at)

    def _look_on(self, buf: bytes, start: int, out: list[Piece]) -> list[Piece]:
        """Go on at `start` where `_walk` cannot, and hold back the rest."""
        if self._buf:
            self._marks.append((len(self._buf), self._floor))
        self._hold(buf, self._look(buf, start, out))
        self._limit = NEVER if self._skip else self.grace_ns
        return out if self._need else self._resume(self._handed_over(self._at), out)


def _parts(chunk: Chunk, scale: int) -> Iterator[Chunk]:
    """Yield a chunk in parts of at most `MAX_PART` characters, each with its own last instant."""
    size = len(chunk.data)
    for start in range(0, size, MAX_PART):
        end = min(start + MAX_PART, size)
        at = chunk.at - ((size - end) * scale >> SCALE_BITS)
        errors = [e._replace(position=e[0] - start) for e in chunk.errors if start <= e[0] < end]
        yield Chunk(chunk.data[start:end], at, tuple(errors))
