"""Events of a scenario: from the form to what they mean, with mistakes by key."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Protocol

from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap import Register
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.tomlform import KeyPath
from kerfbus.sim.faults import Fault
from kerfbus.sim.maps import default_map
from kerfbus.sim.scenario.causes import ACTS, CAUSES, CONTROLLER_SILENT, INJECTIONS, converted
from kerfbus.sim.scenario.form import EventForm
from kerfbus.sim.scenario.plan import (
    COMPARISONS,
    Condition,
    EventPlan,
    Happening,
    SupplyPlan,
    Trigger,
    When,
    nanoseconds,
)
from kerfbus.sim.sequence import Mode

_TRIGGERS = ("at", "on", "on_fault", "when")
_WHATS = ("inject", "set", "act")
_NO_USUAL_NUMBER = ("nozzle_amperes", "meter_kilohms")
_CONDITION = re.compile(r"\s*([A-Za-z]\w*)\s*(>=|<=|==|!=|>|<)\s*(\S+)\s*")


class Mistakes(Protocol):
    """Whoever keeps what is found wrong."""

    def at(self, *path: str | int) -> AbstractContextManager[None]:
        """Take a `UsageError` that is raised inside for a mistake at `path`."""
        ...


def read_event(
    form: EventForm, path: KeyPath, supplies: Sequence[SupplyPlan], mistakes: Mistakes
) -> EventPlan | None:
    """Return an event, None when something is wrong with it.

    Args:
        form: as it stands in the file.
        path: where.
        supplies: that it may concern.
        mistakes: takes what is wrong.
    """
    supply = trigger = happening = None
    with mistakes.at(*path, "supply"):
        supply = _supply(form, supplies)
    with mistakes.at(*path):
        _check_keys(form)
        trigger = _trigger(form, path, mistakes)
        happening = _happening(form, path, mistakes)
    if supply is None or trigger is None or happening is None:
        return None
    return EventPlan(supply, trigger, happening)


def _supply(form: EventForm, supplies: Sequence[SupplyPlan]) -> int:
    if form.supply is None:
        if len(supplies) > 1:
            names = ", ".join(each.name for each in supplies)
            raise UsageError(f"is missing; there are several: {names}")
        return 0
    for index, each in enumerate(supplies):
        if form.supply in (each.name, each.address):
            return index
    names = ", ".join(each.name for each in supplies)
    raise UsageError(f"there is no supply {form.supply}; there is {names}")


def _check_keys(form: EventForm) -> None:
    """Check that the keys go together."""
    for keys, means in ((_TRIGGERS, "when"), (_WHATS, "what happens")):
        given = [key for key in keys if getattr(form, key) is not None]
        if len(given) != 1:
            said = f"has {' and '.join(given)}" if given else "does not say " + means
            raise UsageError(f"{said}; give one of {', '.join(keys)}")
    if form.at is not None and (form.count != 1 or form.repeat):
        raise UsageError("count and repeat do not go with at; use every")
    if form.at is None and form.every is not None:
        raise UsageError("every goes with at; use repeat")
    if form.act is not None and (form.lasts is not None or form.over is not None):
        raise UsageError("an act has no lasts and no over")


# --- when ----------------------------------------------------------------------------------------


def _trigger(form: EventForm, path: KeyPath, mistakes: Mistakes) -> Trigger | None:
    general = Trigger(
        When.TIME,
        count=form.count,
        repeat=form.repeat,
        after_ns=nanoseconds(form.after),
        chance=form.chance,
    )
    if form.at is not None:
        every = None if form.every is None else nanoseconds(form.every)
        return replace(general, at_ns=nanoseconds(form.at), every_ns=every)
    if form.on is not None:
        with mistakes.at(*path, "on"):
            return replace(general, kind=When.MODE, mode=Mode(_number("mode", form.on)))
    if form.on_fault is not None:
        with mistakes.at(*path, "on_fault"):
            return replace(general, kind=When.FAULT, fault=Fault(_number("fault", form.on_fault)))
    if form.when is not None:
        with mistakes.at(*path, "when"):
            return replace(general, kind=When.READING, condition=_condition(form.when))
    return None


def _number(register: str, name: str) -> int:
    """Return the number of a name in a register's enumeration."""
    known = default_map().by_name(register).values
    for number, each in known.items():
        if each == name:
            return number
    near = close_match(name, known.values())
    raise UsageError(f"there is no {register} {name!r}{near or '; ' + ', '.join(known.values())}")


def _condition(text: str) -> Condition:
    found = _CONDITION.fullmatch(text)
    if found is None:
        raise UsageError(
            f"{text!r}: write NAME, a comparison ({', '.join(COMPARISONS)}) and a value, "
            "e.g. cut_time > 1.5"
        )
    name, comparison, value = found.groups()
    return Condition(name, comparison, _value(default_map().by_name(name), comparison, value))


def _value(register: Register, comparison: str, text: str) -> float | str | bool:
    """Return the value that a register is compared with."""
    if not register.readable:
        raise UsageError(f"{register.name}: cannot be read")
    if register.type.numeric:
        try:
            return float(text)
        except ValueError as error:
            raise UsageError(f"{register.name}: {text!r} is no number") from error
    if comparison not in ("==", "!="):
        raise UsageError(f"{register.name}: is no number; compare by == or !=")
    if register.values:
        _number(register.name, text)
        return text
    if register.table.of_bits:
        if text not in ("on", "off"):
            raise UsageError(f"{register.name}: is on or off, not {text!r}")
        return text == "on"
    raise UsageError(f"{register.name}: is neither a number, a choice nor on and off")


# --- what ----------------------------------------------------------------------------------------


def _happening(form: EventForm, path: KeyPath, mistakes: Mistakes) -> Happening | None:
    name, changes = "", {}
    for key, given, known in (("inject", form.inject, INJECTIONS), ("act", form.act, ACTS)):
        if given is not None:
            name = given
            with mistakes.at(*path, key):
                if given not in known:
                    near = close_match(given, known) or f"; there are {', '.join(known)}"
                    raise UsageError(f"there is no {given!r}{near}")
                changes = _changes_of(given)
    if form.set is not None:
        name = "set"
        for each, value in form.set.items():
            with mistakes.at(*path, "set", each):
                changes[each] = converted(each, value)
        with mistakes.at(*path, "set"):
            if not form.set:
                raise UsageError("changes nothing")
    if form.over is not None:
        with mistakes.at(*path, "over"):
            _check_straight(changes)
    return Happening(
        name,
        MappingProxyType(changes),
        form.act is not None,
        None if form.lasts is None else nanoseconds(form.lasts),
        None if form.over is None else nanoseconds(form.over),
        form.note,
    )


def _changes_of(name: str) -> dict[str, Any]:
    return dict(CAUSES[name].changes) if name in CAUSES else {}


def _check_straight(changes: dict[str, Any]) -> None:
    """Check that there is something between before and after."""
    stepwise = [
        name
        for name, value in changes.items()
        if not isinstance(value, float) or name in _NO_USUAL_NUMBER
    ]
    if stepwise or not changes:
        what = ", ".join(stepwise) or CONTROLLER_SILENT
        raise UsageError(f"{what} changes at once, not over some time")
