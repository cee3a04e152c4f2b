"""The closed forms: each against its own definition."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.sim.curves import NS, Lag, Ramp, Reach

spans = st.integers(1, 3600 * NS)
values = st.floats(-100, 100, allow_nan=False)
plain = st.integers(-100_000, 100_000).map(lambda thousandths: thousandths / 1000)
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
        assert (
            target >= level - 1e-6
        )  # a level next to the target is reached in no span that counts
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


@given(plain, st.integers(MS, NS))
def test_a_ramps_mean_square_is_that_of_its_slope(start: float, span: int) -> None:
    assert Ramp(0, start, 60.0, 0).mean_square == 3600.0
    ramp = Ramp(0, start, 60.0, span)
    count = 999
    mean = sum(ramp.value((2 * i + 1) * span // (2 * count)) ** 2 for i in range(count)) / count
    assert ramp.mean_square == pytest.approx(mean, rel=1e-3, abs=1e-3)


@given(plain, plain, plain, st.integers(MS, NS))
def test_a_reach_goes_its_way_and_stops_at_its_goal(
    start: float, target: float, goal: float, tau: int
) -> None:
    if (goal - start) * (target - start) < 0:  # the goal lies the other way
        return
    reach = Reach.to(Lag(5, start, target, tau), goal)
    assert reach.value(reach.arrives_at) == goal
    assert reach.value(reach.arrives_at + 50 * tau) == goal
    for share in (0.0, 0.25, 0.5, 0.75, 0.999):
        now = 5 + int(share * (reach.arrives_at - 5))
        low, high = sorted((start, goal))
        assert low - 1e-6 <= reach.value(now) <= high + 1e-6
    beyond = (goal - start) * (target - goal) > 0
    if beyond and reach.arrives_at > 5 + 1000:
        assert reach.value(reach.arrives_at - 1) == pytest.approx(goal, abs=1e-3 * abs(target) + 1)
        assert reach.way.target == target


@given(values, values, st.integers(MS, NS), st.integers(1, 3 * NS))
@settings(max_examples=25)
def test_a_reachs_integral_is_its_area(start: float, goal: float, tau: int, passed: int) -> None:
    reach = Reach.to(Lag(3, start, 2 * goal - start, tau), goal)
    area = numeric_integral(reach.value, 3, 3 + passed)
    assert reach.integral(3 + passed) == pytest.approx(area, abs=0.5)


@given(st.floats(0, 10), st.floats(0, 10), st.floats(0, 10), st.floats(0.1, 3))
def test_a_reach_knows_when_it_crosses_a_level(
    start: float, goal: float, level: float, far: float
) -> None:
    reach = Reach.to(Lag(9, start, start + (goal - start) * (1 + far), 100 * MS), goal)
    down, up = reach.falls_below(level), reach.rises_above(level)
    for at, holds in ((down, lambda x: x <= level + 1e-6), (up, lambda x: x >= level - 1e-6)):
        if at is not None:
            assert holds(reach.value(at))
            if at > 9 + 2000:  # instants are rounded to microseconds, that of arrival too
                assert not holds(reach.value(at - 2000)) or abs(reach.value(at) - level) < 1e-4
    if down is None and up is None:
        pytest.fail("every level is on one side of the value, or crossed")
