"""A line of progress that words itself, for what no bar can show."""

from __future__ import annotations

from typing import Self, TextIO

WIDTH = 79


class LiveLine:
    """A line that is written over where there is a terminal, and lines where there is none."""

    def __init__(self, stream: TextIO) -> None:
        self.live = stream.isatty()
        self._stream = stream
        self._shown = 0

    def __enter__(self) -> Self:
        """Return the line itself."""
        return self

    def __exit__(self, *exc_info: object) -> None:
        """Take the line away."""
        if self._shown:
            self._write("\r" + " " * self._shown + "\r")

    def say(self, text: str) -> None:
        """Write a line that stays."""
        self._write(f"kerfbus: {text}\n")

    def show(self, text: str) -> None:
        """Write a line in place of the last one."""
        if not self.live:
            self.say(text)
            return
        cut = text[:WIDTH]
        self._write("\r" + cut.ljust(self._shown))
        self._shown = len(cut)

    def _write(self, text: str) -> None:
        try:
            self._stream.write(text)
            self._stream.flush()
        except OSError:  # whoever read it has gone; the soak has not
            self.live = False
