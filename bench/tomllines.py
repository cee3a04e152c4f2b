"""Where each key of a TOML file stands.

`tomllib` gives values without lines. This module gives the lines without values, so that a message
about a value can name both. It reads text that `tomllib` has accepted and checks nothing.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Sequence

Path = tuple[str | int, ...]
"""Keys and, in arrays, indices from 0; outermost first."""

_SPACE = " \t\r\n"
_BARE_ENDS = " \t\r\n,]}#"
_TIME = re.compile(r" \d\d:")


def key_lines(text: str) -> dict[Path, int]:
    r"""Return the line, from 1, of every key, table and array element in `text`.

    Args:
        text: of a TOML document that `tomllib` reads.

    >>> key_lines('[a]\nb = 1\n[[c]]\nd = { e = [1,\n2] }')[("c", 0, "d", "e", 1)]
    5
    """
    return _Scanner(text).lines


def line_of(lines: dict[Path, int], path: Sequence[str | int]) -> int:
    """Return the line of `path`, or of the nearest thing around it that stands in the file."""
    whole = tuple(path)
    for length in range(len(whole), 0, -1):
        if whole[:length] in lines:
            return lines[whole[:length]]
    return 1


class _Scanner:
    """One pass over a document.

    Attributes:
        lines: what was found.
    """

    def __init__(self, text: str) -> None:
        self.lines: dict[Path, int] = {}
        self._text = text
        self._at = 0
        self._starts = [0, *(at + 1 for at, letter in enumerate(text) if letter == "\n")]
        self._elements: dict[Path, int] = {}  # arrays of tables: how many there are so far
        self._table: Path = ()
        while self._peek():
            if self._peek() == "[":
                self._header()
            else:
                self._pair(self._table)

    def _peek(self) -> str:
        """Skip what means nothing and return the next letter, "" at the end."""
        text = self._text
        while self._at < len(text) and (text[self._at] in _SPACE or text[self._at] == "#"):
            if text[self._at] == "#":
                end = text.find("\n", self._at)
                self._at = len(text) if end < 0 else end
            else:
                self._at += 1
        return text[self._at : self._at + 1]

    def _take(self, letters: str) -> bool:
        """Step over `letters` when they come next."""
        self._peek()
        found = self._text.startswith(letters, self._at)
        self._at += len(letters) * found
        return found

    def _note(self, path: Path) -> None:
        self.lines.setdefault(path, bisect_right(self._starts, self._at))

    def _header(self) -> None:
        self._take("[")
        several = self._take("[")
        self._peek()
        path: Path = ()
        *outer, last = self._keys()
        for key in outer:
            self._note((*path, key))
            path = self._inside((*path, key))
        path = (*path, last)
        if several:
            self._note(path)
            self._elements[path] = self._elements.get(path, 0) + 1
            path = self._inside(path)
        self._note(path)
        self._table = path
        self._take("]")
        if several:
            self._take("]")

    def _inside(self, path: Path) -> Path:
        """Return `path`, with the index of the last element when it is an array of tables."""
        count = self._elements.get(path, 0)
        return (*path, count - 1) if count else path

    def _pair(self, table: Path) -> None:
        self._peek()
        path = table
        start = self._at
        for key in self._keys():
            path = (*path, key)
            end, self._at = self._at, start
            self._note(path)
            self._at = end
        self._take("=")
        self._value(path)

    def _keys(self) -> list[str]:
        """Take a dotted key."""
        keys = [self._key()]
        while self._take("."):
            keys.append(self._key())
        return keys

    def _key(self) -> str:
        quote = self._peek()
        start = self._at
        if quote in ('"', "'"):
            self._string(quote)
            inner = self._text[start + 1 : self._at - 1]
            return _unescaped(inner) if quote == '"' else inner
        while self._text[self._at] not in ' \t.=]"':
            self._at += 1
        return self._text[start : self._at]

    def _value(self, path: Path) -> None:
        match self._peek():
            case "[":
                self._array(path)
            case "{":
                self._inline(path)
            case '"' | "'" as quote:
                self._string(quote * 3 if self._text.startswith(quote * 3, self._at) else quote)
            case _:
                self._bare()

    def _bare(self) -> None:
        """Step over a number, a truth value, a date; date and time may be parted by a space."""
        text = self._text
        while self._at < len(text):
            if text[self._at] in _BARE_ENDS and not _TIME.match(text, self._at):
                break
            self._at += 1

    def _array(self, path: Path) -> None:
        self._take("[")
        index = 0
        while not self._take("]"):
            self._note((*path, index))
            self._value((*path, index))
            self._take(",")
            index += 1

    def _inline(self, path: Path) -> None:
        self._take("{")
        while not self._take("}"):
            self._pair(path)
            self._take(",")

    def _string(self, quote: str) -> None:
        """Step over a string that opens with `quote`, of one or three quotation marks."""
        self._at += len(quote)
        text, escapes = self._text, quote[0] == '"'
        while not text.startswith(quote, self._at):
            self._at += 2 if escapes and text[self._at] == "\\" else 1
        self._at += len(quote)
        if len(quote) == 3:  # up to two more may stand before the closing ones
            while text.startswith(quote[0], self._at):
                self._at += 1


def _unescaped(text: str) -> str:
    """Return what a basic string's inside means."""
    return str(tomllib.loads(f'k = "{text}"')["k"]) if "\\" in text else text
