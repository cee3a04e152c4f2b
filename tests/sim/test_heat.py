"""Heat: calibration by the rating, equivalence of mean heating, trip and release."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.sim.curves import NS, Lag, Ramp
from kerfbus.sim.faults import Fault
from kerfbus.sim.heat import (
    CYCLE_NS,
    HIGH_HYSTERESIS_KELVIN,
    HIGH_KELVIN,
    MARGIN_KELVIN,
    MATERIALS,
    MEAN_HYSTERESIS_KELVIN,
    MEAN_LOOK_NS,
    RATED_AIR,
    Body,
    CycleMean,
    HeatState,
    Material,
    Warmth,
)
from kerfbus.sim.machine import Beginning
from kerfbus.sim.plant import Drive, Plant
from kerfbus.sim.ratings import Ratings
from kerfbus.sim.sequence import Mode
from kerfbus.sim.settings import Settings
from kerfbus.sim.site import Site
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import Surroundings

S = NS
by_material = pytest.mark.parametrize("material", MATERIALS, ids=lambda each: each.name)


def cycled(material: Material, rated: float, duty: float, load: float) -> tuple[float, float]:
    """Return the highest and the mean temperature of a cycle after many, in air of 40 degrees.

    Args:
        material: of the body.
        rated: rated duty, which calibrates it.
        duty: what is done.
        load: squared share of the endless current while it is.
    """
    body, now, on = Body(material, rated, 0, RATED_AIR), 0, round(duty * CYCLE_NS)
    area = 0.0
    for _ in range(40):
        body.warm(now, Warmth(load, RATED_AIR, fan=True))
        area = body.curve.integral(now + on)
        peak = body.curve.value(now + on)
        body.warm(now + on, Warmth(0.0, RATED_AIR, fan=True))
        area += body.curve.integral(now + CYCLE_NS)
        now += CYCLE_NS
    return peak, area / (CYCLE_NS / NS)


@by_material
@pytest.mark.parametrize("duty", [0.2, 0.35, 0.6, 0.8, 1.0])
def test_the_rated_duty_just_does_not_trip(material: Material, duty: float) -> None:
    peak, _ = cycled(material, duty, duty, 1 / duty)
    assert peak == pytest.approx(material.trip - MARGIN_KELVIN, abs=1e-6)


@by_material
def test_a_little_more_trips(material: Material) -> None:
    more_time, _ = cycled(material, 0.6, 0.61, 1 / 0.6)
    more_current, _ = cycled(material, 0.6, 0.6, 1.01**2 / 0.6)
    assert more_time > material.trip
    assert more_current > material.trip


@by_material
@pytest.mark.parametrize(("amperes", "duty"), [(46.4758, 1.0), (50, 0.864), (65, 0.5112)])
def test_mean_heat_follows_current_squared_times_duty(
    material: Material, amperes: float, duty: float
) -> None:
    ratings = Ratings(current=60.0, duty=60.0)
    rated = cycled(material, 0.6, 0.6, (60 / ratings.endless_current) ** 2)[1]
    other = cycled(material, 0.6, duty, (amperes / ratings.endless_current) ** 2)[1]
    assert other == pytest.approx(rated, abs=0.01)


@by_material
@pytest.mark.parametrize("duty", [0.2, 0.35, 0.6, 0.8, 1.0])
def test_the_endless_current_and_the_rated_duty_meet_at_one_mean(
    material: Material, duty: float
) -> None:
    """Both hold with nothing to spare, which no limit on the temperature itself could do."""
    body = Body(material, duty, 0, RATED_AIR)
    limit = body.mean_limits.trips - MARGIN_KELVIN
    body.warm(0, Warmth(1.0, RATED_AIR, fan=True))
    assert body.mean(1000 * CYCLE_NS) == pytest.approx(limit)
    assert cycled(material, duty, duty, 1 / duty)[1] == pytest.approx(limit, abs=1e-6)
    body.warm(1000 * CYCLE_NS, Warmth(1.01**2, RATED_AIR, fan=True))
    assert body.mean(1040 * CYCLE_NS) > body.mean_limits.trips
    peak, mean = cycled(material, duty, duty, 1 / duty)
    assert (peak - RATED_AIR) / (mean - RATED_AIR) >= 1.0


@given(
    st.lists(st.tuples(st.integers(1, 900), st.floats(20, 90), st.floats(20, 90)), max_size=12),
    st.integers(0, 1200),
)
@settings(max_examples=60)
def test_the_mean_over_a_cycle_is_the_mean_of_what_was(
    way: list[tuple[int, float, float]], after: int
) -> None:
    mean, now = CycleMean(Lag(0, 30.0, 30.0, 60 * NS)), 0
    pieces = [(0, lambda _: 30.0)]
    for seconds, start, target in way:
        now += seconds * NS
        curve = Lag(now, start, target, 60 * NS)
        mean.begin(curve)
        pieces.append((now, curve.value))
    now += after * NS
    total = 0.0
    for step in range(1200):
        at = now - CYCLE_NS + step * NS // 2 + NS // 4
        total += next((f for begin, f in reversed(pieces) if begin <= at), pieces[0][1])(at)
    assert mean.value(now) == pytest.approx(total / 1200, abs=0.2)


@by_material
def test_without_a_fan_it_is_slower_and_hotter_in_the_end(material: Material) -> None:
    with_fan, without = (Body(material, 0.6, 0, 22.0) for _ in range(2))
    with_fan.warm(0, Warmth(1.0, 22.0, fan=True))
    without.warm(0, Warmth(1.0, 22.0, fan=False))
    # The same heat goes in: the same slope at first.
    slopes = [body.curve.value(NS) - 22.0 for body in (with_fan, without)]
    assert slopes[0] == pytest.approx(slopes[1], rel=0.01)
    assert without.curve.target - 22 > 2 * (with_fan.curve.target - 22)


@given(st.lists(st.tuples(st.integers(1, 1200), st.floats(0, 3), st.booleans()), max_size=8))
@settings(max_examples=40)
def test_heat_adds_up(way: list[tuple[int, float, bool]]) -> None:
    """What is stored is what came in less what the air took away."""
    for material in MATERIALS:
        body, now, stored = Body(material, 0.6, 0, 30.0), 0, 0.0
        for seconds, load, fan in way:
            body.warm(now, Warmth(load, 30.0, fan))
            end = now + seconds * NS
            # In kelvin of the body: its capacity is 1.
            entered = body.rise * load * seconds / (material.fan_tau_ns / NS)
            over_air = body.curve.integral(end) - 30.0 * seconds
            stored += entered - over_air / (body.curve.tau_ns / NS)
            now = end
        assert body.curve.value(now) - 30.0 == pytest.approx(stored, abs=1e-6)


# --- verdicts ------------------------------------------------------------------------------------


def test_hysteresis_is_that_of_the_trade() -> None:
    for material in MATERIALS:
        assert 10 <= material.trip - material.release <= 20
        assert material.release < material.trip - HIGH_KELVIN - HIGH_HYSTERESIS_KELVIN
        assert 4 * 60 * NS <= material.fan_tau_ns <= 12 * 60 * NS
        assert 15 * 60 * NS <= material.still_tau_ns <= 30 * 60 * NS


@by_material
def test_verdicts_change_at_the_crossings_and_only_there(material: Material) -> None:
    body = Body(material, 0.6, 0, 20.0)
    body.warm(0, Warmth(4.0, 20.0, fan=True))
    state, seen, now = HeatState.NORMAL, [], 0
    for load in (4.0, 0.0):
        body.warm(now, Warmth(load, 20.0, fan=True))
        state = body.state(now, state)
        while (due := body.next_change(state)) is not None:
            assert due >= now
            now = due
            after = body.state(now, state)
            assert after is not state
            state = after
            seen.append((state, round(body.curve.value(now), 3)))
    assert seen == [
        (HeatState.HIGH, material.trip - HIGH_KELVIN),
        (HeatState.HOT, material.trip),
        (HeatState.NORMAL, material.release),
    ]


@by_material
def test_a_warning_goes_without_a_trip(material: Material) -> None:
    body = Body(material, 0.6, 0, material.trip - 1)
    body.warm(0, Warmth(0.0, 20.0, fan=True))
    assert body.state(0, HeatState.NORMAL) is HeatState.HIGH
    due = body.next_change(HeatState.HIGH)
    assert due is not None
    assert body.state(due, HeatState.HIGH) is HeatState.NORMAL
    assert body.state(due - NS, HeatState.HIGH) is HeatState.HIGH


# --- in the supply -------------------------------------------------------------------------------


def cycling_supply(seconds_on: float, cycles: int, **around: float) -> Supply:
    """Return a supply at its rated current after so many ten-minute cycles, or when it trips."""
    settings_ = Settings().changed({"current_setpoint": 125.0, "postflow_time": 10.0})
    hall = Surroundings(**{"ambient": 40.0, **around})
    supply = Supply(Beginning(settings=settings_, surroundings=hall))
    supply.enable()
    supply.advance(2 * S)
    lead = round(0.64 * S)  # from start to transferred arc
    for cycle in range(cycles):
        begin = 10 * S + cycle * CYCLE_NS
        supply.surround(begin - lead, start_contact=True)
        supply.surround(begin + round(seconds_on * S) - 100_000_000, start_contact=False)
        supply.advance(begin + CYCLE_NS - 2 * S)
        if supply.fault:
            break
    return supply


def test_the_rated_duty_at_40_degrees_holds_for_hours() -> None:
    supply = cycling_supply(360.0, 24)
    assert supply.fault is Fault.NONE
    assert supply.tally.transfers == 24
    assert supply.tally.usage.arc_ns == 24 * 360 * S
    assert "duty-near-limit" in supply.alerts
    supply.advance(supply.now + CYCLE_NS)
    assert "duty-near-limit" not in supply.alerts


def test_more_than_the_rated_duty_trips_after_some_cycles() -> None:
    supply = cycling_supply(370.0, 24)
    assert supply.fault is Fault.OVER_TEMPERATURE
    assert supply.tally.transfers > 1


def test_in_cooler_air_more_is_possible() -> None:
    assert cycling_supply(400.0, 12, ambient=25.0).fault is Fault.NONE


def test_the_block_goes_by_itself_and_the_fault_does_not() -> None:
    supply = cycling_supply(598.0, 2)
    assert (supply.fault, supply.mode) == (Fault.OVER_TEMPERATURE, Mode.FAULT)
    assert supply.too_hot
    assert "temperature-high" in supply.alerts
    assert supply.still_caused()
    tripped_at = supply.fault_at
    entry = supply.log.entries[0]
    assert entry.detail in {round(10 * material.trip) for material in MATERIALS}
    assert entry.mode is Mode.CUTTING
    while supply.too_hot:
        due = supply.next_due
        assert due is not None
        supply.advance(due)
    assert supply.now > tripped_at + 60 * S
    assert supply.fault is Fault.OVER_TEMPERATURE
    assert not supply.still_caused()
    supply.advance(supply.now + 300 * S)
    assert "temperature-high" not in supply.alerts
    assert supply.plant.sink(supply.now) <= MATERIALS[0].release + 1e-6
    supply.clear_fault()
    assert supply.ready


@pytest.mark.parametrize(("share", "trips"), [(0.9995, False), (1.005, True), (1.05, True)])
def test_the_endless_current_is_the_limit_of_a_steady_one(share: float, trips: bool) -> None:
    amperes = round(share * Ratings().endless_current, 1)
    settings_ = Settings().changed({"current_setpoint": amperes})
    supply = Supply(Beginning(settings=settings_, surroundings=Surroundings(ambient=40.0)))
    supply.enable()
    supply.advance(2 * S)
    supply.surround(2 * S, start_contact=True)
    supply.advance(8 * 3600 * S)
    assert (supply.fault is Fault.OVER_TEMPERATURE) == trips
    assert (supply.mode is Mode.CUTTING) != trips
    if not trips:
        assert "temperature-high" in supply.alerts  # of so little room it warns
        return
    (entry,) = supply.log.entries
    assert not supply.too_hot  # eight hours later
    heated = {round(10 * Body(each, 0.6, 0, 40).mean_limits.trips) for each in MATERIALS}
    assert min(heated) <= entry.detail <= max(heated) + 10
    assert supply.next_due is None  # cold: the means need no looks


def test_a_mean_that_was_too_high_takes_a_rest() -> None:
    settings_ = Settings().changed({"current_setpoint": 98.5})
    supply = Supply(Beginning(settings=settings_, surroundings=Surroundings(ambient=40.0)))
    supply.enable()
    supply.advance(2 * S)
    supply.surround(2 * S, start_contact=True)
    while supply.fault is Fault.NONE:
        supply.advance(supply.now + MEAN_LOOK_NS)
    tripped, judged = supply.now, supply.plant.heat_judged(supply.now)
    assert supply.heat.count(HeatState.HOT) == 1
    assert judged[0] < MATERIALS[0].trip - HIGH_KELVIN
    assert judged[1] < MATERIALS[1].trip - HIGH_KELVIN
    supply.surround(supply.now, start_contact=False)
    while supply.too_hot:
        supply.advance(supply.now + MEAN_LOOK_NS)
    assert 60 * S < supply.now - tripped < 10 * 60 * S
    cooled = judged[0] - supply.plant.sink(supply.now)
    assert MEAN_HYSTERESIS_KELVIN < cooled < MEAN_HYSTERESIS_KELVIN + 2.0
    supply.clear_fault()
    supply.surround(supply.now, start_contact=True)
    assert supply.mode is Mode.PRE_FLOW


def test_heating_current_is_the_one_that_flows() -> None:
    full, half = (Plant(0, 0, 0.6, Site()) for _ in range(2))
    steady = Ramp(0, 60.0, 60.0, 0)
    full.drive(0, Drive(current=steady, load=1.0))
    half.drive(0, Drive(current=steady, load=1.0, around=Surroundings(current_gain=0.5)))
    rises = [plant.sink(60 * S) - 22.0 for plant in (full, half)]
    assert rises[1] == pytest.approx(rises[0] / 4)
