"""A scenario's pair made ready: what the file fixes, what the seed draws, what is wrong."""

from __future__ import annotations

from dataclasses import replace

from kerfbus.sim.pair.defects import with_cause
from kerfbus.sim.pair.setup import Setup, usual
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.wire import Wire


def setup_of(scenario: Scenario, station: str, seed: int) -> Setup:
    """Return the pair of a scenario that has one.

    Args:
        scenario: with a pair.
        station: that records, or that the caller plays.
        seed: of all chance.

    Raises:
        UsageError: a cause makes a plant that cannot be.
    """
    wire = scenario.wire or Wire.usual()
    addresses = [plan.address for plan in scenario.supplies]
    setup = usual(scenario.line, addresses, station, seed, wire.given)
    setup = replace(setup, fidelity=wire.fidelity)
    # What is so for a time only takes the plant that follows from what is there already.
    for name, severity in sorted(wire.causes, key=lambda each: each[0] == "swapped-pair"):
        setup = with_cause(setup, name, severity, scenario.duration_ns)
    return setup


def slowed(scenario: Scenario, setup: Setup) -> Scenario:
    """Return a scenario whose controllers ask some addresses more seldom, as a setup says."""
    if not setup.slower:
        return scenario
    plans = []
    for plan in scenario.supplies:
        factor = setup.slower.get(plan.address, 1.0)
        program = plan.program
        if program is not None:
            program = replace(program, poll_ns=round(program.poll_ns * factor))
        plans.append(replace(plan, program=program))
    return replace(scenario, supplies=tuple(plans))
