"""Scenarios for tests: written in a few lines, run in virtual time."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from kerfbus.sim.scenario import open_scenario, parse_scenario, scenario_names
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.run import Report, RunOptions, run_scenario
from kerfbus.sim.scenario.world import World

S = 1_000_000_000
MS = 1_000_000

CLEAN_LINES = tuple(name for name in scenario_names() if open_scenario(name).wire is None)
"""Shipped scenarios on a line with which nothing is wrong, in alphabetical order."""
HEAD = 'title = "A test"\nseed = 1\n[[supply]]\n'
TABLE = """\
[supply.table]
process = 155
pause = 0.5
fault_pause = 1
"""
CUT = "[[supply.table.cut]]\nlength = 60\n"


def scenario(*parts: str) -> Scenario:
    """Return the scenario that the parts of a file make, the head in front."""
    return parse_scenario(HEAD + "\n".join(parts), "test.toml")


def run(given: Scenario, seconds: float, capture: Path | None = None, **options: Any) -> Report:
    """Run a scenario for some time."""
    chosen = RunOptions(duration_ns=round(seconds * S), capture=capture, **options)
    return asyncio.run(run_scenario(given, chosen))


def entries(told: Report | World, kind: str) -> list[dict[str, Any]]:
    """Return the log's entries of a kind."""
    world = told if isinstance(told, World) else told.world
    return [entry for entry in world.journal.entries if entry["kind"] == kind]


def said(report: Report, kind: str = "controller") -> list[str]:
    """Return what a controller or a table did, in order."""
    return [entry["does"] for entry in entries(report, kind)]
