"""Faults: each one produced by what causes it, seen on the link, logged, and cleared again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import pytest
from supplies import MS, S

from kerfbus.sim.arc import load_line
from kerfbus.sim.device import Device
from kerfbus.sim.faultbook import BOOK, Effect, rows
from kerfbus.sim.faults import Fault
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.ratings import (
    MAINS_AMPERES,
    MAINS_FACTOR,
    SOFT_FAULTS,
    Ratings,
    Transition,
    deliverable_amperes,
)
from kerfbus.sim.refusal import RefusedError
from kerfbus.sim.sequence import ON_WORK, RUNNING, Event, Mode
from kerfbus.sim.settings import Settings, StartSource
from kerfbus.sim.site import Site
from kerfbus.sim.supply import Supply

MAP = default_map()
FAULTS = [fault for fault in Fault if fault is not Fault.NONE]


def until(supply: Supply, holds: Callable[[], bool], limit: int = 3600 * S) -> None:
    """Let the supply run until something holds, from one of its own happenings to the next."""
    while not holds():
        due = supply.next_due
        assert due is not None, "nothing will happen any more"
        assert due < limit, "it never holds"
        supply.advance(due)


def in_mode(supply: Supply, mode: Mode) -> bool:
    """Return whether the supply is in a mode."""
    return supply.mode is mode


def start(supply: Supply, **around: Any) -> None:
    """Close the start contact, in given surroundings."""
    supply.surround(supply.now, **around)
    supply.surround(supply.now + MS, start_contact=True)


def cut(supply: Supply, **around: Any) -> None:
    """Cut for a while."""
    start(supply, **around)
    until(supply, lambda: supply.mode is Mode.CUTTING)
    supply.advance(supply.now + S)


def breaks(**around: Any) -> Callable[[Supply], None]:
    """Return what cuts and then changes the surroundings."""

    def provoke(supply: Supply) -> None:
        cut(supply)
        supply.surround(supply.now, **around)

    return provoke


def starts(**around: Any) -> Callable[[Supply], None]:
    """Return what tries to start in changed surroundings."""
    return lambda supply: start(supply, **around)


def come_and_go(supply: Supply) -> None:
    """Let the work current come and go."""
    start(supply)
    until(supply, lambda: supply.mode is Mode.TRANSFER)
    while not supply.fault:
        supply.surround(supply.now, over_work=False)
        supply.surround(supply.now + 10 * MS, over_work=True)
        due = supply.next_due
        assert due is not None
        supply.advance(supply.now if supply.fault else due)


def lose_three(supply: Supply) -> None:
    """Lose the arc while it pierces, three times."""
    for _ in range(3):
        start(supply)
        until(supply, lambda: supply.mode is Mode.PIERCING)
        supply.surround(supply.now, over_work=False)
        if not supply.fault:
            supply.surround(supply.now + MS, over_work=True, start_contact=False)


def overheat(supply: Supply) -> None:
    """Cut on and on in a hot place."""
    supply.change(supply.settings.changed({"current_setpoint": 125.0}))
    cut(supply, ambient=60.0)


def fall_silent(supply: Supply) -> None:
    """Start over the link, and never ask again."""
    supply.change(supply.settings.changed({"start_source": StartSource.LINK}))
    supply.arm_link()
    supply.advance(supply.now + MS)
    supply.start_by_link()
    while supply.mode is not Mode.CUTTING:
        supply.advance(supply.now + 100 * MS)
        supply.heard()


def self_test(**around: Any) -> Callable[[Supply], None]:
    """Return what tests itself in changed surroundings."""

    def provoke(supply: Supply) -> None:
        supply.surround(supply.now, **around)
        supply.feed(Event.SELF_TEST)

    return provoke


def ask_too_much(supply: Supply) -> None:
    """Set more current than the unit is rated for."""
    supply.change(supply.settings.changed({"current_setpoint": 80.0}))
    start(supply)


def ask_less(supply: Supply) -> None:
    """Set what it is rated for."""
    supply.change(supply.settings.changed({"current_setpoint": 60.0}))


def renew(supply: Supply) -> None:
    """Replace what is lost."""
    supply.replace_part("electrode")
    supply.replace_part("nozzle")


def whole(**around: Any) -> Callable[[Supply], None]:
    """Return what mends the surroundings."""
    return lambda supply: supply.surround(supply.now, **around)


def stuck(supply: Supply) -> None:
    """Let the start contact stay closed while the contact may not start."""
    supply.change(supply.settings.changed({"start_source": StartSource.LINK}))
    start(supply)


def nothing(_: Supply) -> None:
    """Mend nothing."""


ORDINARY = Beginning()


@dataclass(frozen=True)
class Case:
    """How a fault comes and how its cause goes.

    Attributes:
        provoke: makes the cause; the fault follows at once or by itself.
        mend: takes the cause away.
        beginning: what the supply is switched on with.
    """

    provoke: Callable[[Supply], None]
    mend: Callable[[Supply], None] = nothing
    beginning: Beginning = ORDINARY


CASES: dict[Fault, Case] = {
    Fault.NO_GAS: Case(starts(inlet_bar=0.3), whole(inlet_bar=6.5)),
    Fault.INLET_PRESSURE_LOW: Case(starts(inlet_bar=4.4), whole(inlet_bar=6.5)),
    Fault.INLET_PRESSURE_HIGH: Case(starts(inlet_bar=10.0), whole(inlet_bar=6.5)),
    Fault.FLOW_PRESSURE_LOW: Case(breaks(inlet_bar=1.0), whole(inlet_bar=6.5)),
    Fault.GAS_PRESSURE_OFF_SET_POINT: Case(starts(regulator_error=0.8)),
    Fault.NO_IGNITION: Case(starts(strikes=False)),
    Fault.PILOT_LIMIT: Case(come_and_go),
    Fault.NO_TRANSFER: Case(starts(over_work=False)),
    Fault.ARC_LOST: Case(lose_three),
    Fault.NOZZLE_SHORT: Case(starts(electrode_stuck=True), whole(electrode_stuck=False)),
    Fault.WORK_LEAD_OPEN: Case(breaks(work_lead_ok=False), whole(work_lead_ok=True)),
    Fault.OVER_CURRENT: Case(breaks(current_gain=1.3), whole(current_gain=1.0)),
    Fault.CURRENT_NOT_REACHED: Case(starts(current_gain=0.5), whole(current_gain=1.0)),
    Fault.TORCH_COVER_OPEN: Case(breaks(torch_cover_closed=False), whole(torch_cover_closed=True)),
    Fault.PART_MISSING: Case(
        breaks(parts_missing=frozenset({"shield"})), whole(parts_missing=frozenset())
    ),
    Fault.PART_WORN_OUT: Case(starts(), renew, Beginning(site=Site(wear={"electrode": 130.0}))),
    Fault.OVER_TEMPERATURE: Case(
        overheat,
        lambda supply: until(supply, lambda: not supply.too_hot),
    ),
    Fault.FAN_STALLED: Case(breaks(fan_ok=False), whole(fan_ok=True)),
    Fault.TEMPERATURE_SENSOR: Case(
        breaks(sensors_failed=frozenset({"transformer"})), whole(sensors_failed=frozenset())
    ),
    Fault.PHASE_LOSS: Case(
        breaks(phases=frozenset({"l1", "l2"})), whole(phases=frozenset({"l1", "l2", "l3"}))
    ),
    Fault.MAINS_LOW: Case(breaks(mains_volts=330.0), whole(mains_volts=400.0)),
    Fault.MAINS_HIGH: Case(breaks(mains_volts=470.0), whole(mains_volts=400.0)),
    Fault.WATCHDOG: Case(fall_silent),
    Fault.MEMORY: Case(self_test(memory_ok=False), whole(memory_ok=True)),
    Fault.PARAMETER_OUT_OF_RANGE: Case(
        ask_too_much, ask_less, Beginning(ratings=Ratings(current=60.0))
    ),
    Fault.SELF_TEST_FAILED: Case(self_test(control_ok=False), whole(control_ok=True)),
    Fault.STOP_CHAIN_OPEN: Case(breaks(stop_chain_closed=False), whole(stop_chain_closed=True)),
    Fault.START_STUCK: Case(stuck),
}
each_fault = pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)


def provoked(fault: Fault) -> tuple[Device, list[Transition]]:
    """Return a supply with the fault just latched, and the changes of mode since it was idle."""
    case = CASES[fault]
    device = Device(case.beginning)
    supply = device.supply
    supply.enable()
    supply.advance(2 * S)
    assert supply.mode is Mode.IDLE
    seen: list[Transition] = []
    supply.watchers.append(seen.append)
    case.provoke(supply)
    until(supply, lambda: supply.fault is not Fault.NONE)
    return device, seen


# --- the table -----------------------------------------------------------------------------------


def test_every_fault_of_the_map_is_in_the_book_and_is_produced_here() -> None:
    named = {code for code in MAP.by_name("fault").values if code}
    assert named == {int(fault) for fault in BOOK} == {int(fault) for fault in CASES}
    assert len(named) >= 15


def test_the_books_rows_are_in_order_and_complete() -> None:
    found = list(rows())
    assert [row.code for row in found] == sorted(int(fault) for fault in BOOK)
    names = MAP.by_name("fault").values
    bits = set(MAP.by_name("interlocks").bits.values())
    for row in found:
        assert names[row.code] == row.name
        assert row.facts.cause
        assert row.facts.judged
        assert row.facts.remedy
        assert not row.facts.interlock or row.facts.interlock in bits
    assert {fault for fault, facts in BOOK.items() if facts.effect is Effect.RAMP_DOWN} == (
        SOFT_FAULTS
    )


# --- one by one ----------------------------------------------------------------------------------


@each_fault
def test_its_cause_latches_it_and_the_link_shows_it(fault: Fault) -> None:
    device, _ = provoked(fault)
    supply = device.supply
    assert supply.fault is fault
    until(supply, lambda: supply.mode is Mode.FAULT)
    name = MAP.by_name("fault").values[fault]
    assert device.value("fault") == name
    assert device.value("log_1_code") == name
    status = device.value("status")
    assert isinstance(status, tuple)
    assert "fault" in status
    assert not {"ready", "arc-transferred", "pilot-arc", "cutting", "link-armed"} & set(status)
    assert device.value("fault_active") is True
    assert device.value("arc_transferred") is False
    assert device.fifo(1024) == (fault,)


@each_fault
def test_the_log_says_when_and_what_was_measured(fault: Fault) -> None:
    device, _ = provoked(fault)
    supply, (entry,) = device.supply, device.supply.log.entries
    assert entry.hours == (supply.fault_at - supply.born) // (36 * S)
    assert supply.fault_at == supply.now
    assert entry.starts == supply.tally.starts
    assert bool(entry.detail) is bool(BOOK[fault].detail)


@each_fault
def test_it_does_to_the_arc_what_the_book_says(fault: Fault) -> None:
    device, seen = provoked(fault)
    supply, effect = device.supply, BOOK[fault].effect
    if effect is Effect.RAMP_DOWN:
        assert supply.log.entries[0].mode in ON_WORK
        assert supply.mode is Mode.RAMP_DOWN
        assert supply.plant.current(supply.now) > 0
        until(supply, lambda: supply.mode is Mode.FAULT)
        assert supply.tally.usage.hard_stops == 0
    assert supply.mode is Mode.FAULT
    assert supply.plant.current(supply.now) == 0
    before = seen[-1].before
    if effect is Effect.NO_START:
        assert before not in ON_WORK
    elif effect is Effect.CUT_OFF:
        assert before in RUNNING
    assert (supply.tally.usage.hard_stops > 0) is (effect is Effect.CUT_OFF and before in ON_WORK)


@each_fault
def test_the_interlock_of_the_book_is_the_one_that_is_open(fault: Fault) -> None:
    device, _ = provoked(fault)
    supply, bit = device.supply, BOOK[fault].interlock
    supply.advance(supply.now + 20 * MS)
    shown = device.value("interlocks")
    assert isinstance(shown, tuple)
    missing = set(MAP.by_name("interlocks").bits.values()) - set(shown)
    assert missing >= ({bit} if bit else set())
    others = missing - {bit}
    # Where the gas is cut off its two pressures fall together.
    assert not others - {"inlet-pressure-ok", "flow-pressure-ok"}
    if not bit.endswith("pressure-ok"):
        assert not others


@each_fault
def test_it_stays_until_its_cause_has_gone_and_somebody_clears_it(fault: Fault) -> None:
    device, seen = provoked(fault)
    supply, case = device.supply, CASES[fault]
    until(supply, lambda: supply.mode is Mode.FAULT)
    if supply.surroundings.start_contact:
        with pytest.raises(RefusedError):  # a start is present
            device.put(clear_fault=True)
    supply.surround(supply.now, start_contact=False)
    if BOOK[fault].remedy not in ("nothing more", "the contact is open"):
        with pytest.raises(RefusedError):
            device.put(clear_fault=True)
        assert supply.fault is fault
    case.mend(supply)
    supply.advance(supply.now + 60 * S)
    assert (supply.fault, supply.mode) == (fault, Mode.FAULT), "it went by itself"
    device.put(clear_fault=True)
    assert (supply.fault, supply.mode) == (Fault.NONE, Mode.IDLE)
    assert supply.ready
    seen.clear()
    supply.advance(supply.now + 60 * S)
    assert not seen, "something started by itself"
    assert supply.log.total == 1


@each_fault
def test_after_it_the_supply_cuts_again(fault: Fault) -> None:
    device, _ = provoked(fault)
    supply = device.supply
    until(supply, lambda: supply.mode is Mode.FAULT)
    supply.surround(supply.now, start_contact=False)
    CASES[fault].mend(supply)
    supply.surround(
        supply.now, over_work=True, strikes=True, regulator_error=0.0, ambient=22.0, inlet_bar=6.5
    )
    supply.change(Settings())
    supply.advance(supply.now + 20 * S)
    device.put(clear_fault=True)
    supply.surround(supply.now + S, start_contact=True)
    supply.advance(supply.now + 5 * S)
    assert supply.mode is Mode.CUTTING


# --- what is particular --------------------------------------------------------------------------


def test_damaged_memory_means_factory_settings_after_a_power_cycle() -> None:
    supply = Supply(Beginning(settings=Settings(current_setpoint=80.0)))
    supply.surround(0, memory_ok=False)
    supply.power_cycle()
    assert supply.settings == Settings()
    supply.enable()
    supply.advance(2 * S)
    assert supply.fault is Fault.MEMORY


def test_settings_from_another_unit_are_found_by_the_self_test() -> None:
    ratings = Ratings(current=60.0)
    supply = Supply(Beginning(settings=Settings(current_setpoint=100.0), ratings=ratings))
    supply.enable()
    supply.advance(2 * S)
    assert supply.fault is Fault.PARAMETER_OUT_OF_RANGE
    assert supply.tally.starts == 0


def test_a_nozzle_on_the_work_is_a_short_as_well() -> None:
    device = Device()
    supply = device.supply
    supply.enable()
    supply.advance(2 * S)
    breaks(stand_off=0.0)(supply)
    until(supply, lambda: supply.fault is not Fault.NONE)
    assert supply.fault is Fault.NOZZLE_SHORT
    assert supply.log.entries[0].mode is Mode.CUTTING


def test_two_lost_arcs_and_a_cut_are_no_fault() -> None:
    supply = Supply()
    supply.enable()
    supply.advance(2 * S)
    for loss in (True, True, False, True, True):
        wanted = Mode.PIERCING if loss else Mode.CUTTING
        start(supply)
        until(supply, partial(in_mode, supply, wanted))
        supply.surround(supply.now, over_work=not loss)
        supply.surround(supply.now + MS, over_work=True, start_contact=False)
        supply.advance(supply.now + 15 * S)
    assert supply.fault is Fault.NONE
    assert supply.tally.arc_losses == 4


def test_weak_gas_is_warned_of_before_it_is_a_fault() -> None:
    supply = Supply(Beginning(site=Site(hose_metres=15.0, hose_millimetres=5.0)))
    supply.enable()
    supply.advance(2 * S)
    start(supply)
    until(supply, lambda: supply.mode is Mode.CUTTING)
    assert supply.fault is Fault.NONE
    assert "inlet-pressure-drop" in supply.notices
    start_again = supply.now + S
    supply.surround(start_again, start_contact=False)
    supply.advance(start_again + 20 * S)
    assert "inlet-pressure-drop" in supply.notices  # for as long as nobody starts again
    supply.surround(supply.now, inlet_bar=8.0)
    start(supply)
    assert not supply.notices


def test_a_compressor_that_is_too_small_ends_a_long_cut() -> None:
    supply = Supply(Beginning(site=Site(receiver_litres=20.0)))
    supply.enable()
    supply.advance(2 * S)
    cut(supply, compressor_litres=40.0)
    assert not supply.notices
    until(supply, lambda: "inlet-pressure-drop" in supply.notices)
    assert supply.mode is Mode.CUTTING
    until(supply, lambda: supply.fault is not Fault.NONE)
    assert supply.fault is Fault.FLOW_PRESSURE_LOW
    assert supply.surroundings.inlet_bar == 6.5  # at rest it is as good as ever


@pytest.mark.parametrize(
    ("change", "warning"),
    [
        ({"mains_volts": 370.0}, "mains-off-nominal"),
        ({"mains_unequal": 30.0}, "mains-off-nominal"),
        ({"mains_volts": 350.0}, "set-point-limited"),
        ({"mains_unequal": 45.0}, "set-point-limited"),
        ({"sensors_failed": frozenset({"ambient"})}, "ambient-sensor-absent"),
        ({"sensors_failed": frozenset({"plenum"})}, "plenum-sensor-absent"),
    ],
)
def test_warnings_go_with_their_cause(change: dict[str, Any], warning: str) -> None:
    options = frozenset({"ambient-sensor", "plenum-sensor"})
    full = Settings().changed({"current_setpoint": 125.0})
    device = Device(Beginning(full, ratings=Ratings(options=options)))
    supply = device.supply
    good = {"mains_volts": 400.0, "mains_unequal": 0.0, "sensors_failed": frozenset()}
    for on in (False, True, False):
        if on:
            supply.surround(supply.now + S, **change)
        elif supply.now:
            supply.surround(supply.now + S, **good)
        shown = device.value("warnings")
        assert isinstance(shown, tuple)
        assert (warning in shown) is on
        status = device.value("warning_active")
        assert status is on


def test_the_state_of_the_mains_is_told() -> None:
    device = Device()
    for volts, state in ((400.0, "ok"), (330.0, "low"), (470.0, "high"), (400.0, "ok")):
        device.supply.surround(device.supply.now + S, mains_volts=volts)
        assert device.value("mains_state") == state
        assert device.value("mains_l1_voltage") == volts
    device.supply.surround(device.supply.now, phases=frozenset({"l1", "l2"}), mains_volts=330.0)
    assert device.value("mains_state") == "phase-lost"


def test_phases_that_are_not_equal_are_told_and_the_lowest_counts() -> None:
    device = Device()
    supply = device.supply
    supply.enable()
    supply.advance(2 * S)
    for unequal, state in ((12.0, "ok"), (13.0, "unequal"), (55.0, "unequal"), (61.0, "low")):
        supply.surround(supply.now + S, mains_unequal=unequal)
        assert device.value("mains_state") == state
        shown = [device.value(f"mains_{phase}_voltage") for phase in ("l1", "l2", "l3")]
        assert shown == [400, 400, 400 - unequal]
    assert supply.fault is Fault.MAINS_LOW
    assert supply.log.entries[0].detail == 339


def test_low_mains_limit_the_current_and_it_comes_back_with_them() -> None:
    supply = Supply(Beginning(Settings().changed({"current_setpoint": 125.0})))
    supply.enable()
    supply.advance(2 * S)
    cut(supply)
    assert supply.plant.current(supply.now) == 125.0
    supply.surround(supply.now, mains_volts=345.0)
    supply.advance(supply.now + S)
    limited = deliverable_amperes(345.0)
    assert supply.plant.current(supply.now) == pytest.approx(limited)
    # What the mains give then is what the input bears, on the load line.
    watts = limited * load_line(limited)
    assert watts / (MAINS_FACTOR * 345.0) == pytest.approx(MAINS_AMPERES)
    assert supply.fault is Fault.NONE  # the control asks for no more, so nothing is missing
    supply.surround(supply.now, mains_volts=400.0)
    supply.advance(supply.now + S)
    assert supply.plant.current(supply.now) == 125.0


def test_a_flipped_bit_of_the_memory_is_put_right_and_told_until_the_next_start() -> None:
    device = Device(Beginning())
    supply = device.supply
    supply.surround(0, memory_bits_ok=False)
    supply.enable()
    supply.advance(500 * MS)
    assert device.value("warnings") == ()
    supply.advance(2 * S)
    assert supply.mode is Mode.IDLE
    assert device.value("warnings") == ("memory-corrected",)
    supply.surround(supply.now, memory_bits_ok=True)
    start(supply)
    assert device.value("warnings") == ()
