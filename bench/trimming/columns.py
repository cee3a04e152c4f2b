"""Captures as a table, one row a frame, for whoever analyses many of them with another engine.

The columns are `COLUMNS`, in this order, in CSV and Parquet alike. They come from the bulk reader,
so a row says what a frame is by itself; who answers whom is left to a query (a reply follows its
request, and `gap_before_ns` is then its turnaround).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from os import PathLike

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.bulk import UNKNOWN, BulkFramer, FrameColumns
from kerfbus.bench.capturecolumns import iter_columns
from kerfbus.bench.capturerecords import CaptureInfo
from kerfbus.bench.decode import ERROR_NAMES
from kerfbus.bench.framing import FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import Shape

COLUMNS = (
    ("capture", "text", "name of the capture"),
    ("frame", "integer", "counts the rows of a capture, from 0"),
    ("at_ns", "integer", "end of the last character, as in the capture"),
    ("outbound", "boolean", "sent by the recording station"),
    ("kind", "text", "request, reply, either, other, damaged or stray"),
    ("server", "integer", "first character; null for stray characters"),
    ("function", "integer", "second character without its top bit; null for stray characters"),
    ("exception", "integer", "exception code of a good refusal, else null"),
    ("ok", "boolean", "a receiver accepts it"),
    ("errors", "text", "crc, framing, parity, break, overrun, gap, joined by ;"),
    ("gap_before_ns", "integer", "silence before the first character, null where unknown"),
    ("length", "integer", "characters"),
    ("baud", "integer", "bits per second in force"),
    ("format", "text", "character format in force, e.g. 8E1"),
    ("hex", "text", "the characters; in Parquet the column `data`, binary"),
)
"""Name, type and meaning of each column."""

KINDS = ("damaged", "request", "reply", "either", "other", "stray")
_OTHER, _STRAY = 4, 5
_EITHER = int(Shape.REQUEST | Shape.REPLY)

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]


def _error_texts() -> list[str]:
    """Return the text of each combination of error bits."""
    names = sorted(ERROR_NAMES.items())
    return [
        ";".join(name for on, (_, name) in zip(bits[::-1], names, strict=True) if on)
        for bits in product((False, True), repeat=len(names))
    ]


ERROR_TEXTS = _error_texts()
"""Indexed by the bits."""


@dataclass(frozen=True, slots=True, eq=False)
class FrameTable:
    """Rows of one capture under one line setting; see `COLUMNS`.

    Attributes:
        capture: its name.
        first: number of the first row.
        at: instants.
        outbound: sent by the station.
        kinds: indices into `KINDS`.
        servers: first characters.
        functions: second characters.
        exceptions: third characters.
        ok: a receiver accepts it.
        errors: bits, indices into `ERROR_TEXTS`.
        gaps: silences before, `UNKNOWN` where they are.
        lengths: characters.
        settings: rate and format.
        data: all characters, row after row.
    """

    capture: str
    first: int
    at: Ints
    outbound: Flags
    kinds: Bytes
    servers: Bytes
    functions: Bytes
    exceptions: Bytes
    ok: Flags
    errors: Ints
    gaps: Ints
    lengths: Ints
    settings: LineSettings
    data: Bytes

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.at)

    @property
    def stray(self) -> Flags:
        """Return which rows are stray characters."""
        return np.equal(self.kinds, _STRAY)

    @property
    def refused(self) -> Flags:
        """Return which rows are good refusals."""
        return np.logical_and(self.ok, self.functions >= 0x80)

    def rows(self) -> Iterator[tuple[object, ...]]:
        """Yield the rows as CSV has them; slow."""
        place = 0
        data = self.data.tobytes()
        stray, refused = self.stray.tolist(), self.refused.tolist()
        columns = zip(
            self.at.tolist(),
            self.outbound.tolist(),
            self.kinds.tolist(),
            self.servers.tolist(),
            self.functions.tolist(),
            self.exceptions.tolist(),
            self.ok.tolist(),
            self.errors.tolist(),
            self.gaps.tolist(),
            self.lengths.tolist(),
            strict=True,
        )
        baud, form = self.settings.baud, self.settings.format
        for number, row in enumerate(columns):
            at, outbound, kind, server, function, exception, ok, errors, gap, length = row
            none = stray[number]
            yield (
                *(self.capture, self.first + number, at, outbound, KINDS[kind]),
                *(None if none else server, None if none else function & 0x7F),
                *(exception if refused[number] else None, ok, ERROR_TEXTS[errors]),
                *(None if gap == UNKNOWN else gap, length, baud, form),
                data[place : place + length].hex(),
            )
            place += length


def frame_tables(path: str | PathLike[str], capture: str) -> Iterator[FrameTable]:
    """Yield the rows of a capture in batches; only one is in memory at a time.

    A frame that was held back when the settings changed is said to be under the new ones.

    Args:
        path: the file.
        capture: how it is called in the rows.

    Raises:
        CaptureError: the file cannot be read or is damaged; what stands before was yielded.
    """
    framer, first = BulkFramer(), 0
    info: CaptureInfo | None = None
    settings = LineSettings()
    for columns in iter_columns(path):
        info, settings = columns.info, columns.settings
        table = _table(framer.take(columns), (capture, first), info, settings)
        first += len(table)
        yield table
    assert info is not None
    yield _table(framer.finish(), (capture, first), info, settings)


def _table(
    frames: FrameColumns, name: tuple[str, int], info: CaptureInfo, settings: LineSettings
) -> FrameTable:
    """Return frames as a table; `name` is that of the capture and the number of the first row."""
    data, starts = _packed(frames)
    errors = frames.errors.astype(np.int64)
    spoils = ~0 if info.timing == "exact" else ~int(FrameError.GAP)
    third = np.zeros(len(frames), dtype=np.uint8)
    long = frames.lengths > 2
    third[long] = data[starts[long] + 2]
    return FrameTable(
        *name,
        at=frames.at,
        outbound=frames.outbound,
        kinds=_kinds(frames, info),
        servers=frames.servers,
        functions=frames.functions,
        exceptions=third,
        ok=((errors & spoils) == 0) & ~frames.stray,
        errors=errors,
        gaps=frames.gaps,
        lengths=frames.lengths,
        settings=settings,
        data=data,
    )


def _kinds(frames: FrameColumns, info: CaptureInfo) -> Bytes:
    """Return what each row is; the vantage tells what the length does not."""
    kinds = frames.shapes.copy()
    kinds[frames.shapes >= _OTHER] = _OTHER
    either = frames.shapes == _EITHER
    if info.vantage != "tap":
        asks = frames.outbound if info.vantage == "client" else ~frames.outbound
        kinds[either & asks] = int(Shape.REQUEST)
        kinds[either & ~asks] = int(Shape.REPLY)
    kinds[frames.stray] = _STRAY
    return kinds


def _packed(frames: FrameColumns) -> tuple[Bytes, Ints]:
    """Return all characters, row after row, and where each row begins."""
    lengths = frames.lengths.astype(np.int64)
    ends = np.cumsum(lengths)
    starts = ends - lengths
    there = frames.offsets >= 0
    origin = np.where(there, frames.offsets, 0)
    total = int(ends[-1]) if len(ends) else 0
    where = np.repeat(origin - starts, lengths) + np.arange(total)
    data = frames.data.take(where, mode="clip") if len(frames.data) else np.zeros(total, np.uint8)
    loose = iter(frames.loose)
    for row in np.flatnonzero(~there).tolist():
        piece = next(loose).data
        data[starts[row] : ends[row]] = np.frombuffer(piece, dtype=np.uint8)
    return data, starts
