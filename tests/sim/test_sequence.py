"""The sequence table: what it must be whatever else is built on it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from kerfbus.sim.maps import default_map
from kerfbus.sim.sequence import (
    BUSY,
    GAS_OPEN,
    ON_WORK,
    PILOT_BURNS,
    RUNNING,
    TABLE,
    Event,
    Mode,
    next_mode,
)
from kerfbus.sim.supply import Supply

events = st.sampled_from(Event)


def moved(mode: Mode, event: Event) -> Mode:
    after = next_mode(mode, event)
    return mode if after is None else after


@given(st.lists(events, max_size=30), events)
@examples(deadline=None)
def test_a_pair_that_is_not_listed_changes_nothing(way: list[Event], event: Event) -> None:
    supply = Supply()
    for each in way:
        supply.feed(each)
    before = (supply.mode, supply.mode_since, supply.revision, supply.next_due, supply.last_stop)
    listed = (supply.mode, event) in TABLE
    assert supply.feed(event) is listed
    after = (supply.mode, supply.mode_since, supply.revision, supply.next_due, supply.last_stop)
    assert (before == after) is not listed


def test_a_stop_ends_every_start() -> None:
    for mode in RUNNING:
        after = next_mode(mode, Event.STOP)
        assert after is not None
        assert after not in RUNNING


def test_no_stop_begins_anything() -> None:
    ends = {after for (_, event), after in TABLE.items() if event in (Event.STOP, Event.DISABLE)}
    assert not ends & RUNNING


def test_only_starts_lead_into_a_running_mode_from_outside() -> None:
    entrances = {
        event for (mode, event), after in TABLE.items() if mode not in RUNNING and after in RUNNING
    }
    assert entrances == {Event.START, Event.RESTART}


def test_off_and_fault_are_reached_from_everywhere() -> None:
    for mode in Mode:
        assert next_mode(mode, Event.DISABLE) is (None if mode is Mode.OFF else Mode.OFF)
        expected = None if mode in (Mode.OFF, Mode.FAULT) else Mode.FAULT
        assert next_mode(mode, Event.FAULT) is expected


def test_a_fault_is_left_by_a_separate_act_only() -> None:
    exits = {event for (mode, event) in TABLE if mode is Mode.FAULT}
    assert exits == {Event.CLEAR, Event.DISABLE}
    assert TABLE[Mode.FAULT, Event.CLEAR] is Mode.IDLE


def test_the_arc_is_ramped_down_once_it_burns_on_the_work() -> None:
    for mode in ON_WORK - {Mode.RAMP_DOWN}:
        assert next_mode(mode, Event.STOP) is Mode.RAMP_DOWN


def test_no_arc_without_gas() -> None:
    assert ON_WORK | PILOT_BURNS <= GAS_OPEN


def test_busy_modes_are_those_with_an_activity() -> None:
    assert RUNNING < BUSY
    assert not BUSY & {Mode.OFF, Mode.IDLE, Mode.FAULT, Mode.GAS_TEST, Mode.POST_FLOW}


@given(st.lists(events, max_size=40))
@examples(deadline=None)
def test_every_mode_can_be_left_and_reached(sequence: list[Event]) -> None:
    mode = Mode.OFF
    for event in sequence:
        mode = moved(mode, event)
    # From wherever this has led, disable and enable lead back to the beginning.
    off = moved(mode, Event.DISABLE)
    assert off is Mode.OFF
    assert next_mode(off, Event.ENABLE) is Mode.SELF_TEST


def test_every_mode_is_reachable() -> None:
    reached = {Mode.OFF}
    while True:
        more = {after for (mode, _), after in TABLE.items() if mode in reached} - reached
        if not more:
            break
        reached |= more
    assert reached == set(Mode)


def test_numbers_are_those_of_the_map() -> None:
    values = default_map().by_name("mode").values
    for mode in Mode:
        text = mode.name.lower().replace("_", "-").replace("pilot", "pilot-arc")
        assert values[mode] == text
    assert len(values) == len(Mode)
