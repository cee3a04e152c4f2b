"""Scenarios: what a simulated world holds, what its tables do, what goes wrong and when.

Shipped ones stand beside this file (all invented) and are opened by name.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path

from kerfbus.bench.errors import ScenarioError
from kerfbus.sim.scenario.load import check_scenario, load_scenario, parse_scenario
from kerfbus.sim.scenario.plan import Scenario

__all__ = [
    "Scenario",
    "check_scenario",
    "load_scenario",
    "open_scenario",
    "parse_scenario",
    "scenario_names",
    "scenario_text",
]

SUFFIX = ".toml"


@cache
def scenario_names() -> tuple[str, ...]:
    """Return the names of the scenarios that ship, in alphabetical order."""
    files = resources.files(__name__).iterdir()
    names = (file.name.removesuffix(SUFFIX) for file in files if file.name.endswith(SUFFIX))
    return tuple(sorted(names))


def scenario_text(name: str) -> str:
    """Return a shipped scenario as it is written, to start one's own from.

    Raises:
        ScenarioError: no scenario of that name ships.
    """
    if name not in scenario_names():
        names = ", ".join(scenario_names())
        raise ScenarioError(name, f"there is no such scenario; there is {names}, or a .toml file")
    return resources.files(__name__).joinpath(f"{name}{SUFFIX}").read_text("utf-8")


def open_scenario(name_or_path: str | Path) -> Scenario:
    """Return a shipped scenario by its name, or a user's by the path of its ``.toml`` file.

    Raises:
        ScenarioError: there is no such scenario or file, or it is wrong.
    """
    text = str(name_or_path)
    if text not in scenario_names() and text.endswith(SUFFIX):
        return load_scenario(name_or_path)
    return parse_scenario(scenario_text(text), f"{text}{SUFFIX}", text)
