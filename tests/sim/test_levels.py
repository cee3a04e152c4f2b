"""Steady volts on a pair: who drives, what loads, what is swapped, cut or out of range."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from math import inf
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.plant import Bias, Cable, Driver, Place, Plant, Receiver, Stub

E8 = LineSettings()


def pair(*places: Place, **changes: Any) -> Plant:
    """Return a client at 0 m, a server at 30 m and what else is given."""
    own = (Place("client", 0.0, E8), Place("server", 30.0, E8))
    return Plant((*own, *places), **changes)


def test_a_driver_works_against_terminators_loads_and_the_cable() -> None:
    """Without bias, two nodes: the far end sees what divides down along a balanced pair."""
    cable = Cable(1000.0)
    one_way = cable.conductor_ohms_per_metre * 1000
    stations = (Place("client", 0.0, E8), Place("server", 1000.0, E8))
    plant = Plant(stations, cable=cable, bias=None)
    end = 1 / (1 / 120 + 1 / 24_000)
    line = end + 2 * one_way
    near = 1 / (1 / end + 1 / line)
    expected = 3.6 * near / (near + 40) * end / line
    talked = Levels(plant).talked(0, 1)
    assert talked.mark == pytest.approx(expected, rel=1e-6)
    assert talked.space == pytest.approx(-expected, rel=1e-6)
    assert talked.idle == pytest.approx(0.0, abs=1e-6)
    assert talked.mark_margin == pytest.approx(expected + 0.025, rel=1e-6)
    assert talked.space_margin == pytest.approx(expected + 0.025, rel=1e-6)


def test_bias_makes_mark_stronger_than_space() -> None:
    talked = Levels(pair()).talked(0, 1)
    assert talked.mark > -talked.space > 1.5
    assert talked.idle > 0.2


def test_two_that_drive_against_each_other_leave_about_nothing() -> None:
    levels = Levels(pair(bias=None))
    for one in (True, False):
        assert levels.seen(0, {0: one, 1: one}).volts == pytest.approx(
            (1 if one else -1) * 3.6 * 60 / 80, abs=0.05
        )
        fought = levels.seen(0, {0: one, 1: not one}).volts
        assert abs(fought) < 0.25, "the nearer one wins by the cable's resistance alone"


def test_the_stiffer_driver_wins_a_fight() -> None:
    stiff = Place("stiff", 30.0, E8, driver=Driver(ohms=10.0))
    levels = Levels(pair(stiff))
    for listener in range(3):
        assert levels.seen(listener, {0: True, 2: False}).volts < -0.5


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from([None, False, True]), min_size=4, max_size=4))
def test_what_drivers_do_adds_up(states: list[bool | None]) -> None:
    """Every driver's mark and space lie evenly about what the pair is with its source at 0 V."""
    places = (Place("far", 20.0, E8, ground=2.0), Place("twisted", 10.0, E8, swapped=True))
    levels = Levels(pair(*places))
    driving = {station: state for station, state in enumerate(states) if state is not None}
    whole = levels.seen(1, driving).volts
    middle = sum(
        levels.seen(1, dict(zip(driving, values, strict=True))).volts
        for values in product((True, False), repeat=len(driving))
    ) / 2 ** len(driving)
    halves = 0.0
    for station, mark in driving.items():
        others = levels.seen(1, driving | {station: not mark}).volts
        halves += (whole - others) / 2
    assert whole == pytest.approx(middle + halves, abs=1e-9)


def test_a_swapped_station_sees_and_says_the_opposite() -> None:
    straight = Levels(pair(Place("third", 20.0, E8)))
    swapped = Levels(pair(Place("third", 20.0, E8, swapped=True)))
    for driving in ({}, {0: True}, {0: False}):
        assert swapped.seen(2, driving).volts == pytest.approx(-straight.seen(2, driving).volts)
        assert swapped.seen(2, driving).common == pytest.approx(straight.seen(2, driving).common)
    for mark in (True, False):
        assert swapped.seen(0, {2: mark}).volts == pytest.approx(
            straight.seen(0, {2: not mark}).volts
        )
    assert swapped.seen(2, {}).volts < -0.2, "an idle pair is a break to it"


@pytest.mark.parametrize(("ground", "deaf"), [(0, ()), (8, ()), (9.7, (1,)), (11, (0, 1))])
def test_ground_difference_kills_by_the_listeners_range(
    ground: float, deaf: tuple[int, ...]
) -> None:
    """A server whose common is high: it sees the client low, the client sees it high."""
    client, server = pair().stations
    levels = Levels(replace(pair(), stations=(client, replace(server, ground=ground))))
    to_client, to_server = levels.talked(1, 0), levels.talked(0, 1)
    assert to_client.common == pytest.approx(2.5 + ground, abs=0.5)
    assert to_server.common == pytest.approx(2.5 - ground, abs=0.5)
    assert (to_client.deaf, to_server.deaf) == (0 in deaf, 1 in deaf)
    assert to_client.mark == pytest.approx(Levels(pair()).talked(1, 0).mark, rel=1e-3)


def test_one_direction_dies_where_ranges_differ() -> None:
    client, server = pair().stations
    wide = replace(server, ground=12.0, receiver=Receiver(common_low=-25.0, common_high=25.0))
    levels = Levels(replace(pair(), stations=(client, wide)))
    assert levels.talked(1, 0).deaf
    assert not levels.talked(0, 1).deaf


def test_common_mode_limits_are_those_of_the_receiver() -> None:
    levels = Levels(pair())
    for volts, deaf in ((-7.0, False), (12.0, False), (-7.001, True), (12.001, True)):
        assert levels.deaf(0, volts) is deaf


def test_behind_an_open_contact_nothing_arrives() -> None:
    """The bias is at 0 m, and the pair opens just behind: the client keeps it, the rest floats."""
    plant = pair(Place("tap", 10.0, E8, driver=None))
    whole, opened = Levels(plant), Levels(plant, opened=True)
    for mark in (True, False):
        assert opened.seen(1, {0: mark}).volts == pytest.approx(0.0, abs=1e-6)
        assert opened.seen(0, {1: mark}).volts == pytest.approx(opened.seen(0, {}).volts, abs=1e-6)
        assert abs(opened.seen(2, {1: mark}).volts) > abs(whole.seen(2, {1: mark}).volts)
    assert opened.seen(0, {}).volts > 1.5 * whole.seen(0, {}).volts
    nowhere = Levels(replace(plant, weak_metres=30.0), opened=True)
    assert nowhere.seen(1, {0: True}) == whole.seen(1, {0: True})


def test_a_tap_cannot_talk() -> None:
    levels = Levels(pair(Place("tap", 10.0, E8, driver=None)))
    with pytest.raises(UsageError, match="tap has no driver"):
        levels.talked(2, 0)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Driver(volts=0.0), "driver volts 0: give 0.1 to 12 V"),
        (lambda: Driver(ohms=float("nan")), "driver ohms nan: give 1 to"),
        (lambda: Receiver(hysteresis=-0.1), "receiver hysteresis -0.1: give 0 to 1 V"),
        (lambda: Cable(metres=0.0), "cable metres 0: give 0.1 to 2000 m"),
        (lambda: Cable(awg=40), "cable awg 40: give 10 to 30 AWG"),
        (lambda: Stub(1.0, -1.0), "stub metres -1: give 0 to 300 m"),
        (lambda: Bias(pull_up=1.0), "bias pull_up 1: give 10 to"),
        (lambda: Place("tap", 0.0, E8, clock_ppm=1e6), "tap: clock_ppm 1e[+]06: give"),
        (lambda: Plant(()), "plant: there is no station"),
        (lambda: pair(Place("client", 1.0, E8)), "plant: two stations of one name"),
        (lambda: pair(Place("tap", 31.0, E8)), "tap: metres 31: give 0 to 30 m, the length"),
        (lambda: pair(bias_metres=31.0), "bias_metres 31: give 0 to 30 m"),
        (lambda: pair(weak_metres=-1.0), "weak_metres -1: give 0 to 30 m"),
        (lambda: pair(stubs=(Stub(40.0, 1.0),)), "stub at_metres 40: give 0 to 30 m"),
        (lambda: pair(far_ohms=0.0), "far_ohms 0: give 1 to any ohm"),
    ],
)
def test_a_plant_that_cannot_be_is_refused_in_one_line(make: Any, says: str) -> None:
    with pytest.raises(UsageError, match=says) as caught:
        make()
    assert "\n" not in str(caught.value)


def test_no_terminator_is_an_infinite_one() -> None:
    assert not pair(far_ohms=inf).terminated
    assert pair().terminated
    assert Levels(pair(far_ohms=inf)).talked(0, 1).mark > Levels(pair()).talked(0, 1).mark
