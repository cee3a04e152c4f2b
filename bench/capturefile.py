"""A file that only grows, by whole blocks, and has one writer.

Job: open, lock, append, and undo what was written in part. Rule: it must not know what the blocks
say. Every failure of the operating system ends here as a `CaptureError`.
"""

from __future__ import annotations

import atexit
import contextlib
import errno
import os
import stat
import sys
import threading
from pathlib import Path

from kerfbus.bench.errors import CaptureError
from kerfbus.bench.pcapng import whole_blocks

if sys.platform != "win32":
    import fcntl

FLUSH_BYTES = 65536
FLUSH_SECONDS = 0.5
"""Half of the second that is promised: a busy machine wakes a thread late."""


class CaptureFile:
    """A file to append blocks to; each `append` is one write of the operating system.

    The first failure ends the file: `append` or `flush` raises it once, and from then on nothing is
    written and nothing raised.

    Args:
        path: a new file, or an old one with `overwrite`.
        overwrite: whether a file of this name may be emptied. One that another writer has open
            may not (the lock is advisory and not there on Windows).

    Attributes:
        error: what ended the file early, None as long as nothing has.

    Raises:
        CaptureError: the file exists, is no regular file, or cannot be opened.
    """

    def __init__(self, path: str, overwrite: bool = False) -> None:
        self.path = path
        self.error: CaptureError | None = None
        self._told = False
        self._size = 0
        self._fd = _open(path, overwrite)

    def append(self, blocks: bytes) -> None:
        """Write whole blocks.

        Raises:
            CaptureError: they could not be written, or not all of them (the disk is full). The
                file ends with the last whole block that could.
        """
        if self.error is None:
            self._write(blocks)
        self._tell()

    def flush(self) -> None:
        """Hand everything to the operating system.

        Raises:
            CaptureError: as `append`.
        """
        self._tell()

    def close(self) -> None:
        """Flush and close. Calling it again does nothing.

        Raises:
            CaptureError: as `append`; the file is closed all the same.
        """
        if self._fd < 0:
            return
        fd, self._fd = self._fd, -1
        os.close(fd)
        self._tell()

    @property
    def closed(self) -> bool:
        """Return whether `close` was called."""
        return self._fd < 0

    def _tell(self) -> None:
        if self.error is not None and not self._told:
            self._told = True
            raise self.error

    def _write(self, blocks: bytes) -> None:
        """Write, or note the error with the file cut back to whole blocks."""
        done = 0
        try:
            done = os.write(self._fd, blocks)
            while done < len(blocks):
                done += os.write(self._fd, memoryview(blocks)[done:])
        except OSError as error:
            self._cut_back(whole_blocks(blocks, done))
            self.error = CaptureError(
                self.path,
                f"recording ended after {self._size} bytes: {_why(error)}; what stands in the file "
                "is readable",
                self._size,
            )
            self.error.__cause__ = error
        except BaseException:
            # An interrupt between two parts: later blocks must not follow half of one.
            self._cut_back(0)
            raise
        else:
            self._size += done

    def _cut_back(self, kept: int) -> None:
        """Drop all but `kept` bytes of what was written last."""
        self._size += kept
        with contextlib.suppress(OSError):  # then the reader meets a truncated last block
            os.ftruncate(self._fd, self._size)


class BufferedCaptureFile(CaptureFile):
    """The same with few large writes, for virtual time, where hours pass in seconds.

    Blocks wait until there are 64 KiB of them, and at most a second of real time: a thread sees to
    that, so that it also holds while nothing happens.
    """

    def __init__(self, path: str, overwrite: bool = False) -> None:
        super().__init__(path, overwrite)
        self._buffer = bytearray()
        self._lock = threading.Lock()
        self._filled = threading.Event()
        self._closing = threading.Event()
        self._thread = threading.Thread(
            target=self._flush_in_time, name=f"flush {path}", daemon=True
        )
        self._thread.start()
        atexit.register(self.close)  # for programs that forget it

    def append(self, blocks: bytes) -> None:
        """Take whole blocks."""
        with self._lock:
            self._buffer += blocks
            if len(self._buffer) >= FLUSH_BYTES:
                self._write_out()
        if not self._filled.is_set():
            self._filled.set()
        if self.error is not None:
            self._tell()

    def flush(self) -> None:
        """Write out what waits."""
        with self._lock:
            self._write_out()
        self._tell()

    def close(self) -> None:
        """Write out what waits and close."""
        if self.closed:
            return
        atexit.unregister(self.close)
        self._closing.set()
        self._filled.set()
        self._thread.join()
        with self._lock:
            self._write_out()
        super().close()

    def _write_out(self) -> None:
        if self._buffer and self.error is None:
            self._write(bytes(self._buffer))
        self._buffer.clear()

    def _flush_in_time(self) -> None:
        # Asked each time: the `clear` below may take away what `close` has just set.
        while not self._closing.is_set():
            self._filled.wait()
            if self._closing.wait(FLUSH_SECONDS):
                return
            self._filled.clear()
            with self._lock:
                self._write_out()


def _open(path: str, overwrite: bool) -> int:
    """Return the descriptor of an empty, locked file."""
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
    # A pipe without a reader would make the open wait; non-blocking it fails.
    flags |= getattr(os, "O_NONBLOCK", 0) | (0 if overwrite else os.O_EXCL)
    try:
        fd = os.open(path, flags, 0o666)
    except FileExistsError as error:
        raise CaptureError(path, "exists already; choose another name") from error
    except (OSError, ValueError) as error:  # ValueError: a zero character in the name
        raise CaptureError(path, f"cannot be written: {_why(error)}") from error
    try:
        _lock(fd, path)
        os.ftruncate(fd, 0)
    except OSError as error:
        os.close(fd)
        raise CaptureError(path, f"cannot be written: {_why(error)}") from error
    except CaptureError:
        os.close(fd)
        raise
    return fd


def _lock(fd: int, path: str) -> None:
    """Keep other writers away as long as the descriptor is open."""
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        raise CaptureError(path, "cannot be written: not a regular file")
    if sys.platform == "win32":
        return
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise CaptureError(
            path, "is being recorded by another program; choose another name"
        ) from error
    except OSError:
        return  # some network file systems have no locks; O_EXCL still guards a new file


def _why(error: OSError | ValueError) -> str:
    """Return what went wrong and what to do, as one clause."""
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return f"{error.strerror}; make room or record elsewhere"
    if isinstance(error, FileNotFoundError):
        return "there is no such folder"
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def remove(path: str) -> None:
    """Delete a file in which nothing was recorded, if that is possible."""
    with contextlib.suppress(OSError):
        Path(path).unlink()
