"""Where a scenario's log goes: to the screen, to a program, to a file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from kerfbus.sim.scenario.journal import Journal, json_line, text_line
from kerfbus.tui.output import Output, naming

BRIEF = ("begin", "inject", "undo", "act", "fault", "cleared", "warning", "injection", "end")
"""Kinds of entry that a person wants to see who does not want to see all."""
TEXT_SUFFIX = ".txt"


class Screen:
    """Shows entries as they are written; holds them back until told otherwise.

    Args:
        output: for a person as lines of text, for a program as JSON Lines.
        brief: show a person only what is of `BRIEF`.
    """

    def __init__(self, output: Output, *, brief: bool) -> None:
        self._output = output
        self._brief = brief
        self._held: list[dict[str, Any]] | None = []

    def __call__(self, entry: dict[str, Any]) -> None:
        """Take an entry."""
        if self._held is not None:
            self._held.append(entry)
            return
        self._output.answer(entry)
        if not self._brief or entry["kind"] in BRIEF:
            self._output.text(text_line(entry))
            self._output.flush()

    def begin(self) -> None:
        """Show what was held back, and from now on everything at once."""
        held, self._held = self._held or [], None
        for entry in held:
            self(entry)


@contextmanager
def journal_to(screen: Screen, path: str | None, *, keep: bool = True) -> Iterator[Journal]:
    """Give a journal that is shown on a screen, and kept in a new file when one is named.

    Args:
        screen: shows it.
        path: of the file: JSON Lines, or text when its name ends in `TEXT_SUFFIX`.
        keep: whether the journal keeps its entries.

    Raises:
        OSError: the file exists or cannot be written.
    """
    journal = Journal(screen, keep=keep)
    if path is None:
        yield journal
        return
    line: Callable[[dict[str, Any]], str]
    line = text_line if Path(path).suffix == TEXT_SUFFIX else json_line
    with Path(path).open("x", encoding="utf-8", newline="\n", buffering=1) as file:

        def write(entry: dict[str, Any]) -> None:
            with naming(path):
                print(line(entry), file=file)

        journal.listeners.append(write)
        yield journal
