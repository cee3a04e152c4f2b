"""The arc: its voltage, the output's limits, when it goes out, and noise.

``U = U0 + a I + E (h + pit) + b (p - p0) + c (v - v0) + kerf + noise``. The form and the ranges of
the coefficients are those of the trade; every figure is a modelling choice and invented. At nominal
height, pressure and speed, with a new electrode, the sum of the first terms is the conventional
load line of plasma cutting, ``80 V + 0.4 V/A * I`` (type-test value in IEC 60974-1, 11.2; from
memory, text not seen).

The work lead's resistance stands in the circuit: the supply measures its drop as arc voltage.
"""

from __future__ import annotations

import random
from functools import lru_cache
from math import fsum, pi, sin
from typing import NamedTuple

OPEN_CIRCUIT_VOLTS = 290.0
KNEE_VOLTS = 150.0
"""Highest voltage at which the set current still flows: what type tests of gouging ask for at the
rated 125 A (``100 V + 0.4 V/A * I``; from memory, text not seen)."""
DROOP = 6
"""How sharply the output bends, 4 to 8."""
ENVELOPE_NS = 5_000_000
"""How long the arc stands beyond the envelope, 1 to 10 ms."""
PILOT_AMPERES, PILOT_VOLTS = 20.0, 100.0
TRANSFER_VOLTS = 60.0
"""What drives the pilot current over into the work lead and its resistance."""
TRANSFER_MM = 8.0
"""Highest stand-off at which the pilot arc's flame reaches the work."""
TOUCH_MM, TOUCH_VOLTS = 0.5, 55.0
"""Below this stand-off the nozzle touches now and then; at none the arc burns to the nozzle."""
TOUCH_NS = 100_000_000
"""A touch that lasts as long is a short of the nozzle."""
METER_NS = 5_000_000
"""Time constant of the voltmeter, 2 to 20 ms."""
SETTLING_VOLTS, SETTLING_NS = 12.0, 80_000_000
"""A fresh arc burns longer than it should: so much at transfer, and its time constant."""
NOISE_VOLTS = 0.4
"""Standard deviation of turbulence after the meter's filter, 0.3 to 1.5 V."""
NOISE_STEP_NS = 1_000_000
"""The noise is one value for each millisecond."""
RIPPLE_VOLTS, RIPPLE_HERTZ = 0.3, 300
"""Peak and frequency of what a six-pulse rectifier on 50 Hz leaves, 0.2 to 2 V."""
_NOISE_VALUES, _RIPPLE_VALUES = 2048, 10


class Coefficients(NamedTuple):
    """Of the arc's voltage (all invented).

    Attributes:
        base: U0, 60 to 95 V.
        per_ampere: a, 0.1 to 0.4 V/A.
        per_mm: E, 2 to 8 V/mm.
        per_bar: b, 2 to 6 V/bar.
        per_metre: c, 0 to 3 V for 1000 mm/min.
        kerf: rise while the arc crosses an open kerf, 5 to 40 V.
        nominal_mm: stand-off at which the load line is met.
        nominal_bar: flow pressure at which it is.
        nominal_speed: table speed at which it is, mm/min.
    """

    base: float = 74.0
    per_ampere: float = 0.4
    per_mm: float = 4.0
    per_bar: float = 4.0
    per_metre: float = 1.5
    kerf: float = 20.0
    nominal_mm: float = 1.5
    nominal_bar: float = 5.2
    nominal_speed: float = 2500.0


ARC = Coefficients()
"""Of the invented unit."""


class Geometry(NamedTuple):
    """Where and how the arc burns.

    Attributes:
        stand_off: nozzle to work, 0 to 50 mm.
        speed: of the table, 0 to 20000 mm/min.
        over_kerf: it crosses a kerf that is open already.
        work_ohms: work lead, clamp and bonding, 0 to 100 ohms.
    """

    stand_off: float = ARC.nominal_mm
    speed: float = ARC.nominal_speed
    over_kerf: bool = False
    work_ohms: float = 0.0


def load_line(current: float) -> float:
    """Return the conventional load voltage of plasma cutting, V.

    Args:
        current: 0 to 165 A; above that memory has two versions of the standard's line.

    >>> load_line(60.0)
    104.0
    """
    return 80.0 + 0.4 * current


def gouging_line(current: float) -> float:
    """Return the conventional load voltage of plasma gouging, V; 0 to 300 A.

    >>> gouging_line(60.0)
    124.0
    """
    return 100.0 + 0.4 * current


def electrical_volts(current: float, arc: Coefficients = ARC) -> float:
    """Return ``U0 + a I``, V: what does not depend on geometry or gas."""
    return arc.base + arc.per_ampere * current


def geometry_volts(place: Geometry, pit_mm: float = 0.0, arc: Coefficients = ARC) -> float:
    """Return what height, wear, speed and kerf add, V.

    Args:
        place: where the arc burns.
        pit_mm: depth of the electrode's pit, 0 to 3 mm: the arc is longer by it.
        arc: coefficients.
    """
    height = arc.per_mm * (place.stand_off + pit_mm)
    speed = arc.per_metre * (place.speed - arc.nominal_speed) / 1000
    return height + speed + (arc.kerf if place.over_kerf else 0.0)


def pressure_volts(flow_bar: float, arc: Coefficients = ARC) -> float:
    """Return what the gas adds, V; `flow_bar` is behind the regulator, bar gauge, 0 to 10."""
    return arc.per_bar * (flow_bar - arc.nominal_bar)


def touched_volts(volts: float, stand_off: float) -> float:
    """Return the voltage when the nozzle is near to touching or touches the work, V.

    Args:
        volts: of the arc without that.
        stand_off: mm; at 0 nothing is left but the arc from electrode to nozzle.
    """
    if stand_off >= TOUCH_MM:
        return volts
    return TOUCH_VOLTS + (volts - TOUCH_VOLTS) * stand_off / TOUCH_MM


def envelope_volts(current: float, set_current: float, mains_share: float = 1.0) -> float:
    """Return the highest output voltage at a current: ``OCV - (OCV - knee) (I / I_set)^n``.

    Args:
        current: 0 to `set_current`, A.
        set_current: above 0, A.
        mains_share: mains voltage over its nominal value.

    >>> envelope_volts(0.0, 60.0), envelope_volts(60.0, 60.0)
    (290.0, 150.0)
    """
    bent = (OPEN_CIRCUIT_VOLTS - KNEE_VOLTS) * (current / set_current) ** DROOP
    return mains_share * float(OPEN_CIRCUIT_VOLTS - bent)


def transfer_amperes(work_ohms: float) -> float:
    """Return the current that the pilot arc sends through the work lead, A.

    Args:
        work_ohms: work lead, clamp and bonding, 0 to 100 ohms.

    >>> transfer_amperes(0.01), transfer_amperes(12.0)
    (20.0, 5.0)
    """
    return min(PILOT_AMPERES, TRANSFER_VOLTS / work_ohms) if work_ohms > 0 else PILOT_AMPERES


@lru_cache(maxsize=64)
def _turbulence(seed: int) -> tuple[float, ...]:
    """Return about normal values (twelve uniform ones make one), the same for a seed anywhere.

    Only `random.Random.random` is used: Python promises its sequence across versions. The sum is
    the exact one: that of `sum` is another since Python 3.12.
    """
    draw = random.Random(seed).random  # noqa: S311 (noise, not a secret)
    return tuple(
        NOISE_VOLTS * (fsum(draw() for _ in range(12)) - 6.0) for _ in range(_NOISE_VALUES)
    )


_RIPPLE = tuple(
    RIPPLE_VOLTS * sin(2 * pi * RIPPLE_HERTZ * step / 1000) for step in range(_RIPPLE_VALUES)
)


class Noise:
    """Noise of an arc: a function of the millisecond, with mean zero.

    Args:
        seed: the same seed gives the same noise.
    """

    def __init__(self, seed: int) -> None:
        self._values = _turbulence(seed)
        self._phase = seed & 0xFFFF

    def volts(self, now: int) -> float:
        """Return the noise at `now`, V."""
        step = now // NOISE_STEP_NS
        # A multiplicative hash of the millisecond: neighbours are independent, order is irrelevant.
        place = ((step + self._phase) * 2654435761 >> 12) % _NOISE_VALUES
        return self._values[place] + _RIPPLE[step % _RIPPLE_VALUES]
