"""Any place of a capture at once, whatever its size: for looking at a capture of gigabytes.

Job: read the records around a place without reading what stands before. How: blocks are aligned to
32 bits and repeat their length at their end, so from any byte on the next block is found by trying;
a few blocks that follow one another without a gap leave no doubt. Stamps rise along the file, so an
instant is found by halving.

Not promised: a file of several sections is read with the interfaces of its first; instants that do
not rise (a clock that was set back) make `offset_of` find one of the places that fit.
"""

from __future__ import annotations

import os
from os import PathLike, fspath

from kerfbus.bench.captureparser import RecordParser, check_head
from kerfbus.bench.capturereader import damaged, open_to_read
from kerfbus.bench.capturerecords import CaptureInfo, Record
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.pcapng import PACKET, DamageError, Order, block_at

HEAD_BYTES = 1 << 16
"""What stands before the first packet must fit into this; ours takes some hundred bytes."""
LOOK_BYTES = 1 << 16
"""So much is read to find the next block; a block with its record is rarely above 400 bytes."""
CHAIN = 4
"""So many blocks in a row are certain to be blocks."""


class CapturePlace:
    """A capture that can be read anywhere.

    Args:
        path: the file.

    Attributes:
        path: as it was given.
        info: what the capture says about itself.
        begin: offset of the first record's block.
        size: bytes of the file when it was opened.
        first_at: instant of the first record; `last_at` of the last one; both 0 in an empty one.

    Raises:
        CaptureError: the file cannot be read, or is no capture.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self.path = fspath(path)
        self._file = open_to_read(self.path)
        try:
            self.size = os.fstat(self._file.fileno()).st_size
            self._order: Order = "<"
            self._head: bytes = b""
            self.info = self._read_head()
            self.begin = len(self._head)
            first, last = self.records(self.begin, LOOK_BYTES), self._last_records()
        except BaseException:
            self._file.close()
            raise
        self.first_at = first[0][1].at if first else 0
        self.last_at = max((record.at for _, record in last), default=self.first_at)

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def records(self, offset: int, count: int) -> list[tuple[int, Record]]:
        """Return the records of the blocks that begin in `count` bytes from `offset` on.

        Each comes with the offset of its block. Where the file is damaged the list ends.

        Raises:
            CaptureError: the file cannot be read.
        """
        start = self._block_from(offset)
        if start is None:
            return []
        data = self._read(start, count + LOOK_BYTES)
        parser = self._primed()
        found: list[tuple[int, Record]] = []
        here = 0
        try:
            while start + here < offset + count:
                block = block_at(data, here, start, self._order)
                if block is None:
                    break
                found += [(start + here, record) for record in parser.take(block)]
                here = block.end
        except (DamageError, CaptureError):
            return found
        return found

    def offset_of(self, at: int) -> int:
        """Return the offset of a block near which the records of an instant stand, not behind it.

        Raises:
            CaptureError: the file cannot be read.
        """
        low, high = self.begin, self.size
        while high - low > LOOK_BYTES:
            middle = (low + high) // 2
            records = self.records(middle, LOOK_BYTES // 4)
            if not records or records[0][1].at >= at:
                high = middle
            else:
                low = records[0][0]
        return low

    def _read_head(self) -> CaptureInfo:
        """Read what stands before the first packet, and return what it says."""
        data = self._read(0, HEAD_BYTES)
        check_head(self.path, data)
        parser = RecordParser(self.path)
        here = 0
        try:
            while (block := block_at(data, here, 0, self._order)) is not None:
                self._order = block.order
                if block.kind == PACKET:
                    break
                parser.take(block)
                here = block.end
        except DamageError as error:
            raise damaged(self.path, error) from error
        if parser.info is None:
            raise CaptureError(self.path, "nothing is recorded in it")
        self._head = data[:here]
        return parser.info

    def _primed(self) -> RecordParser:
        """Return a parser that knows the interfaces."""
        parser = RecordParser(self.path)
        here = 0
        while (block := block_at(self._head, here, 0, self._order)) is not None:
            parser.take(block)
            here = block.end
        return parser

    def _block_from(self, offset: int) -> int | None:
        """Return where the first block at or behind `offset` begins, None for none."""
        offset = max(offset + -offset % 4, self.begin)
        if offset == self.begin:
            return offset if offset < self.size else None
        data = self._read(offset, 4 * LOOK_BYTES)
        kind = PACKET.to_bytes(4, "little" if self._order == "<" else "big")
        here = data.find(kind)
        while here >= 0:
            if here % 4 == 0 and self._chained(data, here, offset):
                return offset + here
            here = data.find(kind, here + 1)
        return None

    def _chained(self, data: bytes, here: int, base: int) -> bool:
        """Return whether blocks follow one another from here on."""
        for _ in range(CHAIN):
            try:
                block = block_at(data, here, base, self._order)
            except DamageError:
                return False
            if block is None:  # the end of what was read: certain only at the end of the file
                return base + len(data) >= self.size
            here = block.end
        return True

    def _last_records(self) -> list[tuple[int, Record]]:
        begin = max(self.size - 4 * LOOK_BYTES, self.begin)
        return self.records(begin, self.size - begin)

    def _read(self, offset: int, count: int) -> bytes:
        try:
            self._file.seek(offset)
            return self._file.read(count) or b""
        except OSError as error:
            raise CaptureError(self.path, f"cannot be read: {error.strerror}") from error
