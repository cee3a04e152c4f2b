"""Heat of the power stage: two bodies of the first order, calibrated by the rating.

``dT/dt = (rise * (I / I100)^2 - (T - T_air)) / tau``: a body warmed by the square of the current
and cooled by air. ``I100 = I_rated * sqrt(X_rated)`` is the current that may flow without end by
constant heating, ``I1^2 * X1 = I2^2 * X2`` (textbook equivalence of root mean squares; it leaves
out losses that do not go with the square, so it flatters inverters at low currents).

The rise is chosen so that the rated duty in ten-minute cycles, in air of 40 degrees Celsius, just
does not trip: its peaks stay `MARGIN_KELVIN` below the trip. One limit on the temperature cannot
hold the endless current as well. The rated duty and the endless current come to the same mean, but
the rated duty swings about it, by ``peak_share`` (1.30 for the heat sink at 60 %, 1.16 for the
winding); a limit that lets those peaks pass lets a steady current pass that is the root of that
above `I100`, 8 % for the winding. It is so with every body whose time constant is not far longer
than the cycle, and with two of them in a row as well.

So the control judges two things, which wear out different parts: the temperature itself (junctions
and solder: the peak counts) and its mean over the last ten minutes (insulation: ages by the time
it is hot). Over its own cycle the rated duty has no swing at all in the mean, and the mean in the
end is the endless current's: one limit, `MARGIN_KELVIN` above that, holds both, and one percent
more than the endless current trips. Time constants, limits and margin are invented, inside the
ranges of the trade (4 to 12 min with fan, 15 to 30 min without, 10 to 20 K of hysteresis).
"""

from __future__ import annotations

from bisect import bisect_right
from enum import IntEnum
from math import exp
from typing import NamedTuple

from kerfbus.sim.curves import NS, Lag

MINUTE_NS = 60 * NS
CYCLE_NS = 10 * MINUTE_NS
"""The cycle of a duty rating (IEC 60974-1, clause 3; from memory, text not seen)."""
RATED_AIR = 40.0
"""Cooling air at which ratings hold, degrees Celsius (29 CFR 1910.254(b)(2)(i))."""
MARGIN_KELVIN = 0.1
"""What the rated duty leaves below the trip."""
HIGH_KELVIN = 8.0
"""A warning comes this far below the trip."""
HIGH_HYSTERESIS_KELVIN = 2.0
"""The warning goes this much further down."""
MEAN_HIGH_KELVIN, MEAN_HIGH_HYSTERESIS_KELVIN = 2.0, 1.0
"""The same for the mean over a cycle, which creeps."""
MEAN_HYSTERESIS_KELVIN = 10.0
"""After a mean that was too high the body must cool so far below its limit; 10 to 20 K."""
MEAN_LOOK_NS = 10 * NS
"""How often the control works out the mean."""
_SLACK_KELVIN = 1e-6
"""An instant of crossing is rounded to nanoseconds; a verdict at it must not stay behind."""


class HeatState(IntEnum):
    """Verdict on a temperature. It is left upwards at the limits, downwards with hysteresis."""

    NORMAL = 0
    HIGH = 1
    """Near the trip: a warning."""
    HOT = 2
    """Tripped: no arc until the temperature is below the release."""


class Limits(NamedTuple):
    """Where verdicts change, degrees Celsius.

    Attributes:
        warns: from here on it is high.
        calms: down to here it stays high.
        trips: from here on it is hot.
        releases: down to here it stays hot; then it is normal.
    """

    warns: float
    calms: float
    trips: float
    releases: float

    def verdict(self, celsius: float, before: HeatState) -> HeatState:
        """Return the verdict on a temperature; `before` was the last one."""
        if before is HeatState.HOT:
            cool = celsius <= self.releases + _SLACK_KELVIN
            return HeatState.NORMAL if cool else HeatState.HOT
        if celsius >= self.trips - _SLACK_KELVIN:
            return HeatState.HOT
        if before is HeatState.HIGH:
            return HeatState.NORMAL if celsius <= self.calms + _SLACK_KELVIN else HeatState.HIGH
        return HeatState.HIGH if celsius >= self.warns - _SLACK_KELVIN else HeatState.NORMAL


class Material(NamedTuple):
    """What a body is.

    Attributes:
        name: as in the register map's temperatures.
        fan_tau_ns: time constant while the fan turns.
        still_tau_ns: time constant while it does not.
        trip: degrees Celsius; above it is too hot.
        release: degrees Celsius; below it is cool again.
    """

    name: str
    fan_tau_ns: int
    still_tau_ns: int
    trip: float
    release: float

    @property
    def limits(self) -> Limits:
        """Return what the temperature is held against."""
        warns = self.trip - HIGH_KELVIN
        return Limits(warns, warns - HIGH_HYSTERESIS_KELVIN, self.trip, self.release)


HEAT_SINK = Material("heat_sink", 6 * MINUTE_NS, 20 * MINUTE_NS, 85.0, 70.0)
WINDING = Material("transformer", 12 * MINUTE_NS, 30 * MINUTE_NS, 130.0, 115.0)
MATERIALS = (HEAT_SINK, WINDING)


def peak_share(duty: float, tau_ns: int) -> float:
    """Return the peak rise in endless cycles over the rise that their mean heating would give.

    Args:
        duty: share of the cycle under load, above 0 to 1.
        tau_ns: time constant of the body.

    >>> peak_share(1.0, 6 * MINUTE_NS)
    1.0
    """
    cycle = CYCLE_NS / tau_ns
    return (1 - exp(-duty * cycle)) / (duty * (1 - exp(-cycle)))


def calibrated_rise(material: Material, duty: float) -> float:
    """Return the final rise over the air at the endless current, K, with the fan turning.

    At this rise the peak of the rated duty stays `MARGIN_KELVIN` below the trip.

    Args:
        material: the body.
        duty: rated duty, above 0 to 1.
    """
    allowed = material.trip - MARGIN_KELVIN - RATED_AIR
    return allowed / peak_share(duty, material.fan_tau_ns)


class Warmth(NamedTuple):
    """What warms and cools a body for a stretch of time.

    Attributes:
        load: mean square of the current over the square of the endless current.
        air: cooling air, degrees Celsius, -40 to 80.
        fan: the fan turns.
    """

    load: float
    air: float
    fan: bool


class CycleMean:
    """Mean temperature over the last ten minutes, exact.

    Args:
        curve: the temperature from the beginning; before it, it was where it starts.
    """

    def __init__(self, curve: Lag) -> None:
        self._pieces = [_Piece(curve.at, curve, 0.0)]

    def begin(self, curve: Lag) -> None:
        """Let the temperature go on along another curve."""
        last = self._pieces[-1]
        self._pieces.append(_Piece(curve.at, curve, last.area + last.curve.integral(curve.at)))
        del self._pieces[: self._index(curve.at - CYCLE_NS)]

    def value(self, now: int) -> float:
        """Return the mean, degrees Celsius; `now` must not lie before the last `begin`."""
        return (self._area(now) - self._area(now - CYCLE_NS)) / (CYCLE_NS / NS)

    def _area(self, at: int) -> float:
        piece = self._pieces[self._index(at)]
        return piece.area + piece.curve.integral(at)

    def _index(self, at: int) -> int:
        return max(bisect_right(self._pieces, at, key=_begins_at) - 1, 0)


class _Piece(NamedTuple):
    """A stretch of temperature: `area` (kelvin seconds) is what lies before it."""

    at: int
    curve: Lag
    area: float


def _begins_at(piece: _Piece) -> int:
    return piece.at


class Body:
    """A body and its temperature in a stretch of time.

    Args:
        material: what it is.
        duty: rated duty of the unit, above 0 to 1.
        at: instant of the beginning, ns.
        air: where its temperature starts, degrees Celsius.

    Attributes:
        rise: over the air in the end at the endless current, K.
        curve: its temperature.
        mean_limits: what the mean over a cycle is held against.
    """

    def __init__(self, material: Material, duty: float, at: int, air: float) -> None:
        self.material = material
        self.rise = calibrated_rise(material, duty)
        self.curve = Lag(at, air, air, material.still_tau_ns)
        trips = RATED_AIR + self.rise + MARGIN_KELVIN
        warns = trips - MEAN_HIGH_KELVIN
        calms = warns - MEAN_HIGH_HYSTERESIS_KELVIN
        self.mean_limits = Limits(warns, calms, trips, trips - MEAN_HYSTERESIS_KELVIN)
        self._limits = material.limits
        self._mean = CycleMean(self.curve)
        self._warm_until = at - CYCLE_NS

    def warm(self, at: int, warmth: Warmth) -> None:
        """Begin a stretch. Without a fan less heat is led away: slower, and hotter in the end."""
        material = self.material
        tau = material.fan_tau_ns if warmth.fan else material.still_tau_ns
        rise = self.rise * tau / material.fan_tau_ns
        celsius = self.curve.value(at)
        if max(self.curve.start, celsius) > self.mean_limits.warns:
            self._warm_until = at
        self.curve = Lag(at, celsius, warmth.air + rise * warmth.load, tau)
        self._mean.begin(self.curve)

    def mean(self, now: int) -> float:
        """Return the mean temperature over the last ten minutes, degrees Celsius."""
        return self._mean.value(now)

    # --- verdicts --------------------------------------------------------------------------------

    def state(self, now: int, before: HeatState) -> HeatState:
        """Return the verdict on the temperature at `now`; `before` was the last one."""
        return self._limits.verdict(self.curve.value(now), before)

    def mean_state(self, now: int, before: HeatState) -> HeatState:
        """Return the verdict on the mean at `now`; `before` was the last one.

        Of mean and temperature the lower counts, and nothing trips that cools anyway: a mean that
        goes on rising for a while after the arc blocks nothing.
        """
        judged = min(self.mean(now), self.curve.value(now))
        state = self.mean_limits.verdict(judged, before)
        cools = self.curve.target < self.mean_limits.trips
        return HeatState.HIGH if state > before and state is HeatState.HOT and cools else state

    def next_change(self, before: HeatState) -> int | None:
        """Return when `state` changes next in this stretch; `before` is the present one."""
        limits, curve = self._limits, self.curve
        if curve.target > curve.start:
            upwards = {HeatState.NORMAL: limits.warns, HeatState.HIGH: limits.trips}
            return curve.rises_above(upwards[before]) if before in upwards else None
        if before is HeatState.HOT:
            return curve.falls_below(limits.releases)
        return curve.falls_below(limits.calms) if before is HeatState.HIGH else None

    def next_look(self, now: int, before: HeatState) -> int | None:
        """Return when the mean must be looked at next; None when it cannot rise to a limit.

        Args:
            now: the instant.
            before: the present verdict on the mean.
        """
        warns, curve = self.mean_limits.warns, self.curve
        until = self._warm_until
        if curve.target <= warns < curve.start:
            until = curve.falls_below(warns) or until
        warm = curve.target > warns or now < until + CYCLE_NS
        if before is HeatState.NORMAL and not warm:
            return None
        return (now // MEAN_LOOK_NS + 1) * MEAN_LOOK_NS
