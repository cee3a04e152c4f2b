"""Captures: what one station on the line heard and sent, raw and timed, in a file.

Job: write and read files of the capture format, version 1. Rule: raw first; nothing that is written
here is an interpretation. It must not know frames, ports or clocks: instants are handed in.

What survives. A block is written whole, by one call of the operating system, and not touched again.
So of a recording program that is killed at any moment every block written before the last flush is
readable; without `buffered` that is every record, with it all but the last second. A full disk
costs the record that did not fit, nothing before it. **Not promised:** what a power cut or a crash
of the operating system leaves. Nothing is forced onto the disk (no fsync): that would stop the
event loop for tens of milliseconds and tear holes into the very timing that is recorded.

A capture can be read while it grows, by any number of readers.
"""

from __future__ import annotations

from os import PathLike
from typing import NamedTuple

from kerfbus.bench.capturereader import CaptureReader
from kerfbus.bench.capturerecords import (
    Burst,
    CaptureInfo,
    LineEvent,
    Record,
    changed_settings,
)
from kerfbus.bench.capturewriter import CaptureWriter

__all__ = [
    "Burst",
    "Capture",
    "CaptureInfo",
    "CaptureReader",
    "CaptureWriter",
    "LineEvent",
    "Record",
    "changed_settings",
    "read_capture",
]


class Capture(NamedTuple):
    """A whole capture in memory.

    Attributes:
        info: what its first section says.
        records: in the order of the file.
        warning: what is odd about the end of the file, None when nothing is.
    """

    info: CaptureInfo
    records: tuple[Record, ...]
    warning: str | None


def read_capture(path: str | PathLike[str]) -> Capture:
    """Return a whole capture.

    Raises:
        CaptureError: it cannot be read or is damaged; a `CaptureReader` delivers what stands before
            the damage.
    """
    with CaptureReader(path) as reader:
        info = reader.info
        return Capture(info, tuple(reader), reader.warning)
