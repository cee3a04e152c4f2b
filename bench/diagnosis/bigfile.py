"""Big captures: all counted as columns, some of it looked at exchange by exchange.

A day of traffic has millions of frames. All are counted (`kerfbus.bench.diagnosis.bulkcount`);
what is looked at closely are stretches evenly spread over the file, and stretches around what went
wrong. The answer says so. Job: choose the stretches and read them as small captures.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from os import PathLike, fspath
from pathlib import Path

import numpy as np

from kerfbus.bench.bulk import BulkFramer, FrameColumns
from kerfbus.bench.capturecolumns import CaptureColumns, iter_columns
from kerfbus.bench.capturerecords import Burst, CaptureInfo, LineEvent, Record
from kerfbus.bench.decode import Row
from kerfbus.bench.diagnosis.arcwatch import ArcWatch, arc_marks
from kerfbus.bench.diagnosis.bulkcount import BulkCount, Ints
from kerfbus.bench.diagnosis.episodes import Exchanges
from kerfbus.bench.diagnosis.expected import Book
from kerfbus.bench.diagnosis.explaining import Explanation, explained
from kerfbus.bench.diagnosis.pieces import Piece, read_pieces
from kerfbus.bench.diagnosis.scene import Scene, mark_arc
from kerfbus.bench.diagnosis.sorting import Sorter
from kerfbus.bench.quality import Quality
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.transport import CharacterError, LineEventKind

CLOSELY = 24_000
"""Bursts that are looked at one by one, about (chosen: some seconds of work)."""
STRETCH = 160
"""Bursts of a stretch (chosen: several rounds of a poll)."""
BATCH = 1 << 24
"""Bytes of the file that are taken at a time (chosen)."""
AHEAD = 40
"""Bursts of it before what went wrong."""

Progress = Callable[[float], None]


class _Stretches:
    """Chooses and keeps stretches of a file."""

    def __init__(self, share: float, watch: Callable[[Row], None] | None) -> None:
        self.pieces: list[list[Piece]] = []
        self._watch = watch
        self._each = max(1, round(CLOSELY * share / STRETCH / 2))

    def take(self, columns: CaptureColumns, frames: FrameColumns, trouble: Ints, base: int) -> None:
        """Keep some stretches of a batch.

        Args:
            columns: its bursts.
            frames: its frames.
            trouble: bursts with which something went wrong.
            base: number of the batch's first frame.
        """
        count = len(columns)
        even = np.linspace(0, max(count - STRETCH, 0), self._each + 2).astype(int)[1:-1]
        picks = np.linspace(0, len(trouble) - 1, min(len(trouble), self._each)).astype(int)
        begins = sorted({*even.tolist(), *np.maximum(trouble[picks] - AHEAD, 0).tolist()})
        numbers = np.searchsorted(frames.bursts[~frames.stray], np.arange(count + 1))
        end = 0
        for begin in begins:
            first = max(begin, end)
            end = min(first + STRETCH, count)
            if end - first < STRETCH // 4:
                continue
            records = _records(columns, first, end)
            found = read_pieces(columns.info, records, self._watch).pieces
            self.pieces.append([_numbered(p, base + int(numbers[first])) for p in found])


def explain_big(
    path: str | PathLike[str], register_map: RegisterMap | None, progress: Progress | None
) -> tuple[Explanation, str | None]:
    """Return what a big capture comes to, and what is odd about the end of the file.

    Raises:
        CaptureError: it cannot be read or is damaged.
    """
    size = Path(fspath(path)).stat().st_size
    watch = None if register_map is None else ArcWatch(register_map)
    framer = BulkFramer()
    stretches: _Stretches | None = None
    count: BulkCount | None = None
    info: CaptureInfo | None = None
    events: list[LineEvent] = []
    done, warning = 0, None
    for columns in iter_columns(path, BATCH):
        if stretches is None or count is None:
            info, count = columns.info, BulkCount(columns.info.vantage)
            share = min(1.0, max(len(columns.data), 1) / size)
            stretches = _Stretches(share, None if watch is None else watch.take)
        frames = framer.take(columns)
        base = count.frames
        trouble = count.take(columns, frames)
        stretches.take(columns, frames, trouble, base)
        events += columns.events
        warning = columns.warning
        done += len(columns.data)
        if progress is not None:
            progress(min(done, size))
    assert info is not None
    assert count is not None
    assert stretches is not None
    exchanges = _sorted(stretches.pieces, info)
    looked = sum(piece.number is not None for pieces in stretches.pieces for piece in pieces)
    arc = arc_marks(events) or (None if watch is None else watch.times())
    mark_arc(exchanges.episodes, arc)
    scene = Scene(info, exchanges, arc, count.reports, Quality(info.settings))
    note = (
        f"A big capture: all {count.frames} frames were counted for the quality; {looked} of them, "
        "in stretches spread evenly and around what went wrong, were looked at one by one, and "
        "the evidence is about these."
    )
    quality = count.to_json(reports=info.timing == "exact")
    return explained(scene, (note,), quality), warning


def _sorted(stretches: list[list[Piece]], info: CaptureInfo) -> Exchanges:
    """Return stretches as exchanges; what was known in one helps in all.

    The exchange at the end of a stretch is left out: nobody looked at what became of it.
    """
    book = Book()
    for pieces in stretches:
        book.learn(pieces)
    parts = []
    for pieces in stretches:
        part = Sorter(info.vantage, info.settings, book).sort(pieces)
        if part.episodes:
            part.episodes.pop()
        parts.append(part)
    episodes = [episode for part in parts for episode in part.episodes]
    for index, episode in enumerate(episodes):
        episode.index = index
    return Exchanges(
        episodes,
        [stray for part in parts for stray in part.strays],
        [each for part in parts for each in part.split],
        sum(part.good for part in parts),
        sum(part.good_characters for part in parts),
        sum(part.heard for part in parts),
        [piece for part in parts for piece in part.rubble],
    )


def _numbered(piece: Piece, base: int) -> Piece:
    """Return a piece with the number that its frame has in the whole capture."""
    if piece.number is None:
        return piece
    pairs = None if piece.pairs_with is None else piece.pairs_with + base
    return piece._replace(number=piece.number + base, pairs_with=pairs)


def _records(columns: CaptureColumns, first: int, end: int) -> Iterator[Record]:
    """Yield the bursts from `first` to before `end`, each with its line errors."""
    errors = np.searchsorted(columns.error_bursts, np.arange(first, end + 1)).tolist()
    for burst in range(first, end):
        begin, stop = errors[burst - first], errors[burst - first + 1]
        marks = tuple(
            CharacterError(
                int(columns.error_positions[each]),
                LineEventKind(int(columns.error_kinds[each])),
                int(columns.error_values[each]),
            )
            for each in range(begin, stop)
        )
        offset = int(columns.offsets[burst])
        data = columns.data[offset : offset + int(columns.lengths[burst])].tobytes()
        yield Burst(data, int(columns.at[burst]), bool(columns.outbound[burst]), marks)
