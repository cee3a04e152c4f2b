"""A scenario as it is asked for: ``NAME``, ``NAME?severity=0.3&fidelity=sampled&seed=7``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import isfinite
from types import MappingProxyType
from typing import Any

from kerfbus.bench.errors import SettingsError, UsageError
from kerfbus.sim.scenario import open_scenario
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.wire import Wire, check_cause

MAX_SEED = 2**31 - 1


def split_query(text: str) -> tuple[str, dict[str, Any]]:
    """Return the name in `text`, and what is asked of it.

    Raises:
        SettingsError: the query is not of its form.
    """
    name, mark, query = text.partition("?")
    found: dict[str, Any] = {}
    for part in query.split("&") if mark else ():
        key, equals, value = part.partition("=")
        if not equals or key not in _KEYS:
            raise SettingsError(
                f"{text!r}: cannot read {part!r}; give {', '.join(f'{each}=...' for each in _KEYS)}"
            )
        if key in found:
            raise SettingsError(f"{text!r}: {key} is there twice; give it once")
        try:
            found[key] = _KEYS[key](value)
        except UsageError as error:
            raise SettingsError(f"{text!r}: {key}: {error}") from error
    return name, found


def open_asked(text: str) -> tuple[Scenario, bool]:
    """Return a scenario as it is asked for, and whether its seed was.

    Raises:
        SettingsError: the query is wrong, or asks for what this scenario does not have.
        ScenarioError: there is no such scenario, or it is wrong.
    """
    name, query = split_query(text)
    scenario = open_scenario(name)
    seed = query.pop("seed", None)
    if seed is not None:
        scenario = replace(scenario, seed=seed)
    if query:
        if (
            "severity" in query
            and "cause" not in query
            and not (scenario.wire is not None and scenario.wire.causes)
        ):
            raise SettingsError(
                f"{text!r}: nothing is wrong with the line of {name}, so there is no severity; "
                "give cause=... as well"
            )
        wire = scenario.wire or Wire.usual()
        asked = (query.get(each) for each in ("cause", "severity", "fidelity"))
        scenario = replace(scenario, wire=wire.asked(*asked))
    return scenario, seed is not None


def _severity(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not (isfinite(value) and 0.0 <= value <= 1.0):
        raise UsageError(f"{text!r} is none; give 0 (barely visible) to 1 (dead)")
    return value


def _seed(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text[:20]) <= MAX_SEED):
        raise UsageError(f"{text!r} is none; give a whole number from 0 to {MAX_SEED}")
    return int(text)


def _fidelity(text: str) -> str:
    if text not in ("bits", "sampled"):
        raise UsageError(f"{text!r} is none; give bits or sampled")
    return text


_KEYS: Mapping[str, Callable[[str], Any]] = MappingProxyType(
    {"severity": _severity, "fidelity": _fidelity, "seed": _seed, "cause": check_cause}
)
