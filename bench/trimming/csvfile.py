"""Rows of captures as a CSV file.

Comma, double quotes, a header, nothing for null: RFC 4180, but lines end in LF.
"""

from __future__ import annotations

import csv
from os import PathLike, fspath
from types import TracebackType
from typing import Self

from kerfbus.bench.errors import CaptureError
from kerfbus.bench.trimming.columns import COLUMNS, FrameTable


class CsvFile:
    """Writes tables to a new CSV file.

    Args:
        path: the file.

    Attributes:
        rows: written so far.

    Raises:
        CaptureError: the file exists or cannot be written.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self._path = fspath(path)
        self.rows = 0
        try:
            self._file = open(self._path, "x", newline="", encoding="utf-8")  # noqa: SIM115, PTH123
        except FileExistsError as error:
            raise CaptureError(self._path, "exists already; name a new file") from error
        except OSError as error:
            raise _failed(self._path, error) from error
        self._writer = csv.writer(self._file, lineterminator="\n")
        self._writer.writerow(name for name, _, _ in COLUMNS)

    def add(self, table: FrameTable) -> None:
        """Write rows.

        Raises:
            CaptureError: the file cannot be written further.
        """
        try:
            self._writer.writerows(
                [_WORDS.get(each, each) if isinstance(each, bool) else each for each in row]
                for row in table.rows()
            )
        except OSError as error:
            raise _failed(self._path, error) from error
        self.rows += len(table)

    def close(self) -> None:
        """Write the rest.

        Raises:
            CaptureError: it cannot be written.
        """
        try:
            self._file.close()
        except OSError as error:
            raise _failed(self._path, error) from error

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


_WORDS = {True: "true", False: "false"}


def _failed(path: str, error: OSError) -> CaptureError:
    return CaptureError(path, f"cannot be written: {error.strerror}")
