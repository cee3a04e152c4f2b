"""The phases of a cut in time: where one begins and ends, and where a whole cut does."""

from __future__ import annotations

from typing import Any, NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.run import RunOptions, run_scenario
from kerfbus.sim.scenario.trace import Trace

AROUND_NS = 500_000_000
"""What is shown before and after a cut."""
_RESTING = ("idle", "post-flow")
_BEGINNING = ("pre-flow", "ignition")


class Phase(NamedTuple):
    """A stretch of time in one mode.

    Attributes:
        name: of the mode, as in the register map.
        begin: its first sample, ns.
        end: the first sample of the next phase, or the last sample, ns.
    """

    name: str
    begin: int
    end: int


def phases_of(trace: Trace) -> list[Phase]:
    """Return the phases of a trace, in order."""
    found: list[Phase] = []
    modes = trace.column("mode")
    begin = 0
    for place in range(1, len(modes) + 1):
        if place == len(modes) or modes[place] != modes[begin]:
            end = trace.at[min(place, len(modes) - 1)]
            if end > trace.at[begin]:  # one that begins with the last sample has no length
                found.append(Phase(modes[begin], trace.at[begin], end))
            begin = place
    return found


async def arc_window(
    scenario: Scenario, supply: int, number: int, seed: int | None = None
) -> tuple[int, int]:
    """Return the time around an arc: from before its start to the end of its post-flow.

    It ends earlier when another start cuts the post-flow short.

    Args:
        scenario: to run.
        supply: index of the supply.
        number: of the start, from 1.
        seed: instead of the scenario's own.

    Raises:
        UsageError: there are not so many starts.
    """
    report = await run_scenario(scenario, RunOptions(seed=seed))
    name = scenario.supplies[supply].name
    moves = [
        entry
        for entry in report.world.journal.entries
        if entry["kind"] == "mode" and entry["supply"] == name
    ]
    starts = [place for place, entry in enumerate(moves) if _is_start(entry)]
    if number > len(starts):
        raise UsageError(
            f"{scenario.name}: supply {name} starts {len(starts)} times in "
            f"{scenario.duration_ns / 1e9:g} s; there is no start {number}"
        )
    start = starts[number - 1]
    begin = max(moves[start]["at_ns"] - AROUND_NS, 0)
    for entry in moves[start + 1 :]:
        if _is_start(entry):
            return begin, entry["at_ns"]
        if entry["after"] in ("idle", "off"):
            return begin, min(entry["at_ns"] + AROUND_NS, report.duration_ns)
    return begin, report.duration_ns


def _is_start(entry: dict[str, Any]) -> bool:
    return entry["before"] in _RESTING and entry["after"] in _BEGINNING
