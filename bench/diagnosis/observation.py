"""What an observation is, and the list of all.

An observation is one question about a capture that any physical line would answer: in words, and as
a function from the scene to a finding. Modules that hold observations register them here; the table
of causes (`kerfbus.bench.diagnosis.causes`) refers to them by name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from kerfbus.bench.diagnosis.evidence import Finding
from kerfbus.bench.diagnosis.scene import Scene

Look = Callable[[Scene], Finding]


@dataclass(frozen=True, slots=True)
class Observation:
    """A question about a capture.

    Attributes:
        name: as the table of causes spells it.
        what: the phenomenon in words, as it is said when it is there.
        look: answers it.
        chance: how likely it is seen though no cause that shows it is there.
        share: whether it compares a share of what is hurt, which a second cause dilutes.
    """

    name: str
    what: str
    look: Look
    chance: float
    share: bool


OBSERVATIONS: dict[str, Observation] = {}
"""All observations by name, in the order of registration."""


USUAL = 0.02
"""Chance of an observation that counts and compares (chosen: one in fifty)."""
PLAIN = 0.002
"""Chance of one that cannot be mistaken, such as an echo (chosen)."""


SHARES = frozenset(
    (
        "head-hurt",
        "tail-hurt",
        "single-bits",
        "same-bits",
        "after-edges",
        "tail-to-idle",
        "mostly-incomplete",
        "worse-with-arc",
        "in-runs",
        "in-blocks",
        "lone",
        "short-and-long",
        "strays-outnumber",
        "breaks",
        "strays-with-arc",
        "one-server",
        "one-talker",
        "some-requests-spared",
        "silent-blocks",
        "heads-when-quick",
        "request-heads-when-quick",
        "heads-lose-one-way",
        "ignored-in-runs",
        "mostly-one-way",
    )
)
"""Observations that compare a share of what is hurt."""


def observation(name: str, what: str, chance: float = USUAL) -> Callable[[Look], Look]:
    """Register a function as the answer to a question."""

    def register(look: Look) -> Look:
        OBSERVATIONS[name] = Observation(name, what, look, chance, name in SHARES)
        return look

    return register
