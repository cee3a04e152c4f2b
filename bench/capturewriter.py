"""The writing side of `kerfbus.bench.capture`.

Job: records in, blocks appended to one file. Rule: instants are handed in, no clock is read. What
is promised about a kill, a full disk and a power cut stands in `kerfbus.bench.capture`.
"""

from __future__ import annotations

from os import PathLike, fspath
from typing import Self, get_args

from kerfbus.bench.capturefile import BufferedCaptureFile, CaptureFile, remove
from kerfbus.bench.capturerecords import (
    BurstFormat,
    CaptureInfo,
    LineEvent,
    Record,
    error_blocks,
    event_block,
    header,
    nameable,
    settings_comment,
)
from kerfbus.bench.clock import ClockKind
from kerfbus.bench.errors import CaptureError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.pcapng import MAX_OPTION
from kerfbus.bench.transport import Chunk, LineEventKind, Timing, Vantage


class CaptureWriter:
    """Writes a capture, record by record, in the order of the calls.

    Call it from one task at a time. The first failure of the file ends the recording: it is raised
    once, as `CaptureError`, and from then on records are dropped in silence; `error` keeps it.

    Args:
        path: the file; by convention its name ends in ``.pcapng``.
        settings: line settings at the start.
        vantage: whether the station is ``client``, ``server`` or ``tap``.
        timing: whether the instants are ``exact`` or the ``host``'s.
        clock: what they count from.
        uncertainty_ns: for ``host``: the longest believed delay from stop bit to stamp.
        seed: of the simulated line, None for a real one.
        program: program and version.
        overwrite: whether a file of this name may be replaced.
        buffered: whether to write 64 KiB at a time, at the latest after a second of real time;
            for virtual time.

    Raises:
        CaptureError: the file exists, is being written by another writer, or cannot be written.
        UsageError: an argument is none.
    """

    def __init__(
        self,
        path: str | PathLike[str],
        *,
        settings: LineSettings,
        vantage: Vantage,
        timing: Timing,
        clock: ClockKind,
        uncertainty_ns: int = 0,
        seed: int | None = None,
        program: str = "kerfbus 0.1",
        overwrite: bool = False,
        buffered: bool = False,
    ) -> None:
        self.info = CaptureInfo(settings, vantage, timing, clock, uncertainty_ns, seed, program)
        _check(self.info)
        self._settings = settings
        self._bursts = BurstFormat()
        kind = BufferedCaptureFile if buffered else CaptureFile
        self._file = kind(fspath(path), overwrite)
        try:
            self._file.append(header(self.info))
            self._file.flush()
        except BaseException:
            self._file.close()
            if not overwrite:
                remove(fspath(path))
            raise

    @property
    def path(self) -> str:
        """Return the file's path as it was given."""
        return self._file.path

    @property
    def error(self) -> CaptureError | None:
        """Return what ended the recording early, None as long as nothing has."""
        return self._file.error

    @property
    def closed(self) -> bool:
        """Return whether the writer was closed."""
        return self._file.closed

    def inbound(self, chunk: Chunk) -> None:
        """Record what was heard, with its line errors.

        A chunk stays one burst however long it is, unless a line error sits behind its character
        65,535, which the format cannot name: then it becomes several without a gap.

        Raises:
            CaptureError: the file ended here.
            UsageError: a value is out of range, or a line error names no character of the chunk.
        """
        if not chunk.errors:
            if chunk.data:
                self._put(self._bursts.block(chunk.data, chunk.at, False))
            return
        exact = self._settings if self.info.timing == "exact" else None
        for part in nameable(chunk, exact):
            self._put(error_blocks(part) + self._bursts.block(part.data, part.at, False))

    def outbound(self, data: bytes, at: int) -> None:
        """Record what the station sent; `at` is the end of its last stop bit.

        Raises:
            CaptureError: the file ended here.
            UsageError: the instant is out of range.
        """
        if data:
            self._put(self._bursts.block(data, at, True))

    def event(
        self, kind: LineEventKind, at: int, index: int = 0, value: int = 0, comment: str = ""
    ) -> None:
        """Record a line event.

        Raises:
            CaptureError: the file ended here.
            UsageError: a value is out of range.
        """
        self._put(event_block(LineEvent(kind, at, index, value, comment)))

    def mark(self, key: str, value: str, at: int) -> None:
        """Record a mark, e.g. ``arc`` ``on``.

        Raises:
            CaptureError: the file ended here.
            UsageError: the key is empty or holds an equals sign, or the text is too long.
        """
        if not key or "=" in key:
            raise UsageError(f"mark {key!r}: give a key without an equals sign, e.g. arc=on")
        self.event(LineEventKind.MARK, at, comment=f"{key}={value}")

    def settings_changed(self, settings: LineSettings, at: int) -> None:
        """Record that other line settings are in force from `at` on.

        Raises:
            CaptureError: the file ended here.
        """
        self.event(LineEventKind.SETTINGS, at, comment=settings_comment(settings))
        self._settings = settings

    def write(self, record: Record) -> None:
        """Record what a reader gave, to copy a capture or parts of it.

        Raises:
            CaptureError: the file ended here.
            UsageError: a value is out of range.
        """
        if isinstance(record, LineEvent):
            self.event(*record)
        elif record.outbound:
            self.outbound(record.data, record.at)
        else:
            self.inbound(Chunk(record.data, record.at, record.errors))

    def flush(self) -> None:
        """Hand everything to the operating system; a kill loses nothing from here.

        Raises:
            CaptureError: the file ended here.
        """
        self._file.flush()

    def close(self) -> None:
        """Flush and close. Calling it again does nothing.

        Raises:
            CaptureError: the file ended here.
        """
        self._file.close()

    def __enter__(self) -> Self:
        """Return the writer itself."""
        return self

    def __exit__(self, *exc_info: object) -> None:
        """Close it."""
        self.close()

    def _put(self, blocks: bytes) -> None:
        if self._file.closed:
            raise UsageError(f"{self.path}: the capture was closed, nothing can be recorded in it")
        self._file.append(blocks)


def _check(info: CaptureInfo) -> None:
    """Raise `UsageError` when a capture cannot say this of itself."""
    for name, value, choices in (
        ("vantage", info.vantage, get_args(Vantage)),
        ("timing", info.timing, get_args(Timing)),
        ("clock", info.clock, get_args(ClockKind)),
    ):
        if value not in choices:
            raise UsageError(f"{name} {value!r}: give one of {', '.join(choices)}")
    if info.uncertainty_ns < 0:
        raise UsageError(f"uncertainty {info.uncertainty_ns} ns: give 0 or more")
    if len(info.program.encode("utf-8", "replace")) > MAX_OPTION or "\0" in info.program:
        raise UsageError("program: give a short name and version")
