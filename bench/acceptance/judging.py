"""What a measured value is held to, where arithmetic says what it should be.

The arithmetic is `kerfbus.bench.cabling`'s; here is only which of it judges what.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf
from types import MappingProxyType
from typing import NamedTuple

from kerfbus.bench.acceptance.form import StepForm
from kerfbus.bench.acceptance.result import Limit, number
from kerfbus.bench.cabling.bias import THRESHOLD, idle_volts, load_ohms
from kerfbus.bench.cabling.divider import Divider
from kerfbus.bench.cabling.lines import wire_ohms
from kerfbus.bench.cabling.worked import parallel
from kerfbus.bench.errors import UsageError

Values = Mapping[str, float]


class Maker(NamedTuple):
    """How an expected value is computed.

    Attributes:
        takes: inputs and their usual values; None where there must be one.
        work: from all inputs to the expected value.
        formula: as plain text.
        words: what the expected value is, for a person.
        floor: least value that passes in any case, None for none.
    """

    takes: Mapping[str, float | None]
    work: Callable[[Values], float]
    formula: str
    words: str
    floor: float | None = None


def _divider(values: Values) -> float:
    divider = Divider(values["ratio"], values["source_kilohms"])
    return divider.output(values["arc_volts"], values["load_kilohms"])


def _bias(values: Values) -> float:
    across = parallel(values["near"], values["far"])
    return idle_volts(
        values["supply"],
        values["pull_up"],
        values["pull_down"],
        across,
        load_ohms(values["loads"]),
    )


def _termination(values: Values) -> float:
    return parallel(values["near"], values["far"], 2 * load_ohms(values["loads"]))


def _pair(values: Values) -> float:
    return 2 * values["metres"] * wire_ohms(values["awg"]) + values["contacts"]


MAKERS: Mapping[str, Maker] = MappingProxyType(
    {
        "divider": Maker(
            {"ratio": 50.0, "source_kilohms": 1.0, "load_kilohms": inf, "arc_volts": None},
            _divider,
            "U = U_arc / ratio * R_in / (R_in + R_s)",
            "what ratio and loading make of the arc voltage",
        ),
        "bias": Maker(
            {
                "supply": 5.0,
                "pull_up": 560.0,
                "pull_down": 560.0,
                "near": 120.0,
                "far": 120.0,
                "loads": 2.0,
            },
            _bias,
            "both nodes of the bias network solved",
            "what the bias network gives, and at least 0.2 V",
            THRESHOLD,
        ),
        "termination": Maker(
            {"near": 120.0, "far": 120.0, "loads": 2.0},
            _termination,
            "R_near || R_far || receivers",
            "both terminators and the receivers in parallel",
        ),
        "pair": Maker(
            {"metres": None, "awg": 24.0, "contacts": 0.5},
            _pair,
            "2 * length * resistance of a conductor, and the contacts",
            "the copper of this length and gauge, and the contacts",
        ),
    }
)
"""What a value can be judged by. Ohm, V, m; the contacts of a pair in ohm (chosen)."""
NEEDED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        name: tuple(key for key, usual in maker.takes.items() if usual is None)
        for name, maker in MAKERS.items()
    }
)
"""Inputs that have no usual value."""
LEAST: Mapping[str, float] = MappingProxyType({"ratio": 1.0, "awg": 0.0, "source_kilohms": 0.0})
"""Inputs that may be so low; all others must be above 0."""


def limit_of(step: StepForm, inputs: Values) -> tuple[Limit, str]:
    """Return what a value is held to, and how that was computed ("" where it was not).

    Args:
        step: a measure step.
        inputs: what the person gave beside the value.

    Raises:
        UsageError: an input is missing or cannot be.
    """
    unit = step.unit or ""
    if step.judged is None:
        return Limit(step.min, step.max, unit), ""
    maker = MAKERS[step.judged]
    values = {**{k: v for k, v in maker.takes.items() if v is not None}, **step.given, **inputs}
    for name in maker.takes:
        _check(name, values.get(name))
    expected = maker.work(values)
    share = step.tolerance_percent / 100
    low, high = expected * (1 - share), expected * (1 + share)
    floors = [each for each in (low, step.min, maker.floor) if each is not None]
    ceilings = [each for each in (high, step.max) if each is not None]
    given = ", ".join(f"{name} {number(value)}" for name, value in values.items())
    said = f"expected {number(expected)} {unit}: {maker.formula}; {given}"
    return Limit(max(floors), min(ceilings), unit), said


def _check(name: str, value: float | None) -> None:
    if value is None:
        raise UsageError(f"{name} is missing")
    least = LEAST.get(name)
    if value <= 0 if least is None else value < least:
        raise UsageError(f"{name} {value:g}: " + (f"at least {least:g}" if least else "above 0"))
