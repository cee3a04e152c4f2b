"""What the supply's control makes of what it measures: verdicts, as faults."""

from __future__ import annotations

from kerfbus.sim.faults import Fault
from kerfbus.sim.ratings import (
    CURRENT_SHARES,
    INLET_BAR,
    LOWEST_AMPERES,
    NO_GAS_BAR,
    OFF_SET_BAR,
    Ratings,
)
from kerfbus.sim.sequence import Mode
from kerfbus.sim.settings import Settings
from kerfbus.sim.wear import drawn, failure_probability
from kerfbus.sim.works import Works

Verdict = tuple[Fault, int]
"""A fault, `Fault.NONE` for none, and the raw value for the log."""
GOOD: Verdict = (Fault.NONE, 0)
_HELD = frozenset({Mode.PIERCING, Mode.CUTTING})
"""Modes in which the current stands at its set-point, or follows it."""


def judge_gas(works: Works) -> Verdict:
    """Return the gas fault at the end of pre-flow, with the pressure in hundredths of a bar."""
    flow, inlet = works.plant.flow_bar(works.now), works.plant.inlet_bar(works.now)
    if flow < NO_GAS_BAR:
        return Fault.NO_GAS, round(100 * flow)
    if inlet < INLET_BAR[0]:
        return Fault.INLET_PRESSURE_LOW, round(100 * inlet)
    if inlet > INLET_BAR[1]:
        return Fault.INLET_PRESSURE_HIGH, round(100 * inlet)
    if flow < works.low_flow_bar:
        return Fault.FLOW_PRESSURE_LOW, round(100 * flow)
    if abs(flow - works.gas_bar) > OFF_SET_BAR:
        return Fault.GAS_PRESSURE_OFF_SET_POINT, round(100 * flow)
    return GOOD


def judge_current(works: Works) -> Verdict:
    """Return the fault of a current that has ramped up, with the current in tenths of an ampere."""
    amperes, asked = works.plant.current(works.now), works.plant.demand(works.now)
    if amperes < CURRENT_SHARES[0] * asked:
        return Fault.CURRENT_NOT_REACHED, round(10 * amperes)
    if amperes > CURRENT_SHARES[1] * asked:
        return Fault.OVER_CURRENT, round(10 * amperes)
    return GOOD


def judge_held_current(works: Works) -> Verdict:
    """Return the same while the arc is on the work; nothing before and after."""
    return judge_current(works) if works.mode in _HELD else GOOD


def judge_settings(settings: Settings, ratings: Ratings) -> Fault:
    """Return the fault of settings that this unit cannot have: stored by another, or damaged."""
    fits = (
        LOWEST_AMPERES <= settings.current_setpoint <= ratings.current
        and 0 < settings.flow_pressure_setpoint <= INLET_BAR[1]
        and 0 < settings.cutting_pressure_setpoint <= INLET_BAR[1]
    )
    return Fault.NONE if fits else Fault.PARAMETER_OUT_OF_RANGE


def judge_parts(works: Works) -> bool:
    """Return whether this start is the electrode's last: drawn by seed and number of the start."""
    usage = works.tally.usage
    probability = failure_probability(works.consumables.pit_mm(usage))
    return drawn(works.seed, usage.starts) < probability
