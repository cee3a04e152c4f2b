"""The burning arc in closed form: what a voltmeter at the supply's terminals shows.

Between two switchings the voltage is a sum of formulas of time (`kerfbus.sim.arc`): height, speed
and kerf come through the meter's filter, the electrode's pit grows with the charge, a fresh arc
settles, and noise lies on top. The envelope is held against everything but noise and settling.
"""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.sim.arc import (
    ARC,
    METER_NS,
    SETTLING_NS,
    SETTLING_VOLTS,
    Geometry,
    Noise,
    electrical_volts,
    envelope_volts,
    geometry_volts,
    pressure_volts,
    touched_volts,
)
from kerfbus.sim.curves import NS, SETTLED, Lag


class Burning(NamedTuple):
    """How an arc burns in a stretch.

    Attributes:
        place: where.
        amperes: current at the end of the stretch's ramp, above 0.
        set_amperes: what the supply is set to; the envelope's knee is there.
        flow_bar: pressure behind the regulator in the end, bar gauge.
        pit_mm: the electrode's pit at the beginning, mm.
        pit_growth: of the pit, mm a second.
        mains_share: mains voltage over its nominal value.
    """

    place: Geometry
    amperes: float
    set_amperes: float
    flow_bar: float
    pit_mm: float = 0.0
    pit_growth: float = 0.0
    mains_share: float = 1.0

    def same_as(self, other: Burning) -> bool:
        """Return whether nothing was switched; a pit that has grown meanwhile is no difference."""
        return self._replace(pit_mm=other.pit_mm) == other


class ArcLine:
    """Voltage of the arc to the work as a function of time.

    Instants must not lie before the last `begin`.

    Args:
        seed: of the noise.
        at: instant of the beginning, ns.
    """

    def __init__(self, seed: int, at: int) -> None:
        self._noise = Noise(seed)
        self._burning: Burning | None = None
        self._shape = Lag(at, 0.0, 0.0, METER_NS)
        self._settling = Lag(at, 0.0, 0.0, SETTLING_NS)
        self._growth = 0.0
        self._still_at = self._settled_at = at

    def begin(self, at: int, burning: Burning | None) -> None:
        """Begin a stretch at `at`; None: no arc burns to the work."""
        before, self._burning = self._burning, burning
        if burning is None or (before is not None and burning.same_as(before)):
            return
        target = geometry_volts(burning.place, burning.pit_mm)
        if before is None:
            self._settling = Lag(at, SETTLING_VOLTS, 0.0, SETTLING_NS)
            self._settled_at = at + SETTLED * SETTLING_NS
        shown = target if before is None else self._shape_volts(at)
        self._shape = Lag(at, shown, target, METER_NS)
        self._still_at = at + SETTLED * METER_NS
        self._growth = ARC.per_mm * burning.pit_growth / NS

    def volts(self, now: int, current: float, flow_bar: float) -> float:
        """Return the voltage at the terminals, V; an arc must burn.

        Args:
            now: the instant.
            current: A.
            flow_bar: behind the regulator, bar gauge.
        """
        burning = self._burning
        assert burning is not None
        arc = self._shape_volts(now) + electrical_volts(current) + pressure_volts(flow_bar)
        if now < self._settled_at:
            arc += self._settling.value(now)
        place = burning.place
        arc = touched_volts(arc, place.stand_off) + self._noise.volts(now)
        return arc + current * place.work_ohms

    def leaves_envelope(self, now: int) -> int | None:
        """Return the first instant from `now` at which the arc needs more than the output gives."""
        room = self._room()
        if room is None:
            return None
        if self._shape.value(now) >= room:
            return now
        return self._shape.rises_above(room)

    def returns_into_envelope(self, now: int) -> int | None:
        """Return the first instant from `now` at which the output gives enough; None for never."""
        room = self._room()
        if room is None or self._shape.value(now) < room:
            return now
        return self._shape.falls_below(room)

    def _room(self) -> float | None:
        """Return what the envelope leaves for height, speed and kerf, V; None without an arc."""
        burning = self._burning
        if burning is None:
            return None
        amperes, most = burning.amperes, max(burning.set_amperes, burning.amperes)
        limit = envelope_volts(amperes, most, burning.mains_share)
        taken = electrical_volts(amperes) + pressure_volts(burning.flow_bar)
        return limit - taken - amperes * burning.place.work_ohms

    def _shape_volts(self, now: int) -> float:
        shape = self._shape
        volts = shape.target if now >= self._still_at else shape.value(now)
        return volts + self._growth * (now - shape.at)
