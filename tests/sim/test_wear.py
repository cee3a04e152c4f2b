"""Wear: rates, sums, the end of an electrode, replacing, bringing worn parts along."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from supplies import Bench, S, cutting_supply, idle_supply

from kerfbus.bench import wire
from kerfbus.bench.errors import UsageError
from kerfbus.sim.device import Device
from kerfbus.sim.faults import Fault
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.sequence import Mode
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.settings import Settings
from kerfbus.sim.site import Site
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import PARTS
from kerfbus.sim.wear import (
    NOMINAL_AMPERES,
    PIT_LIMIT_MM,
    RATES,
    Consumables,
    PartState,
    Usage,
    drawn,
    failure_probability,
    pit_mm,
    wear_percent,
)

MAP = default_map()
usages = st.builds(
    Usage,
    starts=st.integers(0, 5000),
    arc_ns=st.integers(0, 10**15),
    charge=st.integers(0, 10**7).map(float),
    hard_stops=st.integers(0, 500),
    double_arcs=st.integers(0, 10),
)


# --- rates ---------------------------------------------------------------------------------------


@given(usages, usages)
def test_usage_adds_up_and_so_does_wear(first: Usage, second: Usage) -> None:
    assert first + second - second == first
    for rates in RATES.values():
        both = wear_percent(rates, first + second)
        assert both == pytest.approx(wear_percent(rates, first) + wear_percent(rates, second))


def test_every_part_wears_by_starts_time_and_hard_stops() -> None:
    assert set(RATES) == set(PARTS)
    for rates in RATES.values():
        assert rates.start > 0
        assert rates.second > 0
        assert rates.hard_stop > 0
    assert RATES["nozzle"].double_arc == pytest.approx(100 * 0.05 / 0.2)  # 50 um of 0.2 mm


def test_the_electrodes_rates_are_inside_the_domains_ranges() -> None:
    microns = 1000 * PIT_LIMIT_MM / 100
    electrode = RATES["electrode"]
    assert 1 <= electrode.start * microns <= 8
    assert 0.01 <= electrode.second * microns <= 0.1
    assert 2 <= electrode.hard_stop / electrode.start <= 5
    assert 1.0 <= PIT_LIMIT_MM <= 3.0


# --- chance --------------------------------------------------------------------------------------


def test_what_is_drawn_is_even_and_depends_on_its_arguments_alone() -> None:
    values = [drawn(7, number) for number in range(20_000)]
    assert all(0 <= each < 1 for each in values)
    tenths = [sum(tenth <= 10 * each < tenth + 1 for each in values) for tenth in range(10)]
    assert all(each == pytest.approx(2000, rel=0.08) for each in tenths)
    assert values[5] == drawn(7, 5) != drawn(8, 5)
    follows = sum(a < 0.5 and b < 0.5 for a, b in pairwise(values))
    assert follows == pytest.approx(5000, rel=0.05)


@given(st.floats(0, 4), st.floats(0, 4))
def test_the_end_comes_nearer_with_the_pit(first: float, second: float) -> None:
    low, high = sorted((first, second))
    assert 0 <= failure_probability(low) <= failure_probability(high) <= 1


def starts_until_the_end(seed: int) -> int:
    """Return the start at which an electrode that only starts and stops fails."""
    for start in range(1, 2000):
        pit = pit_mm(wear_percent(RATES["electrode"], Usage(starts=start)))
        if drawn(seed, start) < failure_probability(pit):
            return start
    raise AssertionError("it never fails")


def test_electrodes_end_near_their_limit_but_not_all_at_once() -> None:
    lives = sorted(starts_until_the_end(seed) for seed in range(300))
    limit = PIT_LIMIT_MM * 1000 / 3.5
    assert lives[0] < lives[-1] - 30
    # A start at the limit is the last one with 63 %, and each start before was a chance as well:
    # lives spread about limit - spread * ln(starts in a spread), 86 % of the limit.
    assert 0.7 * limit < lives[len(lives) // 10] < lives[9 * len(lives) // 10] < limit
    assert lives[len(lives) // 2] == pytest.approx(0.86 * limit, rel=0.03)
    assert 100 <= lives[0] <= lives[-1] <= 1000  # domain 4.8


# --- parts ---------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.sampled_from(PARTS), usages), max_size=8))
def test_replacing_keeps_the_sums(acts: list[tuple[str, Usage]]) -> None:
    parts, total = Consumables(), Usage()
    for at, (name, usage) in enumerate(acts):
        total += usage
        parts.replace(name, total, at, at)
        assert parts.usage(name, total) == Usage()
        assert parts.wear(name, total) == 0
    assert [entry.name for entry in parts.log] == [name for name, _ in acts]
    for name in PARTS:
        old = [entry.usage for entry in parts.log if entry.name == name]
        assert sum(old, parts.usage(name, total)) == total
        assert parts.part(name).replacements == len(old)


def test_a_part_may_come_worn_and_is_new_once_replaced() -> None:
    parts = Consumables({"electrode": 90.0})
    assert parts.wear("electrode", Usage()) == 90.0
    assert parts.wear("nozzle", Usage()) == 0.0
    assert parts.pit_mm(Usage()) == pytest.approx(0.9 * PIT_LIMIT_MM)
    assert parts.state("electrode", Usage(), frozenset()) is PartState.WORN
    parts.replace("electrode", Usage(starts=3), 5, 1)
    assert parts.wear("electrode", Usage(starts=3)) == 0.0
    assert parts.log[0].percent > 90.0


def test_a_lost_part_is_worn_out_until_it_is_replaced() -> None:
    parts = Consumables()
    parts.fail("electrode", "nozzle")
    assert parts.failed
    assert parts.state("nozzle", Usage(), frozenset()) is PartState.WORN_OUT
    assert parts.state("nozzle", Usage(), frozenset({"nozzle"})) is PartState.MISSING
    parts.replace("electrode", Usage(), 0, 0)
    assert parts.failed
    parts.replace("nozzle", Usage(), 0, 0)
    assert not parts.failed
    assert [entry.failed for entry in parts.log] == [True, True]


def test_worn_parts_are_checked_in_one_line() -> None:
    for wrong in ({"hose": 5.0}, {"nozzle": -1.0}, {"nozzle": 300.0}, {"nozzle": float("nan")}):
        with pytest.raises(UsageError) as caught:
            Site(wear=wrong)
        assert "\n" not in str(caught.value)


# --- in the supply -------------------------------------------------------------------------------


def cut_many(seed: int, cuts: int, percent: float) -> Supply:
    """Return a supply after so many short cuts, or when it has a fault."""
    supply = Supply(Beginning(seed=seed, site=Site(wear={"electrode": percent})))
    supply.enable()
    for cut in range(cuts):
        begin = (10 + 15 * cut) * S
        supply.surround(begin, start_contact=True)
        supply.surround(begin + 3 * S, start_contact=False)
        supply.advance(begin + 14 * S)
        if supply.fault:
            break
    return supply


def test_an_electrode_fails_at_a_start_and_takes_the_nozzle_along() -> None:
    supply = cut_many(seed=1, cuts=400, percent=90.0)
    assert supply.fault is Fault.PART_WORN_OUT
    assert supply.log.entries[0].mode is Mode.PILOT
    states = [
        supply.consumables.state(name, supply.usage, frozenset())
        for name in ("electrode", "nozzle")
    ]
    assert states == [PartState.WORN_OUT, PartState.WORN_OUT]
    assert supply.tally.usage.starts == supply.tally.starts  # the last one counts too
    assert supply.still_caused()
    supply.replace_part("electrode")
    assert supply.still_caused()
    supply.replace_part("nozzle")
    assert not supply.still_caused()


@given(st.integers(0, 2**32))
@settings(max_examples=5, deadline=None)
def test_the_same_seed_ends_at_the_same_start(seed: int) -> None:
    ends = [cut_many(seed, 60, 97.0) for _ in range(2)]
    assert ends[0].tally.starts == ends[1].tally.starts
    assert ends[0].fault is ends[1].fault


def test_new_parts_do_not_fail() -> None:
    assert all(cut_many(seed, 5, 0.0).fault is Fault.NONE for seed in range(20))


def test_too_much_current_for_the_nozzle_makes_double_arcs_and_a_wide_bore() -> None:
    supply = idle_supply(current_setpoint=60.0)
    supply.surround(2 * S, nozzle_amperes=45.0)
    before = supply.consumables.wear("nozzle", supply.usage)
    supply.surround(2 * S, start_contact=True)
    supply.advance(4 * S)
    supply.surround(4 * S, start_contact=False)
    supply.advance(20 * S)
    assert supply.tally.usage.double_arcs == 1
    assert supply.consumables.wear("nozzle", supply.usage) - before > 25
    fits = idle_supply(current_setpoint=50.0)
    fits.surround(2 * S, nozzle_amperes=45.0)
    fits.surround(2 * S, start_contact=True)
    fits.advance(4 * S)
    assert fits.tally.usage.double_arcs == 0


def test_gas_that_fails_under_the_arc_makes_a_double_arc() -> None:
    supply = cutting_supply()
    before = supply.consumables.wear("nozzle", supply.usage)
    supply.surround(4 * S, inlet_bar=0.0)
    supply.advance(20 * S)
    assert supply.fault is Fault.FLOW_PRESSURE_LOW
    assert supply.tally.usage.double_arcs == 1
    assert supply.consumables.wear("nozzle", supply.usage) - before > 25


@pytest.mark.parametrize(("speed", "pierces"), [(0.0, 1), (2500.0, 0)])
def test_a_start_over_a_plate_at_rest_is_a_pierce_and_wears_more(
    speed: float, pierces: int
) -> None:
    supply = idle_supply()
    supply.surround(2 * S, start_contact=True, table_speed=speed)
    supply.advance(4 * S)
    assert supply.mode is Mode.CUTTING
    usage = supply.usage
    assert usage.pierces == pierces
    for name, rates in RATES.items():
        without = wear_percent(rates, replace(usage, pierces=0))
        assert wear_percent(rates, usage) - without == pytest.approx(pierces * rates.pierce)
        assert (rates.pierce > 0) == (name != "swirl_ring")


def test_a_wide_bore_uses_more_gas() -> None:
    flows = []
    for percent in (0.0, 100.0):
        supply = Supply(Beginning(site=Site(wear={"nozzle": percent})))
        supply.enable()
        supply.surround(2 * S, start_contact=True)
        supply.advance(2 * S + 400_000_000)
        flows.append(supply.plant.litres_a_minute(supply.now))
    assert 1.02 * flows[0] < flows[1] < 1.3 * flows[0]


def test_worn_parts_are_warned_of_on_the_link() -> None:
    beginning = Beginning(site=Site(wear={"electrode": 85.0}))
    bench = Bench(SupplyServer(Device(beginning)))
    at = MAP.by_name("electrode_wear").address
    assert bench.words(at, table="input") == (850,)
    warnings = MAP.by_name("warnings")
    for worn in (True, False):
        shown = warnings.decode(bench.words(warnings.address, 2, table="input"))
        assert isinstance(shown, tuple)
        assert ("electrode-worn" in shown) is worn
        bench.supply.replace_part("electrode")
    assert bench.words(at, table="input") == (0,)


def test_replacing_over_the_link_resets_counts_and_is_logged() -> None:
    bench = Bench()
    bench.make_startable()
    bench.done(bench.start())
    bench.keep_alive(5 * S)
    bench.done(bench.coil("start", False))
    bench.wait(20 * S)
    starts = MAP.by_name("electrode_starts").address
    assert bench.words(starts, 2, table="input") == (0, 1)
    key = MAP.by_name("command_key").address
    bench.done(wire.WriteMultipleRegisters(key, (COMMAND_KEY, 0)))
    bench.done(wire.WriteSingleRegister(key, COMMAND_KEY))
    bench.done(wire.WriteSingleRegister(MAP.by_name("part_replaced").address, 1))
    assert bench.words(starts, 2, table="input") == (0, 0)
    assert bench.words(MAP.by_name("nozzle_starts").address, 2, table="input") == (0, 1)
    assert bench.words(MAP.by_name("electrode_replacements").address, table="input") == (1,)
    (entry,) = bench.supply.consumables.log
    assert (entry.name, entry.usage.starts, entry.at) == ("electrode", 1, bench.now - 3_000_000)


def test_wear_while_cutting_is_what_the_current_makes_it() -> None:
    one, two = cutting_supply(current_setpoint=60.0), cutting_supply(current_setpoint=120.0)
    grown = []
    for supply in (one, two):
        supply.advance(10 * S)
        before = supply.consumables.wear("electrode", supply.usage)
        supply.advance(110 * S)
        grown.append(supply.consumables.wear("electrode", supply.usage) - before)
    assert grown[0] == pytest.approx(100 * RATES["electrode"].second)
    assert grown[1] == pytest.approx(2 * grown[0])
    assert Settings().current_setpoint == NOMINAL_AMPERES
