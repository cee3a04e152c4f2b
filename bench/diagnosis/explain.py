"""A file to its explanation, with how far that is.

Job: open, read, hand over. A small file is read record by record, a big one by
`kerfbus.bench.diagnosis.bigfile`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from os import PathLike, fspath
from pathlib import Path
from typing import Any

from kerfbus.bench.capture import Burst, CaptureReader, Record
from kerfbus.bench.diagnosis.bigfile import explain_big
from kerfbus.bench.diagnosis.explaining import Explanation
from kerfbus.bench.diagnosis.explaining import explain as explain_records
from kerfbus.bench.regmap import RegisterMap

SMALL = 4_000_000
"""Bytes up to which a file is read record by record (chosen: some ten seconds)."""
EVERY = 1000
"""Records between two words on the progress."""
BLOCK_BYTES = 46
"""What a block takes besides its characters, with half of the padding."""

Progress = Callable[[float], None]


def explain(path: str | PathLike[str], register_map: RegisterMap | None = None) -> dict[str, Any]:
    """Return what a capture comes to, in the stable keys of ``explain --json``.

    Raises:
        CaptureError: it cannot be read or is damaged.
    """
    return explain_file(path, register_map)[0].to_json()


def explain_file(
    path: str | PathLike[str],
    register_map: RegisterMap | None = None,
    progress: Progress | None = None,
) -> tuple[Explanation, str | None]:
    """Return what a capture comes to, and what is odd about the end of the file.

    Args:
        path: the capture.
        register_map: in which to look for a status register where no mark says when the arc burns.
        progress: is told how many bytes are done.

    Raises:
        CaptureError: it cannot be read or is damaged.
    """
    with CaptureReader(path):
        pass  # a file that is none is said to be so, in the same words whatever its size
    if Path(fspath(path)).stat().st_size > SMALL:
        return explain_big(path, register_map, progress)
    with CaptureReader(path) as reader:
        size = Path(fspath(path)).stat().st_size
        records = _told(reader, size, progress) if progress else iter(reader)
        return explain_records(reader.info, records, register_map), reader.warning


def _told(reader: CaptureReader, size: int, progress: Progress) -> Iterator[Record]:
    """Yield the records and tell how far that is."""
    done = 0
    for number, record in enumerate(reader):
        done += BLOCK_BYTES + (len(record.data) if isinstance(record, Burst) else 0)
        if number % EVERY == 0:
            progress(min(done, size))
        yield record
