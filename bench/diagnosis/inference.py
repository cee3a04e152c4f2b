"""From findings to probabilities of causes: a network of two layers, computed exactly.

Each form of a cause shows each phenomenon with the probability that the table says. Two causes at
once show a phenomenon when either does (noisy or), so that the marks of one do not speak against
the other. A finding is soft evidence: it multiplies the odds that its phenomenon is there. For a
set S of causes the likelihood is

    product over observations of  p(S) * exp(factor) + 1 - p(S)

and all sets of no, one and two causes are gone through. Observations of one capture are not quite
independent; the logarithm is therefore divided by a temperature that was fitted so that the
probabilities keep what they promise. Sources: noisy or, J. Pearl, Probabilistic Reasoning in
Intelligent Systems (1988), chapter 4 (MEMORY); temperature, C. Guo et al., ICML 2017 (MEMORY).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.diagnosis.causes import CAUSES, HEALTHY, Cause, Form
from kerfbus.bench.diagnosis.evidence import Finding
from kerfbus.bench.diagnosis.level import NEVER, SOUND, probability
from kerfbus.bench.diagnosis.looking import OBSERVATIONS

Floats = NDArray[np.float64]
TEMPERATURE = 1.0
"""By which log likelihoods are divided; fitted on simulated captures of two line models."""
DILUTED = 0.5
"""Part of the chance to see a share above its expectation that is left where a second cause adds
cases of its own (chosen)."""
HEALTHY_PRIOR = 0.25
"""Of a link that is looked into (chosen)."""
PAIR_PRIOR = 0.1
"""That two things are wrong at once (chosen)."""


class Ranked(NamedTuple):
    """A cause and how likely it is the one to see to.

    Attributes:
        cause: the cause.
        probability: 0 to 1; all of them and the healthy link sum to 1.
        form: the likeliest form.
        together: the cause that is likeliest there as well, "" when one explains it.
    """

    cause: Cause
    probability: float
    form: Form
    together: str


@dataclass(frozen=True)
class Belief:
    """What findings lead to.

    Attributes:
        ranked: causes in falling order of probability.
        healthy: probability that nothing is wrong.
        both: probability that two causes are there.
    """

    ranked: list[Ranked]
    healthy: float
    both: float


class Network:
    """The table of causes as numbers, for one vantage.

    Args:
        vantage: client, server or tap.
        causes: the table.
    """

    def __init__(self, vantage: str, causes: Sequence[Cause] = CAUSES) -> None:
        self.forms = [
            (cause, form)
            for cause in causes
            if vantage in cause.seen_by
            for form in cause.forms
            if vantage in form.at
        ]
        self.names = list(OBSERVATIONS)
        chances = [each.chance for each in OBSERVATIONS.values()]
        self._shown = np.array([_row(form.shows, vantage, chances) for _, form in self.forms])
        own = [cause.slug for cause, _ in self.forms]
        ones, others = np.triu_indices(len(own), 1)
        apart = np.array([own[a] != own[b] for a, b in zip(ones, others, strict=True)], dtype=bool)
        self._ones, self._others = ones[apart], others[apart]
        rest = np.array(chances)
        pairs = 1 - (1 - self._shown[self._ones]) * (1 - self._shown[self._others]) / (1 - rest)
        pairs *= np.where([each.share for each in OBSERVATIONS.values()], DILUTED, 1.0)
        nothing = [_row(HEALTHY, vantage, [SOUND * chance for chance in chances])]
        self._sets = np.vstack((nothing, self._shown, np.clip(pairs, rest, 0.97)))
        self._prior = np.log(self._priors())

    def _priors(self) -> Floats:
        """Return the prior of each set: nothing, each form, each pair."""
        count: dict[str, float] = {}
        for cause, form in self.forms:
            count[cause.slug] = count.get(cause.slug, 0.0) + form.weight
        single = np.array(
            [cause.weight * form.weight / count[cause.slug] for cause, form in self.forms]
        )
        single /= single.sum()
        pairs = single[self._ones] * single[self._others]
        pairs /= pairs.sum()
        rest = 1 - HEALTHY_PRIOR
        return np.concatenate(
            ([HEALTHY_PRIOR], single * rest * (1 - PAIR_PRIOR), pairs * rest * PAIR_PRIOR)
        )

    def believe(self, findings: Mapping[str, Finding], temperature: float = TEMPERATURE) -> Belief:
        """Return the probabilities that findings lead to."""
        odds = np.exp([findings[name].factor for name in self.names])
        likelihood = np.log(self._sets * odds + 1 - self._sets).sum(axis=1)
        score = self._prior + likelihood / temperature
        weight = np.exp(score - score.max())
        weight /= weight.sum()
        many = len(self.forms)
        single, pairs = weight[1 : many + 1], weight[many + 1 :]
        # Of two causes at once each is the one to see to in half of the cases.
        share = single.copy()
        np.add.at(share, self._ones, pairs / 2)
        np.add.at(share, self._others, pairs / 2)
        return Belief(self._ranked(share, pairs), float(weight[0]), float(pairs.sum()))

    def _ranked(self, share: Floats, pairs: Floats) -> list[Ranked]:
        total: dict[str, float] = {}
        best: dict[str, int] = {}
        for index, (cause, _) in enumerate(self.forms):
            total[cause.slug] = total.get(cause.slug, 0.0) + float(share[index])
            if cause.slug not in best or share[index] > share[best[cause.slug]]:
                best[cause.slug] = index
        ordered = sorted(total, key=lambda slug: -total[slug])
        return [
            Ranked(
                self.forms[best[slug]][0],
                total[slug],
                self.forms[best[slug]][1],
                self._companion(slug, total[slug], pairs),
            )
            for slug in ordered
        ]

    def _companion(self, slug: str, share: float, pairs: Floats) -> str:
        """Return the cause that is likeliest there together with one, "" when that is unlikely."""
        found: dict[str, float] = {}
        for one, other, weight in zip(self._ones, self._others, pairs, strict=True):
            names = self.forms[one][0].slug, self.forms[other][0].slug
            if slug in names:
                name = names[names[0] == slug]
                found[name] = found.get(name, 0.0) + float(weight) / 2
        best = max(found, key=lambda name: found[name], default="")
        return best if best and found[best] > share / 2 else ""

    def pull(self, form: Form, findings: Mapping[str, Finding]) -> list[tuple[str, float]]:
        """Return how much each observation speaks for a form against the others, most first."""
        index = next(i for i, (_, each) in enumerate(self.forms) if each is form)
        odds: Any = np.exp([findings[name].factor for name in self.names])
        logs = np.log(self._shown * odds + 1 - self._shown)
        mean = np.log(np.exp(logs).mean(axis=0))
        pulls = logs[index] - mean
        order = np.argsort(-pulls)
        return [(self.names[at], float(pulls[at])) for at in order]


def _row(shows: Mapping[str, str], vantage: str, chances: Sequence[float]) -> list[float]:
    """Return how likely each observation is made where these are shown."""
    return [
        probability(shows.get(name, NEVER), vantage, chance)
        for name, chance in zip(OBSERVATIONS, chances, strict=True)
    ]
