"""What disturbs a pair, as a function of seed, source and time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from math import sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.coupling import WORST, Routing
from kerfbus.sim.pair.episodes import FAINT_VOLTS, Episode, Kind
from kerfbus.sim.pair.gilbert import Gilbert
from kerfbus.sim.pair.noise import Disturbances
from kerfbus.sim.pair.noiseplan import (
    ARC_ON,
    MS,
    PLASMA,
    SECOND,
    US,
    Bursts,
    Drift,
    Dropouts,
    Held,
    Hum,
    NoisePlan,
    Opening,
    Steps,
    Transients,
)
from kerfbus.sim.pair.sources import HELD_NS, PIECE_NS
from kerfbus.sim.pair.talk import Arc

ALL = replace(
    PLASMA,
    bursts={Arc.OFF: Bursts(2.0), Arc.PILOT: Bursts(20.0), Arc.CUTTING: Bursts(8.0, 5 * MS)},
    transients=(Transients(4.0), Transients(4.0, 5000.0, states=frozenset({Arc.CUTTING}))),
    steps=(Steps(2.0, 1.0), Steps(3.0, 2.0, states=ARC_ON)),
    held=(Held(Kind.COMMON, 1.0), Held(Kind.SIGMA, 0.3, frozenset({Arc.CUTTING}))),
    dropouts=(Dropouts(0.2, 30 * MS), Dropouts(0.5, 3 * SECOND, Kind.SIGMA, 1.0)),
)
"""Every kind of source, busy enough that each shows within seconds."""
LONGEST = 3 * SECOND

States = list[tuple[int, Arc]]
states = st.lists(
    st.tuples(st.integers(0, LONGEST), st.sampled_from(list(Arc))),
    max_size=8,
    unique_by=lambda s: s[0],
).map(sorted)
cuts = st.lists(st.integers(1, LONGEST - 1), max_size=12, unique=True).map(sorted)
seeds = st.integers(0, 2**64)


def told(seed: int, history: States, plan: NoisePlan = ALL) -> Disturbances:
    """Return disturbances under the worst routing that know a history."""
    made = Disturbances(plan, WORST, seed)
    for at, state in history:
        made.arc(at, state)
    return made


def overlapping(episodes: Iterable[Episode], begin: int, end: int) -> list[Episode]:
    return [each for each in episodes if each.begin < end and each.end > begin]


def of(episodes: Iterable[Episode], source: str) -> list[Episode]:
    return [each for each in episodes if each.source.startswith(source)]


# --- a function of time


@settings(max_examples=40, deadline=None)
@given(seeds, states, cuts)
def test_any_cutting_tells_the_same_while_the_arc_goes_on(
    seed: int, history: States, edges: list[int]
) -> None:
    whole = told(seed, history).episodes(0, LONGEST)
    live = Disturbances(ALL, WORST, seed)
    coming = list(history)
    steps = sorted({0, LONGEST, *edges, *(at for at, _ in history)})
    for begin, end in pairwise(steps):
        while coming and coming[0][0] <= begin:
            live.arc(*coming.pop(0))
        assert live.episodes(begin, end) == overlapping(whole, begin, end)


@settings(max_examples=20, deadline=None)
@given(seeds, states, st.lists(st.tuples(st.integers(0, 40 * SECOND), st.integers(1, 2 * SECOND))))
def test_the_order_of_questions_does_not_matter(
    seed: int, history: States, questions: list[tuple[int, int]]
) -> None:
    asked = told(seed, history)
    for begin, length in questions:
        fresh = told(seed, history).episodes(begin, begin + length)
        assert asked.episodes(begin, begin + length) == fresh


@settings(max_examples=40, deadline=None)
@given(seeds, states, states, st.integers(0, LONGEST))
def test_what_the_arc_does_changes_only_what_follows(
    seed: int, one: States, other: States, parting: int
) -> None:
    common = [each for each in one if each[0] < parting]
    later = [each for each in other if each[0] >= parting]
    first = told(seed, one).episodes(0, LONGEST)
    second = told(seed, common + later).episodes(0, LONGEST)
    assert [e for e in first if e.begin < parting] == [e for e in second if e.begin < parting]


def test_a_late_word_about_the_arc_is_heard_in_a_stretch_that_was_quiet() -> None:
    noisy = NoisePlan(bursts={Arc.CUTTING: Bursts(500.0)})
    made = Disturbances(noisy, WORST, 3)
    assert made.episodes(0, 100 * MS) == []
    made.arc(100 * MS, Arc.CUTTING)
    assert made.episodes(100 * MS, 200 * MS)
    made.arc(200 * MS, Arc.OFF)
    assert not [e for e in made.episodes(200 * MS, 300 * MS) if e.begin >= 200 * MS]


def test_seeds_differ_and_sources_do_not_disturb_each_other() -> None:
    history = [(0, Arc.CUTTING)]
    episodes = told(1, history).episodes(0, 20 * SECOND)
    assert of(episodes, "cutting") != of(told(2, history).episodes(0, 20 * SECOND), "cutting")
    alone = told(1, history, replace(ALL, transients=(), dropouts=(), steps=(), hum=()))
    assert of(alone.episodes(0, 20 * SECOND), "cutting") == of(episodes, "cutting")


def test_an_hour_of_quiet_is_kept_in_little() -> None:
    made = Disturbances(PLASMA, WORST, 0)
    for index in range(3600):
        made.episodes(index * SECOND, (index + 1) * SECOND)
    assert len(made._windows) <= 64
    assert len(made._begun) <= 64


# --- each source


def test_a_contact_start_brings_two_to_six_bursts_of_milliseconds() -> None:
    counts = set()
    for seed in range(60):
        made = told(seed, [(SECOND, Arc.IGNITION_CONTACT)], PLASMA)
        bursts = [
            each
            for each in of(made.episodes(0, 3 * SECOND), "ignition_contact")
            if each.kind is Kind.SIGMA
        ]
        counts.add(len(bursts))
        for each in bursts:
            assert SECOND <= each.begin < SECOND + 60 * MS
            assert 1 * MS <= each.end - each.begin <= 5 * MS
    assert counts == {2, 3, 4, 5, 6}


def test_bursts_of_a_start_that_ends_early_do_not_begin_after_it() -> None:
    plan = NoisePlan(openings={Arc.IGNITION_CONTACT: Opening(6, 6)})
    made = told(1, [(0, Arc.IGNITION_CONTACT), (30 * MS, Arc.PILOT)], plan)
    begins = [each.begin for each in made.episodes(0, SECOND)]
    assert begins
    assert max(begins) < 30 * MS


def test_high_frequency_ignition_pulses_until_it_ends_or_gives_up() -> None:
    plan = NoisePlan(sparks=PLASMA.sparks)
    rates = []
    for seed in range(40):
        made = told(seed, [(0, Arc.IGNITION_HF), (2 * SECOND, Arc.OFF)], plan)
        rings = [e for e in made.episodes(0, 2 * SECOND) if e.kind is Kind.RING]
        rates.append(len(rings) / 0.5)
        assert max(each.begin for each in rings) < 500 * MS
        for each in rings:
            assert 10 * US <= each.end - each.begin <= 50 * US
            assert 0.3e6 <= each.hertz <= 5e6
            assert each.decay_ns == pytest.approx((each.end - each.begin) / 5)
    assert 45 <= min(rates) < 100
    assert 250 < max(rates) <= 310
    short = told(0, [(0, Arc.IGNITION_HF), (50 * MS, Arc.PILOT)], plan)
    assert max(each.begin for each in short.episodes(0, SECOND)) < 50 * MS


def test_a_held_step_follows_the_arc_without_gap_or_overlap() -> None:
    plan = NoisePlan(held=(Held(Kind.COMMON, 2.0),))
    cut = [(SECOND, Arc.PILOT), (SECOND + 5 * MS, Arc.CUTTING), (3 * SECOND, Arc.EXTINCTION)]
    found = told(0, cut, plan).episodes(0, 4 * SECOND)
    assert all(one.end == next_one.begin for one, next_one in pairwise(found))
    assert SECOND <= found[0].begin < SECOND + HELD_NS
    assert 3 * SECOND <= found[-1].end < 3 * SECOND + HELD_NS


def test_transients_come_only_in_their_states() -> None:
    plan = NoisePlan(transients=(Transients(4.0, states=frozenset({Arc.CUTTING})),))
    made = told(5, [(2 * SECOND, Arc.CUTTING), (4 * SECOND, Arc.OFF)], plan)
    found = made.episodes(0, 6 * SECOND)
    assert found
    assert all(2 * SECOND <= each.begin < 4 * SECOND for each in found)


def test_a_transient_does_not_fit_into_too_short_a_period() -> None:
    with pytest.raises(UsageError, match="does not fit"):
        Transients(4.0, 5000.0, period_ns=10 * MS)


def test_an_open_contact_is_told_piece_by_piece() -> None:
    plan = NoisePlan(dropouts=(Dropouts(0.5, 5 * SECOND),))
    found = told(2, [], plan).episodes(0, 200 * SECOND)
    assert all(each.kind is Kind.OPEN and each.end - each.begin <= PIECE_NS for each in found)
    joined = [one for one, after in pairwise(found) if one.end == after.begin]
    assert len(joined) > 50
    assert all(each.end % PIECE_NS == 0 for each in joined)


def test_hum_is_always_there_and_keeps_its_phase() -> None:
    plan = NoisePlan(hum=(Hum(2.0, 60.0),))
    made = told(4, [], plan)
    (hum,) = made.episodes(10 * SECOND, 10 * SECOND + 1)
    assert made.episodes(0, SECOND) == [hum]
    period = round(SECOND / 60)
    swing = [hum.common(at) for at in range(0, period, period // 400)]
    assert max(swing) == pytest.approx(2.0, rel=1e-3)
    assert sum(v * v for v in swing) / len(swing) == pytest.approx(2.0, rel=0.01)
    assert hum.common(7 * period) == pytest.approx(hum.common(0), abs=1e-5)


def test_a_ring_begins_at_its_peak_and_dies_away() -> None:
    ring = Episode(100, 5100, Kind.RING, -3.0, 1e6, 1000.0)
    assert ring.differential(99) == 0.0
    assert ring.differential(100) == -3.0
    assert ring.differential(100 + 500) > 0.0  # half a turn of 1 MHz
    assert abs(ring.differential(100 + 3000)) == pytest.approx(3.0 * 0.049787, rel=1e-3)
    assert ring.common(100) == 0.0


def test_drift_is_continuous_and_of_its_size() -> None:
    made = Disturbances(NoisePlan(drift=Drift(0.3, 50 * MS)), WORST, 8)
    at_knots = [made.drift(index * 50 * MS) for index in range(4000)]
    # standard error of a rms: 1 / sqrt(2 n); four of them
    rms = sqrt(sum(v * v for v in at_knots) / len(at_knots))
    assert rms == pytest.approx(0.3, rel=4 / sqrt(2 * len(at_knots)))
    fine = [made.drift(at) for at in range(0, SECOND, 50 * US)]
    assert max(abs(b - a) for a, b in pairwise(fine)) < 0.3 * 6 * 0.0016
    again = Disturbances(NoisePlan(drift=Drift(0.3, 50 * MS)), WORST, 8)
    assert [again.drift(at) for at in range(SECOND - 50 * US, -1, -50 * US)] == fine[::-1]


# --- coupling and gain


def test_volts_follow_the_coupling() -> None:
    near = Routing(5.0, 50.0)
    history = [(0, Arc.IGNITION_CONTACT), (100 * MS, Arc.CUTTING)]
    plan = replace(ALL, dropouts=())
    worst = told(6, history, plan).episodes(0, LONGEST)
    made = Disturbances(plan, near, 6)
    for at, state in history:
        made.arc(at, state)
    factors = near.coupling
    found = {(e.begin, e.source, e.kind): e.volts for e in made.episodes(0, LONGEST)}
    assert {e.kind for e in worst} == {Kind.SIGMA, Kind.RING, Kind.COMMON, Kind.HUM}
    for each in worst:
        slow = each.source.startswith(("held", "ground", "hum"))
        common = factors.common_slow if slow else factors.common_fast
        wanted = each.volts * (
            common if each.kind in (Kind.COMMON, Kind.HUM) else factors.differential
        )
        assert found[each.begin, each.source, each.kind] == pytest.approx(wanted)


def test_gain_scales_what_couples() -> None:
    plan = replace(ALL, dropouts=())
    history = [(0, Arc.CUTTING)]
    once = told(1, history, plan).episodes(0, LONGEST)
    twice = told(1, history, replace(plan, gain=2.0)).episodes(0, LONGEST)
    assert [e.volts * 2 for e in once] == pytest.approx([e.volts for e in twice])


def test_what_is_faint_is_not_told() -> None:
    far = Routing(0.5, 5000.0, bonded_table=True, isolated=True)
    made = Disturbances(replace(PLASMA, transients=(Transients(4.0),)), far, 0)
    made.arc(0, Arc.CUTTING)
    found = made.episodes(0, 100 * SECOND)
    assert all(abs(each.volts) >= FAINT_VOLTS for each in found)
    assert not of(found, "transients")


# --- what is refused


def test_the_arc_does_not_go_back() -> None:
    made = Disturbances(PLASMA, WORST, 0)
    made.arc(5, Arc.PILOT)
    with pytest.raises(UsageError, match="arc state at 4 ns: the one before was at 5 ns"):
        made.arc(4, Arc.OFF)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Bursts(-1.0),
        lambda: Bursts(1.0, longest_ns=20 * SECOND),
        lambda: Steps(1.0, 200.0),
        lambda: Dropouts(1.0),
        lambda: Dropouts(0.1, 10),
        lambda: Gilbert.of(0.0, 4.0),
        lambda: Gilbert.of(0.9, 2.0),
        lambda: Gilbert.of(0.1, 0.5),
        lambda: Gilbert(0.9, 0.2).renewals,
    ],
)
def test_numbers_out_of_range_are_refused(make: object) -> None:
    with pytest.raises(UsageError, match=r"give|no memory"):
        make()  # type: ignore[operator]
