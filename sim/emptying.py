"""A vessel that empties through a restriction into the air, exactly, down to its last gas.

``dp/dt = -p / tau * share(p_air / p)`` with the share of ISO 6358 (`kerfbus.sim.gas.flow_share`,
its straight line near equal pressures left out). While the flow is choked that is an exponential.
Below, with ``x = p / p_air`` and ``a = 1 - 2b``, it is ``dx/dt = -sqrt(a x^2 + 2 b x - 1) /
((1 - b) tau)``, which ``x = K cosh(s) - b/a``, ``K = (1 - b) / a`` solves: `s` falls evenly, and at
0 the pressures are equal. So it fades out and is over at a known instant.
"""

from __future__ import annotations

from math import acosh, cosh, exp, log, sqrt
from typing import NamedTuple

from kerfbus.sim.curves import rounded_up
from kerfbus.sim.gas import ATMOSPHERE_BAR

CRITICAL = 0.4
"""`b` of lead and torch in a row, below one half; 0.2 to 0.5 for such things (invented)."""
_A = 1 - 2 * CRITICAL
_K, _SHIFT = (1 - CRITICAL) / _A, CRITICAL / _A
CHOKED_BAR = ATMOSPHERE_BAR * (1 / CRITICAL - 1)
"""Above this pressure, bar gauge, the flow is choked."""


class Emptying(NamedTuple):
    """Pressure of a vessel that empties, bar gauge.

    Attributes:
        at: instant of the beginning, ns.
        start: pressure there, not below `goal`.
        goal: where it stops: 0, or what holds it up.
        tau_ns: time constant while choked: content over conductance.
        arrives_at: when it is there.
    """

    at: int
    start: float
    goal: float
    tau_ns: int
    arrives_at: int

    @classmethod
    def to(cls, at: int, start: float, goal: float, tau_ns: int) -> Emptying:
        """Return the way from `start` to `goal`."""
        way = cls(at, start, 0.0, tau_ns, at)
        return way._replace(goal=goal, arrives_at=at + rounded_up(way._after(goal)))

    def value(self, now: int) -> float:
        """Return the pressure at `now`, bar gauge."""
        if now >= self.arrives_at:
            return self.goal
        passed, choked = now - self.at, self._choked_ns
        if passed < choked:
            return (self.start + ATMOSPHERE_BAR) * exp(-passed / self.tau_ns) - ATMOSPHERE_BAR
        angle = _angle(min(self.start, CHOKED_BAR)) - (passed - choked) * self._pace
        return max(ATMOSPHERE_BAR * (_K * cosh(max(angle, 0.0)) - _SHIFT - 1), self.goal)

    def falls_below(self, level: float) -> int | None:
        """Return the first instant at which the pressure is not above `level`; None for never."""
        if self.start <= level:
            return self.at
        if self.goal > level:
            return None
        return min(self.at + rounded_up(self._after(level)), self.arrives_at)

    @property
    def _choked_ns(self) -> float:
        """Return how long the flow is choked."""
        if self.start <= CHOKED_BAR:
            return 0.0
        return self.tau_ns * log((self.start + ATMOSPHERE_BAR) / (CHOKED_BAR + ATMOSPHERE_BAR))

    @property
    def _pace(self) -> float:
        """Return how fast the angle falls, 1/ns."""
        return sqrt(_A) / ((1 - CRITICAL) * self.tau_ns)

    def _after(self, level: float) -> float:
        """Return how long it takes to `level`, ns."""
        if level >= self.start:
            return 0.0
        if level >= CHOKED_BAR:
            ratio = (self.start + ATMOSPHERE_BAR) / (level + ATMOSPHERE_BAR)
            return self.tau_ns * log(ratio)
        angle = _angle(min(self.start, CHOKED_BAR)) - _angle(level)
        return self._choked_ns + angle / self._pace


def _angle(gauge_bar: float) -> float:
    """Return `s` at a pressure below the choked region."""
    return acosh(max((1 + gauge_bar / ATMOSPHERE_BAR + _SHIFT) / _K, 1.0))
