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
    TOUCH_MM,
    Geometry,
    Noise,
    electrical_volts,
    envelope_volts,
    geometry_volts,
    pressure_volts,
    touched_volts,
)
from kerfbus.sim.curves import NEVER, NS, Lag, Reach

METER_VOLTS = 1e-3
"""Less than this no meter tells."""


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

    Attributes:
        steady_at: from then on nothing but noise and wear changes the voltage in this stretch, if
            current and gas do not.
    """

    def __init__(self, seed: int, at: int) -> None:
        self._noise = Noise(seed)
        self._burning: Burning | None = None
        self._shape = Reach.within(Lag(at, 0.0, 0.0, METER_NS), METER_VOLTS)
        self._settling = Reach.within(Lag(at, 0.0, 0.0, SETTLING_NS), METER_VOLTS)
        self._growth = self._steady = 0.0
        self.steady_at = at

    def begin(self, at: int, burning: Burning | None) -> None:
        """Begin a stretch at `at`; None: no arc burns to the work."""
        before, self._burning = self._burning, burning
        if burning is None or (before is not None and burning.same_as(before)):
            return
        target = geometry_volts(burning.place, burning.pit_mm)
        if before is None:
            way = Lag(at, SETTLING_VOLTS, 0.0, SETTLING_NS)
            self._settling = Reach.within(way, METER_VOLTS)
        shown = target if before is None else self._shape_volts(at)
        self._shape = Reach.within(Lag(at, shown, target, METER_NS), METER_VOLTS)
        self._growth = ARC.per_mm * burning.pit_growth / NS
        self._steady = target + electrical_volts(burning.amperes)
        self._steady += pressure_volts(burning.flow_bar) + burning.amperes * burning.place.work_ohms
        touches = burning.place.stand_off < TOUCH_MM
        settled_at = max(self._shape.arrives_at, self._settling.arrives_at)
        self.steady_at = NEVER if touches else settled_at

    def steady_volts(self, now: int) -> float:
        """Return the voltage from `steady_at` on, with current and gas at their ends."""
        return self._steady + self._growth * (now - self._shape.way.at) + self._noise.volts(now)

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
        if now < self._settling.arrives_at:
            arc += self._settling.way.value(now)
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
        return self._shape.way.rises_above(room)

    def returns_into_envelope(self, now: int) -> int | None:
        """Return the first instant from `now` at which the output gives enough; None for never."""
        room = self._room()
        if room is None or self._shape.value(now) < room:
            return now
        return self._shape.way.falls_below(room)

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
        return self._shape.value(now) + self._growth * (now - self._shape.way.at)
