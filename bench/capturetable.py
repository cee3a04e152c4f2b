"""Records of a capture as columns of numbers.

Job: hold columns, collect them, join them. It must not know how a file is read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.capturechain import Flags, Ints, Packets, Words, errors_of, instants
from kerfbus.bench.capturerecords import Burst, CaptureInfo, LineEvent, Record
from kerfbus.bench.line import LineSettings
from kerfbus.bench.pcapng import PACKET_DATA_AT
from kerfbus.bench.transport import CharacterError, LineEventKind

Bytes = NDArray[np.uint8]


class Span(NamedTuple):
    """Records under the same section and settings.

    Attributes:
        first_burst: index of its first burst.
        first_event: index of its first event; a ``settings changed`` event begins a span.
        info: of its section.
        settings: in force.
    """

    first_burst: int
    first_event: int
    info: CaptureInfo
    settings: LineSettings


@dataclass(frozen=True, slots=True, eq=False)
class CaptureColumns:
    """Bursts as columns, and what happened between them.

    Attributes:
        spans: where section or settings begin; at least one. A batch of `iter_columns` has one.
        data: bytes that hold the characters, among others.
        offsets: where each burst's characters begin in `data`.
        lengths: characters of each burst.
        at: stamp of each burst in nanoseconds.
        outbound: whether the recording station sent it.
        error_bursts: for each line error, the index of its burst; in rising order.
        error_positions: for each line error, the character's position in the burst.
        error_kinds: for each line error, its `LineEventKind`.
        error_values: for each line error, its value.
        events: all other line events.
        event_bursts: for each event, the index of the burst that it stands before.
        warning: what is odd about the end of the file, None when nothing is.
    """

    spans: tuple[Span, ...]
    data: Bytes
    offsets: Ints
    lengths: Ints
    at: Ints
    outbound: Flags
    error_bursts: Ints
    error_positions: Ints
    error_kinds: Ints
    error_values: Ints
    events: tuple[LineEvent, ...]
    event_bursts: Ints
    warning: str | None

    @property
    def info(self) -> CaptureInfo:
        """Return what the first span's section says."""
        return self.spans[0].info

    @property
    def settings(self) -> LineSettings:
        """Return the settings in force in the first span."""
        return self.spans[0].settings

    def __len__(self) -> int:
        """Return the number of bursts."""
        return len(self.offsets)

    def packed(self) -> tuple[Bytes, Ints]:
        """Return all characters without gaps, and where each burst begins in them."""
        ends = np.cumsum(self.lengths)
        starts = ends - self.lengths
        index = np.int32 if len(self.data) < 2**31 else np.int64  # half the memory to go through
        where = np.repeat((self.offsets - starts).astype(index), self.lengths)
        where += np.arange(len(where), dtype=index)
        return self.data.take(where, mode="clip"), starts

    def records(self) -> Iterator[Record]:
        """Yield the same as a `CaptureReader`; slow."""
        before = self.event_bursts.tolist()
        owners = self.error_bursts.tolist()
        errors = [
            CharacterError(position, LineEventKind(kind), value)
            for position, kind, value in zip(
                self.error_positions.tolist(),
                self.error_kinds.tolist(),
                self.error_values.tolist(),
                strict=True,
            )
        ]
        columns = (self.offsets, self.lengths, self.at, self.outbound)
        event = error = 0
        for index, (offset, length, at, outbound) in enumerate(
            zip(*(column.tolist() for column in columns), strict=True)
        ):
            while event < len(before) and before[event] <= index:
                yield self.events[event]
                event += 1
            first = error
            while error < len(owners) and owners[error] == index:
                error += 1
            data = self.data[offset : offset + length].tobytes()
            yield Burst(data, at, outbound, tuple(errors[first:error]))
        yield from self.events[event:]


class _Bursts(NamedTuple):
    offsets: Ints
    lengths: Ints
    at: Ints
    outbound: Flags


class _Errors(NamedTuple):
    owners: Ints
    positions: Ints
    kinds: Ints
    values: Ints


class Builder:
    """Collects the columns of one span."""

    def __init__(self, info: CaptureInfo, settings: LineSettings) -> None:
        self.info = info
        self.settings = settings
        self.events: list[LineEvent] = []
        self._event_bursts: list[int] = []
        self._bursts = 0
        self._loose: list[tuple[int, int, int, bool]] = []
        self._loose_errors: list[tuple[int, int, int, int]] = []
        self._pieces: list[_Bursts] = []
        self._error_pieces: list[_Errors] = []

    @property
    def empty(self) -> bool:
        """Return whether nothing was collected."""
        return not self._bursts and not self.events

    def add_record(self, record: Record, offset: int) -> None:
        """Take one record; `offset` is where the characters of a burst begin."""
        if isinstance(record, LineEvent):
            self.events.append(record)
            self._event_bursts.append(self._bursts)
            return
        self._loose.append((offset, len(record.data), record.at, record.outbound))
        self._loose_errors.extend((self._bursts, *error) for error in record.errors)
        self._bursts += 1

    def add_packets(self, packets: Packets) -> int:
        """Take bursts and their line errors as far as they are certain.

        Returns:
            How many of the packets were taken; a burst is the last of them.
        """
        if packets.burst.all():  # nothing to select, so nothing to copy
            self._add_bursts(packets.words, packets.heads, packets.sizes, packets.outbound)
            return len(packets.heads)
        where = np.flatnonzero(packets.burst)
        errors = errors_of(packets, where)
        owners = where[errors.owners]
        doubtful = (errors.positions >= packets.sizes[owners]) | packets.outbound[owners]
        if doubtful.any():
            where = where[: np.searchsorted(where, errors.where[np.argmax(doubtful)])]
            errors = errors_of(packets, where)
        if not len(where):
            return 0
        if len(errors.where):
            self._flush_loose()
            self._error_pieces.append(
                _Errors(errors.owners + self._bursts, errors.positions, errors.kinds, errors.values)
            )
        self._add_bursts(
            packets.words, packets.heads[where], packets.sizes[where], packets.outbound[where]
        )
        return int(where[-1]) + 1

    def _add_bursts(self, words: Words, heads: Ints, sizes: Ints, outbound: Flags) -> None:
        self._flush_loose()
        at = instants(words, heads)
        self._pieces.append(_Bursts(heads * 4 + PACKET_DATA_AT, sizes, at, outbound))
        self._bursts += len(heads)

    def columns(self, data: Bytes, warning: str | None = None) -> CaptureColumns:
        """Return what was collected; `data` holds the characters."""
        self._flush_loose()
        return CaptureColumns(
            spans=(Span(0, 0, self.info, self.settings),),
            data=data,
            offsets=_all([piece.offsets for piece in self._pieces]),
            lengths=_all([piece.lengths for piece in self._pieces]),
            at=_all([piece.at for piece in self._pieces]),
            outbound=_all([piece.outbound for piece in self._pieces]).astype(np.bool_),
            error_bursts=_all([piece.owners for piece in self._error_pieces]),
            error_positions=_all([piece.positions for piece in self._error_pieces]),
            error_kinds=_all([piece.kinds for piece in self._error_pieces]),
            error_values=_all([piece.values for piece in self._error_pieces]),
            events=tuple(self.events),
            event_bursts=np.array(self._event_bursts, dtype=np.int64),
            warning=warning,
        )

    def _flush_loose(self) -> None:
        """Turn what came record by record into columns."""
        if self._loose:
            rows = np.array(self._loose, dtype=np.int64)
            self._pieces.append(_Bursts(rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3] != 0))
        if self._loose_errors:
            self._error_pieces.append(_Errors(*np.array(self._loose_errors, dtype=np.int64).T))
        self._loose, self._loose_errors = [], []


def _all(pieces: list[NDArray[Any]]) -> NDArray[Any]:
    return np.concatenate(pieces) if pieces else np.empty(0, dtype=np.int64)


def joined(batches: list[CaptureColumns]) -> CaptureColumns:
    """Return batches as one; those that share their bytes keep sharing them."""
    if len(batches) == 1:
        return batches[0]
    spans: list[Span] = []
    datas: list[Bytes] = []
    events: list[LineEvent] = []
    offsets, error_bursts, event_bursts = [], [], []
    bursts = bytes_before = 0
    for batch in batches:
        if not datas or datas[-1] is not batch.data:
            bytes_before += len(datas[-1]) if datas else 0
            datas.append(batch.data)
        spans.append(batch.spans[0]._replace(first_burst=bursts, first_event=len(events)))
        events.extend(batch.events)
        offsets.append(batch.offsets + bytes_before)
        error_bursts.append(batch.error_bursts + bursts)
        event_bursts.append(batch.event_bursts + bursts)
        bursts += len(batch)
    return CaptureColumns(
        spans=_without_repeats(spans),
        data=np.concatenate(datas),
        offsets=np.concatenate(offsets),
        lengths=np.concatenate([batch.lengths for batch in batches]),
        at=np.concatenate([batch.at for batch in batches]),
        outbound=np.concatenate([batch.outbound for batch in batches]),
        error_bursts=np.concatenate(error_bursts),
        error_positions=np.concatenate([batch.error_positions for batch in batches]),
        error_kinds=np.concatenate([batch.error_kinds for batch in batches]),
        error_values=np.concatenate([batch.error_values for batch in batches]),
        events=tuple(events),
        event_bursts=np.concatenate(event_bursts),
        warning=batches[-1].warning,
    )


def _without_repeats(spans: list[Span]) -> tuple[Span, ...]:
    """Drop spans that a batch began although neither section nor settings changed."""
    kept: list[Span] = []
    for span in spans:
        if not kept or kept[-1].info is not span.info or kept[-1].settings is not span.settings:
            kept.append(span)
    return tuple(kept)
