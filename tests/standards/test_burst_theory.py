"""Bursts of the simulated pair against their theory and against published geometry.

Every comparison of a frequency with theory is a test at 99 % confidence with a fixed seed: were the
model right and the seed free, one seed in a hundred would fail it.
"""

from __future__ import annotations

import random
from itertools import groupby, pairwise
from math import log, sqrt

import pytest
from scipy import stats

from kerfbus.sim.pair.coupling import WORST
from kerfbus.sim.pair.episodes import Episode, Kind
from kerfbus.sim.pair.gilbert import Gilbert
from kerfbus.sim.pair.noise import Disturbances
from kerfbus.sim.pair.noiseplan import (
    MS,
    SECOND,
    US,
    Bursts,
    Dropouts,
    NoisePlan,
    Transients,
)
from kerfbus.sim.pair.talk import Arc

CONFIDENCE = 0.99
STEP_NS = 1 * MS
"""Of the sampled two-state channel."""
STEPS = 400_000


def told(plan: NoisePlan, seed: int, state: Arc = Arc.OFF) -> Disturbances:
    made = Disturbances(plan, WORST, seed)
    made.arc(0, state)
    return made


def chain(channel: Gilbert, seed: int) -> list[bool]:
    """Return whether the contact is open at each of `STEPS` steps of a discrete channel."""
    share = channel.bad_share
    mean_open = STEP_NS / (channel.renewals * (1.0 - share))
    made = told(NoisePlan(dropouts=(Dropouts(share, round(mean_open)),)), seed)
    bad = [False] * STEPS
    for each in made.episodes(0, STEPS * STEP_NS):
        for step in range(-(-each.begin // STEP_NS), min(-(-each.end // STEP_NS), STEPS)):
            bad[step] = True
    return bad


def runs(bad: list[bool]) -> list[int]:
    """Return the lengths of the bad runs, without those that touch an end."""
    lengths = [(state, len(list(steps))) for state, steps in groupby(bad)]
    return [length for state, length in lengths[1:-1] if state]


# --- two states


def test_closed_form_reproduces_the_published_example() -> None:
    # Ghanbari, Standard Codecs, appendix E, E.1 to E.4: P .01, B 4 -> a .25, b .00252525
    channel = Gilbert.of(0.01, 4.0)
    assert channel.to_good == 0.25
    assert channel.to_bad == pytest.approx(0.00252525, abs=5e-9)
    assert channel.bad_share == pytest.approx(0.01)
    assert channel.mean_burst == 4.0
    assert sum(channel.burst_share(n) for n in range(1, 200)) == pytest.approx(1.0)
    assert sum(n * channel.burst_share(n) for n in range(1, 400)) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("share", "burst", "seed"), [(0.01, 4.0, 11), (0.1, 4.0, 12), (0.2, 20.0, 13)]
)
def test_a_contact_opens_as_the_closed_form_says(share: float, burst: float, seed: int) -> None:
    # Ghanbari, as above: share of bad steps, mean length and distribution of bad runs
    channel = Gilbert.of(share, burst)
    bad = chain(channel, seed)
    z = stats.norm.ppf(0.5 + CONFIDENCE / 2)
    left = 1.0 - channel.to_good - channel.to_bad
    deviation = sqrt(share * (1 - share) / STEPS * (1 + left) / (1 - left))
    assert abs(sum(bad) / STEPS - share) < z * deviation

    lengths = runs(bad)
    geometric = sqrt(1 - channel.to_good) / channel.to_good
    assert abs(sum(lengths) / len(lengths) - burst) < z * geometric / sqrt(len(lengths))
    assert chi_square(lengths, channel) > 1 - CONFIDENCE


def chi_square(lengths: list[int], channel: Gilbert) -> float:
    """Return the p-value of run lengths against the geometric law, in cells that expect 8."""
    seen, expected, left = [], [], 1.0
    length, got, want = 0, 0, 0.0
    while left * len(lengths) > 16:
        length += 1
        got += lengths.count(length)
        want += channel.burst_share(length) * len(lengths)
        left -= channel.burst_share(length)
        if want >= 8:
            seen.append(got)
            expected.append(want)
            got, want = 0, 0.0
    seen.append(len(lengths) - sum(seen))
    expected.append(len(lengths) - sum(expected))
    return float(stats.chisquare(seen, expected).pvalue)


def test_errors_of_both_states_have_the_general_mean() -> None:
    # Gilbert-Elliott: mean = (eG pBG + eB pGB) / (pGB + pBG): textbook, MEMORY in our references
    channel, good, worse = Gilbert.of(0.05, 10.0), 0.002, 0.3
    draw, seeds = random.Random(21), range(22, 27)
    steps = STEPS * len(seeds)
    errors = sum(
        draw.random() < (worse if bad else good) for seed in seeds for bad in chain(channel, seed)
    )
    mean = channel.error_rate(good, worse)
    assert mean == pytest.approx(0.95 * good + 0.05 * worse)
    left = 1.0 - channel.to_good - channel.to_bad
    spread = 0.05 * 0.95 * (worse - good) ** 2
    variance = mean * (1 - mean) + 2 * spread * left / (1 - left)
    z = stats.norm.ppf(0.5 + CONFIDENCE / 2)
    assert abs(errors / steps - mean) < z * sqrt(variance / steps)


def test_open_and_shut_times_are_exponential() -> None:
    # the chain in continuous time (textbook): both sojourns are exponential
    share, mean_open = 0.25, 40 * MS
    made = told(NoisePlan(dropouts=(Dropouts(share, mean_open),)), 31)
    joined: list[list[int]] = []
    for each in made.episodes(0, 400 * SECOND):
        if joined and joined[-1][1] == each.begin:
            joined[-1][1] = each.end
        else:
            joined.append([each.begin, each.end])
    opens = [end - begin for begin, end in joined]
    shuts = [after[0] - before[1] for before, after in pairwise(joined)]
    assert len(opens) > 2000
    assert stats.kstest(opens, stats.expon(scale=mean_open).cdf).pvalue > 1 - CONFIDENCE
    mean_shut = mean_open * (1 - share) / share
    assert stats.kstest(shuts, stats.expon(scale=mean_shut).cdf).pvalue > 1 - CONFIDENCE


# --- Poisson and lognormal


def bursts(seconds: int, seed: int) -> list[Episode]:
    plan = NoisePlan(bursts={Arc.OFF: Bursts(50.0), Arc.CUTTING: Bursts(2.0)})
    found = told(plan, seed, Arc.CUTTING).episodes(0, seconds * SECOND)
    return [each for each in found if each.kind is Kind.SIGMA]


def test_bursts_are_a_poisson_process_at_their_states_rate() -> None:
    # thinned from the highest rate of all states, which is 25 times as high here
    found = bursts(2000, 41)
    low, high = stats.poisson.interval(CONFIDENCE, 2.0 * 2000)
    assert low <= len(found) <= high
    gaps = [(b.begin - a.begin) / SECOND for a, b in pairwise(found)]
    assert stats.kstest(gaps, stats.expon(scale=0.5).cdf).pvalue > 1 - CONFIDENCE
    counts = [0] * 2000
    for each in found:
        counts[each.begin // SECOND] += 1
    dispersion = sum((n - 2.0) ** 2 / 2.0 for n in counts)
    low, high = stats.chi2.interval(CONFIDENCE, len(counts))
    assert low <= dispersion <= high


def test_durations_and_strengths_are_lognormal() -> None:
    found, plan = bursts(1000, 42), Bursts(2.0)
    lengths = [log((each.end - each.begin) / plan.median_ns) / plan.spread for each in found]
    assert stats.kstest(lengths, stats.norm.cdf).pvalue > 1 - CONFIDENCE
    volts = [log(each.volts / plan.volts) / plan.volts_spread for each in found]
    assert stats.kstest(volts, stats.norm.cdf).pvalue > 1 - CONFIDENCE


def test_most_bursts_of_a_cut_last_as_long_as_the_noise_model_says() -> None:
    # the bench's noise model (invented): CUT 0.2 to 3 ms; as two deviations to either side
    found = bursts(1000, 43)
    inside = sum(0.2 * MS <= each.end - each.begin <= 3 * MS for each in found)
    assert inside / len(found) > 0.93


# --- fast transients


@pytest.mark.parametrize(("hertz", "train_ns"), [(5e3, 15 * MS), (100e3, 750 * US)])
def test_fast_transients_have_the_geometry_of_the_test(hertz: float, train_ns: int) -> None:
    # IEC 61000-4-4 by way of secondary texts: 75 pulses, 5 kHz 15 ms or 100 kHz 0.75 ms, 300 ms
    plan = Transients(4.0, hertz)
    assert plan.train_ns == train_ns
    found = told(NoisePlan(transients=(plan,)), 51).episodes(0, 31 * 300 * MS)
    begins = [each.begin for each in found]
    starts = [begins[0], *(b for a, b in pairwise(begins) if b - a > 100 * MS)]
    assert {b - a for a, b in pairwise(starts[1:])} == {300 * MS}
    for start in starts[1:-1]:
        train = [each for each in begins if start <= each < start + 300 * MS]
        assert len(train) == 75
        assert {b - a for a, b in pairwise(train)} == {round(SECOND / hertz)}
        assert train[-1] + round(SECOND / hertz) - start == train_ns


@pytest.mark.parametrize(
    ("baud", "octets", "hertz", "published"),
    [
        (9600, 25, 5e3, 0.145),
        (19200, 8, 5e3, 0.065),
        (19200, 25, 5e3, 0.098),
        (115200, 25, 5e3, 0.058),
        (9600, 25, 100e3, 0.098),
        (19200, 8, 100e3, 0.018),
        (19200, 25, 100e3, 0.050),
        (115200, 25, 100e3, 0.010),
    ],
)
def test_as_many_frames_are_hit_as_calculated(
    baud: int, octets: int, hertz: float, published: float
) -> None:
    # calculated (t_frame + t_burst) / 300 ms, 11 bit a byte; by simulation at 99 %
    frame_ns = round(octets * 11 * SECOND / baud)
    made = told(NoisePlan(transients=(Transients(4.0, hertz),)), 61)
    draw = random.Random(f"{baud} {octets} {hertz}")
    times = sorted(draw.randrange(100 * 300 * MS) for _ in range(20_000))
    hits = sum(bool(made.episodes(at, at + frame_ns)) for at in times)
    interval = stats.binomtest(hits, len(times)).proportion_ci(CONFIDENCE)
    calculated = (frame_ns + Transients(4.0, hertz).train_ns) / (300 * MS)
    assert round(calculated, 3) == published
    assert interval.low <= calculated <= interval.high
