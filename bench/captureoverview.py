"""A whole capture at a glance: frames and damage by slices of time, and its marks.

Job: go once through a capture of any size, as fast as `kerfbus.bench.bulk` goes, and keep a few
hundred numbers. It must not know how they are shown.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from os import PathLike

import numpy as np

from kerfbus.bench.bulk import BulkFramer, FrameColumns
from kerfbus.bench.capturecolumns import iter_columns
from kerfbus.bench.capturerecords import LineEvent
from kerfbus.bench.framing import FrameError
from kerfbus.bench.transport import LineEventKind

SPOILS = ~int(FrameError.GAP)
MAX_MARKS = 10_000
"""More are not kept (chosen)."""
BATCH_BYTES = 1 << 20
KEPT_EVENTS = (LineEventKind.MARK, LineEventKind.SETTINGS, LineEventKind.LOST, LineEventKind.OPENED)


@dataclass
class Overview:
    """A capture at a glance.

    Attributes:
        first_at: instant at which the first slice begins.
        slice_ns: length of a slice.
        frames: good and damaged frames in each slice.
        damaged: damaged frames and stray pieces in each.
        events: marks and what happened to the port, in the order of the file.
        done: how much of the file was looked at, 0 to 1.
    """

    first_at: int
    slice_ns: int
    frames: list[int]
    damaged: list[int]
    events: list[LineEvent] = field(default_factory=list)
    done: float = 0.0

    def slice_of(self, at: int) -> int:
        """Return the slice of an instant, the nearest one where it is outside."""
        return max(0, min((at - self.first_at) // self.slice_ns, len(self.frames) - 1))


def overview_of(
    path: str | PathLike[str],
    span: tuple[int, int],
    slices: int,
    size: int,
    go_on: Callable[[Overview], bool],
) -> Overview:
    """Go through a capture.

    Args:
        path: the file.
        span: instants of its first and last record.
        slices: how many to make.
        size: bytes of the file, for saying how far it is.
        go_on: is handed what is known so far after each batch; False ends it.

    Raises:
        CaptureError: the file is damaged; what stands before it was handed over.
    """
    first, last = span
    slice_ns = max(-(-(last - first + 1) // slices), 1)
    found = Overview(first, slice_ns, [0] * slices, [0] * slices)
    framer, done = BulkFramer(), 0
    for columns in iter_columns(path, BATCH_BYTES):
        _count(found, framer.take(columns))
        kept = [each for each in columns.events if each.kind in KEPT_EVENTS]
        found.events += kept[: MAX_MARKS - len(found.events)]
        done += BATCH_BYTES
        found.done = min(done / size, 0.99) if size else 0.99
        if not go_on(found):
            return found
    _count(found, framer.finish())
    found.done = 1.0
    go_on(found)
    return found


def _count(found: Overview, frames: FrameColumns) -> None:
    if not len(frames):
        return
    count = len(found.frames)
    where = np.clip((frames.at - found.first_at) // found.slice_ns, 0, count - 1)
    damaged = frames.stray | (frames.errors & SPOILS != 0)
    for each, totals in ((where[~frames.stray], found.frames), (where[damaged], found.damaged)):
        for index, more in enumerate(np.bincount(each, minlength=count).tolist()):
            totals[index] += more
