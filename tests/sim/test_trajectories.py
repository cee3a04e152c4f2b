"""The same world looked at more or less often: the same trajectory at the common instants.

And what must add up whatever happens: gas, charge, usage, time on the work.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from supplies import MS, S

from kerfbus.bench.regmap import Table
from kerfbus.sim.device import Device
from kerfbus.sim.gas import ATMOSPHERE_BAR
from kerfbus.sim.gasline import LEAD_LITRES
from kerfbus.sim.machine import Beginning
from kerfbus.sim.ratings import Ratings, Transition
from kerfbus.sim.sequence import ON_WORK, Mode
from kerfbus.sim.settings import Settings
from kerfbus.sim.site import Site
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import PARTS
from kerfbus.sim.wear import RATES, wear_percent

OPTIONS = frozenset({"flow-sensor", "plenum-sensor", "ambient-sensor"})
SPANS = ((Table.INPUT, 0, 30), (Table.INPUT, 48, 6), (Table.INPUT, 128, 11), (Table.INPUT, 192, 20))
END = 40_000
"""Milliseconds."""

changes = st.one_of(
    st.fixed_dictionaries({"start_contact": st.booleans()}),
    st.fixed_dictionaries({"stand_off": st.sampled_from([0.2, 1.5, 4.0, 9.0, 16.0])}),
    st.fixed_dictionaries({"over_work": st.booleans()}),
    st.fixed_dictionaries({"over_kerf": st.booleans()}),
    st.fixed_dictionaries({"table_speed": st.sampled_from([0.0, 2500.0, 4000.0])}),
    st.fixed_dictionaries({"inlet_bar": st.sampled_from([1.0, 4.6, 6.5])}),
    st.fixed_dictionaries({"compressor_litres": st.sampled_from([20.0, 1000.0])}),
    st.fixed_dictionaries({"work_ohms": st.sampled_from([0.0, 0.1, 15.0])}),
    st.fixed_dictionaries({"ambient": st.sampled_from([22.0, 60.0])}),
    st.fixed_dictionaries({"current_gain": st.sampled_from([1.0, 0.95, 1.3])}),
    st.fixed_dictionaries({"mains_volts": st.sampled_from([400.0, 350.0])}),
)
worlds = st.lists(st.tuples(st.integers(2000, END - 1), changes), min_size=2, max_size=14)
STARTS: list[tuple[int, dict[str, Any]]] = [
    (2000, {"start_contact": True}),
    (8000, {"start_contact": False}),
    (12_000, {"start_contact": True}),
]


def beginning() -> Beginning:
    site = Site(receiver_litres=10.0, wear={"electrode": 92.0})
    return Beginning(Settings(), 3, Ratings(options=OPTIONS), site=site)


def run(
    world: list[tuple[int, dict[str, Any]]], polls: list[int], common: list[int]
) -> tuple[list[Transition], list[bytes]]:
    """Return the changes of mode, and everything that the registers show at common instants.

    Args:
        world: changes of the surroundings, at milliseconds.
        polls: milliseconds at which somebody looks as well.
        common: milliseconds at which what is seen is kept.
    """
    device, seen, shown = Device(beginning()), [], []
    supply = device.supply
    supply.watchers.append(seen.append)
    supply.enable()
    acts = [(at, 0, change) for at, change in world]
    looks = [(at, 1, None) for at in polls] + [(at, 2, None) for at in common]
    for at, kind, change in sorted([*acts, *looks], key=lambda each: each[:2]):
        device.advance(at * MS)
        if change is not None:
            supply.surround(at * MS, **change)
            continue
        data = b"".join(device.read_words(*span) for span in SPANS)
        bits = device.read_bits(Table.DISCRETE, 0, 9)
        if kind == 2:
            shown.append(data + bits)
    return seen, shown


instants = st.lists(st.integers(0, END), max_size=60)


@given(worlds, instants, instants)
@examples(max_examples=25, deadline=None)
def test_how_often_somebody_looks_decides_nothing(
    world: list[tuple[int, dict[str, Any]]], polls: list[int], common: list[int]
) -> None:
    world = STARTS + world
    assert run(world, polls, [*common, END]) == run(world, [], [*common, END])


def test_no_rate_of_polling_decides_anything() -> None:
    common = list(range(3, END + 1, 997))  # off every grid on which the supply might look
    world = [*STARTS, (4000, {"stand_off": 3.0}), (14_000, {"compressor_litres": 20.0})]
    slow = run(world, [], common)
    assert run(world, list(range(0, END, 250)), common) == slow
    assert run(world, list(range(0, END, 7)), common) == slow
    assert {step.after for step in slow[0]} >= ON_WORK | {Mode.POST_FLOW}


# --- what adds up --------------------------------------------------------------------------------


def walked(world: list[tuple[int, dict[str, Any]]], watch: Any) -> Supply:
    """Return the supply after a world, `watch` called with it after each step of 20 ms."""
    supply = Supply(beginning())
    supply.enable()
    todo = sorted(STARTS + world, key=lambda each: each[0])
    for at in range(0, END, 20):
        while todo and todo[0][0] <= at:
            when, change = todo.pop(0)
            supply.surround(when * MS, **change)
        supply.advance(at * MS)
        watch(supply)
    return supply


@given(worlds)
@examples(max_examples=10, deadline=None)
def test_gas_through_the_valve_is_what_left_the_torch_and_what_is_in_the_lead(
    world: list[tuple[int, dict[str, Any]]],
) -> None:
    outs: list[float] = []
    supply = walked(world, lambda s: outs.append(s.plant.out_litres_a_minute(s.now)))
    left = sum((one + two) / 2 * 0.02 / 60 for one, two in pairwise(outs))
    inside = LEAD_LITRES / ATMOSPHERE_BAR * supply.plant.flow_bar(supply.now)
    used = supply.plant.gas_litres(supply.now)
    # Events fall between the steps: a step's flow, a few times.
    assert abs(used - left - inside) < 0.05 * (len(world) + 10) + 0.01 * used


@given(worlds)
@examples(max_examples=10, deadline=None)
def test_charge_and_usage_are_the_sums_of_what_flowed(
    world: list[tuple[int, dict[str, Any]]],
) -> None:
    amperes: list[float] = []
    on_work: list[bool] = []

    def watch(supply: Supply) -> None:
        amperes.append(supply.plant.current(supply.now))
        on_work.append(supply.mode in ON_WORK)

    supply = walked(world, watch)
    usage = supply.usage
    area = sum((one + two) / 2 * 0.02 for one, two in pairwise(amperes))
    slack = 0.02 * 80 * (len(world) + 12)
    assert abs(supply.plant.charge(supply.now) - area) < slack
    # Transfer current flows before the arc counts as transferred.
    assert 0 <= supply.plant.charge(supply.now) - usage.charge <= 20 * 0.1 * (len(world) + 4)
    seconds = sum(on_work) * 0.02
    assert abs(usage.arc_ns / S - seconds) < 0.02 * (len(world) + 12)
    for name in PARTS:
        came = 92.0 if name == "electrode" else 0.0
        wear = supply.consumables.wear(name, usage)
        assert wear == came + wear_percent(RATES[name], usage)
    tally = supply.tally
    assert tally.transfers <= tally.usage.starts <= tally.starts
    assert tally.usage.hard_stops <= tally.transfers
    assert tally.arc_losses <= tally.transfers
