"""By what rules a reply is compared with the recorded one: a TOML file beside the capture.

A file says only what is to be otherwise than by default. The defaults are two: on a simulated line
the same scenario and seed must give the same values, so everything is compared exactly. A device
measures anew each time; there a register that held one value through the whole recording must hold
it again, and one that moved must stay within what the recording shows (`Measure.SEEN`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from os import PathLike
from pathlib import Path
from typing import Literal

from kerfbus.bench.errors import FormError, LimitError, UsageError
from kerfbus.bench.regmap import Register, RegisterMap, Value, parse_target
from kerfbus.bench.tomlform import Field, Form, Source, first_of, read_text

SUFFIX = ".rerun.toml"
"""Behind a capture's name without its own suffix: the file with its rules."""


class Measure(StrEnum):
    """How a register is compared."""

    EXACT = "exact"
    """The same raw words."""
    SEEN = "seen"
    """A number within the lowest and the highest that the recording shows; anything else one of the
    values that it shows."""
    IGNORE = "ignore"


class Damage(StrEnum):
    """How what the line spoilt is compared."""

    EXACT = "exact"
    """The same characters with the same line errors."""
    AGAIN = "again"
    """Damaged again, whatever the characters are."""
    FORGIVEN = "forgiven"
    """A good reply in place of damage or silence is no difference."""


@dataclass(frozen=True, slots=True)
class RegisterRule:
    """How one register is compared; the first of these that is given counts.

    Attributes:
        any_of: raw words of which the reply's must be one set, () for no such rule.
        tolerance: in the register's unit: how far a number may be off; None for no such rule.
        measure: else.
    """

    any_of: tuple[tuple[int, ...], ...] = ()
    tolerance: float | None = None
    measure: Measure = Measure.EXACT

    def __str__(self) -> str:
        """Return the rule in a word or two."""
        if self.any_of:
            return "any of"
        return f"within {self.tolerance:g}" if self.tolerance is not None else str(self.measure)


@dataclass(frozen=True, slots=True)
class TurnaroundRule:
    """How much longer replies may take than in the recording.

    Attributes:
        factors: percentile to how many times the recorded one it may be.
        slack_ns: on top; the uncertainty of host time stamps comes on top of that.
    """

    factors: Mapping[int, float] = field(default_factory=lambda: {50: 2.0, 95: 2.0})
    slack_ns: int = 5_000_000


@dataclass(frozen=True, slots=True)
class Rules:
    """By what a rerun is judged.

    Attributes:
        default: for registers without a rule of their own.
        damage: for what the line spoilt.
        registers: name, or ``table:address`` where the map has none, to its rule.
        functions: function code to how replies without registers are compared.
        turnaround: None: it is not compared.
    """

    default: Measure = Measure.EXACT
    damage: Damage = Damage.EXACT
    registers: Mapping[str, RegisterRule] = field(default_factory=dict)
    functions: Mapping[int, Measure] = field(default_factory=dict)
    turnaround: TurnaroundRule | None = field(default_factory=TurnaroundRule)

    def of(self, name: str) -> RegisterRule:
        """Return the rule of a register."""
        return self.registers.get(name) or RegisterRule(measure=self.default)


SIMULATED = Rules()
"""Where every run is the same."""
DEVICE = Rules(Measure.SEEN, Damage.AGAIN)
"""Where there is a device that measures anew."""


class _RegisterForm(Form):
    compare: Literal["exact", "seen", "ignore"] | None = None
    tolerance: float | None = Field(None, ge=0)
    any_of: list[str | int | float | bool] | None = Field(None, min_length=1)


class _TurnaroundForm(Form):
    compare: bool = True
    p50: float | None = Field(None, gt=0)
    p95: float | None = Field(None, gt=0)
    p99: float | None = Field(None, gt=0)
    slack_ms: float | None = Field(None, ge=0)


class _RulesForm(Form):
    default: Literal["exact", "seen", "ignore"] | None = None
    damage: Literal["exact", "again", "forgiven"] | None = None
    registers: dict[str, _RegisterForm] = Field(default_factory=dict)
    functions: dict[str, Literal["exact", "ignore"]] = Field(default_factory=dict)
    turnaround: _TurnaroundForm | None = None


def rules_beside(capture: str | PathLike[str]) -> Path | None:
    """Return the file with a capture's rules, None when there is none."""
    path = Path(capture)
    beside = path.with_name(path.stem + SUFFIX)
    return beside if beside.is_file() else None


def load_rules(
    path: str | PathLike[str], register_map: RegisterMap, base: Rules = SIMULATED
) -> Rules:
    """Return the rules in a file.

    Args:
        path: the file.
        register_map: what its registers are.
        base: what holds where the file says nothing.

    Raises:
        FormError: it is not of its form, or names what the map does not have.
    """
    file = str(path)
    return parse_rules(read_text(file, FormError), file, register_map, base)


def parse_rules(text: str, file: str, register_map: RegisterMap, base: Rules = SIMULATED) -> Rules:
    """Return the rules in a text; see `load_rules`."""
    source = Source.parse(text, file, FormError)
    form, mistakes = source.fill(_RulesForm)
    if form is None:
        raise first_of(mistakes)
    registers = dict(base.registers)
    for name, rule in form.registers.items():
        registers[name] = _register_rule(source, name, rule, register_map)
    functions = dict(base.functions)
    for code, measure in form.functions.items():
        functions[_function(source, code)] = Measure(measure)
    return replace(
        base,
        default=Measure(form.default) if form.default else base.default,
        damage=Damage(form.damage) if form.damage else base.damage,
        registers=registers,
        functions=functions,
        turnaround=_turnaround(form.turnaround, base.turnaround),
    )


def _function(source: Source, code: str) -> int:
    try:
        number = int(code, 16)
    except ValueError:
        number = 0
    if not 1 <= number <= 127:
        raise source.wrong(
            ("functions", code), "is no function code; give it in hexadecimal, e.g. 2B"
        )
    return number


def _turnaround(form: _TurnaroundForm | None, base: TurnaroundRule | None) -> TurnaroundRule | None:
    if form is None:
        return base
    if not form.compare:
        return None
    base = base or TurnaroundRule()
    given = {50: form.p50, 95: form.p95, 99: form.p99}
    named = {percent: factor for percent, factor in given.items() if factor is not None}
    slack = base.slack_ns if form.slack_ms is None else round(form.slack_ms * 1e6)
    return TurnaroundRule({**base.factors, **named}, slack)


def _register_rule(
    source: Source, name: str, form: _RegisterForm, register_map: RegisterMap
) -> RegisterRule:
    path = ("registers", name)
    if sum(each is not None for each in (form.compare, form.tolerance, form.any_of)) != 1:
        raise source.wrong(path, "give one of compare, tolerance, any_of")
    try:
        register = _register(register_map, name)
    except UsageError as error:
        raise source.wrong(path, str(error)) from error
    if form.tolerance is not None:
        if register is not None and not register.type.numeric:
            raise source.wrong((*path, "tolerance"), f"{name} is no number; give any_of")
        return RegisterRule(tolerance=form.tolerance)
    if form.any_of is not None:
        try:
            return RegisterRule(tuple(_raw(register, each) for each in form.any_of))
        except LimitError as error:
            raise source.wrong((*path, "any_of"), str(error)) from error
    return RegisterRule(measure=Measure(form.compare or "exact"))


def _register(register_map: RegisterMap, name: str) -> Register | None:
    """Return the register of a name, None for a place that the map does not know.

    Raises:
        UsageError: the map has no such name, or has one for this place.
    """
    target = parse_target(name)
    if target.name is not None:
        return register_map.by_name(target.name)
    assert target.table is not None
    if target.count != 1 or name != f"{target.table}:{target.address}":
        raise UsageError("name one address, e.g. holding:100")
    register = register_map.at(target.table, target.address)
    if register is not None:
        raise UsageError(f"the map calls it {register.name}; use that name")
    return None


def _raw(register: Register | None, value: Value) -> tuple[int, ...]:
    """Return the words that a value in a rule means.

    Raises:
        LimitError: the register has no such value.
    """
    if register is None:
        if not isinstance(value, int):
            raise LimitError(f"{value!r} is no raw value; the map does not know this register")
        return (int(value),)
    return register.encode_nearest(register.parse(value) if isinstance(value, str) else value)
