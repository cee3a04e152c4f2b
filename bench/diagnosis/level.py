"""Words for how regularly a cause shows a phenomenon, and the numbers behind them.

A table of causes says `A`, `O`, `s`, `r` or `.` for each vantage (client, server, tap), in this
order; what a vantage cannot see is `.` as well, since an observation that cannot be made has no
weight. The numbers are chosen: a contributor should decide between words, not between decimals.
"""

from __future__ import annotations

LEVELS = {"A": 0.95, "O": 0.75, "s": 0.42, "r": 0.15}
"""Always, often, sometimes, rarely: in twenty, three in four, two in five, one in seven."""
SOUND = 0.1
"""Part of its chance with which an observation is seen on a sound link (chosen: chance is mostly
that of a hurt line looking like another)."""
NEVER = "..."
VANTAGES = ("client", "server", "tap")


def probability(levels: str, vantage: str, chance: float) -> float:
    """Return how likely a phenomenon shows at a vantage.

    Args:
        levels: for client, server and tap.
        vantage: one of them.
        chance: with which it is seen anyway.

    >>> probability("AO.", "server", 0.02), probability("AO.", "tap", 0.02)
    (0.75, 0.02)
    """
    return LEVELS.get(levels[VANTAGES.index(vantage)], chance)
