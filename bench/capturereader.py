"""The reading side of `kerfbus.bench.capture`, record by record.

Job: a file in, records out, also while the file grows. Rule: no clock is read and nothing waited
for. For millions of records see `kerfbus.bench.capturecolumns`.
"""

from __future__ import annotations

import io
import os
import stat
from collections import deque
from collections.abc import Iterator, Sequence
from os import PathLike, fspath
from typing import Self

from kerfbus.bench.captureparser import RecordParser, check_head
from kerfbus.bench.capturerecords import CaptureInfo, Record
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.pcapng import LOOK, BlockCutter, DamageError

CHUNK = 1 << 18
"""Bytes that are asked for at a time."""


class CaptureReader:
    """Reads a capture: ``for record in reader``.

    Damage in the middle is raised where it is met, after all that stands before it was delivered;
    from then on every call raises it again. A last block that is not all there is the end of the
    capture, and `warning` says so.

    With `follow` the file may still grow: iterating ends with what is there and can be taken up
    again, and `poll` returns what was added. It never waits; its caller knows when to look again.

    Args:
        path: the file.
        follow: whether the file may still grow.

    Attributes:
        path: the file's path as it was given.
        warning: what is odd about the end of the file, None when nothing is.

    Raises:
        CaptureError: the file cannot be read, is no capture, or one of a newer version.
    """

    def __init__(self, path: str | PathLike[str], *, follow: bool = False) -> None:
        self.path = fspath(path)
        self.warning: str | None = None
        self._follow = follow
        self._cutter = BlockCutter()
        self._parser = RecordParser(self.path)
        self._failure: CaptureError | None = None
        self._early: deque[Record] = deque()  # what stands before the settings are known
        self._file = open_to_read(self.path)
        try:
            self._read_header()
        except BaseException:
            self._file.close()
            raise

    @property
    def info(self) -> CaptureInfo:
        """Return what the capture says about itself, of the section at hand.

        Raises:
            CaptureError: with `follow`: nothing is recorded yet.
        """
        if self._parser.info is None:
            raise CaptureError(self.path, "nothing is recorded in it yet; try again")
        return self._parser.info

    @property
    def settings(self) -> LineSettings:
        """Return the line settings in force at the record that was delivered last.

        Raises:
            CaptureError: with `follow`: nothing is recorded yet.
        """
        return self._parser.settings or self.info.settings

    def __iter__(self) -> Iterator[Record]:
        """Yield the records from here on, in the order of the file.

        Raises:
            CaptureError: the file is damaged or cannot be read further.
        """
        while self._early:
            yield self._early.popleft()
        while (records := self._step()) is not None:
            yield from records
        if not self._follow:
            yield from self._end()

    def poll(self) -> list[Record]:
        """Return the records that were added since, none when there are none.

        Raises:
            CaptureError: as iterating; records before the damage were returned before.
        """
        records = []
        try:
            for record in self:
                records.append(record)  # noqa: PERF402 (kept when the next one raises)
        except CaptureError:
            if not records:
                raise
        return records

    def close(self) -> None:
        """Close the file. Calling it again does nothing."""
        self._file.close()

    def __enter__(self) -> Self:
        """Return the reader itself."""
        return self

    def __exit__(self, *exc_info: object) -> None:
        """Close it."""
        self.close()

    def _read_header(self) -> None:
        while self._parser.info is None and (records := self._step()) is not None:
            self._early.extend(records)
        if not self._follow:
            self._parser.check_described(self._cutter.held)

    def _step(self) -> Sequence[Record] | None:
        """Return the records of the next block, None at the present end of the file."""
        if self._failure is not None:
            raise self._failure
        try:
            block = self._cutter.next()
            while block is None:
                if not self._fill():
                    self._cutter.check_cut()
                    return None
                block = self._cutter.next()
            return self._parser.take(block)
        except DamageError as error:
            self._failure = damaged(self.path, error)
            self._failure.__cause__ = error
        except CaptureError as error:
            self._failure = error
        return self._parser.orphans()

    def _fill(self) -> bool:
        """Read on; return whether there was anything."""
        cutter = self._cutter
        data = read_on(self._file, self.path, CHUNK, cutter.held, cutter.missing)
        if data:
            if cutter.offset == cutter.held == 0:
                check_head(self.path, data)
            cutter.feed(data)
        elif self._follow:
            self._step_back()
        return bool(data)

    def _step_back(self) -> None:
        """Forget a block that was cut back: its writer ran out of room."""
        size = os.fstat(self._file.fileno()).st_size
        if size < self._cutter.offset:
            raise CaptureError(self.path, "was overwritten while it was followed; open it again")
        if size < self._cutter.offset + self._cutter.held:
            self._cutter.forget()
            self._file.seek(self._cutter.offset)

    def _end(self) -> Sequence[Record]:
        """Return what is left when the file ends here."""
        if self._cutter.held:
            self.warning = cut_off(self._cutter.offset)
        return self._parser.orphans()


def open_to_read(path: str) -> io.FileIO:
    """Open a capture.

    Raises:
        CaptureError: there is none, or it cannot be opened.
    """
    try:
        return io.FileIO(path)
    except FileNotFoundError as error:
        raise CaptureError(path, "there is no such file") from error
    except (OSError, ValueError) as error:  # ValueError: a zero character in the name
        reason = error.strerror if isinstance(error, OSError) else error
        raise CaptureError(path, f"cannot be read: {reason}") from error


def read_on(file: io.FileIO, path: str, chunk: int, held: int, missing: int) -> bytes:
    """Return the next bytes of a capture, none at its end or when no block can come of them.

    Args:
        file: what `open_to_read` gave.
        path: its name, for messages.
        chunk: how much to read.
        held: bytes that were read and make no whole block.
        missing: how many more the block that they begin needs.

    Raises:
        CaptureError: the file cannot be read.
    """
    try:
        # What is held of a huge block doubles each time: copies stay linear in its length. A block
        # that claims to end behind the file's end is not read into memory to learn nothing more.
        status = os.fstat(file.fileno())
        known = held >= LOOK and stat.S_ISREG(status.st_mode)
        if known and status.st_size - file.tell() < missing:
            return b""
        return file.read(max(chunk, held)) or b""
    except OSError as error:
        raise CaptureError(path, f"cannot be read: {error.strerror}") from error


def damaged(path: str, error: DamageError) -> CaptureError:
    """Return damage in a capture as the error that is raised."""
    return CaptureError(path, f"{error}; what stands before it is good", error.offset)


def cut_off(offset: int) -> str:
    """Return the warning about a last block that is not all there."""
    return f"the last block, at byte {offset}, was cut off; what stands before it is complete"
