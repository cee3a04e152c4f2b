"""Captures to frames, for millions of them.

Job: the same as a framer over the records of a capture, piece for piece, as columns of numbers.
Bursts that are exactly one good frame are found side by side (`kerfbus.bench.bulkrows`); what
stands between them goes through `kerfbus.bench.framing`. It must not know who talks to whom.

Memory: a batch of `kerfbus.bench.capturecolumns.iter_columns` and some 60 bytes for each frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from os import PathLike

import numpy as np

from kerfbus.bench.bulkcrc import Bytes, Flags, Ints
from kerfbus.bench.bulkdamage import describe
from kerfbus.bench.bulkrows import Bursts, judge
from kerfbus.bench.capturecolumns import BATCH_BYTES, CaptureColumns, iter_columns
from kerfbus.bench.capturerecords import CaptureInfo
from kerfbus.bench.errors import CaptureError, UsageError
from kerfbus.bench.frames import BREAKS
from kerfbus.bench.framing import Frame, Framer, Piece, Stray
from kerfbus.bench.held import SCALE_BITS, scaled_character
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, LineEventKind

UNKNOWN = -1
"""A silence of which the length is not known."""

_Loose = tuple[int, Piece, bool]
"""A piece that the framer gave: the burst that completed it, the piece, whether it was sent."""


@dataclass(frozen=True, slots=True, eq=False)
class FrameColumns:
    """Frames and stray characters of a batch, in the order of the line.

    Attributes:
        data: bytes that hold the characters of most frames, among others.
        offsets: where each frame's characters begin in `data`; -1 for those in `loose`.
        lengths: characters of each.
        at: end of the last character, ns.
        errors: `FrameError` bits.
        gaps: silence before the first character, ns; `UNKNOWN` where it is.
        shapes: `Shape` bits; 0 for a damaged frame and for stray characters.
        outbound: whether the recording station sent it.
        stray: whether it is characters that fit no frame.
        bursts: index in the batch of the burst that completed it; -1 for a batch before.
        loose: the pieces whose characters may come from several bursts, in order.
    """

    data: Bytes
    offsets: Ints
    lengths: Ints
    at: Ints
    errors: Ints
    gaps: Ints
    shapes: Bytes
    outbound: Flags
    stray: Flags
    bursts: Ints
    loose: tuple[Piece, ...]

    def __len__(self) -> int:
        """Return the number of frames and strays."""
        return len(self.offsets)

    @property
    def servers(self) -> Bytes:
        """Return the first character of each."""
        return self._characters(0)

    @property
    def functions(self) -> Bytes:
        """Return the second character of each; 0 where there is none."""
        return self._characters(1)

    def _characters(self, place: int) -> Bytes:
        found = np.zeros(len(self), dtype=np.uint8)
        there = self.offsets >= 0
        found[there] = self.data[self.offsets[there] + place]
        found[~there] = [next(iter(p.data[place : place + 1]), 0) for p in self.loose]
        return found

    def pieces(self) -> Iterator[tuple[Piece, bool]]:
        """Yield each as the framer would give it, and whether the station sent it; slow."""
        loose = iter(self.loose)
        columns = (self.offsets, self.lengths, self.at, self.errors, self.gaps, self.shapes)
        flags = zip(self.outbound.tolist(), self.stray.tolist(), strict=True)
        for (outbound, stray), (offset, length, at, errors, silence, shapes) in zip(
            flags, zip(*(column.tolist() for column in columns), strict=True), strict=True
        ):
            data = self.data[offset : offset + length].tobytes()
            gap = None if silence == UNKNOWN else silence
            if offset < 0:
                yield next(loose), outbound
            elif stray:
                yield Stray(data, at, errors, gap), outbound
            else:
                yield Frame(data, at, errors, gap, shapes), outbound


def iter_frames(
    path: str | PathLike[str], batch_bytes: int = BATCH_BYTES
) -> Iterator[FrameColumns]:
    """Yield the frames of a capture in batches; only one is in memory at a time.

    Args:
        path: the file.
        batch_bytes: bytes of the file to take at a time.

    Raises:
        CaptureError: the file cannot be read or is damaged; all that stands before the damage was
            yielded.
    """
    framer = BulkFramer()
    try:
        for columns in iter_columns(path, batch_bytes):
            yield framer.take(columns)
    except CaptureError:
        yield framer.finish()
        raise
    yield framer.finish()


class BulkFramer:
    """Takes a capture batch by batch, as `iter_columns` gives it."""

    def __init__(self) -> None:
        self._info: CaptureInfo | None = None
        self._framer = Framer(LineSettings())
        self._scale = 0

    def take(self, columns: CaptureColumns) -> FrameColumns:
        """Return what a batch completes; what may go on is held back.

        Raises:
            UsageError: the columns have more than one span.
        """
        if len(columns.spans) > 1:
            raise UsageError(
                "columns of several spans: give the batches of iter_columns one by one"
            )
        loose: list[_Loose] = []
        changed = any(event.kind is LineEventKind.SETTINGS for event in columns.events)
        if changed or columns.info is not self._info:
            loose = [(-1, piece, False) for piece in self._framer.flush()]
            info = self._info = columns.info
            self._framer = Framer(columns.settings, info.timing, info.uncertainty_ns)
            self._scale = scaled_character(columns.settings)
        return _Batch(columns, self._framer, self._scale, loose).run()

    def finish(self) -> FrameColumns:
        """Return what is still held back."""
        ints = np.empty(0, dtype=np.int64)
        flags, characters = ints.astype(np.bool_), ints.astype(np.uint8)
        bare = FrameColumns(
            characters, *(ints,) * 5, characters, flags, flags, bursts=ints, loose=()
        )
        return _with_loose(bare, [(-1, piece, False) for piece in self._framer.flush()])


class _Batch:
    """A batch on its way from bursts to frames.

    Args:
        columns: the bursts.
        framer: knows what came before, and takes the bursts that are not one good frame each.
        scale: time of a character in units of 2^-8 ns.
        loose: pieces that stand before all others.
    """

    def __init__(
        self, columns: CaptureColumns, framer: Framer, scale: int, loose: list[_Loose]
    ) -> None:
        self._columns = columns
        self._framer = framer
        self._loose = loose
        at = columns.at
        before = np.empty_like(at)
        before[1:] = at[:-1]
        before[:1] = at[:1] + 1 if framer.newest is None else framer.newest
        # The silence before each burst.
        self._silence = at - before - (columns.lengths * scale >> SCALE_BITS)
        self._unknown = at < before
        self._breaks = frozenset(
            burst
            for burst, event in zip(columns.event_bursts.tolist(), columns.events, strict=True)
            if event.kind in BREAKS
        )
        self._bursts = _even(columns, *self._ends())
        verdict = judge(self._bursts)
        self._frame = verdict.frame
        self._damage = verdict.damage
        self._alone = verdict.frame | verdict.follows | verdict.damage  # these need no framer
        self._shapes = verdict.shapes
        self._shapes[verdict.damage] = 0

    def _ends(self) -> tuple[Flags, Flags]:
        """Return whether a segment ends behind each burst, and whether all that is torn does.

        What the station sends ends all that was heard, and ends itself.
        """
        outbound, unknown = self._columns.outbound, self._unknown
        final = outbound.copy()
        final[:-1] |= outbound[1:] | (~unknown & (self._silence >= self._framer.join_ns))[1:]
        final[[burst - 1 for burst in self._breaks if burst]] = True
        ended = final.copy()
        ended[:-1] |= (~unknown & (self._silence >= self._framer.silence_ns))[1:]
        return ended, final

    def run(self) -> FrameColumns:
        """Return the frames and strays of the batch."""
        count = len(self._alone)
        if 0 in self._breaks:
            self._flush(-1)
        doubtful = np.append(np.flatnonzero(~self._alone), count)
        here = 0 if self._framer.held else int(doubtful[0])
        while here < count:
            self._pass(here - 1)
            here = self._stream(here)
            here = int(doubtful[np.searchsorted(doubtful, here)])
        self._pass(count - 1)
        if count and count in self._breaks:
            self._flush(count - 1)
        return _with_loose(self._result(np.flatnonzero(self._alone)), self._loose)

    def _result(self, where: Ints) -> FrameColumns:
        """Return the pieces that needed no framer."""
        bursts, silence, unknown = self._bursts, self._silence[where], self._unknown[where]
        gaps = np.where(silence > self._framer.grace_ns, silence, 0)
        gaps[unknown] = UNKNOWN
        errors = np.zeros_like(where)
        stray = np.zeros(len(where), dtype=np.bool_)
        damaged = self._damage[where]
        if damaged.any():
            quiet = unknown | (silence >= self._framer.silence_ns)
            bad = where[damaged]
            errors[damaged], stray[damaged] = describe(
                bursts.data, bursts.offsets[bad], bursts.lengths[bad], quiet[damaged]
            )
        return FrameColumns(
            data=bursts.data,
            offsets=bursts.offsets[where],
            lengths=bursts.lengths[where],
            at=self._columns.at[where],
            errors=errors,
            gaps=gaps,
            shapes=self._shapes[where],
            outbound=self._columns.outbound[where],
            stray=stray,
            bursts=where,
            loose=(),
        )

    def _pass(self, burst: int) -> None:
        """Tell the framer of a burst that it was not given, if so it was."""
        if burst >= 0 and self._alone[burst]:
            frame = b"" if self._damage[burst] else self._bursts.frame(burst)
            self._framer.passed(frame, int(self._shapes[burst]), int(self._columns.at[burst]))

    def _stream(self, here: int) -> int:
        """Give bursts to the framer until it holds nothing back and the next one stands alone.

        Returns:
            The next one.
        """
        framer, bursts, count = self._framer, self._bursts, len(self._alone)
        while True:
            self._alone[here] = False
            data, at = bursts.frame(here), int(self._columns.at[here])
            before_frame = here + 1 < count and self._frame[here + 1]
            # A torn frame would be put together with what follows, but not with a good frame.
            ends = bursts.final[here] or (bursts.ended[here] and before_frame)
            if self._columns.outbound[here]:
                heard, sent = framer.outbound(data, at)
                self._add(here - 1, heard)
                self._add(here, sent, outbound=True)
            elif ends and not framer.held:
                self._add(here, framer.segment(data, at, self._errors(here)))
            else:
                self._add(here, framer.receive(data, at, self._errors(here)))
                if ends:
                    self._flush(here)
            here += 1
            if here == count or (not framer.held and (before_frame or self._damage[here])):
                return here

    def _errors(self, burst: int) -> list[CharacterError]:
        columns = self._columns
        if not len(columns.error_bursts):
            return []
        first, last = np.searchsorted(columns.error_bursts, (burst, burst + 1)).tolist()
        return [
            CharacterError(
                int(columns.error_positions[each]),
                LineEventKind(int(columns.error_kinds[each])),
                int(columns.error_values[each]),
            )
            for each in range(first, last)
        ]

    def _flush(self, burst: int) -> None:
        self._add(burst, self._framer.flush())

    def _add(self, burst: int, pieces: list[Piece], *, outbound: bool = False) -> None:
        self._loose += [(burst, piece, outbound) for piece in pieces]


def _even(columns: CaptureColumns, ended: Flags, final: Flags) -> Bursts:
    """Return the bursts of a capture, each at an even offset."""
    data, offsets, lengths = columns.data, columns.offsets, columns.lengths
    if (offsets & 1).any():  # no capture of ours; pcapng aligns to 32 bits
        packed, starts = columns.packed()
        room = lengths + (lengths & 1)
        offsets = np.cumsum(room) - room
        data = np.zeros(int(room.sum()), dtype=np.uint8)
        data[np.repeat(offsets - starts, lengths) + np.arange(len(packed))] = packed
    return Bursts(data, offsets, lengths, columns.error_bursts, ended, final)


def _with_loose(alone: FrameColumns, loose: list[_Loose]) -> FrameColumns:
    """Return columns with the pieces that the framer gave put in at their places."""
    if not loose:
        return alone
    owners = [burst for burst, _, _ in loose]
    frames = [piece for _, piece, _ in loose]
    rows = np.searchsorted(alone.bursts, owners) + np.arange(len(loose))
    others = np.ones(len(alone) + len(loose), dtype=np.bool_)
    others[rows] = False
    put = {
        "offsets": [-1] * len(loose),
        "lengths": [len(piece.data) for piece in frames],
        "at": [piece.at for piece in frames],
        "errors": [piece.errors for piece in frames],
        "gaps": [UNKNOWN if p.gap_before_ns is None else p.gap_before_ns for p in frames],
        "shapes": [piece.shapes if isinstance(piece, Frame) else 0 for piece in frames],
        "outbound": [sent for _, _, sent in loose],
        "stray": [isinstance(piece, Stray) for piece in frames],
        "bursts": owners,
    }
    columns = {}
    for name, values in put.items():
        before = getattr(alone, name)
        columns[name] = np.empty(len(others), dtype=before.dtype)
        columns[name][others] = before
        columns[name][rows] = values
    return FrameColumns(data=alone.data, loose=tuple(frames), **columns)
