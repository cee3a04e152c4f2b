"""How strongly counts speak for a phenomenon: Bayes factors of simple, named questions.

Each function answers one question about counts with the logarithm (natural) of the factor by which
the odds of the phenomenon change: above 0 speaks for it, below 0 against, near 0 says that there is
too little to tell. Source: conjugate analysis of the binomial with beta priors (textbook); the
priors are chosen and stated. Factors are bounded, and many counts are taken as fewer of the same
proportion: a difference that only ten thousand cases can show is none that names a cause.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, log, log1p

from scipy.special import betainc, betaln

STRONGEST = 7.0
"""Bound of a log factor: odds of about 1 to 1000 (chosen: no single question settles a case)."""
COUNTED = 300.0
"""Most cases that a comparison of proportions counts (chosen: the size of a usual capture)."""
LEAK = 4e-4
"""Share of exchanges that go wrong on a link that nobody would call faulty (chosen)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer to one question about a capture.

    Attributes:
        name: of the observation.
        factor: log Bayes factor for the phenomenon.
        count: in how many cases it showed.
        of: of how many.
        expected: how many would show it by chance; None where that has no meaning.
        episodes: exchanges that show it, by index.
        frames: printed frames that show it.
        note: what else a person should know, "" for nothing.
    """

    name: str
    factor: float
    count: float = 0
    of: float = 0
    expected: float | None = None
    episodes: tuple[int, ...] = ()
    frames: tuple[int, ...] = field(default=())
    note: str = ""


def bounded(factor: float) -> float:
    """Return a log factor within its bounds."""
    return max(-STRONGEST, min(STRONGEST, factor))


def _fewer(count: float, of: float) -> tuple[float, float]:
    scale = min(1.0, COUNTED / of) if of else 1.0
    return count * scale, of * scale


def present(count: float, of: float, leak: float = LEAK) -> float:
    """Return how strongly `count` of `of` say that something happens beyond a leak.

    The rate, if it happens, is from a beta distribution (0.5, 6): mostly below 20 %.

    >>> present(0, 300) < -1.5 < 0 < present(2, 300) < present(30, 300)
    True
    """
    if not of:
        return 0.0
    happens = betaln(0.5 + count, 6 + of - count) - betaln(0.5, 6)
    leaks = count * log(leak) + (of - count) * log1p(-leak)
    factor = bounded(float(happens - leaks))
    return factor if count > leak * of else min(factor, -0.5)


def above(count: float, of: float, chance: float) -> float:
    """Return how strongly `count` of `of` say that a share is above chance.

    If it is, it is anything from chance to 1, with equal density.

    >>> above(0, 0, 0.1)
    0.0
    >>> above(6, 6, 0.1) > 5 > 0 > above(1, 10, 0.1)
    True
    """
    if not of:
        return 0.0
    chance = min(max(chance, 1e-3), 0.97)
    count, of = _fewer(count, of)
    rest = max(of - count, 0.0)
    beyond = 1 - float(betainc(count + 1, rest + 1, chance))
    if beyond < 1e-9:
        return -STRONGEST
    more = float(betaln(count + 1, rest + 1)) + log(beyond) - log1p(-chance)
    equal = count * log(chance) + rest * log1p(-chance)
    return bounded(more - equal)


def worse(count: float, of: float, other: float, other_of: float) -> float:
    """Return how strongly two proportions say that the first is the larger one.

    Against it stands that both are one. Each proportion has a flat prior.

    >>> worse(20, 50, 0, 200) > 5 > 0 > worse(5, 50, 22, 200)
    True
    """
    if not of or not other_of:
        return 0.0
    count, of = _fewer(count, of)
    other, other_of = _fewer(other, other_of)
    apart = betaln(count + 1, of - count + 1) + betaln(other + 1, other_of - other + 1)
    both = betaln(count + other + 1, of + other_of - count - other + 1)
    # The prior gives half of the weight to each order.
    mean, mean_other = (count + 1) / (of + 2), (other + 1) / (other_of + 2)
    spread = (mean * (1 - mean) / (of + 3) + mean_other * (1 - mean_other) / (other_of + 3)) ** 0.5
    side = 1 / (1 + exp(-1.7 * max(-30.0, min(30.0, (mean - mean_other) / spread))))
    return bounded(float(apart - both) + log(2 * side + 1e-9))


def more_than(count: float, expected: float) -> float:
    """Return how strongly a count says that it is more than chance leads to expect (Poisson).

    If it is more, the ratio is from 1 to 30 with equal density of its logarithm.
    """
    if expected <= 0:
        return STRONGEST if count >= 2 else 0.0
    ratios = [30 ** (step / 24) for step in range(1, 25)]
    logs = [count * log(ratio) - expected * (ratio - 1) for ratio in ratios]
    best = max(logs)
    total = sum(exp(each - best) for each in logs) / len(logs)
    return bounded(best + log(total))
