"""What the routing of a pair leaves of a disturbance."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.coupling import WORST, Coupling, Routing, Shield, separation_factor

EVERY = [
    Routing(metres, apart, shield, *switches)
    for metres, apart, shield in product((0.0, 2.0, 20.0), (0.0, 50.0, 300.0, 1000.0), Shield)
    for switches in product((False, True), repeat=3)
]


def test_the_worst_routing_leaves_everything() -> None:
    assert WORST.coupling == Coupling(1.0, 1.0, 1.0)


def test_nothing_but_a_badly_bonded_shield_is_worse_than_the_worst() -> None:
    for each in EVERY:
        differential, fast, slow = each.coupling
        assert 0.0 <= differential <= 1.0
        assert 0.0 < fast <= 1.0
        worse = each.shield is Shield.BOTH_ENDS and not each.bonded_table
        assert 0.0 < slow <= (1.5 if worse else 1.0)


@pytest.mark.parametrize(
    ("millimetres", "left"), [(0, 1.0), (10, 1.0), (100, 0.27), (300, 0.06), (1000, 0.007)]
)
def test_distance_leaves_what_the_docstring_says(millimetres: float, left: float) -> None:
    assert separation_factor(millimetres) == pytest.approx(left, rel=0.07)


def test_more_distance_and_less_parallel_length_leave_less() -> None:
    for each in EVERY:
        apart = replace(each, separation_mm=2 * max(each.separation_mm, 10.0))
        short = replace(each, parallel_metres=each.parallel_metres / 4)
        assert apart.coupling.differential <= each.coupling.differential
        assert short.coupling.differential <= each.coupling.differential
        if each.parallel_metres:
            assert apart.coupling.differential < each.coupling.differential
            assert short.coupling.differential < each.coupling.differential


def test_a_shield_keeps_out_what_is_fast_and_more_with_both_ends_bonded() -> None:
    for bonded in (False, True):
        none, one, both = (
            replace(WORST, shield=shield, bonded_table=bonded).coupling.differential
            for shield in (Shield.NONE, Shield.ONE_END, Shield.BOTH_ENDS)
        )
        assert none > one > both


def test_a_shield_between_grounds_that_nothing_bonds_carries_their_current() -> None:
    one = replace(WORST, shield=Shield.ONE_END)
    both = replace(WORST, shield=Shield.BOTH_ENDS)
    assert both.coupling.common_slow > one.coupling.common_slow
    bonded = (replace(each, bonded_table=True).coupling.common_slow for each in (both, one))
    assert next(bonded) < next(bonded)


@pytest.mark.parametrize("measure", ["bonded_table", "common_conductor", "isolated"])
def test_each_measure_against_ground_differences_helps(measure: str) -> None:
    for each in EVERY:
        without = replace(each, **{measure: False}).coupling
        with_it = replace(each, **{measure: True}).coupling
        assert with_it.common_slow < without.common_slow
        assert with_it.common_fast <= without.common_fast
        assert with_it.differential <= without.differential


def test_isolation_helps_less_against_edges() -> None:
    slow = replace(WORST, isolated=True).coupling
    assert slow.common_fast > slow.common_slow


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"parallel_metres": -1.0}, "parallel_metres -1: give 0 to 1000 m"),
        ({"separation_mm": float("nan")}, "separation_mm nan: give 0 to 100000 mm"),
    ],
)
def test_numbers_out_of_range_are_refused(change: dict[str, float], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        replace(WORST, **change)
