"""Steps that a person does: the question, the answer, the judgement.

Nothing here reads a keyboard or a file: an `Asker` gives answers, out of whatever it has.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from kerfbus.bench.acceptance.form import StepForm
from kerfbus.bench.acceptance.judging import MAKERS, limit_of
from kerfbus.bench.acceptance.result import Finding, Grade, Limit
from kerfbus.bench.errors import UsageError

YES = frozenset(("y", "yes", "true", "ok"))
NO = frozenset(("n", "no", "false"))
NOBODY = "nobody answered"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person said.

    Attributes:
        value: a number, yes or no; None when the step was passed over.
        inputs: what else was measured, by name.
        note: a remark, "" for none.
        why: for a step that was passed over.
    """

    value: bool | float | None = None
    inputs: Mapping[str, float] = field(default_factory=dict)
    note: str = ""
    why: str = ""


class Asker(Protocol):
    """Whoever has answers."""

    async def ask(self, step: StepForm) -> Answer | None:
        """Return the answer to a step, None where there is nobody to ask.

        An answer that it gives is of the step's kind: `judged` does not raise on it.
        """
        ...


def judged(step: StepForm, answer: Answer | None) -> Finding:
    """Return what an answer means.

    Raises:
        UsageError: it is not of the step's kind, an input is missing or cannot be.
    """
    if answer is None or answer.value is None:
        limit = expected_of(step)
        why = NOBODY if answer is None else answer.why or "passed over"
        return Finding(Grade.SKIPPED, None, limit, why, answer.note if answer else "")
    if step.kind == "confirm":
        if not isinstance(answer.value, bool):
            raise UsageError(f"{answer.value!r}: answer yes or no")
        grade = Grade.PASSED if answer.value else Grade.FAILED
        return Finding(grade, answer.value, Limit(text="yes"), note=answer.note)
    if isinstance(answer.value, bool) or not math.isfinite(answer.value):
        raise UsageError(f"{answer.value!r}: answer with a number in {step.unit}")
    missing = [name for name in step.inputs if name not in answer.inputs]
    if missing:
        raise UsageError(f"{missing[0]} is missing: {step.inputs[missing[0]]}")
    limit, how = limit_of(step, answer.inputs)
    grade = Grade.PASSED if limit.holds(answer.value) else Grade.FAILED
    return Finding(grade, answer.value, limit, how, answer.note)


def expected_of(step: StepForm) -> Limit:
    """Return what an answer will be held to, as far as that is known before it is given."""
    if step.kind == "confirm":
        return Limit(text="yes")
    if step.judged is None:
        return Limit(step.min, step.max, step.unit or "")
    share = f"within {step.tolerance_percent:g} % of {MAKERS[step.judged].words}"
    return Limit(unit=step.unit or "", text=share)


def parsed(step: StepForm, text: str) -> bool | float:
    """Return what a typed answer means: yes or no, or a number with or without its unit.

    Raises:
        UsageError: it means nothing.
    """
    word = text.strip().lower()
    if step.kind == "confirm":
        if word in YES | NO:
            return word in YES
        raise UsageError(f"{text.strip()!r}: answer yes or no")
    unit = (step.unit or "").lower()
    if unit and word.endswith(unit):
        word = word.removesuffix(unit).rstrip()
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(
            f"{text.strip()!r}: answer with a number" + (f" in {unit}" if unit else "")
        )
    return value
