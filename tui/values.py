"""Values as a person reads them: number and unit, names of states, and how old they are."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from kerfbus.bench.access import Reading
from kerfbus.bench.regmap import Value
from kerfbus.bench.valuetext import decimals, place, shown, with_unit

__all__ = ["Reading", "age", "decimals", "lines_of", "place", "rows", "shown", "with_unit"]

WIDTH = 80
GAP = "  "
NS_PER_MS = 1_000_000


def rows(readings: Sequence[Reading], now: int) -> list[tuple[str, str, str]]:
    """Return name, value and age of each reading, numbers flush at their last digit.

    Args:
        readings: of one group.
        now: the instant that ages are counted to.
    """
    numbers = [
        shown(each.register, each.value) if _is_number(each.value) else "" for each in readings
    ]
    width = max((len(number) for number in numbers), default=0)
    found = []
    for reading, number in zip(readings, numbers, strict=True):
        if reading.raw is None:
            found.append((place(reading), f"{'--':>{width}}", "not read"))
            continue
        text = number.rjust(width) if number else shown(reading.register, reading.value)
        unit = f" {reading.unit}" if number and reading.unit else ""
        found.append((place(reading), text + unit, age(reading, now)))
    return found


def lines_of(rows: Sequence[tuple[str, str, str]], indent: str = "  ") -> list[list[str]]:
    """Return each row as one line or, where its value is too long for that, as several."""
    names = max((len(name) for name, _, _ in rows), default=0)
    room = WIDTH - len(indent) - names - len(GAP)
    ages = max((len(age) for _, _, age in rows), default=0)
    values = max((len(value) for _, value, _ in rows if len(value) <= room - ages - 2), default=0)
    found = []
    for name, value, age in rows:
        first, *more = textwrap.wrap(value, room, break_on_hyphens=False) or [""]
        line = f"{indent}{name:{names}}{GAP}{first:{values}}"
        if len(first) <= values:
            line += f"{GAP}{age}"
        behind = " " * (len(indent) + names + len(GAP))
        found.append([line.rstrip(), *(f"{behind}{part}" for part in more)])
    return found


def age(reading: Reading, now: int) -> str:
    """Return how long ago a value was read."""
    if reading.at is None:
        return ""
    ms = (now - reading.at) // NS_PER_MS
    return f"{ms} ms ago" if ms < 10_000 else f"{ms // 1000} s ago"


def _is_number(value: Value | tuple[int, ...]) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
