"""The closed forms: each against its own definition."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.sim.plant import NOISE_VOLTS, NS, Drive, Lag, Plant, Ramp

spans = st.integers(1, 3600 * NS)
values = st.floats(-100, 100, allow_nan=False)
MS = 1_000_000


@given(values, values, st.integers(0, NS), spans)
def test_a_ramp_is_straight_and_then_level(
    start: float, end: float, span: int, passed: int
) -> None:
    ramp = Ramp(7, start, end, span)
    expected = end if passed >= span else start + (end - start) * passed / span
    assert ramp.value(7 + passed) == pytest.approx(expected)


def numeric_integral(value, begin: int, end: int, steps: int = 2000) -> float:
    width = (end - begin) / steps
    return sum(value(int(begin + (i + 0.5) * width)) for i in range(steps)) * width / NS


@given(values, values, st.integers(0, NS), st.integers(1, 2 * NS))
@settings(max_examples=25)
def test_a_ramps_integral_is_its_area(start: float, end: float, span: int, passed: int) -> None:
    ramp = Ramp(11, start, end, span)
    area = numeric_integral(ramp.value, 11, 11 + passed)
    assert ramp.integral(11 + passed) == pytest.approx(area, abs=0.2)


def test_a_lag_has_done_63_percent_after_its_time_constant() -> None:
    lag = Lag(5, 2.0, 10.0, 3 * NS)
    assert lag.value(5) == 2.0
    assert lag.value(5 + 3 * NS) == pytest.approx(2 + 8 * (1 - math.exp(-1)))


@given(values, values, st.integers(MS, NS), st.integers(1, 3 * NS))
@settings(max_examples=25)
def test_a_lags_integral_is_its_area(start: float, target: float, tau: int, passed: int) -> None:
    lag = Lag(3, start, target, tau)
    area = numeric_integral(lag.value, 3, 3 + passed)
    assert lag.integral(3 + passed) == pytest.approx(area, abs=0.5)


@given(st.floats(0, 10), st.floats(0, 10), st.floats(0, 10), st.integers(MS, 10 * NS))
def test_a_lag_knows_when_it_falls_below_a_level(
    start: float, target: float, level: float, tau: int
) -> None:
    lag = Lag(9, start, target, tau)
    at = lag.falls_below(level)
    if at is None:
        assert start > level
        assert target >= level
        return
    assert lag.value(at) <= level + 1e-6
    if at > 9 + 1000:
        assert lag.value(at - 1000) > level - 1e-6


@given(values, values, st.integers(MS, NS), st.integers(0, NS), st.integers(0, NS))
def test_a_lag_may_be_cut_anywhere(
    start: float, target: float, tau: int, first: int, second: int
) -> None:
    whole = Lag(0, start, target, tau)
    middle = Lag(first, whole.value(first), target, tau)
    assert middle.value(first + second) == pytest.approx(whole.value(first + second), abs=1e-9)


@pytest.mark.parametrize(
    ("current", "volts"), [(20, 88), (30, 92), (45, 98), (60, 104), (85, 114), (125, 130)]
)
def test_the_conventional_load_line(current: float, volts: float) -> None:
    # IEC 60974-1, 11.2, plasma cutting: U = 80 + 0.4 I (from memory; text not seen).
    assert Plant.load_line(current) == pytest.approx(volts)


def burning(seed: int) -> Plant:
    plant = Plant(seed, 0, 22.0, 6.5)
    plant.drive(0, Drive(valve=True, gas_bar=5.0, current=Ramp(0, 60.0, 60.0, 0)))
    return plant


def test_the_noise_is_small_seeded_and_a_function_of_time() -> None:
    plant, again, other = burning(1), burning(1), burning(2)
    at = [step * MS for step in range(3000)]
    volts = [plant.arc_volts(now) for now in at]
    assert volts == list(reversed([again.arc_volts(now) for now in reversed(at)]))
    assert volts != [other.arc_volts(now) for now in at]
    mean = sum(volts) / len(volts)
    assert mean == pytest.approx(104.0, abs=0.1)
    deviation = math.sqrt(sum((each - mean) ** 2 for each in volts) / len(volts))
    assert deviation == pytest.approx(NOISE_VOLTS, rel=0.1)


def test_charge_and_gas_do_not_depend_on_how_a_stretch_is_cut() -> None:
    whole, parts = burning(0), burning(0)
    drive = Drive(valve=True, gas_bar=5.0, current=Ramp(0, 60.0, 60.0, 0))
    for now in range(0, 2 * NS, 100 * MS):
        current = Ramp(now, 60.0, 60.0, 0)
        parts.drive(now, Drive(valve=True, gas_bar=5.0, current=current))
    assert parts.charge(2 * NS) == pytest.approx(whole.charge(2 * NS)) == pytest.approx(120.0)
    assert parts.gas_litres(2 * NS) == pytest.approx(whole.gas_litres(2 * NS))
    assert drive.arc


def test_gas_flows_only_through_an_open_valve() -> None:
    plant = Plant(0, 0, 22.0, 6.5)
    assert plant.litres_a_minute(NS) == 0
    plant.drive(NS, Drive(valve=True, gas_bar=4.0))
    assert plant.flow_bar(2 * NS) == pytest.approx(4.0, abs=0.01)
    used = plant.gas_litres(61 * NS)
    assert used == pytest.approx(plant.litres_a_minute(61 * NS), rel=0.01)
    plant.drive(61 * NS, Drive())
    assert plant.gas_litres(100 * NS) == used
    assert plant.flow_bar(100 * NS) == pytest.approx(0, abs=1e-6)


def test_the_regulator_gives_no_more_than_its_inlet_allows() -> None:
    plant = Plant(0, 0, 22.0, 3.0)
    plant.drive(0, Drive(valve=True, gas_bar=5.0, inlet_bar=3.0))
    assert plant.inlet_bar(5 * NS) == pytest.approx(2.6, abs=0.01)
    assert plant.flow_bar(5 * NS) == pytest.approx(2.3, abs=0.01)
