"""The plant: its quantities together, stretch by stretch."""

from __future__ import annotations

import pytest

from kerfbus.sim.curves import NS, Ramp
from kerfbus.sim.plant import Drive, Plant
from kerfbus.sim.site import Site
from kerfbus.sim.surroundings import Surroundings

MS = 1_000_000
STEADY = Ramp(0, 60.0, 60.0, 0)


def plant(seed: int = 0, **around: object) -> Plant:
    return Plant(seed, 0, 0.6, Site(), Surroundings().changed(**around))


def burning(seed: int) -> Plant:
    found = plant(seed)
    found.drive(0, Drive(valve=True, gas_bar=5.2, current=STEADY))
    return found


def test_charge_and_gas_do_not_depend_on_how_a_stretch_is_cut() -> None:
    whole, parts = burning(0), burning(0)
    for now in range(0, 2 * NS, 100 * MS):
        current = Ramp(now, 60.0, 60.0, 0)
        parts.drive(now, Drive(valve=True, gas_bar=5.2, current=current))
    assert parts.charge(2 * NS) == pytest.approx(whole.charge(2 * NS)) == pytest.approx(120.0)
    assert parts.gas_litres(2 * NS) == pytest.approx(whole.gas_litres(2 * NS))
    assert parts.sink(2 * NS) == pytest.approx(whole.sink(2 * NS))


def test_gas_flows_only_through_an_open_valve() -> None:
    found = plant()
    assert found.litres_a_minute(NS) == 0
    found.drive(NS, Drive(valve=True, gas_bar=4.0))
    assert found.flow_bar(2 * NS) == pytest.approx(4.0, abs=0.01)
    used = found.gas_litres(61 * NS)
    assert used == pytest.approx(found.litres_a_minute(61 * NS), rel=0.01)
    found.drive(61 * NS, Drive())
    assert found.gas_litres(100 * NS) == used
    assert found.flow_bar(100 * NS) == pytest.approx(0, abs=1e-6)


def test_a_gain_changes_the_current_and_not_what_is_asked_for() -> None:
    found = plant()
    ramp = Ramp(0, 20.0, 60.0, 100 * MS)
    found.drive(0, Drive(current=ramp, around=Surroundings(current_gain=0.5)))
    assert found.demand(50 * MS) == pytest.approx(40.0)
    assert found.current(50 * MS) == pytest.approx(20.0)
    assert found.charge(200 * MS) == pytest.approx(0.5 * (4.0 + 6.0))


def test_the_output_is_live_during_ignition_only_and_follows_the_mains() -> None:
    found = plant()
    assert found.arc_volts(0) == 0
    found.drive(0, Drive(live=True, around=Surroundings(mains_volts=360.0)))
    assert found.arc_volts(1) == pytest.approx(290.0 * 0.9)
    found.drive(2, Drive(pilot=True))
    assert (found.arc_volts(3), found.pilot(3), found.current(3)) == (100.0, 20.0, 0.0)
