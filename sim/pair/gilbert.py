"""The two-state channel of Gilbert and Elliott in closed form.

A good and a bad state; a step goes from good to bad with probability b and back with a. Sources:
Ghanbari, Standard Codecs, appendix E, equations E.1 to E.4 (bad is always an error); the general
mean is textbook knowledge.
"""

from __future__ import annotations

from math import log1p
from typing import NamedTuple, Self

from kerfbus.bench.errors import UsageError


class Gilbert(NamedTuple):
    """The channel in discrete steps.

    Attributes:
        to_good: a, probability in a step of leaving the bad state.
        to_bad: b, probability in a step of leaving the good state.
    """

    to_good: float
    to_bad: float

    @classmethod
    def of(cls, bad_share: float, mean_burst: float) -> Self:
        """Return the channel with a share of bad steps and a mean length of bad runs.

        Args:
            bad_share: P, above 0 and below 1.
            mean_burst: B, in steps, 1 or more.

        Raises:
            UsageError: there is no such channel.
        """
        if not 0.0 < bad_share < 1.0:
            raise UsageError(f"share of bad steps {bad_share:g}: give more than 0, less than 1")
        to_bad = bad_share / (mean_burst * (1.0 - bad_share)) if mean_burst >= 1.0 else 2.0
        if to_bad > 1.0:
            raise UsageError(
                f"mean burst {mean_burst:g}: give at least 1, and enough for the share"
            )
        return cls(1.0 / mean_burst, to_bad)

    @property
    def bad_share(self) -> float:
        """Return P = b / (a + b)."""
        return self.to_bad / (self.to_good + self.to_bad)

    @property
    def mean_burst(self) -> float:
        """Return the mean length of bad runs, 1 / a, in steps."""
        return 1.0 / self.to_good

    def burst_share(self, length: int) -> float:
        """Return the share of bad runs that are `length` steps long: geometric."""
        return self.to_good * (1.0 - self.to_good) ** (length - 1)

    def error_rate(self, good: float, bad: float) -> float:
        """Return the mean error probability where the states have these, each 0 to 1."""
        return (good * self.to_good + bad * self.to_bad) / (self.to_good + self.to_bad)

    @property
    def renewals(self) -> float:
        """Return the renewals a step of the chain in continuous time that looks like this.

        At the renewals, which are Poisson, it falls bad with P and good with 1 - P, whatever it
        was; over a step something of the past is left with probability ``1 - a - b``.

        Raises:
            UsageError: a + b is 1 or more: no such chain in continuous time.
        """
        if self.to_good + self.to_bad >= 1.0:
            raise UsageError("a + b of 1 or more: no memory that continuous time could give")
        return -log1p(-self.to_good - self.to_bad)
