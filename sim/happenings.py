"""What the supply does by itself: one function a timer.

Each is called at the timer's own instant and may judge what it finds then.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from kerfbus.sim.faults import Fault
from kerfbus.sim.heat import HeatState
from kerfbus.sim.judging import judge_current, judge_gas, judge_parts, judge_settings
from kerfbus.sim.machine import Machine
from kerfbus.sim.ratings import (
    DUTY_SHARES,
    INLET_BAR,
    INLET_DROP_BAR,
    INLET_ROOM_BAR,
    LOOK_NS,
    SIMPLE_END,
    StopCause,
)
from kerfbus.sim.sequence import ON_WORK, RUNNING, Event, Mode
from kerfbus.sim.timers import Timer
from kerfbus.sim.wear import DOUBLE_ARC_SHARE


def _watchdog(machine: Machine) -> None:
    if machine.link.silent_at > machine.now:  # something was heard since the timer was set
        machine.timers.set(Timer.WATCHDOG, machine.link.silent_at)
        return
    if machine.mode in RUNNING:
        machine.link.trips += 1
        machine.latch(Fault.WATCHDOG)
        return
    if machine.mode is Mode.GAS_TEST:
        machine.stop(StopCause.WATCHDOG)
    machine.drop_link()


# --- gas, arc, heat ------------------------------------------------------------------------------


def _gas_low(machine: Machine) -> None:
    """Gas is too low for the arc; one that burnt on the work had a second one in the nozzle."""
    bar = machine.plant.flow_bar(machine.now)
    if machine.mode in ON_WORK:
        machine.tally.double_arced()
    machine.latch(Fault.FLOW_PRESSURE_LOW, round(100 * bar))


def _envelope(machine: Machine) -> None:
    machine.lose_arc()


def _touch(machine: Machine) -> None:
    machine.latch(Fault.NOZZLE_SHORT)


def _heat(machine: Machine) -> None:
    """Look at the temperatures; one that has crossed a limit is noted, above the trip a fault."""
    before = machine.heat
    machine.heat = machine.plant.heat_states(machine.now, before)
    machine.timers.set(Timer.HEAT, machine.plant.heat_changes(machine.now, machine.heat))
    if machine.heat == before:
        return
    machine.revision += 1
    was_hot = HeatState.HOT in before
    warm = any(state is not HeatState.NORMAL for state in machine.heat)
    (machine.alerts.add if warm else machine.alerts.discard)("temperature-high")
    if HeatState.HOT in machine.heat and not was_hot:
        machine.latch(Fault.OVER_TEMPERATURE, _hottest(machine))


def _hottest(machine: Machine) -> int:
    """Return the temperature of what is hot, in tenths of a degree."""
    return round(10 * machine.plant.heat_judged(machine.now)[machine.heat.index(HeatState.HOT)])


def _look(machine: Machine) -> None:
    """Look at what creeps up, once a second from the arc's beginning on."""
    share = machine.tally.duty_percent(machine.now) / machine.ratings.duty_at(
        machine.settings.current_setpoint
    )
    low, high = DUTY_SHARES
    near = share >= (low if "duty-near-limit" in machine.alerts else high)
    if near != ("duty-near-limit" in machine.alerts):
        (machine.alerts.add if near else machine.alerts.discard)("duty-near-limit")
        machine.revision += 1
    if machine.mode in ON_WORK:
        _look_at_inlet(machine)
    if machine.mode in ON_WORK or near:
        machine.timers.set(Timer.LOOK, machine.now + LOOK_NS)


def _look_at_inlet(machine: Machine) -> None:
    """Warn when gas that was good at rest is not while it flows: a hose or compressor too small."""
    inlet = machine.plant.inlet_bar(machine.now)
    found = set()
    if machine.static_bar - inlet > INLET_DROP_BAR:
        found.add("inlet-pressure-drop")
    if inlet < INLET_BAR[0] + INLET_ROOM_BAR:
        found.add("flow-pressure-near-limit")
    if not found <= machine.notices:
        machine.notices |= found
        machine.revision += 1


# --- the sequence --------------------------------------------------------------------------------


def _pilot_limit(machine: Machine) -> None:
    machine.tally.failed_transfers += 1
    if not machine.surroundings.work_lead_ok:
        machine.latch(Fault.WORK_LEAD_OPEN)
    elif machine.work_seen:
        machine.latch(Fault.PILOT_LIMIT)
    else:
        machine.latch(Fault.NO_TRANSFER)


def _work_current(machine: Machine) -> None:
    machine.feed(Event.WORK_CURRENT)


def _gas_close(machine: Machine) -> None:
    machine.change(machine.settings)


def _start_stuck(machine: Machine) -> None:
    machine.latch(Fault.START_STUCK)


def _mode_over(machine: Machine) -> None:
    """Let the mode's own time end."""
    _AT_END[machine.mode](machine)


def _simple_end(machine: Machine) -> None:
    machine.feed(SIMPLE_END[machine.mode])


def _tested(machine: Machine) -> None:
    fault = machine.broken_interlock()
    around = machine.surroundings
    if fault is Fault.NONE and not around.control_ok:
        fault = Fault.SELF_TEST_FAILED
    elif fault is Fault.NONE and not around.memory_ok:
        fault = Fault.MEMORY
    elif fault is Fault.NONE:
        fault = judge_settings(machine.settings, machine.ratings)
    if not around.memory_bits_ok:
        machine.notices.add("memory-corrected")
    if fault is not Fault.NONE:
        machine.latch(fault)
    else:
        machine.feed(Event.TEST_PASSED if machine.fault is Fault.NONE else Event.FAULT)


def _flowed(machine: Machine) -> None:
    _look_at_inlet(machine)
    fault, detail = judge_gas(machine)
    if fault is not Fault.NONE:
        machine.latch(fault, detail)
    else:
        machine.feed(Event.FLOWED)


def _ignited(machine: Machine) -> None:
    around = machine.surroundings
    if around.electrode_stuck:
        machine.latch(Fault.NOZZLE_SHORT)
    elif around.strikes:
        machine.feed(Event.STRUCK)
        if judge_parts(machine):
            machine.consumables.fail("electrode", "nozzle")
            machine.latch(Fault.PART_WORN_OUT)
    elif machine.tally.tries < machine.settings.ignition_attempts:
        machine.notices.add("ignition-retried")
        machine.feed(Event.MISFIRED)
    else:
        machine.tally.failed_ignitions += 1
        machine.latch(Fault.NO_IGNITION)


def _ramped(machine: Machine) -> None:
    rated = machine.surroundings.nozzle_amperes
    if rated is not None and machine.plant.current(machine.now) > DOUBLE_ARC_SHARE * rated:
        machine.tally.double_arced()
    fault, detail = judge_current(machine)
    if fault is not Fault.NONE:
        machine.latch(fault, detail)
    else:
        machine.feed(Event.RAMPED)


def _extinct(machine: Machine) -> None:
    machine.feed(Event.EXTINCT if machine.fault is Fault.NONE else Event.FAULT)


_AT_END: Mapping[Mode, Callable[[Machine], None]] = MappingProxyType(
    {
        **dict.fromkeys(SIMPLE_END, _simple_end),
        Mode.SELF_TEST: _tested,
        Mode.PRE_FLOW: _flowed,
        Mode.IGNITION: _ignited,
        Mode.RAMP_UP: _ramped,
        Mode.RAMP_DOWN: _extinct,
    }
)
"""What happens at the end of a mode's own time."""

FIRE: Mapping[Timer, Callable[[Machine], None]] = MappingProxyType(
    {
        Timer.WATCHDOG: _watchdog,
        Timer.GAS_LOW: _gas_low,
        Timer.ENVELOPE: _envelope,
        Timer.TOUCH: _touch,
        Timer.HEAT: _heat,
        Timer.PILOT_LIMIT: _pilot_limit,
        Timer.WORK_CURRENT: _work_current,
        Timer.MODE: _mode_over,
        Timer.GAS_CLOSE: _gas_close,
        Timer.LOOK: _look,
        Timer.START_STUCK: _start_stuck,
    }
)
"""What happens when each timer is due."""
