"""How sure a count makes us: exact intervals, the length of a test, two conditions compared.

Counts are of transactions, each of which went wrong or did not, with the same chance and
independently. Errors on a line come in bursts, so a long quiet run followed by a bad minute breaks
that assumption; whoever shows an interval should show when the errors were, too.

Sources: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413 (the interval); R. A. Fisher,
Statistical Methods for Research Workers (the exact test of a two-by-two table); the conditional
interval of a ratio of two Poisson rates is that of a binomial share (J. Przyborowski and
H. Wilenski, Biometrika 31 (1940) 313-323). The last two from memory; tests hold them to scipy and
to the definitions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import bdtr, betaincinv  # not scipy.stats: it takes a second to import

from kerfbus.bench.errors import UsageError

CONFIDENCE = 0.95
METHOD = "Clopper-Pearson"
MAX_NEEDED = 10**15
"""Longer tests than this are not planned: at 200 transactions a second 150,000 years."""
FEWEST_TO_REFUSE = 3
"""With fewer errors than this nothing is refused yet (chosen): a single early one proves little."""


def clopper_pearson(
    errors: int, trials: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Return the exact two-sided interval of a proportion.

    By way of the quantiles of the beta distribution. Without a trial nothing is known: 0 to 1.

    >>> low, high = clopper_pearson(0, 10)
    >>> low, round(high, 4)
    (0.0, 0.3085)

    Args:
        errors: how many went wrong, 0 to `trials`.
        trials: how many there were.
        confidence: between 0 and 1.
    """
    tail = (1 - confidence) / 2
    low = float(betaincinv(errors, trials - errors + 1, tail)) if errors else 0.0
    high = float(betaincinv(errors + 1, trials - errors, 1 - tail)) if errors < trials else 1.0
    return low, high


def upper_bound(errors: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """Return the exact one-sided upper bound of a proportion.

    With no error in n trials it is ``1 - (1 - confidence)**(1/n)``, about 3/n at 95 %.

    >>> round(upper_bound(0, 100), 6)
    0.029513
    """
    if errors >= trials:
        return 1.0
    return float(betaincinv(errors + 1, trials - errors, confidence))


def trials_needed(rate: float, confidence: float = CONFIDENCE, errors: int = 0) -> int:
    """Return the shortest test of a length fixed beforehand that shows a rate below `rate`.

    With at most `errors` of that many trials wrong, the one-sided upper bound is `rate` or less.

    >>> trials_needed(1e-3), trials_needed(1e-3, errors=1)
    (2995, 4742)

    Raises:
        UsageError: rate or confidence is not between 0 and 1, or no such test is short enough.
    """
    _check("rate", rate)
    _check("confidence", confidence)
    return _shortest(rate, 1 - confidence, errors)


def _shortest(rate: float, risk: float, errors: int) -> int:
    """Return the fewest trials in which so few errors have a probability of at most `risk`."""
    low, high = errors, max(errors + 1, math.ceil(1 / rate))
    while bdtr(errors, high, rate) > risk:
        low, high = high, 2 * high
        if high > MAX_NEEDED:
            raise UsageError(f"a rate below {rate:g} needs more than {MAX_NEEDED:g} transactions")
    while high - low > 1:
        middle = (low + high) // 2
        if bdtr(errors, middle, rate) > risk:
            low = middle
        else:
            high = middle
    return high


def _check(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise UsageError(f"{name} {value:g}: give more than 0 and less than 1")


@dataclass(frozen=True, slots=True)
class Claim:
    """That fewer than `rate` of all transactions go wrong, to be shown by a test without fixed end.

    A test that goes on after each error, until the bound of the moment is low enough, claims too
    much: at "95 %" it would be wrong in 23 % of cases, because it looks again and again. Here each
    look has its own share of the risk, 1/((k+1)(k+2)) after k errors; the shares add up to the
    whole, so the claim is wrong at most as often as `confidence` says. The first share is a half,
    hence without an error the claim stands when the upper end of the two-sided Clopper-Pearson
    interval has come down to `rate`.

    Args:
        rate: between 0 and 1.
        confidence: between 0 and 1.

    Raises:
        UsageError: one of them is not.
    """

    rate: float
    confidence: float = CONFIDENCE

    def __post_init__(self) -> None:
        _check("rate", self.rate)
        _check("confidence", self.confidence)

    @classmethod
    def parse(cls, text: str) -> Claim:
        """Return the claim of a text such as ``1e-4@0.95``, ``0.1%@99%``, ``1e-4``.

        Raises:
            UsageError: it is none.
        """
        rate, at, confidence = text.partition("@")
        try:
            return cls(_share(rate), _share(confidence) if at else CONFIDENCE)
        except (ValueError, UsageError) as error:
            reason = f" ({error})" if isinstance(error, UsageError) else ""
            raise UsageError(
                f"claim {text!r}: give RATE@CONFIDENCE, e.g. 1e-4@0.95 or 0.1%@99%{reason}"
            ) from error

    def needed(self, errors: int) -> int:
        """Return how many transactions show it when `errors` of them went wrong."""
        risk = (1 - self.confidence) / ((errors + 1) * (errors + 2))
        return _shortest(self.rate, risk, errors)

    def shown(self, errors: int, trials: int) -> bool:
        """Return whether the counts show it."""
        return trials >= self.needed(errors)

    def refused(self, errors: int, trials: int) -> bool:
        """Return whether the counts show the opposite: so many errors are too many for `rate`.

        The looks share the risk here, too: 1/(k(k+1)) for the k-th error.
        """
        if errors < FEWEST_TO_REFUSE:
            return False
        risk = (1 - self.confidence) / (errors * (errors + 1))
        return 1 - float(bdtr(errors - 1, trials, self.rate)) <= risk

    def __str__(self) -> str:
        """Return e.g. ``below 0.0001 at 95 % confidence``."""
        return f"below {self.rate:g} at {100 * self.confidence:g} % confidence"


def _share(text: str) -> float:
    """Return a number, or one in per cent."""
    stripped = text.strip()
    if stripped.endswith("%"):
        return float(stripped[:-1]) / 100
    return float(stripped)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two conditions of one link, first against second.

    Attributes:
        p_value: Fisher's exact test, two-sided: how probable tables like this are without a
            difference; 1 when nothing was counted.
        ratio: rate of the first over rate of the second; None when the second has no errors.
        interval: of the ratio, exact, conditional on the sum of errors; an end that is not bounded
            is None.
        confidence: of the interval.
    """

    p_value: float
    ratio: float | None
    interval: tuple[float | None, float | None]
    confidence: float = CONFIDENCE


def compare(
    first: tuple[int, int], second: tuple[int, int], confidence: float = CONFIDENCE
) -> Comparison:
    """Compare two conditions, each given as (errors, trials).

    The interval of the ratio takes errors as rare (Poisson); for frequent ones it is a little too
    wide.
    """
    (errors, trials), (others, other_trials) = first, second
    if not trials or not other_trials:
        return Comparison(1.0, None, (None, None), confidence)
    ratio = (errors / trials) / (others / other_trials) if others else None
    if not errors + others:
        return Comparison(1.0, None, (None, None), confidence)
    low, high = clopper_pearson(errors, errors + others, confidence)
    ends = (_odds(low, trials, other_trials), _odds(high, trials, other_trials))
    return Comparison(fisher_exact(first, second), ratio, ends, confidence)


def _odds(share: float, trials: int, other_trials: int) -> float | None:
    """Return the ratio of rates at which the first has this share of all errors."""
    return share / (1 - share) * other_trials / trials if share < 1 else None


def fisher_exact(first: tuple[int, int], second: tuple[int, int]) -> float:
    """Return the two-sided p-value of Fisher's exact test for two (errors, trials).

    The sum of the probabilities of all tables with the same margins that are not more probable
    than the one seen. Memory is bounded by the number of errors, not of trials.
    """
    (errors, trials), (others, other_trials) = first, second
    total = errors + others
    lowest, highest = max(0, total - other_trials), min(total, trials)

    def weight(number: int) -> float:
        """Return the logarithm of a table's probability, but for what all have in common."""
        return _log_choose(trials, number) + _log_choose(other_trials, total - number)

    weights = [weight(number) for number in range(lowest, highest + 1)]
    top = max(weights)
    shares = [math.exp(each - top) for each in weights]
    within = math.exp(weight(errors) - top) * (1 + 1e-7)  # equal up to rounding, as in scipy
    return min(1.0, math.fsum(each for each in shares if each <= within) / math.fsum(shares))


def _log_choose(whole: int, part: int) -> float:
    """Return the logarithm of a binomial coefficient."""
    return math.lgamma(whole + 1) - math.lgamma(part + 1) - math.lgamma(whole - part + 1)
