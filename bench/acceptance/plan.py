"""Acceptance plans: read, checked, and held against the register map that they speak of."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from types import MappingProxyType

from kerfbus.bench.acceptance.form import ALL_TAKE, KINDS, Manner, PlanForm, StepForm
from kerfbus.bench.acceptance.judging import MAKERS, NEEDED
from kerfbus.bench.confidence import Claim
from kerfbus.bench.errors import LimitError, PlanError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.regmap import Register, RegisterMap, Value
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.tomlform import KeyPath, Source, first_of, read_text

GENERIC = "generic-table"
"""Name of the plan that ships."""


@dataclass(frozen=True)
class Plan:
    """A plan whose form is right.

    Attributes:
        form: what it says.
        source: where in the file everything stands.
        sha256: of the file.
        missing: step to the registers that the map lacks, where the plan lets such steps be
            skipped.
    """

    form: PlanForm
    source: Source
    sha256: str
    missing: Mapping[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Return the plan's name."""
        return self.form.header.name

    @property
    def steps(self) -> Sequence[StepForm]:
        """Return the steps in order."""
        return self.form.steps

    def against(self, found: RegisterMap) -> Plan:
        """Return the plan for a unit with this map.

        Raises:
            PlanError: it names a register that is not there, of the wrong kind, or one that can
                strike an arc.
        """
        mistakes, missing = [], {}
        for index, step in enumerate(self.steps):
            for path, name in _names(step):
                try:
                    self._check(step, path, found.by_name(name))
                except UsageError as error:
                    if self.form.header.missing_registers == "skip" and not _known(found, name):
                        missing[step.name] = str(error)
                    else:
                        mistakes.append(self.source.wrong(("step", index, *path), str(error)))
        if mistakes:
            raise first_of(mistakes)
        return Plan(self.form, self.source, self.sha256, MappingProxyType(missing))

    @staticmethod
    def _check(step: StepForm, path: KeyPath, register: Register) -> None:
        """Check one register that a step names.

        Raises:
            UsageError: it is not what the step needs.
        """
        key = path[0]
        if step.manner is Manner.ARMED and key in ("register", "first", "also"):
            _may_be_set(register)
        if not register.readable:
            raise UsageError(f"{register.name}: the map says that it cannot be read")
        numeric = step.kind in ("set-point", "refused", "watchdog", "limits")
        if numeric and key in ("register", "registers") and not register.type.numeric:
            raise UsageError(f"{register.name}: is no number, which {step.kind} needs")
        if key == "first":
            register.encode(_as_value(register, step.first[str(path[1])]))
        if key == "values":
            _check_value(step, register, _as_value(register, step.values[int(path[1])]))
        if key == "register" and step.kind == "set-point" and not step.values:
            _has_range(register)
        if key == "register" and step.kind == "refused" and not step.values:
            _has_limit(register)


def plan_names() -> tuple[str, ...]:
    """Return the names of the plans that ship."""
    files = resources.files("kerfbus.bench.acceptance").iterdir()
    return tuple(sorted(each.name[:-5] for each in files if each.name.endswith(".toml")))


def plan_text(name: str) -> str:
    """Return a shipped plan as it is written, to start one's own from.

    Raises:
        PlanError: no plan of that name ships.
    """
    if name not in plan_names():
        raise PlanError(name, f"no such plan ships; there is {', '.join(plan_names())}")
    place = resources.files("kerfbus.bench.acceptance").joinpath(f"{name}.toml")
    return place.read_text("utf-8")


def load_plan(path: str | Path) -> Plan:
    """Return the plan in a file.

    Raises:
        PlanError: it cannot be read or is wrong; line and key are named.
    """
    return parse_plan(read_text(path, PlanError), str(path))


def parse_plan(text: str, file: str) -> Plan:
    """Return the plan in a text.

    Raises:
        PlanError: it is wrong; line and key are named.
    """
    source = Source.parse(text, file, PlanError)
    form, mistakes = source.fill(PlanForm)
    if form is not None:
        mistakes += [source.wrong(path, said) for path, said in _mistakes(form, source)]
    if form is None or mistakes:
        raise first_of(mistakes)
    return Plan(form, source, hashlib.sha256(text.encode()).hexdigest())


def _mistakes(form: PlanForm, source: Source) -> Iterator[tuple[KeyPath, str]]:
    """Yield what is wrong between keys that are right each by itself."""
    seen: set[str] = set()
    raw = source.raw["step"]
    for index, step in enumerate(form.steps):
        path = ("step", index)
        if step.name in seen:
            yield (*path, "name"), f"there is another step {step.name!r}"
        seen.add(step.name)
        kind = KINDS[step.kind]
        given = set(raw[index])
        for key in sorted(kind.needed - given):
            yield (*path, "kind"), f"a {step.kind} step needs {key}"
        allowed = ALL_TAKE | kind.needed | kind.taken
        for key in sorted(given - allowed):
            yield (
                (*path, key),
                f"means nothing in a {step.kind} step; it takes "
                + ", ".join(sorted(kind.needed | kind.taken)),
            )
        for key, said in _inside(step):
            yield (*path, key), said


def _inside(step: StepForm) -> Iterator[tuple[str, str]]:
    """Yield what is wrong inside a step: key and message."""
    if step.min is not None and step.max is not None and step.min > step.max:
        yield "min", f"{step.min:g} is above max, {step.max:g}"
    for key, check in (
        ("claim", lambda: step.claim is None or Claim.parse(step.claim)),
        ("format", lambda: step.format is None or LineSettings.parse(text=step.format)),
    ):
        try:
            check()
        except UsageError as error:
            yield key, str(error)
    if step.kind == "measure":
        yield from _measured(step)


def _measured(step: StepForm) -> Iterator[tuple[str, str]]:
    if step.judged is None:
        if step.min is None and step.max is None:
            yield "question", "a measure step needs min, max or judged"
        for key, given in (("given", step.given), ("inputs", step.inputs)):
            if given:
                yield key, "means nothing without judged"
        return
    known = MAKERS[step.judged].takes
    for key, names in (("given", step.given), ("inputs", step.inputs)):
        for name in names:
            if name not in known:
                yield key, f"{name!r} is no input of {step.judged}" + close_match(name, known)
    for name in NEEDED[step.judged]:
        if name not in step.given and name not in step.inputs:
            yield "judged", f"{step.judged} needs {name}, in given or asked for in inputs"


def _names(step: StepForm) -> Iterator[tuple[KeyPath, str]]:
    """Yield every register that a step names, with the place where it does."""
    if step.register_name is not None:
        yield ("register",), step.register_name
        if step.manner is Manner.ARMED:
            yield from ((("values", at), step.register_name) for at in range(len(step.values)))
    for key in ("registers", "also", "may_be_missing"):
        yield from (((key, at), name) for at, name in enumerate(getattr(step, key)))
    for key in ("expect", "first", "idle"):
        yield from (((key, name), name) for name in getattr(step, key))
    if step.shows is not None:
        yield ("shows",), step.shows


def _known(found: RegisterMap, name: str) -> bool:
    return any(each.name == name for each in found.registers)


def _may_be_set(register: Register) -> None:
    if register.can_strike_arc:
        raise UsageError(f"{register.name}: can strike an arc; no plan may write it")
    if not register.writable:
        raise UsageError(f"{register.name}: the map lets it be read only")


def _check_value(step: StepForm, register: Register, value: Value) -> None:
    if step.kind != "refused":
        register.encode(value)
        return
    try:
        register.encode(value)
    except LimitError:
        return
    raise UsageError(f"{value} is inside the map's limits, so nothing need refuse it")


def _has_range(register: Register) -> None:
    if register.min is None or register.max is None:
        raise UsageError(f"{register.name}: the map gives no range; give values")


def _has_limit(register: Register) -> None:
    if not outside_of(register):
        raise UsageError(f"{register.name}: can hold nothing outside its limits; give values")


def _as_value(register: Register, given: bool | float | str) -> Value:
    """Return a plan's value as the register takes it: text is parsed as on a command line."""
    return register.parse(given) if isinstance(given, str) else given


def outside_of(register: Register) -> list[tuple[int, ...]]:
    """Return the raw values one step past each limit of a number, as far as it can hold them."""
    free = replace(register, min=None, max=None)
    found = []
    for bound, away in ((register.min, -1), (register.max, 1)):
        if bound is None:
            continue
        try:
            found.append(free.encode(bound + away * abs(register.scale)))
        except LimitError:
            continue  # the register's own range ends there
    return found
