"""Quantities as formulas of time: straight lines, first-order approaches, and their sums.

A value at an instant does not depend on how often it was looked at before, and a sum is a formula
too. All instants are whole nanoseconds, spans as well.
"""

from __future__ import annotations

from math import exp, log
from typing import NamedTuple

NS = 1_000_000_000
NEVER = 1 << 63
"""Later than every instant."""
SETTLED = 45
"""Time constants after which double precision no longer tells a lag from its target."""


class Ramp(NamedTuple):
    """A straight line from `start` at `at` to `end`, level afterwards.

    Attributes:
        at: instant of the beginning, ns.
        start: value there.
        end: value from `at` + `span_ns` on.
        span_ns: 0 for a step.
    """

    at: int
    start: float
    end: float
    span_ns: int

    def value(self, now: int) -> float:
        """Return the value at `now`."""
        passed = now - self.at
        if passed >= self.span_ns:
            return self.end
        return self.start + (self.end - self.start) * passed / self.span_ns

    def integral(self, now: int) -> float:
        """Return the area from `at` to `now`, in units times seconds."""
        passed = now - self.at
        rising = min(passed, self.span_ns)
        area = rising * (self.start + self.value(self.at + rising)) / 2
        return (area + (passed - rising) * self.end) / NS

    @property
    def mean_square(self) -> float:
        """Return the mean of the square over the sloping part, or of the end where there is none.

        >>> Ramp(0, 0.0, 3.0, NS).mean_square
        3.0
        """
        if not self.span_ns:
            return self.end * self.end
        return (self.start * self.start + self.start * self.end + self.end * self.end) / 3


class Lag(NamedTuple):
    """A first-order approach from `start` at `at` to `target`.

    Attributes:
        at: instant of the beginning, ns.
        start: value there.
        target: value in the end.
        tau_ns: time constant.
    """

    at: int
    start: float
    target: float
    tau_ns: int

    def value(self, now: int) -> float:
        """Return the value at `now`."""
        return self.target + (self.start - self.target) * exp((self.at - now) / self.tau_ns)

    def integral(self, now: int) -> float:
        """Return the area from `at` to `now`, in units times seconds."""
        passed, tau = (now - self.at) / NS, self.tau_ns / NS
        swing = (self.start - self.target) * tau * (1 - exp(-passed / tau))
        return self.target * passed + swing

    def falls_below(self, level: float) -> int | None:
        """Return the first instant at which the value is not above `level`; None for never."""
        if self.start <= level:
            return self.at
        return self._crosses(level) if self.target < level else None

    def rises_above(self, level: float) -> int | None:
        """Return the first instant at which the value is not below `level`; None for never."""
        if self.start >= level:
            return self.at
        return self._crosses(level) if self.target > level else None

    def _crosses(self, level: float) -> int | None:
        share = (self.start - self.target) / (level - self.target)
        after = self.tau_ns * log(share)
        return self.at + rounded_up(after) if after < _FOREVER else None


_FOREVER = float(1 << 62)
"""A hundred years and more, ns: later than anything here."""
_STEP_NS = 1000


def rounded_up(span: float) -> int:
    """Return a computed span as whole microseconds, never less.

    Logarithms differ in their last bit from one machine's library to the next: of nanoseconds one
    in some ten thousand would differ as well, of microseconds one in tens of millions.
    """
    return (int(span) // _STEP_NS + 1) * _STEP_NS


class Reach(NamedTuple):
    """An approach that aims beyond its goal and stops there: it arrives at a known instant.

    This is how a vessel fills or empties through a choked restriction until a regulator shuts or
    opens: first order towards a far target, cut off at the set-point.

    Attributes:
        way: the approach.
        goal: where it stops, between `way.start` and `way.target`.
        arrives_at: when.
    """

    way: Lag
    goal: float
    arrives_at: int

    @property
    def at(self) -> int:
        """Return the instant of the beginning, ns."""
        return self.way.at

    @classmethod
    def to(cls, way: Lag, goal: float) -> Reach:
        """Return the approach `way`, stopped at `goal`.

        A goal beyond the target is reached in the end as well: then `way` is aimed at the goal, for
        as long as double precision can tell.
        """
        rising = goal > way.start
        if goal == way.start:
            return cls(way, goal, way.at)
        at = way.rises_above(goal) if rising else way.falls_below(goal)
        if at is None:
            return cls(way._replace(target=goal), goal, way.at + SETTLED * way.tau_ns)
        return cls(way, goal, max(at - _STEP_NS, way.at))  # rather early than beyond the goal

    @classmethod
    def within(cls, way: Lag, slack: float) -> Reach:
        """Return the approach `way`, taken to be at its target once it is nearer than `slack`."""
        away = abs(way.start - way.target)
        span = rounded_up(way.tau_ns * log(away / slack)) if away > slack else 0
        return cls(way, way.target, way.at + span)

    def value(self, now: int) -> float:
        """Return the value at `now`."""
        if now >= self.arrives_at:
            return self.goal
        return self.way.value(now)

    def integral(self, now: int) -> float:
        """Return the area from the beginning to `now`, in units times seconds."""
        if now <= self.arrives_at:
            return self.way.integral(now)
        return self.way.integral(self.arrives_at) + self.goal * (now - self.arrives_at) / NS

    def falls_below(self, level: float) -> int | None:
        """Return the first instant at which the value is not above `level`; None for never."""
        if self.way.start <= level:
            return self.way.at
        if self.goal > level:
            return None
        return min(self.way.falls_below(level) or self.arrives_at, self.arrives_at)

    def rises_above(self, level: float) -> int | None:
        """Return the first instant at which the value is not below `level`; None for never."""
        if self.way.start >= level:
            return self.way.at
        if self.goal < level:
            return None
        return min(self.way.rises_above(level) or self.arrives_at, self.arrives_at)
