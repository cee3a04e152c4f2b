"""What the supply does by itself: one function a timer.

Each is called at the timer's own instant and may judge what it finds then.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from kerfbus.sim.faults import Fault
from kerfbus.sim.machine import Machine
from kerfbus.sim.ratings import INLET_BAR, NO_GAS_BAR, SIMPLE_END, StopCause
from kerfbus.sim.sequence import RUNNING, Event, Mode
from kerfbus.sim.timers import Timer


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


def _gas_low(machine: Machine) -> None:
    bar = machine.plant.flow_bar(machine.now)
    machine.latch(Fault.FLOW_PRESSURE_LOW, round(100 * bar))


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


def _mode_over(machine: Machine) -> None:
    mode = machine.mode
    if mode in SIMPLE_END:
        machine.feed(SIMPLE_END[mode])
    elif mode is Mode.SELF_TEST:
        fault = machine.surroundings.broken_interlock()
        if fault is not Fault.NONE:
            machine.latch(fault)
        else:
            machine.feed(Event.TEST_PASSED if machine.fault is Fault.NONE else Event.FAULT)
    elif mode is Mode.PRE_FLOW:
        fault, detail = _judge_gas(machine)
        if fault is not Fault.NONE:
            machine.latch(fault, detail)
        else:
            machine.feed(Event.FLOWED)
    elif mode is Mode.IGNITION:
        _ignition_over(machine)
    else:  # the ramp-down has reached zero
        machine.feed(Event.EXTINCT if machine.fault is Fault.NONE else Event.FAULT)


def _judge_gas(machine: Machine) -> tuple[Fault, int]:
    """Return the gas fault at the end of pre-flow, with the pressure in hundredths of a bar."""
    flow = machine.plant.flow_bar(machine.now)
    inlet = machine.plant.inlet_bar(machine.now)
    if flow < NO_GAS_BAR:
        return Fault.NO_GAS, round(100 * flow)
    if inlet < INLET_BAR[0]:
        return Fault.INLET_PRESSURE_LOW, round(100 * inlet)
    if inlet > INLET_BAR[1]:
        return Fault.INLET_PRESSURE_HIGH, round(100 * inlet)
    if flow < machine.low_flow_bar:
        return Fault.FLOW_PRESSURE_LOW, round(100 * flow)
    return Fault.NONE, 0


def _ignition_over(machine: Machine) -> None:
    if machine.surroundings.strikes:
        machine.feed(Event.STRUCK)
    elif machine.tally.tries < machine.settings.ignition_attempts:
        machine.notices.add("ignition-retried")
        machine.feed(Event.MISFIRED)
    else:
        machine.tally.failed_ignitions += 1
        machine.latch(Fault.NO_IGNITION)


FIRE: Mapping[Timer, Callable[[Machine], None]] = MappingProxyType(
    {
        Timer.WATCHDOG: _watchdog,
        Timer.GAS_LOW: _gas_low,
        Timer.PILOT_LIMIT: _pilot_limit,
        Timer.WORK_CURRENT: _work_current,
        Timer.MODE: _mode_over,
        Timer.GAS_CLOSE: _gas_close,
    }
)
"""What happens when each timer is due."""
