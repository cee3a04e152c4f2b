"""The statistics of a link against published values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from kerfbus.bench.confidence import (
    Claim,
    clopper_pearson,
    compare,
    fisher_exact,
    trials_needed,
    upper_bound,
)
from kerfbus.bench.errors import UsageError

# scipy's documentation, BinomTestResult.proportion_ci: the example 7 of 50 at 95 %.
SCIPY_EXAMPLE = (7, 50, 0.05819170034, 0.26739600250)
# R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 5 (exact); the inputs
# are from memory, the values are those that the definition gives.
NEWCOMBE = [
    (81, 263, 0.2527, 0.3676),
    (15, 148, 0.0578, 0.1617),
    (0, 20, 0.0, 0.1684),
    (1, 29, 0.0009, 0.1776),
]
# An instrument maker's guide to error-rate tests, table 25: 95 % upper limit of the expected number
# of errors when 0 to 6 were seen.
UPPER_95 = [2.996, 4.744, 6.296, 7.754, 9.154, 10.51, 11.84]


def test_example_of_the_scipy_documentation() -> None:
    errors, trials, low, high = SCIPY_EXAMPLE
    assert clopper_pearson(errors, trials) == pytest.approx((low, high), abs=1e-10)


def test_nist_handbook_example() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1, 4 of 20 at 90 %: from memory .071354 to .401029.

    Its last digits differ from what the definition gives; these are the recomputed ones.
    """
    assert clopper_pearson(4, 20, 0.90) == pytest.approx((0.0713539, 0.4010281), abs=1e-7)


@pytest.mark.parametrize(("errors", "trials", "low", "high"), NEWCOMBE)
def test_newcombe_table(errors: int, trials: int, low: float, high: float) -> None:
    assert clopper_pearson(errors, trials) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("confidence", "product"), [(0.90, 2.3026), (0.95, 2.9957), (0.99, 4.6052)]
)
def test_length_of_a_test_without_errors(confidence: float, product: float) -> None:
    """N = -ln(1 - CL) / BER, the usual formula; exact for small rates."""
    rate = 1e-6
    assert trials_needed(rate, confidence) * rate == pytest.approx(product, abs=1e-4)


@pytest.mark.parametrize(("errors", "product"), list(enumerate(UPPER_95)))
def test_length_of_a_test_with_errors(errors: int, product: float) -> None:
    rate = 1e-6
    assert trials_needed(rate, 0.95, errors) * rate == pytest.approx(product, abs=6e-4 * product)


def test_rule_of_three() -> None:
    """J. A. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743 (memory): 3/n; 1 - 0.05**(1/n)."""
    assert upper_bound(0, 100) == pytest.approx(0.029513, abs=5e-7)
    assert upper_bound(0, 10_000) == pytest.approx(3 / 10_000, rel=2e-3)


@given(st.integers(0, 40), st.sampled_from((1e-2, 1e-3, 1e-5)), st.sampled_from((0.9, 0.95, 0.99)))
def test_the_needed_number_is_the_smallest(errors: int, rate: float, confidence: float) -> None:
    needed = trials_needed(rate, confidence, errors)
    assert upper_bound(errors, needed, confidence) <= rate * (1 + 1e-9)
    assert upper_bound(errors, needed - 1, confidence) > rate


def test_a_claim_without_errors_stands_when_the_interval_has_come_down() -> None:
    claim = Claim(1e-3)
    needed = claim.needed(0)
    assert clopper_pearson(0, needed)[1] <= 1e-3 < clopper_pearson(0, needed - 1)[1]
    assert needed * 1e-3 == pytest.approx(-math.log(0.025), rel=1e-3)


def chance_of_claiming(lengths: list[int], rate: float) -> float:
    """Return how probable it is that a link of this rate is ever claimed to be better.

    Exact: the distribution of errors among those that were not claimed yet, carried from look to
    look. A look is at the length that so many errors need.
    """
    alive, done, claimed = {0: 1.0}, 0, 0.0
    for allowed, length in enumerate(lengths):
        law = stats.binom.pmf(range(60), length - done, rate)
        after: dict[int, float] = {}
        for errors, chance in alive.items():
            for more, share in enumerate(law):
                after[errors + more] = after.get(errors + more, 0.0) + chance * share
        claimed += sum(chance for errors, chance in after.items() if errors <= allowed)
        alive = {errors: chance for errors, chance in after.items() if errors > allowed}
        done = length
    return claimed


def test_going_on_after_errors_is_paid_for() -> None:
    """A link just as bad as the claim denies is claimed to be good in at most 5 % of soaks."""
    rate, claim = 0.01, Claim(0.01)
    honest = [claim.needed(errors) for errors in range(12)]
    naive = [trials_needed(rate, 0.95, errors) for errors in range(12)]
    assert chance_of_claiming(honest, rate) <= 0.05
    assert chance_of_claiming(naive, rate) > 0.15  # what the shares of the risk are for


@pytest.mark.parametrize(
    ("first", "second"),
    [((3, 1000), (10, 900)), ((0, 50), (7, 50)), ((5, 5), (0, 9)), ((1, 20), (2, 21))],
)
def test_fisher_against_scipy(first: tuple[int, int], second: tuple[int, int]) -> None:
    table = [[first[0], first[1] - first[0]], [second[0], second[1] - second[0]]]
    assert fisher_exact(first, second) == pytest.approx(stats.fisher_exact(table).pvalue, rel=1e-9)


def test_lady_tasting_tea() -> None:
    """R. A. Fisher, The Design of Experiments, II (from memory): 3 of 4 right, p = 34/70."""
    assert fisher_exact((3, 4), (1, 4)) == pytest.approx(34 / 70)


@pytest.mark.parametrize(
    ("first", "second"), [((12, 1000), (4, 1000)), ((30, 4000), (2, 900)), ((1, 50), (6, 70))]
)
def test_ratio_of_rates_by_definition(first: tuple[int, int], second: tuple[int, int]) -> None:
    """At either end of the interval what was seen, or more extreme, has a probability of 2.5 %."""
    found = compare(first, second)
    (errors, trials), (others, other_trials) = first, second
    assert found.ratio == pytest.approx((errors / trials) / (others / other_trials))
    for end, chance in zip(found.interval, ("above", "below"), strict=True):
        assert end is not None
        law = stats.binom(errors + others, end * trials / (end * trials + other_trials))
        tail = law.sf(errors - 1) if chance == "above" else law.cdf(errors)
        assert tail == pytest.approx(0.025, rel=1e-6)


def test_nothing_to_compare() -> None:
    assert compare((0, 0), (3, 9)).p_value == 1.0
    assert compare((0, 50), (0, 70)).ratio is None
    one_sided = compare((4, 50), (0, 70))
    assert one_sided.ratio is None
    assert one_sided.interval[0] is not None
    assert one_sided.interval[1] is None


@pytest.mark.parametrize(
    ("text", "rate", "confidence"),
    [("1e-4@0.95", 1e-4, 0.95), ("0.1%@99%", 1e-3, 0.99), ("0.01", 0.01, 0.95)],
)
def test_claims_as_typed(text: str, rate: float, confidence: float) -> None:
    claim = Claim.parse(text)
    assert (claim.rate, claim.confidence) == pytest.approx((rate, confidence))


@pytest.mark.parametrize("text", ["", "much", "0@0.95", "1e-3@1", "1e-3@", "nan", "2@0.9", "@0.9"])
def test_claims_that_are_none(text: str) -> None:
    with pytest.raises(UsageError, match="claim"):
        Claim.parse(text)


def test_too_many_errors_refuse_a_claim() -> None:
    claim = Claim(1e-3)
    assert not claim.refused(2, 10)  # too few to say anything
    assert claim.refused(5, 100)
    assert not claim.refused(5, 5000)
