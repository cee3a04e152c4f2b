"""Rows of captures as a Parquet file; the one place where pyarrow is used.

Columns as in `kerfbus.bench.trimming.columns`, with `data` (binary) in place of `hex`. Texts are
dictionaries. Rows of many captures are gathered to groups of `GROUP_ROWS`.
"""

from __future__ import annotations

from os import PathLike, fspath
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from kerfbus.bench.bulk import UNKNOWN
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.trimming.columns import ERROR_TEXTS, KINDS, FrameTable

GROUP_ROWS = 262_144
"""Rows in a row group: what engines take at a time (chosen)."""
_TEXT = pa.dictionary(pa.int32(), pa.string())
SCHEMA = pa.schema(
    [
        ("capture", _TEXT),
        ("frame", pa.int64()),
        ("at_ns", pa.int64()),
        ("outbound", pa.bool_()),
        ("kind", _TEXT),
        ("server", pa.uint8()),
        ("function", pa.uint8()),
        ("exception", pa.uint8()),
        ("ok", pa.bool_()),
        ("errors", _TEXT),
        ("gap_before_ns", pa.int64()),
        ("length", pa.uint16()),
        ("baud", pa.int32()),
        ("format", _TEXT),
        ("data", pa.binary()),
    ]
)


class ParquetFile:
    """Writes tables to a new Parquet file; use it as a context manager.

    Args:
        path: the file.

    Attributes:
        rows: taken so far.

    Raises:
        CaptureError: the file exists or cannot be written.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self._path = fspath(path)
        self.rows = 0
        self._held: list[Any] = []
        self._held_rows = 0
        try:
            Path(self._path).open("xb").close()
            self._writer = pq.ParquetWriter(self._path, SCHEMA, compression="zstd")
        except FileExistsError as error:
            raise CaptureError(self._path, "exists already; name a new file") from error
        except OSError as error:
            raise CaptureError(self._path, f"cannot be written: {error}") from error

    def add(self, table: FrameTable) -> None:
        """Write rows.

        Raises:
            CaptureError: the file cannot be written further.
        """
        if not len(table):
            return
        self._held.append(_batch(table))
        self._held_rows += len(table)
        self.rows += len(table)
        if self._held_rows >= GROUP_ROWS:
            self._flush()

    def _flush(self) -> None:
        if not self._held:
            return
        try:
            whole = pa.Table.from_batches(self._held).unify_dictionaries()
            self._writer.write_table(whole, row_group_size=GROUP_ROWS)
        except OSError as error:
            raise CaptureError(self._path, f"cannot be written: {error}") from error
        self._held, self._held_rows = [], 0

    def close(self) -> None:
        """Write the rest.

        Raises:
            CaptureError: it cannot be written.
        """
        self._flush()
        try:
            self._writer.close()
        except OSError as error:
            raise CaptureError(self._path, f"cannot be written: {error}") from error

    def __enter__(self) -> Self:
        """Return the file itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()


def _batch(table: FrameTable) -> Any:
    """Return a table as pyarrow has it."""
    count, stray = len(table), table.stray
    ends = np.zeros(count + 1, dtype=np.int32)
    np.cumsum(table.lengths, out=ends[1:])
    data = pa.BinaryArray.from_buffers(
        pa.binary(), count, [None, pa.py_buffer(ends), pa.py_buffer(table.data)]
    )
    functions = table.functions & 0x7F
    numbers = np.arange(table.first, table.first + count, dtype=np.int64)
    arrays = [
        _same(table.capture, count),
        pa.array(numbers),
        pa.array(table.at),
        pa.array(table.outbound),
        pa.DictionaryArray.from_arrays(pa.array(table.kinds, pa.int32()), pa.array(KINDS)),
        pa.array(table.servers, mask=stray),
        pa.array(functions, mask=stray),
        pa.array(table.exceptions, mask=~table.refused),
        pa.array(table.ok),
        pa.DictionaryArray.from_arrays(pa.array(table.errors, pa.int32()), pa.array(ERROR_TEXTS)),
        pa.array(table.gaps, mask=table.gaps == UNKNOWN),
        pa.array(table.lengths.astype(np.uint16)),
        pa.array(np.full(count, table.settings.baud, dtype=np.int32)),
        _same(table.settings.format, count),
        data,
    ]
    return pa.RecordBatch.from_arrays(arrays, schema=SCHEMA)


def _same(text: str, count: int) -> Any:
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), pa.array([text]))
