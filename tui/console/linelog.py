"""The line as a log of frames: what is kept, what is shown, what a pause does.

Kept are the last entries; the recording keeps all. Paused, nothing that is on view goes away: what
comes meanwhile is kept behind it, as far as there is room, and what had to be left out is counted
and said. A filter works through the log in bounded steps, so that a search in many entries never
holds up the line.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from kerfbus.bench.conversation import Role
from kerfbus.bench.regmap import RegisterMap
from kerfbus.tui.console.wording import Entry, direction, said

KEPT = 20_000
KEPT_IN_PAUSE = 60_000
STEP = 400
"""So many entries are looked through in one step: some ten milliseconds."""


class Kind(StrEnum):
    """Which entries are shown."""

    ALL = "all"
    DAMAGED = "damaged or odd"
    REQUESTS = "requests"
    REPLIES = "replies"
    EVENTS = "marks and events"


@dataclass(frozen=True, slots=True)
class Filter:
    """What is shown.

    Attributes:
        kind: of entry.
        text: that must be in its words or characters; "" for any. Upper and lower case are alike.
    """

    kind: Kind = Kind.ALL
    text: str = ""

    @property
    def everything(self) -> bool:
        """Return whether nothing is left out."""
        return self.kind is Kind.ALL and not self.text

    def passes(self, entry: Entry, found: RegisterMap) -> bool:
        """Return whether an entry is shown."""
        if not _IS_KIND[self.kind](entry):
            return False
        if not self.text:
            return True
        wanted = self.text.casefold()
        words = f"{direction(entry)} {said(entry, found)}".casefold()
        message = entry.row.message
        return wanted in words or (
            message is not None and wanted.replace(" ", "") in message.piece.data.hex()
        )


def _odd(entry: Entry) -> bool:
    message = entry.row.message
    if message is None:
        return False
    return entry.damaged or message.late or entry.row.exception is not None


def _has_role(entry: Entry, role: Role) -> bool:
    return entry.row.message is not None and entry.row.message.role is role


_IS_KIND: Mapping[Kind, Callable[[Entry], bool]] = {
    Kind.ALL: lambda _: True,
    Kind.DAMAGED: _odd,
    Kind.REQUESTS: lambda entry: _has_role(entry, Role.REQUEST),
    Kind.REPLIES: lambda entry: _has_role(entry, Role.REPLY),
    Kind.EVENTS: lambda entry: entry.row.message is None,
}


class Window(NamedTuple):
    """What is on view.

    Attributes:
        entries: oldest first.
        behind: how many shown entries are newer than the last of them.
        older: how many are older than the first.
    """

    entries: list[Entry]
    behind: int
    older: int


class LineLog:
    """The log.

    Args:
        found: the register map, for searching in words.

    Attributes:
        filter: what is shown.
        paused: whether the view stands still.
        skipped: entries left out because the log was full while it was paused.
        chosen: how many shown entries are newer than the last one on view.
        made: for the view: lines that it has made, by number of the entry.
    """

    def __init__(self, found: RegisterMap) -> None:
        self._map = found
        self._all: deque[Entry] = deque()
        self._shown: deque[Entry] = deque()
        self._older = 0  # entries below this number were not looked at by the filter
        self._newer = 0  # nor those from this one on
        self.filter = Filter()
        self.paused = False
        self.skipped = 0
        self.chosen = 0
        self.made: dict[int, Any] = {}

    def __len__(self) -> int:
        """Return how many entries are kept."""
        return len(self._all)

    def entries(self) -> list[Entry]:
        """Return all that is kept, oldest first."""
        return list(self._all)

    @property
    def newest(self) -> Entry | None:
        """Return the newest entry."""
        return self._all[-1] if self._all else None

    def add(self, entry: Entry) -> None:
        """Keep an entry; while paused and full it is left out and counted."""
        if self.paused and len(self._all) >= KEPT_IN_PAUSE:
            self.skipped += 1
            return
        self._all.append(entry)
        if self.paused and self.filter.everything:
            self.chosen += 1
        elif not self.paused:
            self._trim()

    def _trim(self) -> None:
        while len(self._all) > KEPT:
            gone = self._all.popleft()
            if self._shown and self._shown[0].number <= gone.number:
                self._shown.popleft()

    def pause(self, on: bool) -> None:
        """Let the view stand still, or go on with the newest."""
        self.paused = on
        if not on:
            self.chosen = 0
            self._trim()

    def choose(self, filter_: Filter) -> None:
        """Show what a filter passes; the log is looked through step by step from the newest on."""
        self.filter = filter_
        self._shown.clear()
        self.chosen = 0
        self._older = self._newer = self._all[-1].number + 1 if self._all else 0

    @property
    def unsearched(self) -> int:
        """Return how many entries the filter has not looked at yet."""
        if self.filter.everything or not self._all:
            return 0
        first, last = self._all[0].number, self._all[-1].number
        return max(self._older - first, 0) + max(last + 1 - self._newer, 0)

    def step(self) -> bool:
        """Let the filter look at some more entries; return whether it has found any."""
        if self.filter.everything or not self._all:
            return False
        first, last = self._all[0].number, self._all[-1].number
        found, room = 0, STEP
        begin = max(self._newer, first)
        for entry in self._between(begin, min(begin + room, last + 1)):
            self._newer = entry.number + 1
            room -= 1
            if self.filter.passes(entry, self._map):
                self._shown.append(entry)
                self.chosen += self.paused
                found += 1
        begin = max(self._older - room, first)
        for entry in reversed(self._between(begin, max(self._older, first))):
            self._older = entry.number
            if self.filter.passes(entry, self._map):
                self._shown.appendleft(entry)
                found += 1
        return found > 0

    def _between(self, begin: int, end: int) -> list[Entry]:
        """Return the entries with these numbers, as far as they are kept."""
        if begin >= end or not self._all:
            return []
        last = self._all[-1].number
        # Numbers have holes where entries were left out, so the way is from the newest back.
        taken = []
        for index in range(len(self._all) - 1 - max(last + 1 - end, 0), -1, -1):
            entry = self._all[index]
            if entry.number < begin:
                break
            if entry.number < end:
                taken.append(entry)
        taken.reverse()
        return taken

    def window(self, rows: int) -> Window:
        """Return what fits into so many rows, an entry each."""
        source = self._all if self.filter.everything else self._shown
        count = len(source)
        self.chosen = max(min(self.chosen, count - min(rows, count)), 0)
        end = count - self.chosen
        begin = max(end - rows, 0)
        return Window([source[index] for index in range(begin, end)], count - end, begin)

    def move(self, entries: int) -> None:
        """Look further back (above 0) or forward; looking back pauses."""
        if entries > 0 and not self.paused:
            self.pause(True)
        self.chosen = max(self.chosen + entries, 0)
