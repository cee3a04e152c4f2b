"""Heat of the power stage: two bodies of the first order, calibrated by the rating.

``dT/dt = (rise * (I / I100)^2 - (T - T_air)) / tau``: a body warmed by the square of the current
and cooled by air. ``I100 = I_rated * sqrt(X_rated)`` is the current that may flow without end by
constant heating, ``I1^2 * X1 = I2^2 * X2`` (textbook equivalence of root mean squares; it leaves
out losses that do not go with the square, so it flatters inverters at low currents).

The rise is chosen so that the rated duty in ten-minute cycles, in air of 40 degrees Celsius, just
does not trip. Time constants, limits and margin are invented, inside the ranges of the trade (4 to
12 min with fan, 15 to 30 min without, 10 to 20 K of hysteresis).
"""

from __future__ import annotations

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
_SLACK_KELVIN = 1e-6
"""An instant of crossing is rounded to nanoseconds; a verdict at it must not stay behind."""


class HeatState(IntEnum):
    """Verdict on a temperature. It is left upwards at the limits, downwards with hysteresis."""

    NORMAL = 0
    HIGH = 1
    """Near the trip: a warning."""
    HOT = 2
    """Tripped: no arc until the temperature is below the release."""


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


class Body:
    """A body and its temperature in a stretch of time.

    Args:
        material: what it is.
        duty: rated duty of the unit, above 0 to 1.
        at: instant of the beginning, ns.
        air: where its temperature starts, degrees Celsius.
    """

    def __init__(self, material: Material, duty: float, at: int, air: float) -> None:
        self.material = material
        self.rise = calibrated_rise(material, duty)
        self.curve = Lag(at, air, air, material.still_tau_ns)

    def warm(self, at: int, warmth: Warmth) -> None:
        """Begin a stretch. Without a fan less heat is led away: slower, and hotter in the end."""
        material = self.material
        tau = material.fan_tau_ns if warmth.fan else material.still_tau_ns
        rise = self.rise * tau / material.fan_tau_ns
        self.curve = Lag(at, self.curve.value(at), warmth.air + rise * warmth.load, tau)

    def state(self, now: int, before: HeatState) -> HeatState:
        """Return the verdict at `now`; `before` was the last one."""
        celsius, material = self.curve.value(now), self.material
        if before is HeatState.HOT:
            cool = celsius <= material.release + _SLACK_KELVIN
            return HeatState.NORMAL if cool else HeatState.HOT
        if celsius >= material.trip - _SLACK_KELVIN:
            return HeatState.HOT
        high = material.trip - HIGH_KELVIN
        if before is HeatState.HIGH:
            high -= HIGH_HYSTERESIS_KELVIN
            return HeatState.NORMAL if celsius <= high + _SLACK_KELVIN else HeatState.HIGH
        return HeatState.HIGH if celsius >= high - _SLACK_KELVIN else HeatState.NORMAL

    def next_change(self, before: HeatState) -> int | None:
        """Return when the verdict changes next in this stretch; `before` is the present one."""
        trip, curve = self.material.trip, self.curve
        if curve.target > curve.start:
            level = _LEFT_UPWARDS[before]
            return None if level is None else curve.rises_above(trip - level)
        if before is HeatState.HOT:
            return curve.falls_below(self.material.release)
        if before is HeatState.HIGH:
            return curve.falls_below(trip - HIGH_KELVIN - HIGH_HYSTERESIS_KELVIN)
        return None


_LEFT_UPWARDS = {HeatState.NORMAL: HIGH_KELVIN, HeatState.HIGH: 0.0, HeatState.HOT: None}
"""How far below the trip a verdict is left upwards, K."""
