"""How level changes arrive: delay, overshoot by length and talker, loss, stubs, letting go."""

from __future__ import annotations

from dataclasses import replace
from math import inf, pi
from typing import Any

import numpy as np
import pytest

from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.lattice import Lattice, Section
from kerfbus.sim.pair.plant import Cable, Driver, Place, Plant, Stub
from kerfbus.sim.pair.reflections import SETTLED, Change, Reflections, Response

E8 = LineSettings()
THICK = Cable(300.0, awg=16, loss_db=0.5)
STIFF = Driver(ohms=10.0, rise_ns=50.0)


def pair(cable: Cable = THICK, **changes: Any) -> Plant:
    """Return a client and a server at the ends of a cable, with stiff drivers."""
    places = (("client", 0.0), ("server", cable.metres))
    stations = tuple(Place(name, metres, E8, driver=STIFF) for name, metres in places)
    return Plant(stations, cable=cable, **changes)


def arrival(plant: Plant, talker: int = 0) -> Response:
    """Return how a change by one end arrives at the other."""
    return Reflections(plant).response(Change(talker, (talker,)), 1 - talker)


@pytest.mark.parametrize("metres", [30.0, 300.0, 1200.0])
def test_a_change_takes_its_way(metres: float) -> None:
    response = arrival(pair(replace(THICK, metres=metres)))
    one_way = metres / THICK.metres_per_ns
    times = np.array([one_way * 0.97, one_way * 1.03 + STIFF.rise_ns])
    before, after = response.at(times)
    assert before == pytest.approx(0.0, abs=1e-9)
    assert after > 0.5


def test_it_ends_where_it_settles() -> None:
    response = arrival(pair(far_ohms=inf))
    assert response.values[0] == 0.0
    assert abs(response.values[-1] - 1) <= SETTLED
    late = response.at(np.array([response.reaches_ns(0.1) + 1.0]))
    assert abs(float(late[0]) - 1) <= 0.1


def test_terminated_ends_do_not_overshoot() -> None:
    for talker in (0, 1):
        assert arrival(pair(), talker).overshoot < 0.01


def test_an_open_far_end_matters_to_who_talks_towards_it() -> None:
    plant = pair(far_ohms=inf)
    assert arrival(plant, 0).overshoot > 0.5
    assert arrival(plant, 1).overshoot < 0.01, "what comes from the open end meets a terminator"


def test_an_overshoot_lasts_longer_the_longer_the_cable() -> None:
    lengths = (30.0, 100.0, 300.0, 1000.0)
    rings = [arrival(pair(replace(THICK, metres=m), far_ohms=inf)) for m in lengths]
    lasting = [each.reaches_ns(0.3) for each in rings]
    for metres, ns in zip(lengths, lasting, strict=True):
        assert ns > 3 * metres / THICK.metres_per_ns
    assert lasting == sorted(lasting)


def test_undershoot_follows_from_the_two_reflections() -> None:
    """The textbook's bounce: 10 ohm at the near end, nothing at the far end, little loss."""
    cable = replace(THICK, loss_db=0.0, awg=10)
    response = arrival(pair(cable, near_ohms=inf, far_ohms=inf, bias=None))
    source = (10 - 120) / (10 + 120)
    ideal = [1 - source**trips for trips in (1, 2, 3)]
    times = np.array([2.0, 4.0, 6.0]) * cable.metres / cable.metres_per_ns
    # What rings has lost little: 2 ohm of 240 each way, as much again in the loads.
    assert response.at(times) == pytest.approx(ideal, abs=0.06)


def test_a_stub_rings_the_more_the_longer_it_is() -> None:
    found = [
        arrival(pair(stubs=(Stub(150.0, metres),))).overshoot for metres in (0.0, 10.0, 30.0, 100.0)
    ]
    assert found[0] < 0.01
    slow = [
        arrival(pair(stubs=(Stub(150.0, metres),))).reaches_ns(0.1) for metres in (0, 10, 30, 100)
    ]
    assert slow == sorted(slow)
    assert slow[3] > slow[0] + 500


def test_letting_go_ends_at_rest_too() -> None:
    response = Reflections(pair(far_ohms=inf)).response(Change(0, ()), 1)
    assert abs(response.values[-1] - 1) <= SETTLED
    assert response.values[0] == 0.0


def test_a_second_driver_that_is_on_damps() -> None:
    reflections = Reflections(pair(far_ohms=inf))
    alone = reflections.response(Change(0, (0,)), 1)
    both = reflections.response(Change(0, (0, 1)), 1)
    assert both.overshoot < alone.overshoot


def test_cutting_time_changes_nothing_in_the_lattice() -> None:
    def line() -> Lattice:
        return Lattice([Section(0, 1, 9, 5.0, 0.01)], 120, [1 / 40, 1 / 1000], 10.0)

    fed = np.sin(np.arange(200) / 7)
    whole = line().feed(fed, 0)
    pieces = line()
    parts = [pieces.feed(fed[i : i + 37], 0) for i in range(0, 200, 37)]
    assert np.array_equal(whole, np.concatenate(parts))


@pytest.mark.parametrize("hertz", [1e6, 4e6])
def test_loss_grows_with_the_root_of_the_frequency(hertz: float) -> None:
    """A wave into a matched line loses ``R / (2 Z0)`` nepers, R = 0.05 ohm * root(f) here."""
    line = Lattice([Section(0, 1, 200, 0.0, 0.05)], 120, [1 / 120, 1 / 120], 5.0)
    angle = 2 * pi * hertz * np.arange(6000) * 5e-9
    volts = np.abs(line.feed(np.sin(angle) / 120, 0)[3000:]).max(axis=0)
    nepers = -float(np.log(volts[1] / volts[0]))
    assert nepers == pytest.approx(0.05 * hertz**0.5 / 240, rel=0.12)


def test_steady_current_meets_the_resistance_of_the_wire() -> None:
    line = Lattice([Section(0, 1, 40, 30.0, 0.05)], 120, [1 / 40, 1 / 120], 5.0)
    volts = line.feed(np.full(60_00, 1.0 / 40), 0)[-1]
    assert volts[1] == pytest.approx(120 / (40 + 30 + 120), rel=1e-3)
