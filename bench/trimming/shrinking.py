"""The smallest capture that still fails: delta debugging.

First whole transactions are left out, then single records. What is left is such that no single
record can be left out of it without the failure going away; a smaller one by leaving out several at
once may exist. Instants are not moved: the silences around what is left are those between what was
left out, too.

Source of the procedure: A. Zeller, R. Hildebrandt, "Simplifying and Isolating Failure-Inducing
Input", IEEE Transactions on Software Engineering 28(2), 2002, figure 5 (ddmin; MEMORY).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from kerfbus.bench.capture import Capture, Record
from kerfbus.bench.errors import UsageError
from kerfbus.bench.trimming.cutting import settings_at, transaction_places

T = TypeVar("T")
Fails = Callable[[Capture], bool]
"""Says whether a capture shows the failure."""


def smallest(units: Sequence[T], fails: Callable[[Sequence[T]], bool]) -> list[T]:
    """Return some of the units, in order, that still fail, and none of which can be left out.

    Args:
        units: that fail together.
        fails: whether some of them, in order, fail; the same for the same units.

    >>> smallest(range(10), lambda some: {3, 7} <= set(some))
    [3, 7]
    """
    left, parts = list(units), 2
    while len(left) >= 2:
        size = -(-len(left) // parts)
        pieces = [left[start : start + size] for start in range(0, len(left), size)]
        reduced = next((piece for piece in pieces if fails(piece)), None) if parts == 2 else None
        if reduced is not None:
            left, parts = reduced, 2
            continue
        for number in range(len(pieces)):
            rest = [unit for piece in pieces[:number] + pieces[number + 1 :] for unit in piece]
            if rest and fails(rest):
                left, parts = rest, max(parts - 1, 2)
                break
        else:
            if parts >= len(left):
                break
            parts = min(2 * parts, len(left))
    return left


class Shrinking:
    """A capture on its way to the smallest one that fails.

    Args:
        capture: that fails.
        fails: whether a capture does.

    Attributes:
        tried: how many captures were tried.
    """

    def __init__(self, capture: Capture, fails: Fails) -> None:
        self._capture = capture
        self._fails = fails
        self._known: dict[tuple[int, ...], bool] = {}
        self.tried = 0

    def run(self) -> Capture:
        """Return the smallest.

        Raises:
            UsageError: the whole capture does not fail.
        """
        places = range(len(self._capture.records))
        if not self._failing(tuple(places)):
            raise UsageError("the capture does not fail: there is nothing to shrink")
        groups = smallest(self._groups(), lambda some: self._failing(_flat(some)))
        left = smallest(_flat(groups), lambda some: self._failing(tuple(some)))
        return self._of(tuple(left))

    def _groups(self) -> list[tuple[int, ...]]:
        """Return the records of each transaction together; what stands before the first alone."""
        begins = sorted({0, *transaction_places(self._capture)})
        ends = [*begins[1:], len(self._capture.records)]
        groups = zip(begins, ends, strict=True)
        return [tuple(range(begin, end)) for begin, end in groups if begin < end]

    def _failing(self, places: tuple[int, ...]) -> bool:
        if places not in self._known:
            self.tried += 1
            self._known[places] = self._fails(self._of(places))
        return self._known[places]

    def _of(self, places: tuple[int, ...]) -> Capture:
        """Return the capture of some records; a change of settings left out before is kept."""
        capture = self._capture
        records: list[Record] = [capture.records[place] for place in places]
        first = places[0] if places else 0
        info = replace(capture.info, settings=settings_at(capture, first))
        return Capture(info, tuple(records), None)


def _flat(groups: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
    return tuple(place for group in groups for place in group)
