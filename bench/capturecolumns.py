"""Captures as columns of numbers, for millions of records.

Job: the same meaning as `kerfbus.bench.capturereader`, record for record, without Python work per
record. Rule: what is not certain and common is handed, block by block, to the same parser that the
reader uses. Runs of packets are found and gathered by `kerfbus.bench.capturechain`; where a run
ends (a block of another type, damage, the other byte order), or a packet is odd, the parser takes
over for as long.

Memory: a batch of `iter_columns` holds its bytes and some 60 bytes for each burst.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from os import PathLike, fspath

import numpy as np

from kerfbus.bench.capturechain import Chain, gather, roles_of
from kerfbus.bench.captureparser import RecordParser, check_head
from kerfbus.bench.capturereader import cut_off, damaged, open_to_read, read_on
from kerfbus.bench.capturerecords import LineEvent, Record
from kerfbus.bench.capturetable import Builder, Bytes, CaptureColumns, Span, joined
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.pcapng import PACKET_DATA_AT, DamageError, Order, block_at, check_cut, missing
from kerfbus.bench.transport import LineEventKind

__all__ = ["CaptureColumns", "Span", "iter_columns", "read_columns"]

BATCH_BYTES = 1 << 21
"""Bytes of file in a batch, about 35,000 bursts of 16 characters; fresh memory is what costs most,
and small batches use the same again."""
SHORT = 32
"""Fewer blocks in a row are read one by one: numpy's calls would cost more."""


def iter_columns(
    path: str | PathLike[str], batch_bytes: int = BATCH_BYTES
) -> Iterator[CaptureColumns]:
    """Yield a capture in batches; only one is in memory at a time.

    A batch ends where its bytes end and where section or settings change, so each has one span. The
    first is yielded even when nothing was recorded. The last one bears the warning.

    Args:
        path: the file.
        batch_bytes: bytes of the file to take at a time.

    Raises:
        CaptureError: as `kerfbus.bench.capturereader.CaptureReader`; on damage in the middle, all
            that stands before it was yielded.
    """
    name = fspath(path)
    scan = _Scan(name)
    with contextlib.closing(open_to_read(name)) as file:
        while data := read_on(file, name, batch_bytes, scan.held, scan.missing):
            yield from scan.batch(data)
    yield from scan.end()


def read_columns(path: str | PathLike[str]) -> CaptureColumns:
    """Return a whole capture as columns; its bytes are in memory.

    Raises:
        CaptureError: it cannot be read or is damaged; `iter_columns` yields what stands before the
            damage.
    """
    return joined(list(iter_columns(path)))


class _Scan:
    """Goes through the bytes of a capture, batch by batch."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._parser = RecordParser(name)
        self._order: Order = "<"
        self._builder: Builder | None = None
        self._early: list[Record] = []  # what stands before the settings are known
        self._done: list[CaptureColumns] = []
        self._anything = False
        # The bytes at hand, the same as an array, where they begin in the file, how many are used.
        self._data = b""
        self._array: Bytes = np.empty(0, dtype=np.uint8)
        self._base = self._used = 0

    @property
    def held(self) -> int:
        """Return the number of bytes that make no whole block yet."""
        return len(self._data) - self._used

    @property
    def missing(self) -> int:
        """Return how many bytes the next block lacks, as far as one can see."""
        return missing(self._data, self._used, self._order)

    def batch(self, data: bytes) -> Iterator[CaptureColumns]:
        """Yield the spans of the next bytes.

        Raises:
            CaptureError: the file is damaged or no capture.
        """
        if not self._base and not self._data:
            check_head(self._name, data)
        self._base += self._used
        self._data = self._data[self._used :] + data
        self._array = np.frombuffer(self._data, dtype=np.uint8)
        self._used = 0
        yield from self._spans(self._scan)

    def end(self) -> Iterator[CaptureColumns]:
        """Yield what is left when the file ends here.

        Raises:
            CaptureError: it does not end like one that was merely cut off, or is no capture.
        """
        yield from self._spans(self._check_end)
        warning = cut_off(self._base + self._used) if self.held else None
        self._array = self._array[:0]
        self._add_orphans()
        self._close_span(warning, always=warning is not None or not self._anything)
        yield from self._done

    def _check_end(self) -> None:
        check_cut(self._data, self._used, self._base, self._order)
        self._parser.check_described(self.held)

    def _spans(self, go: Callable[[], None]) -> Iterator[CaptureColumns]:
        """Do something; yield what it collected, and raise what it raised behind that."""
        failure = None
        try:
            go()
        except DamageError as error:
            failure = damaged(self._name, error)
            failure.__cause__ = error
        except CaptureError as error:
            failure = error
        if failure is not None:
            self._add_orphans()
        self._close_span(None)
        done, self._done = self._done, []
        self._anything |= bool(done)
        yield from done
        if failure is not None:
            raise failure

    def _scan(self) -> None:
        words = np.frombuffer(self._data, dtype="<u4", count=len(self._data) // 4)
        chain = None
        while True:
            if self._order == "<" and self._builder is not None:
                here = self._used // 4
                if chain is None or here >= chain.end:
                    chain = Chain(words, here)
                self._run(chain, *chain.run(here))
            if not self._step():
                return

    def _run(self, chain: Chain, first: int, last: int) -> None:
        """Take packets that follow one another."""
        heads, ends = chain.heads[first:last], chain.ends[first:last]
        if not len(heads):
            return
        packets = gather(chain.words, heads, ends, roles_of(self._parser.interfaces))
        here = 0
        while here < len(heads):
            odd = np.searchsorted(packets.odd, here)
            stop = int(packets.odd[odd]) if odd < len(packets.odd) else len(heads)
            count = 0
            if stop - here >= SHORT and not self._parser.pending and self._builder is not None:
                count = self._builder.add_packets(packets.part(here, stop))
                self._used = int(ends[here + count - 1]) * 4 if count else self._used
            if not count:
                count = min(max(stop - here, 1), SHORT)
                for _ in range(count):
                    self._step()
            here += count

    def _step(self) -> bool:
        """Take the next block; return whether it was all there."""
        block = block_at(self._data, self._used, self._base, self._order)
        if block is None:
            return False
        self._order = block.order
        info = self._parser.info
        for record in self._parser.take(block):
            if isinstance(record, LineEvent) and record.kind is LineEventKind.SETTINGS:
                self._new_span()
            self._add(record, block.start + PACKET_DATA_AT)
        if self._parser.info is not info:
            self._new_span()
        self._used = block.end
        return True

    def _add(self, record: Record, offset: int) -> None:
        if self._builder is None:
            self._early.append(record)
        else:
            self._builder.add_record(record, offset)

    def _add_orphans(self) -> None:
        for orphan in self._parser.orphans():
            self._add(orphan, 0)

    def _new_span(self) -> None:
        """Begin a span under what the parser now knows."""
        self._close_span(None)
        info, settings = self._parser.info, self._parser.settings
        assert info is not None
        assert settings is not None
        self._builder = Builder(info, settings)
        for record in self._early:
            self._builder.add_record(record, 0)
        self._early.clear()

    def _close_span(self, warning: str | None, always: bool = False) -> None:
        """Hand over what was collected; the span goes on with nothing in it."""
        builder = self._builder
        if builder is None or (builder.empty and not always):
            return
        self._done.append(builder.columns(self._array, warning))
        self._builder = Builder(builder.info, builder.settings)
