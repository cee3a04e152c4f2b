"""What a command gives out: text for a person or JSON for a program, never both on one stream.

Answers go to standard output, remarks and progress to standard error. Text is plain ASCII apart
from what a register map says, fits 80 columns where it can, and means the same without colour.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TextIO

import click

Json = None | bool | int | float | str | Sequence["Json"] | Mapping[str, "Json"]

STANDARD_OUTPUT = "standard output"
HEADING, GOOD, BAD, FAINT = "heading", "good", "bad", "faint"
_STYLES: dict[str, dict[str, bool | str]] = {
    HEADING: {"bold": True},
    GOOD: {"fg": "green"},
    BAD: {"fg": "red", "bold": True},
    FAINT: {"dim": True},
}


def may_colour(stream: TextIO) -> bool:
    """Return whether a stream may be coloured: a terminal that can, and NO_COLOR not set."""
    return (
        stream.isatty()
        and not os.environ.get("NO_COLOR")
        and os.environ.get("TERM", "dumb" if os.name == "posix" else "") != "dumb"
    )


@contextlib.contextmanager
def naming(place: str) -> Iterator[None]:
    """Let an error of the system say which place could not be written.

    Args:
        place: a file's path, or `STANDARD_OUTPUT`.

    Raises:
        OSError: the same error with the name; a reader that has gone is left as it is.
    """
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        if error.filename is not None:
            raise
        raise OSError(error.errno, error.strerror or str(error), place) from error


class Output:
    """Where a command puts its answer.

    Attributes:
        as_json: whether a program reads it.
    """

    def __init__(self, *, as_json: bool = False, stream: TextIO | None = None) -> None:
        self.as_json = as_json
        self._stream = stream or sys.stdout
        self._colour = may_colour(self._stream)

    def text(self, line: str = "", style: str = "") -> None:
        """Write a line for a person; a program does not see it."""
        if not self.as_json:
            self._print(self.paint(line, style))

    def texts(self, lines: Iterable[str]) -> None:
        """Write lines for a person."""
        for line in lines:
            self.text(line)

    def answer(self, record: Mapping[str, Json]) -> None:
        """Write one object, on one line, for a program; a person does not see it."""
        if self.as_json:
            self._print(json.dumps(plain(record), allow_nan=False))

    def remark(self, line: str, *, always: bool = False) -> None:
        """Write a line to standard error; with JSON only when `always`."""
        if always or not self.as_json:
            print(f"kerfbus: {line}", file=sys.stderr, flush=True)

    def flush(self) -> None:
        """Hand over what was written so far."""
        with naming(STANDARD_OUTPUT):
            self._stream.flush()

    def _print(self, line: str) -> None:
        with naming(STANDARD_OUTPUT):
            print(line, file=self._stream)

    def paint(self, text: str, style: str) -> str:
        """Return the text in a style, or as it is where there are no colours."""
        return click.style(text, **_STYLES[style]) if style and self._colour else text  # type: ignore[arg-type]


def plain(value: object) -> Json:
    """Return a value as JSON has it: tuples as lists, numbers that are none as null."""
    match value:
        case float():
            return value if math.isfinite(value) else None
        case None | bool() | int() | str():
            return value
        case Mapping():
            return {str(key): plain(each) for key, each in value.items()}
        case Iterable():
            return [plain(each) for each in value]
    raise TypeError(f"{type(value).__name__} has no form in JSON")


def columns(rows: Sequence[Sequence[str]], right: Sequence[int] = (), gap: str = "  ") -> list[str]:
    """Return rows as lines with aligned columns.

    Args:
        rows: of equal length each.
        right: indices of the columns that end flush, such as numbers.
        gap: between columns.
    """
    if not rows:
        return []
    widths = [max(len(row[index]) for row in rows) for index in range(len(rows[0]))]
    return [
        gap.join(
            cell.rjust(width) if index in right else cell.ljust(width)
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
