"""A calculation that can be checked: what goes in and its range, what comes out and its source."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any, NamedTuple

from kerfbus.bench.errors import UsageError


class Confidence(Enum):
    """How sure the formula and its source are."""

    STANDARD = "standard, read in a transcription, and recomputed"
    PUBLISHED = "published elsewhere, and recomputed"
    EXACT = "exact arithmetic from first principles"
    MEMORY = "from memory, and recomputed"
    PRACTICE = "common practice, no source"
    ESTIMATE = "an estimate, within a factor of two"


class Given(NamedTuple):
    """Something that goes in.

    Attributes:
        name: an identifier.
        usual: value where none is given; None where there must be one.
        low, high: the range; infinite for none.
        unit: "" for none.
        text: what it is.
        whole: a whole number.
    """

    name: str
    usual: float | None
    low: float
    high: float
    unit: str
    text: str
    whole: bool = False

    def checked(self, value: float) -> float:
        """Return a value that is in range.

        Raises:
            UsageError: it is not, or is no number.
        """
        unit = f" {self.unit}" if self.unit else ""
        if math.isnan(value) or not self.low <= value <= self.high:
            most = "any" if self.high == math.inf else f"{self.high:g}"
            option = self.name.replace("_", "-")
            raise UsageError(f"{option} {value:g}: give {self.low:g} to {most}{unit} ({self.text})")
        return value


class Outcome(NamedTuple):
    """Something that comes out.

    Attributes:
        name: an identifier.
        value: None where there is no bound or no answer.
        unit: "" for none.
        text: what it is.
    """

    name: str
    value: float | None
    unit: str
    text: str


class Source(NamedTuple):
    """Where a formula or a limit comes from.

    Attributes:
        text: document and section.
        confidence: how sure it is.
    """

    text: str
    confidence: Confidence


@dataclass(frozen=True, slots=True)
class Answer:
    """What a calculation gives.

    Attributes:
        outcomes: in the order in which a person needs them.
        notes: what must be known with them, a sentence each.
    """

    outcomes: tuple[Outcome, ...]
    notes: tuple[str, ...] = ()


Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Calculation:
    """A calculation.

    Attributes:
        name: as it is called.
        title: what it answers.
        givens: what goes in.
        formula: as plain text.
        sources: of the formula and its limits.
        work: computes; its values are checked against `givens`.
    """

    name: str
    title: str
    givens: tuple[Given, ...]
    formula: str
    sources: tuple[Source, ...]
    work: Callable[[Values], Answer]

    def inputs(self, given: Mapping[str, float | None]) -> dict[str, float]:
        """Return all that goes in, checked, with the usual values where nothing is given.

        Raises:
            UsageError: something is missing, unknown or out of its range.
        """
        known = {each.name: each for each in self.givens}
        for name in given:
            if name not in known:
                raise UsageError(f"{self.name} has no {name}; it takes {', '.join(known)}")
        values = {}
        for name, each in known.items():
            value = given.get(name)
            if value is None:
                value = each.usual
            if value is None:
                raise UsageError(f"{self.name}: give {name.replace('_', '-')}, {each.text}")
            values[name] = each.checked(float(value))
        return values

    def answer(self, given: Mapping[str, float | None]) -> Answer:
        """Compute.

        Raises:
            UsageError: something is missing, unknown or out of its range.
        """
        return self.work(self.inputs(given))

    def to_json(self, given: Mapping[str, float | None]) -> dict[str, Any]:
        """Return inputs, results, formula, sources and confidence for an answer."""
        inputs, answer = self.inputs(given), self.answer(given)
        units = {each.name: each.unit for each in self.givens}
        return {
            "calculation": self.name,
            "title": self.title,
            "inputs": [
                {"name": name, "value": _finite(value), "unit": units[name]}
                for name, value in inputs.items()
            ],
            "results": [
                {"name": each.name, "value": _finite(each.value), "unit": each.unit}
                for each in answer.outcomes
            ],
            "formula": self.formula,
            "sources": [
                {"source": each.text, "confidence": each.confidence.value} for each in self.sources
            ],
            "notes": list(answer.notes),
        }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def parallel(*ohms: float) -> float:
    """Return resistances in parallel; infinite ones do not count.

    >>> parallel(120, 120, math.inf)
    60.0
    """
    conductance = sum(1 / each for each in ohms)
    return 1 / conductance if conductance else math.inf
