"""The last minutes in slices of time: how much was said, what went wrong, when the arc burned.

Sans-IO: told what happened and when. Memory is bounded by the span that is kept.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple

SLICE_NS = 1_000_000_000
KEPT = 900
"""Slices that are kept: a quarter of an hour."""
MARKS = 200


@dataclass(slots=True)
class Slice:
    """A second of the line.

    Attributes:
        number: counts seconds of the clock.
        good: transactions that went well.
        wrong: those that did not.
        damage: damaged frames and stray pieces.
        arc: whether an arc burned in it; None = not known.
    """

    number: int
    good: int = 0
    wrong: int = 0
    damage: int = 0
    arc: bool | None = None


class Mark(NamedTuple):
    """A moment that somebody or something marked.

    Attributes:
        at: instant.
        key: e.g. ``arc``, ``note``.
        value: e.g. ``on``.
        by: ``hand`` or ``register``.
    """

    at: int
    key: str
    value: str
    by: str = "hand"

    @property
    def text(self) -> str:
        """Return the mark for a person."""
        return self.value if self.key == "note" else f"{self.key} {self.value}"


@dataclass
class Strip:
    """The last minutes.

    Attributes:
        slices: by rising number; seconds in which nothing happened are missing.
        marks: by rising instant.
        arc: whether an arc burns now; None = nobody knows.
    """

    slices: deque[Slice] = field(default_factory=lambda: deque(maxlen=KEPT))
    marks: deque[Mark] = field(default_factory=lambda: deque(maxlen=MARKS))
    arc: bool | None = None

    def at(self, at: int) -> Slice:
        """Return the slice of an instant, a new one where time has gone on."""
        number = at // SLICE_NS
        if self.slices and self.slices[-1].number >= number:
            return self.slices[-1]  # a stamp that lies a little back joins the last one
        self.slices.append(Slice(number, arc=self.arc))
        return self.slices[-1]

    def count(self, at: int, trials: int, wrong: int) -> None:
        """Count transactions that came to an end."""
        here = self.at(at)
        here.good += trials - wrong
        here.wrong += wrong

    def damaged(self, at: int) -> None:
        """Count a damaged piece of the line."""
        self.at(at).damage += 1

    def burning(self, at: int, on: bool) -> None:
        """Note whether an arc burns from now on."""
        here = self.at(at)
        self.arc = on
        here.arc = bool(here.arc) or on

    def mark(self, mark: Mark) -> None:
        """Keep a mark."""
        self.marks.append(mark)
        if mark.key == "arc" and mark.value in ("on", "off"):
            self.burning(mark.at, mark.value == "on")

    def recent(self, now: int, seconds: int) -> Slice:
        """Return the last seconds in one slice."""
        first = now // SLICE_NS - seconds
        total = Slice(first)
        for each in reversed(self.slices):
            if each.number <= first:
                break
            total.good += each.good
            total.wrong += each.wrong
            total.damage += each.damage
        return total

    def columns(self, now: int, count: int, seconds: int) -> list[Slice]:
        """Return the last `count` columns of `seconds` each, oldest first; the last one is now.

        A column without traffic has the arc of the one before it.
        """
        end = now // SLICE_NS // seconds
        found = [Slice(end - count + 1 + index) for index in range(count)]
        before: bool | None = None
        for each in self.slices:
            index = each.number // seconds - found[0].number
            if index < 0:
                before = each.arc
            elif index < count:
                column = found[index]
                column.good += each.good
                column.wrong += each.wrong
                column.damage += each.damage
                if each.arc is not None:
                    column.arc = bool(column.arc) or each.arc
        for column in found:
            column.arc = before if column.arc is None else column.arc
            before = column.arc
        return found
