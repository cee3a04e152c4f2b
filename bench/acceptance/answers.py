"""Answers out of a file, for a run without a person at the keyboard.

[record]
machine = "table 3"

[answers]
supply-space-left = 0.31
emergency-stop = "yes"
divided-voltage = { value = 2.36, arc_volts = 118, note = "at 60 A" }
gas-static = { skip = "no gas yet" }
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kerfbus.bench.acceptance.asked import Answer, Asker, judged, parsed
from kerfbus.bench.acceptance.form import Line, Manner, StepForm
from kerfbus.bench.errors import AnswersError, UsageError
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.tomlform import Field, Form, Source, first_of, read_text

WORDS = ("value", "note", "skip")


class AnswersForm(Form):
    """A whole file."""

    record: dict[str, Line] = Field(default={})
    answers: dict[str, Any] = Field(default={})


@dataclass(frozen=True)
class Answers:
    """Answers to a plan, each of which was judged once to be sure that it can be.

    Attributes:
        record: what is printed at the head of the record: machine, place, person.
        by_step: the answers.
    """

    record: Mapping[str, str] = field(default_factory=dict)
    by_step: Mapping[str, Answer] = field(default_factory=dict)


class AskFirst:
    """Asks a file first, and then somebody else.

    Args:
        answers: of the file.
        other: asked where the file has nothing; None for nobody.
    """

    def __init__(self, answers: Answers, other: Asker | None = None) -> None:
        self._answers = answers
        self._other = other

    async def ask(self, step: StepForm) -> Answer | None:
        """Return the file's answer, else the other's."""
        found = self._answers.by_step.get(step.name)
        if found is None and self._other is not None:
            return await self._other.ask(step)
        return found


def load_answers(path: str | Path, steps: Sequence[StepForm]) -> Answers:
    """Return the answers in a file.

    Raises:
        AnswersError: it cannot be read, or has an answer that is none; line and key are named.
    """
    return parse_answers(read_text(path, AnswersError), str(path), steps)


def parse_answers(text: str, file: str, steps: Sequence[StepForm]) -> Answers:
    """Return the answers in a text.

    Raises:
        AnswersError: it is wrong; line and key are named.
    """
    source = Source.parse(text, file, AnswersError)
    form, mistakes = source.fill(AnswersForm)
    asked = {each.name: each for each in steps if each.manner is Manner.ASKED}
    found = {}
    for name, given in form.answers.items() if form is not None else ():
        try:
            found[name] = _answer(_step(asked, name), given)
            judged(asked[name], found[name])
        except UsageError as error:
            mistakes.append(source.wrong(("answers", name), str(error)))
    if form is None or mistakes:
        raise first_of(mistakes)
    return Answers(form.record, found)


def _step(asked: Mapping[str, StepForm], name: str) -> StepForm:
    if name not in asked:
        raise UsageError("the plan asks nothing of this name" + close_match(name, asked))
    return asked[name]


def _answer(step: StepForm, given: Any) -> Answer:
    """Return the answer that stands in a file.

    Raises:
        UsageError: it is none.
    """
    if not isinstance(given, dict):
        return Answer(_value(step, given))
    known = (*WORDS, *step.inputs)
    for key in given:
        if key not in known:
            raise UsageError(f"{key} is not asked here; there is {', '.join(known)}")
    note, why = str(given.get("note", "")), str(given.get("skip", ""))
    if "skip" in given:
        return Answer(note=note, why=why)
    inputs = {name: _number(given[name], name) for name in step.inputs if name in given}
    return Answer(_value(step, given.get("value")), inputs, note)


def _value(step: StepForm, given: Any) -> bool | float:
    if isinstance(given, str):
        return parsed(step, given)
    if given is None:
        raise UsageError("has no value; give value, or skip with a reason")
    return given if isinstance(given, bool) else _number(given, "the answer")


def _number(given: Any, what: str) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise UsageError(f"{what} needs a number, got {given!r}")
    return float(given)


def template(steps: Sequence[StepForm]) -> str:
    """Return an answers file to be filled in, with every question of a plan as a comment."""
    lines = ["# Answers to an acceptance plan. Take away the # before an answer that you give.", ""]
    lines += ["[record]", '# machine = ""', '# place = ""', '# person = ""', "", "[answers]"]
    for step in steps:
        if step.manner is not Manner.ASKED:
            continue
        lines += ["", f"# {step.question}"]
        if step.caution:
            lines.append(f"# Caution: {step.caution}")
        if step.kind == "confirm":
            lines.append(f'# {step.name} = "yes"')
        elif step.inputs:
            lines += [f"#   {name}: {said}" for name, said in step.inputs.items()]
            inputs = "".join(f", {name} = 0" for name in step.inputs)
            lines.append(f"# {step.name} = {{ value = 0{inputs} }}  # {step.unit}")
        else:
            lines.append(f"# {step.name} = 0  # {step.unit}")
    return "\n".join(lines) + "\n"
