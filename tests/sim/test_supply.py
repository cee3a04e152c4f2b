"""The supply in time: starts, stops, faults, watchdog, counting; all of it virtual."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from supplies import MS, S, cutting_supply, idle_supply, settings

from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap import Table
from kerfbus.sim.device import Device
from kerfbus.sim.faults import Fault
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.ratings import StopCause, Transition
from kerfbus.sim.sequence import ON_WORK, PILOT_BURNS, RUNNING, Mode
from kerfbus.sim.settings import StartSource
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import INTERLOCKS, PARTS
from kerfbus.sim.wear import PartState


def watched(supply: Supply) -> list[Transition]:
    seen: list[Transition] = []
    supply.watchers.append(seen.append)
    return seen


def at_mode(supply: Supply, mode: Mode, limit: int = 30 * S) -> Supply:
    """Advance until `mode` is entered."""
    while supply.mode is not mode:
        due = supply.next_due
        assert due is not None, f"{mode.name} is never reached"
        assert due < limit, f"{mode.name} is never reached"
        supply.advance(due)
    return supply


# --- the way of a cut ----------------------------------------------------------------------------


def test_a_cut_takes_its_steps_at_exact_times() -> None:
    supply = idle_supply()
    seen = watched(supply)
    supply.surround(2 * S, start_contact=True)
    supply.advance(5 * S)
    supply.surround(5 * S, start_contact=False)
    supply.advance(30 * S)
    steps = [(step.at - 2 * S, step.after) for step in seen]
    assert steps == [
        (0, Mode.PRE_FLOW),
        (500 * MS, Mode.IGNITION),
        (560 * MS, Mode.PILOT),
        (590 * MS, Mode.TRANSFER),
        (640 * MS, Mode.RAMP_UP),
        (790 * MS, Mode.PIERCING),
        (1290 * MS, Mode.CUTTING),
        (3000 * MS, Mode.RAMP_DOWN),
        (3100 * MS, Mode.POST_FLOW),
        (13100 * MS, Mode.IDLE),
    ]
    assert supply.last_stop is StopCause.START_RELEASED


def test_the_current_follows_the_ramps() -> None:
    supply = at_mode(idle_and_started(), Mode.RAMP_UP)
    begin = supply.now
    current = supply.plant.current
    assert current(begin) == 20
    assert current(begin + 75 * MS) == pytest.approx(40)
    at_mode(supply, Mode.CUTTING)
    assert current(supply.now) == 60
    supply.change(supply.settings.changed({"current_setpoint": 80.0}))
    assert current(supply.now + 10 * MS) == pytest.approx(70)
    assert current(supply.now + 20 * MS) == 80
    supply.advance(supply.now + S)
    supply.surround(supply.now, start_contact=False)
    assert current(supply.now + 50 * MS) == pytest.approx(40)
    assert current(supply.now + 100 * MS) == 0


def idle_and_started(**changes: Any) -> Supply:
    supply = idle_supply(**changes)
    supply.surround(2 * S, start_contact=True)
    return supply


def test_a_start_in_post_flow_skips_pre_flow() -> None:
    supply = cutting_supply()
    supply.surround(5 * S, start_contact=False)
    at_mode(supply, Mode.POST_FLOW)
    supply.surround(supply.now + S, start_contact=True)
    assert supply.mode is Mode.IGNITION


def test_high_frequency_takes_longer_to_ignite() -> None:
    supply = at_mode(idle_and_started(ignition_method=1), Mode.PILOT)
    assert supply.now == 2 * S + 650 * MS


def test_a_torch_that_is_not_over_the_work_does_not_transfer() -> None:
    supply = idle_supply()
    supply.surround(2 * S, over_work=False)
    supply.surround(2 * S, start_contact=True)
    at_mode(supply, Mode.FAULT)
    assert supply.fault is Fault.NO_TRANSFER
    assert supply.now == 2 * S + 560 * MS + 5 * S
    assert supply.tally.failed_transfers == 1


def test_a_work_current_that_comes_and_goes_ends_at_the_pilot_limit() -> None:
    supply = at_mode(idle_and_started(), Mode.TRANSFER)
    began, seen = 2 * S + 560 * MS, watched(supply)
    while supply.mode in PILOT_BURNS:
        supply.surround(supply.now, over_work=False)
        supply.surround(supply.now + 10 * MS, over_work=True)
        due = supply.next_due
        assert due is not None
        supply.advance(due)
    assert supply.fault is Fault.PILOT_LIMIT
    assert (seen[-1].at, seen[-1].after) == (began + 5 * S, Mode.FAULT)
    assert Mode.TRANSFER in {step.after for step in seen}


def test_an_open_work_lead_is_told_from_no_transfer() -> None:
    supply = idle_supply()
    supply.surround(2 * S, work_lead_ok=False)
    supply.surround(2 * S, start_contact=True)
    at_mode(supply, Mode.FAULT)
    assert supply.fault is Fault.WORK_LEAD_OPEN


def test_a_pilot_that_does_not_strike_is_tried_again_and_given_up() -> None:
    supply = idle_supply()
    supply.surround(2 * S, strikes=False)
    supply.surround(2 * S, start_contact=True)
    at_mode(supply, Mode.FAULT)
    assert supply.fault is Fault.NO_IGNITION
    assert supply.tally.tries == 3
    assert supply.now == 2 * S + 500 * MS + 3 * 60 * MS
    assert supply.tally.failed_ignitions == 1
    assert "ignition-retried" in supply.notices


@pytest.mark.parametrize(
    ("inlet_bar", "fault"),
    [
        (0.5, Fault.NO_GAS),
        (3.5, Fault.INLET_PRESSURE_LOW),
        (12.0, Fault.INLET_PRESSURE_HIGH),
    ],
)
def test_the_gas_is_judged_at_the_end_of_pre_flow(inlet_bar: float, fault: Fault) -> None:
    supply = idle_supply()
    supply.surround(2 * S, inlet_bar=inlet_bar)
    supply.advance(3 * S)
    supply.surround(3 * S, start_contact=True)
    at_mode(supply, Mode.FAULT)
    assert supply.fault is fault
    assert supply.now == 3 * S + 500 * MS
    detail = supply.log.entries[0].detail
    assert detail == pytest.approx(100 * inlet_bar, abs=80)


def test_gas_that_fails_while_cutting_is_noticed_at_the_crossing() -> None:
    supply = cutting_supply()
    supply.surround(5 * S, inlet_bar=1.0)
    seen = watched(supply)
    supply.advance(30 * S)
    assert supply.fault is Fault.FLOW_PRESSURE_LOW
    crossing = seen[0].at
    plant = cutting_supply().plant
    assert 5 * S < crossing < 6 * S
    assert plant is not supply.plant
    assert supply.log.entries[0].detail == round(100 * 0.7 * 4.0)


# --- starts and stops ----------------------------------------------------------------------------

STOPS: dict[str, Callable[[Supply], None]] = {
    "released": lambda supply: supply.surround(supply.now, start_contact=False),
    "ordered": lambda supply: supply.stop(StopCause.LINK_STOP),
    "disabled": Supply.disable,
    "stop chain": lambda supply: supply.surround(supply.now, stop_chain_closed=False),
}


@pytest.mark.parametrize("stop", STOPS.values(), ids=STOPS)
@given(st.integers(0, 4 * S))
@examples(max_examples=30, deadline=None)
def test_any_stop_ends_any_start(stop: Callable[[Supply], None], after_ns: int) -> None:
    supply = idle_and_started()
    supply.advance(2 * S + after_ns)
    assert supply.mode in RUNNING
    stop(supply)
    assert supply.mode not in RUNNING
    seen = watched(supply)
    supply.advance(60 * S)
    assert not [step for step in seen if step.after in RUNNING]
    assert supply.plant.current(supply.now) == 0


def test_a_stop_at_the_same_instant_wins_over_a_start() -> None:
    supply = idle_supply()
    supply.stop(StopCause.LINK_STOP)
    supply.surround(supply.now, start_contact=True)
    assert supply.mode is Mode.IDLE
    supply.surround(supply.now + 1, start_contact=False)
    supply.surround(supply.now + 1, start_contact=True)
    assert supply.mode is Mode.PRE_FLOW


def test_a_level_that_is_there_already_starts_nothing() -> None:
    supply = Supply()
    supply.surround(0, start_contact=True)
    supply.enable()
    supply.advance(10 * S)
    assert supply.mode is Mode.IDLE
    assert not supply.ready
    assert "start-refused" in supply.notices
    supply.surround(10 * S, start_contact=False)
    assert supply.ready
    supply.surround(11 * S, start_contact=True)
    assert supply.mode is Mode.PRE_FLOW
    assert not supply.notices


def test_a_stop_by_the_link_holds_while_the_contact_stays_closed() -> None:
    supply = cutting_supply()
    supply.stop(StopCause.LINK_STOP)
    supply.advance(60 * S)
    assert supply.mode is Mode.IDLE
    assert supply.last_stop is StopCause.LINK_STOP


def test_the_contact_may_be_shut_out() -> None:
    supply = idle_and_started(start_source=StartSource.LINK)
    assert supply.mode is Mode.IDLE


def test_a_lost_arc_is_not_struck_again() -> None:
    supply = cutting_supply()
    supply.surround(5 * S, over_work=False)
    assert supply.mode is Mode.POST_FLOW
    assert supply.last_stop is StopCause.ARC_LOST
    supply.surround(6 * S, over_work=True)
    supply.advance(60 * S)
    assert supply.mode is Mode.IDLE
    assert supply.tally.arc_losses == 1
    assert supply.tally.usage.hard_stops == 1
    assert supply.fault is Fault.NONE


def test_nothing_starts_after_a_power_cycle() -> None:
    supply = cutting_supply()
    supply.power_cycle()
    assert supply.mode is Mode.OFF
    supply.advance(20 * S)
    assert supply.mode is Mode.OFF
    supply.enable()
    supply.advance(40 * S)
    assert supply.mode is Mode.IDLE


def test_no_key_and_no_warning_without_its_cause_outlive_a_power_cycle() -> None:
    supply = idle_supply(current_setpoint=125.0)
    supply.surround(2 * S, start_contact=True)
    supply.advance(400 * S)
    assert "duty-near-limit" in supply.alerts
    supply.surround(400 * S, start_contact=False)
    supply.link.give_key(COMMAND_KEY, supply.now)
    supply.power_cycle()
    assert not supply.link.has_key(supply.now)
    supply.link.give_key(COMMAND_KEY, supply.now)
    supply.power_cycle()  # while it is off as well
    assert not supply.link.has_key(supply.now)
    supply.advance(1100 * S)
    assert not supply.alerts


def test_losses_while_cutting_do_not_count_as_losses_before_a_cut() -> None:
    supply = idle_supply()
    for mode in (Mode.CUTTING, Mode.PIERCING, Mode.PIERCING, Mode.PIERCING):
        assert supply.fault is Fault.NONE
        supply.surround(supply.now + MS, over_work=True, start_contact=True)
        while supply.mode is not mode:
            supply.advance(supply.now + MS)
        supply.surround(supply.now, over_work=False)
        supply.surround(supply.now + MS, start_contact=False)
    assert supply.fault is Fault.ARC_LOST
    assert supply.tally.arc_losses == 4


def test_settings_survive_a_power_cycle_only_when_stored() -> None:
    supply = idle_supply()
    supply.change(supply.settings.changed({"current_setpoint": 80.0}))
    supply.store_settings()
    supply.change(supply.settings.changed({"current_setpoint": 100.0}))
    supply.power_cycle()
    assert supply.settings.current_setpoint == 80.0


# --- faults --------------------------------------------------------------------------------------

BROKEN: dict[Fault, dict[str, Any]] = {
    Fault.STOP_CHAIN_OPEN: {"stop_chain_closed": False},
    Fault.TORCH_COVER_OPEN: {"torch_cover_closed": False},
    Fault.PART_MISSING: {"parts_missing": frozenset({"nozzle"})},
    Fault.PHASE_LOSS: {"phases": frozenset({"l1", "l3"})},
    Fault.OVER_TEMPERATURE: {"too_hot": True},
    Fault.FAN_STALLED: {"fan_ok": False},
    Fault.MAINS_LOW: {"mains_volts": 330.0},
    Fault.MAINS_HIGH: {"mains_volts": 470.0},
    Fault.TEMPERATURE_SENSOR: {"sensors_failed": frozenset({"heat_sink"})},
}
WHOLE: dict[str, Any] = {
    "stop_chain_closed": True,
    "torch_cover_closed": True,
    "parts_missing": frozenset(),
    "phases": frozenset({"l1", "l2", "l3"}),
    "too_hot": False,
    "fan_ok": True,
    "mains_volts": 400.0,
    "sensors_failed": frozenset(),
}


def test_every_interlock_is_tried() -> None:
    assert set(BROKEN) == set(INTERLOCKS)


@pytest.mark.parametrize("fault", BROKEN, ids=lambda fault: fault.name)
@given(st.integers(0, 20 * S))
@examples(max_examples=15, deadline=None)
def test_a_broken_interlock_is_latched_whenever_it_breaks(fault: Fault, after_ns: int) -> None:
    supply = idle_and_started()
    at = 2 * S + after_ns
    supply.surround(at, **BROKEN[fault])
    assert supply.fault is fault
    assert supply.mode not in RUNNING
    assert supply.log.total == 1
    supply.surround(at + S, **WHOLE)
    supply.advance(at + 60 * S)
    assert supply.fault is fault
    assert supply.mode is Mode.FAULT
    assert supply.still_caused() is False


def test_a_hard_fault_cuts_the_current_a_soft_one_ramps_it_down() -> None:
    hard, soft = cutting_supply(), cutting_supply()
    hard.surround(5 * S, stop_chain_closed=False)
    soft.surround(5 * S, too_hot=True)
    assert hard.mode is Mode.FAULT
    assert hard.plant.current(hard.now) == 0
    assert soft.mode is Mode.RAMP_DOWN
    assert soft.plant.current(soft.now + 50 * MS) == pytest.approx(30)
    soft.advance(6 * S)
    assert soft.mode is Mode.FAULT
    assert (hard.tally.usage.hard_stops, soft.tally.usage.hard_stops) == (1, 0)
    assert (hard.last_stop, soft.last_stop) == (StopCause.STOP_CHAIN, StopCause.FAULT)


def test_a_fault_cools_the_parts_after_an_arc_only() -> None:
    hot = cutting_supply()
    hot.surround(5 * S, torch_cover_closed=False)
    assert hot.valve_open
    hot.advance(5 * S + 10 * S)
    assert not hot.valve_open
    cold = idle_supply()
    cold.surround(2 * S, torch_cover_closed=False)
    assert not cold.valve_open


def test_a_latched_fault_outlives_off_and_on() -> None:
    supply = idle_supply()
    supply.surround(2 * S, fan_ok=False)
    supply.disable()
    supply.surround(3 * S, fan_ok=True)
    supply.enable()
    supply.advance(10 * S)
    assert (supply.mode, supply.fault) == (Mode.FAULT, Fault.FAN_STALLED)
    supply.clear_fault()
    assert supply.mode is Mode.IDLE


def test_no_fault_is_latched_while_off_but_the_self_test_finds_it() -> None:
    supply = Supply()
    supply.surround(0, phases=frozenset({"l1"}))
    supply.advance(S)
    assert supply.fault is Fault.NONE
    supply.enable()
    supply.advance(3 * S)
    assert (supply.mode, supply.fault) == (Mode.FAULT, Fault.PHASE_LOSS)


def test_the_first_fault_stays() -> None:
    supply = idle_supply()
    supply.surround(2 * S, fan_ok=False)
    supply.surround(3 * S, stop_chain_closed=False)
    assert supply.fault is Fault.FAN_STALLED
    assert supply.log.total == 1


def test_the_log_keeps_the_last_ten() -> None:
    supply = idle_supply()
    for number in range(13):
        supply.surround((3 + 2 * number) * S, fan_ok=number % 2 == 1, torch_cover_closed=False)
        supply.surround((4 + 2 * number) * S, **WHOLE)
        supply.clear_fault()
    assert len(supply.log) == 10
    assert supply.log.total == 13
    entry = supply.log.entries[0]
    assert entry.fault is Fault.TORCH_COVER_OPEN
    assert entry.mode is Mode.IDLE
    supply.clear_log()
    assert (len(supply.log), supply.log.total) == (0, 13)


def test_surroundings_that_cannot_be_are_refused_in_one_line() -> None:
    supply = idle_supply()
    for wrong in (
        {"parts_missing": frozenset({"hose"})},
        {"inlet_bar": -1.0},
        {"ambient": 100.0},
        {"weather": "bad"},
    ):
        with pytest.raises(UsageError) as caught:
            supply.surround(3 * S, **wrong)
        assert "\n" not in str(caught.value)
    assert supply.now == 2 * S


# --- watchdog ------------------------------------------------------------------------------------


def test_a_shorter_watchdog_time_counts_at_once_and_a_longer_one_too() -> None:
    for before, after in ((5.0, 0.2), (0.2, 5.0)):
        supply = linked(watchdog_time=before)
        supply.heard()
        at = supply.now + 100 * MS
        supply.advance(at)
        supply.change(supply.settings.changed({"watchdog_time": after}))
        due = at + round(after * S)
        supply.advance(due - 1)
        assert supply.fault is Fault.NONE
        supply.advance(due)
        assert supply.fault is Fault.WATCHDOG


def linked(**changes: Any) -> Supply:
    """Return a supply that cuts by order of the link, armed at 2 s."""
    supply = idle_supply(start_source=StartSource.LINK, **changes)
    supply.arm_link()
    supply.advance(supply.now + MS)
    supply.start_by_link()
    while supply.mode is not Mode.CUTTING:
        supply.advance(supply.now + 100 * MS)
        supply.heard()
    return supply


@pytest.mark.parametrize("seconds", [0.2, 1.0, 5.0])
def test_silence_on_the_link_stops_the_supply_at_the_exact_time(seconds: float) -> None:
    supply = linked(watchdog_time=seconds)
    seen, last = watched(supply), supply.now
    supply.advance(last + 60 * S)
    assert (seen[0].at, seen[0].after) == (last + round(seconds * S), Mode.RAMP_DOWN)
    assert supply.fault is Fault.WATCHDOG
    assert supply.last_stop is StopCause.WATCHDOG
    assert supply.mode is Mode.FAULT
    assert supply.link.trips == 1
    assert not supply.link.armed


def test_nothing_starts_when_the_link_comes_back() -> None:
    supply = linked()
    supply.advance(supply.now + 10 * S)
    for _ in range(100):
        supply.advance(supply.now + 100 * MS)
        supply.heard()
    assert supply.mode is Mode.FAULT
    supply.clear_fault()
    supply.advance(supply.now + 10 * S)
    assert supply.mode is Mode.IDLE


def test_polls_keep_the_link_alive() -> None:
    supply = linked(watchdog_time=0.2)
    for _ in range(200):
        supply.advance(supply.now + 199 * MS)
        supply.heard()
    assert supply.mode is Mode.CUTTING


def test_a_shorter_time_takes_effect_with_the_next_request() -> None:
    supply = linked(watchdog_time=5.0)
    supply.change(supply.settings.changed({"watchdog_time": 0.2}))
    supply.heard()
    supply.advance(supply.now + 250 * MS)
    assert supply.fault is Fault.WATCHDOG


def test_silence_while_nothing_runs_only_disarms_the_link() -> None:
    supply = idle_supply()
    supply.arm_link()
    supply.advance(20 * S)
    assert (supply.mode, supply.fault) == (Mode.IDLE, Fault.NONE)
    assert not supply.link.armed
    assert supply.link.trips == 0


def test_a_supply_started_by_its_contact_is_not_watched() -> None:
    supply = cutting_supply()
    supply.advance(100 * S)
    assert supply.mode is Mode.CUTTING


def test_disarming_ends_what_the_link_has_started() -> None:
    supply = linked()
    supply.disarm_link()
    assert supply.mode is Mode.RAMP_DOWN
    assert supply.last_stop is StopCause.LINK_STOP


# --- counting ------------------------------------------------------------------------------------


def test_wear_and_usage_add_up() -> None:
    supply = idle_supply()
    begin = 2 * S
    for number in range(5):
        supply.surround(begin, start_contact=True)
        supply.advance(begin + (2 + number) * S)
        supply.surround(begin + (2 + number) * S, start_contact=False)
        begin += 20 * S
        if number == 2:
            supply.advance(begin - S)
            supply.replace_part("nozzle")
    supply.advance(begin)
    total = supply.tally.usage
    # Each arc burns from 0.64 s after its start to 0.1 s after its end.
    assert total.arc_ns == sum((2 + n) * S - 540 * MS for n in range(5))
    assert (total.starts, supply.tally.transfers, total.hard_stops) == (5, 5, 0)
    for name in PARTS:
        usage = supply.consumables.usage(name, total)
        assert usage.starts == (2 if name == "nozzle" else 5)
    old = supply.consumables.part("nozzle").fitted
    assert old + supply.consumables.usage("nozzle", total) == total
    wear = supply.consumables.wear("electrode", total)
    assert wear == pytest.approx((5 * 3.5 + total.charge / 60 * 0.04) / 1800 * 100)
    assert supply.consumables.state("electrode", total, frozenset()) is PartState.GOOD
    assert supply.consumables.state("electrode", total, frozenset({"electrode"})) is (
        PartState.MISSING
    )


def test_the_charge_of_a_cut_is_the_area_under_its_current() -> None:
    supply = idle_and_started()
    supply.advance(5 * S)
    supply.surround(5 * S, start_contact=False)
    supply.advance(20 * S)
    seconds_at_60 = 5 - (2 + 0.79)
    expected = 0.15 * 40 + 60 * seconds_at_60 + 0.1 * 30
    assert supply.tally.usage.charge == pytest.approx(expected)


def test_a_hard_stop_is_one_without_a_ramp() -> None:
    supply = cutting_supply(ramp_down_time=0)
    supply.surround(5 * S, start_contact=False)
    supply.advance(5 * S)
    assert supply.mode is Mode.POST_FLOW
    assert supply.tally.usage.hard_stops == 1


def test_duty_is_the_arc_time_of_the_last_ten_minutes() -> None:
    supply = cutting_supply()
    supply.surround(62 * S + 540 * MS, start_contact=False)
    supply.advance(100 * S)
    assert supply.tally.duty_percent(supply.now) == pytest.approx(10.0)
    assert supply.tally.duty_percent(632 * S) == pytest.approx(100 * 30.64 / 600)
    assert supply.tally.duty_percent(2000 * S) == 0


def test_the_start_and_stop_share_of_wear() -> None:
    # Domain check: 400 starts and two hours at nominal current make 1.69 mm, 83 % by starts.
    starts, arc = 400 * 3.5, 7200 * 0.04
    assert starts / (starts + arc) > 0.8


# --- looking changes nothing ---------------------------------------------------------------------

EVENTS: list[tuple[int, dict[str, Any]]] = [
    (2_000, {"start_contact": True}),
    (5_300, {"start_contact": False}),
    (7_000, {"start_contact": True}),
    (9_500, {"over_work": False}),
    (9_900, {"over_work": True, "start_contact": False}),
    (12_000, {"start_contact": True}),
    (14_000, {"inlet_bar": 1.0}),
    (20_000, {"inlet_bar": 6.5, "start_contact": False}),
]
READ = default_map()


def run(polls: list[int]) -> tuple[list[Transition], list[bytes]]:
    """Run the events with polls at the given milliseconds; return what happened and the end."""
    device = Device(Beginning(settings=settings(), seed=5))
    supply = device.supply
    seen = watched(supply)
    supply.enable()
    todo = sorted([(at, 0, change) for at, change in EVENTS] + [(at, 1, None) for at in polls])
    for at, _, change in todo:
        device.advance(at * MS)
        if change is None:
            device.read_words(Table.INPUT, 0, 30)
            device.read_words(Table.INPUT, 128, 11)
            device.read_bits(Table.DISCRETE, 0, 9)
        else:
            supply.surround(at * MS, **change)
    device.advance(40 * S)
    spans = ((0, 30), (48, 6), (128, 11), (144, 11), (192, 20), (264, 80))
    return seen, [device.read_words(Table.INPUT, start, count) for start, count in spans]


@given(st.lists(st.integers(0, 39_999), max_size=60))
@examples(max_examples=25, deadline=None)
def test_the_rate_of_polling_changes_nothing(polls: list[int]) -> None:
    assert run(polls) == run([])


def test_a_poll_at_every_event_changes_nothing() -> None:
    seen, _ = run([])
    instants = [step.at // MS for step in seen]
    around = [max(at + offset, 0) for at in instants for offset in (-1, 0, 1)]
    assert run(around) == run([])
    assert {step.after for step in seen} >= ON_WORK | {Mode.FAULT, Mode.POST_FLOW}


@given(st.integers(0, 2**32), st.integers(0, 20 * S))
@examples(max_examples=10, deadline=None)
def test_readings_depend_on_seed_and_time_alone(seed: int, extra: int) -> None:
    one, two = cutting_supply(seed), cutting_supply(seed)
    now = 5 * S + extra
    for step in range(20):
        two.advance(5 * S + extra * step // 20)
    one.advance(now)
    two.advance(now)
    assert one.plant.arc_volts(now) == two.plant.arc_volts(now)
    assert one.plant.charge(now) == two.plant.charge(now)
