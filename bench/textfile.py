"""Reading a small text file that a person wrote, with one clear line for all that can go wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from kerfbus.bench.errors import KerfbusError

MAX_BYTES = 4 * 2**20
"""Largest file taken; what is larger (or endless) is something else."""


def read_text(path: str | Path, error: Callable[[str, str, int], KerfbusError]) -> str:
    """Return the text of the file at `path`.

    Args:
        path: of the file.
        error: makes what is raised when it cannot be read, from file, message and line (0 for the
            file as a whole).

    Raises:
        KerfbusError: what `error` makes.
    """
    file = str(path)
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except FileNotFoundError as missing:
        raise error(file, "there is no such file", 0) from missing
    except OSError as failed:
        raise error(file, f"cannot be read: {failed.strerror or failed}", 0) from failed
    except ValueError as failed:  # a NUL in the path
        raise error(repr(file), f"is no path: {failed}", 0) from failed
    if len(data) > MAX_BYTES:
        raise error(
            file, f"is larger than {MAX_BYTES // 2**20} MiB: this is another kind of file", 0
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as failed:
        line = data.count(b"\n", 0, failed.start) + 1
        raise error(file, "is not UTF-8; save the file as UTF-8", line) from failed
