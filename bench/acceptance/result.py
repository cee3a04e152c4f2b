"""What a check found, against which limit, and what all of them together say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

Measured = None | bool | int | float | str


class Grade(StrEnum):
    """How a check ended."""

    PASSED = "pass"
    FAILED = "fail"
    SKIPPED = "skipped"
    """Not done, or not to be seen from here: an open point where the plan requires it."""


class Verdict(StrEnum):
    """What a run says."""

    PASSED = "pass"
    FAILED = "fail"
    OPEN = "open points"
    """Nothing failed, but something that the plan requires was not done."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What a measured value is held to.

    Attributes:
        low: lowest value that passes, None for none.
        high: highest value that passes, None for none.
        unit: of both, "" for none.
        text: said instead of the numbers, or with them.
    """

    low: float | None = None
    high: float | None = None
    unit: str = ""
    text: str = ""

    def holds(self, value: float) -> bool:
        """Return whether a value is within; a value on the limit is."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    def __str__(self) -> str:
        """Return the limit for a person.

        >>> str(Limit(0.25, None, "m")), str(Limit(89.5, 90.5, "degrees")), str(Limit(high=10))
        ('at least 0.25 m', '89.5 to 90.5 degrees', 'at most 10')
        """
        if self.text:
            return self.text
        unit = f" {self.unit}" if self.unit else ""
        match (self.low, self.high):
            case (None, None):
                return ""
            case (None, high):
                return f"at most {number(high)}{unit}"
            case (low, None):
                return f"at least {number(low)}{unit}"
            case (low, high):
                return f"{number(low)} to {number(high)}{unit}"


NO_LIMIT = Limit()


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check found.

    Attributes:
        grade: how it ended.
        measured: the value, None where there is none.
        limit: what it was held to.
        detail: one line more, "" for none.
        note: of the person who answered.
        figures: what is drawn of it in the record, as `kerfbus.bench.acceptance.figures` has it.
    """

    grade: Grade
    measured: Measured = None
    limit: Limit = NO_LIMIT
    detail: str = ""
    note: str = ""
    figures: tuple[Mapping[str, Any], ...] = ()

    @classmethod
    def skipped(cls, why: str, limit: Limit = NO_LIMIT) -> Finding:
        """Return the finding of a check that was not done."""
        return cls(Grade.SKIPPED, limit=limit, detail=why)

    @classmethod
    def failed(cls, why: str, limit: Limit = NO_LIMIT) -> Finding:
        """Return the finding of a check that measured nothing because something is wrong."""
        return cls(Grade.FAILED, limit=limit, detail=why)

    @classmethod
    def held(cls, value: float, limit: Limit, detail: str = "") -> Finding:
        """Return the finding of a number that was held to a limit."""
        return cls(Grade.PASSED if limit.holds(value) else Grade.FAILED, value, limit, detail)


@dataclass(frozen=True, slots=True)
class Result:
    """A finding with the step that it belongs to.

    Attributes:
        check: name of the step.
        title: what was checked.
        kind: of the step.
        method: how.
        source: of the limit.
        required: whether the step counts as an open point where it is skipped.
        finding: what was found.
        at: when, as text; "" where it was not done.
        earlier: findings that later ones took the place of, with their times; none is forgotten.
    """

    check: str
    title: str
    kind: str
    method: str
    source: str
    required: bool
    finding: Finding
    at: str = ""
    earlier: tuple[Mapping[str, Any], ...] = field(default=())

    @property
    def measured(self) -> str:
        """Return the measured value for a person; of a rate it is only known that it is lower."""
        finding = self.finding
        words = shown(finding.measured, finding.limit.unit)
        return f"below {words}" if words and self.kind == "error-rate" else words

    @property
    def open(self) -> bool:
        """Return whether it is an open point."""
        return self.required and self.finding.grade is not Grade.PASSED

    def to_json(self) -> dict[str, Any]:
        """Return the check as ``accept --json`` has it."""
        finding, limit = self.finding, self.finding.limit
        return {
            "check": self.check,
            "grade": str(finding.grade),
            "measured": finding.measured,
            "limit": str(limit) or None,
            "unit": limit.unit or None,
            "source": self.source or None,
            "low": limit.low,
            "high": limit.high,
            "title": self.title,
            "kind": self.kind,
            "method": self.method,
            "required": self.required,
            "detail": finding.detail,
            "note": finding.note,
            "at": self.at or None,
            "earlier": [dict(each) for each in self.earlier],
            "figures": [dict(each) for each in finding.figures],
        }


def verdict_of(results: Iterable[Result]) -> Verdict:
    """Return what all results together say."""
    grades = [(each.finding.grade, each.required) for each in results]
    if any(grade is Grade.FAILED for grade, _ in grades):
        return Verdict.FAILED
    if any(grade is Grade.SKIPPED and required for grade, required in grades):
        return Verdict.OPEN
    return Verdict.PASSED


def counted(results: Sequence[Result]) -> str:
    """Return how many checks ended how, e.g. ``3 pass, 1 fail, 0 skipped``."""
    found = [each.finding.grade for each in results]
    return ", ".join(f"{found.count(grade)} {grade}" for grade in Grade)


def number(value: float | None) -> str:
    """Return a number for a person.

    >>> [number(each) for each in (0.25, 2.0, 1234567, 0.00012345, None)]
    ['0.25', '2', '1234567', '0.0001234', '']
    """
    if value is None:
        return ""
    return str(value) if isinstance(value, int) else f"{value:.4g}"


def shown(measured: Measured, unit: str = "") -> str:
    """Return a measured value for a person.

    >>> shown(True), shown(0.3, "m"), shown("BENCH-125"), shown(None)
    ('yes', '0.3 m', 'BENCH-125', '')
    """
    match measured:
        case None:
            return ""
        case bool():
            return "yes" if measured else "no"
        case int() | float():
            return number(measured) + (f" {unit}" if unit else "")
        case _:
            return measured
