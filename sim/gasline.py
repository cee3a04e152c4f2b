"""The supply's gas in closed form: source, hose, inlet, regulator, torch lead, nozzle.

In a stretch of time in which nothing is switched:

* The lead behind the regulator fills through the open regulator, along ``V/(R T) dp/dt = qm_in -
  qm_out``. With choked flow out and a constant flow in, the mean of what the regulator lets through
  on the way, that is first order towards a far target, and stops when the regulator's set-point is
  reached (`Reach`). It empties through the torch, choked and below (`Emptying`).
* Then what comes in goes out. Flow and pressures are those of `kerfbus.sim.gas.settle`.
* A compressor that delivers less than is used empties its receiver: the source sinks along a
  straight line. Below the pressure that the regulator needs, flow pressure and flow go with the
  source, which approaches first order the pressure at which the compressor keeps up.

The hose holds gas as well: it counts with the receiver, and the pressure behind it follows the flow
with a time constant of its own. A source that goes away vents it: there is no check valve.

Left out: flow below the choked region while the lead fills, and out of a torch whose source gives
next to nothing (less than 1.5 bar gauge at the torch, at which no arc may burn). All dimensions are
invented.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from kerfbus.sim.curves import NS, Lag, Ramp, Reach
from kerfbus.sim.emptying import CRITICAL, Emptying
from kerfbus.sim.gas import (
    ATMOSPHERE_BAR,
    LITRES_PER_CONDUCTANCE,
    Hose,
    Regulator,
    Settled,
    bore_conductance,
    flow_share,
    series_share,
    settle,
)

REGULATOR = Regulator(90.0, 0.35)
LEAD = Regulator(50.0, 0.30)
"""The torch lead as a restriction."""
LEAD_LITRES = 0.2
"""Content of the lead and the torch behind the regulator."""
BORE_MM, VENTS_MM = 1.6, 1.2
"""Bore of a new nozzle; a bore that stands for the swirl ring's vents and the shield."""
BORE_GROWTH = 0.12
"""A worn-out nozzle's bore is wider by this share."""
CLOGGING = 0.5
"""How much of the bore's flow an arc at the nozzle's rated current takes away; 0.3 to 0.6."""
INLET_NS = 50_000_000
"""Time constant of the inlet's sensor; the hose's comes to it."""
SENSOR_BAR = 1e-3
"""Less than this no sensor tells."""


class Source(NamedTuple):
    """Where the gas comes from.

    Attributes:
        static_bar: pressure while nothing is used, bar gauge, 0 to 16.
        compressor_litres: what can be delivered without end, normal litres a minute, 0 to 10000.
        receiver_litres: vessel that covers for more, 1 to 10000 litres.
        hose: from there to the inlet.
    """

    static_bar: float
    compressor_litres: float
    receiver_litres: float
    hose: Hose

    @property
    def store_litres(self) -> float:
        """Return the volume that covers for a weak compressor: the receiver's and the hose's."""
        return self.receiver_litres + self.hose.litres


class Take(NamedTuple):
    """What is taken.

    Attributes:
        valve: open.
        set_bar: where the regulator holds the pressure behind it, bar gauge.
        arc: current in the bore over the nozzle's rated current, 0 to 1.5.
        nozzle_wear: percent of its life.
    """

    valve: bool
    set_bar: float
    arc: float
    nozzle_wear: float


@lru_cache(maxsize=512)
def torch_conductance(arc: float, nozzle_wear: float) -> float:
    """Return what torch and nozzle let through, normal litres a minute and bar absolute.

    Args:
        arc: current in the bore over the nozzle's rated current; an arc takes flow away.
        nozzle_wear: percent of its life; a worn bore is wider.
    """
    bore = BORE_MM * (1 + BORE_GROWTH * min(nozzle_wear, 200.0) / 100)
    cold = bore_conductance(bore) * (1 - CLOGGING * min(arc, 1.5))
    return (cold + bore_conductance(VENTS_MM)) * LITRES_PER_CONDUCTANCE


class _Piece(NamedTuple):
    """A part of a stretch: one law for what is drawn and for the source.

    Attributes:
        at: beginning.
        deficit: how far the source is below its static pressure, bar.
        litres: flow through the valve, normal litres a minute; None when it goes with the source,
            because the regulator is open and does not reach its set-point.
        drawn: normal litres from the stretch's beginning to this piece's.
    """

    at: int
    deficit: Ramp | Reach
    litres: float | None
    drawn: float


class _Stretch(NamedTuple):
    """What holds between two switchings.

    Attributes:
        source: where the gas comes from.
        take: what is taken.
        outlet: conductance behind the regulator, normal litres a minute and bar absolute.
        plenum: plenum pressure over flow pressure, absolute.
        settled: where pressures end.
        starved: flow pressure over source pressure, absolute, while the regulator is open.
        flow: the pressure behind the regulator until it is there.
        filling: flow through the valve until then.
    """

    source: Source
    take: Take
    outlet: float
    plenum: float
    settled: Settled
    starved: float
    flow: Reach | Emptying
    filling: float


class GasLine:
    """Pressures and flow as functions of time; instants must not lie before the last `begin`.

    Args:
        at: instant of the beginning, ns.
        source: its static pressure stands at the inlet, nothing flows.

    Attributes:
        settled_at: from then on nothing changes in this stretch.
    """

    def __init__(self, at: int, source: Source) -> None:
        level = Lag(at, source.static_bar, source.static_bar, INLET_NS)
        self._line = Reach.within(level, SENSOR_BAR)
        self._litres = 0.0
        take = Take(valve=False, set_bar=0.0, arc=0.0, nozzle_wear=0.0)
        self._stretch = _stretch(at, source, take, (0.0, 0.0))
        self._pieces = _pieces(self._stretch, 0.0)
        self.settled_at = at

    def begin(self, at: int, source: Source, take: Take) -> None:
        """Begin a stretch at `at`; nothing is done when nothing is switched."""
        if take == self._stretch.take and source == self._stretch.source:
            return
        deficit = self.deficit(at)
        stretch = _stretch(at, source, take, (self.flow_bar(at), deficit))
        shown = self._line.value(at)
        drop = max(source.static_bar - deficit, 0.0) - stretch.settled.inlet_bar
        self._litres = self.litres(at)
        way = Lag(at, shown, source.static_bar - drop, _inlet_ns(source, stretch, self._stretch))
        self._line = Reach.within(way, SENSOR_BAR)
        self._stretch, self._pieces = stretch, _pieces(stretch, deficit)
        last = self._pieces[-1]
        steady_at = (
            last.deficit.arrives_at
            if isinstance(last.deficit, Reach)
            else last.at + last.deficit.span_ns
        )
        self.settled_at = max(stretch.flow.arrives_at, steady_at, self._line.arrives_at)

    @property
    def final_bar(self) -> float:
        """Return the flow pressure in the end, bar gauge."""
        return self.flow_bar(self.settled_at)

    # --- what the sensors show -------------------------------------------------------------------

    def deficit(self, now: int) -> float:
        """Return how far the source is below its static pressure, bar."""
        return self._piece(now).deficit.value(now)

    def inlet_bar(self, now: int) -> float:
        """Return the pressure at the inlet, bar gauge."""
        return max(self._line.value(now) - self.deficit(now), 0.0)

    def flow_bar(self, now: int) -> float:
        """Return the pressure behind the regulator, bar gauge."""
        stretch = self._stretch
        if now < stretch.flow.arrives_at:
            return stretch.flow.value(now)
        piece = self._piece(now)
        if piece.litres is not None:
            return stretch.take.set_bar if stretch.take.valve else 0.0
        source = stretch.source.static_bar - piece.deficit.value(now) + ATMOSPHERE_BAR
        return max(source * stretch.starved - ATMOSPHERE_BAR, 0.0)

    def plenum_bar(self, now: int) -> float:
        """Return the pressure in the torch before the nozzle, bar gauge; 0 without flow."""
        if not self._stretch.take.valve:
            return 0.0
        absolute = self.flow_bar(now) + ATMOSPHERE_BAR
        return max(absolute * self._stretch.plenum - ATMOSPHERE_BAR, 0.0)

    def litres_a_minute(self, now: int) -> float:
        """Return the flow through the valve, normal litres a minute."""
        litres = self._piece(now).litres
        if litres is None:
            return self._stretch.outlet * (self.flow_bar(now) + ATMOSPHERE_BAR)
        return litres

    def out_litres_a_minute(self, now: int) -> float:
        """Return the flow out of the torch, normal litres a minute."""
        stretch = self._stretch
        absolute = self.flow_bar(now) + ATMOSPHERE_BAR
        if now >= stretch.flow.arrives_at:
            if not stretch.take.valve:
                return 0.0
            piece = self._piece(now)
            if piece.litres is None:  # starved: no more leaves than comes, however little that is
                source = stretch.source.static_bar - piece.deficit.value(now) + ATMOSPHERE_BAR
                absolute = min(absolute, source * stretch.starved)
            return stretch.outlet * absolute
        if not isinstance(stretch.flow, Emptying):
            return stretch.outlet * absolute
        return stretch.outlet * absolute * flow_share(ATMOSPHERE_BAR / absolute, CRITICAL)

    def litres(self, now: int) -> float:
        """Return the gas through the valve since the beginning, normal litres."""
        return self._litres + _drawn(self._stretch, self._piece(now), now)

    def falls_below(self, level: float, now: int) -> int | None:
        """Return the first instant from `now` with a flow pressure not above `level` bar gauge."""
        if self.flow_bar(now) <= level:
            return now
        stretch, last = self._stretch, self._pieces[-1]
        if now < stretch.flow.arrives_at and stretch.flow.goal <= level:
            return stretch.flow.falls_below(level)
        if last.litres is not None or not isinstance(last.deficit, Reach):
            return None
        source = (level + ATMOSPHERE_BAR) / stretch.starved
        return last.deficit.rises_above(stretch.source.static_bar + ATMOSPHERE_BAR - source)

    def _piece(self, now: int) -> _Piece:
        for piece in reversed(self._pieces):
            if piece.at <= now:
                return piece
        return self._pieces[0]


def _stretch(at: int, source: Source, take: Take, before: tuple[float, float]) -> _Stretch:
    """Return a stretch that begins at `at` with a flow pressure and a deficit, bar."""
    flow_bar, deficit = before
    torch = torch_conductance(take.arc, take.nozzle_wear)
    share = series_share(torch, *LEAD)
    outlet = torch * share
    source_bar = max(source.static_bar - deficit, 0.0)
    settled = Settled(0.0, source_bar, 0.0, 0.0)
    if take.valve:
        settled = settle(source_bar, take.set_bar, outlet, source.hose, REGULATOR)
    absolute = source_bar + ATMOSPHERE_BAR
    starved = (settled.flow_bar + ATMOSPHERE_BAR) / min(absolute, settled.need_bar + ATMOSPHERE_BAR)
    rising = settled.flow_bar > flow_bar
    filling = _filling(flow_bar, settled.flow_bar, source_bar) if rising else 0.0
    tau = LEAD_LITRES / ATMOSPHERE_BAR / outlet * 60 * NS
    flow: Reach | Emptying
    if rising:
        way = Lag(at, flow_bar, filling / outlet - ATMOSPHERE_BAR, round(tau))
        flow = Reach.to(way, settled.flow_bar)
    else:
        flow = Emptying.to(at, flow_bar, settled.flow_bar, round(tau))
    return _Stretch(source, take, outlet, share, settled, starved, flow, filling)


def _inlet_ns(source: Source, after: _Stretch, before: _Stretch) -> int:
    """Return the time constant with which the pressure at the inlet follows a change of flow."""
    litres = max(after.settled.litres, before.settled.litres)
    upstream = max(source.static_bar, 0.0) + ATMOSPHERE_BAR
    return INLET_NS + round(source.hose.fills_in_seconds(litres, upstream) * NS)


def _filling(start_bar: float, goal_bar: float, source_bar: float) -> float:
    """Return the flow through the open regulator while the lead fills, normal litres a minute.

    Choked at first, less towards the end: the mean over the pressures on the way (Simpson's rule).
    """
    source = source_bar + ATMOSPHERE_BAR
    middle_bar = (start_bar + goal_bar) / 2
    first, middle, last = (
        flow_share((bar + ATMOSPHERE_BAR) / source, REGULATOR.critical)
        for bar in (start_bar, middle_bar, goal_bar)
    )
    return REGULATOR.conductance * source * (first + 4 * middle + last) / 6


def _pieces(stretch: _Stretch, deficit: float) -> tuple[_Piece, ...]:
    """Return the laws that follow one another in a stretch that begins with `deficit`, bar."""
    begin, filled_at = stretch.flow.at, stretch.flow.arrives_at
    filled = deficit + _rate(stretch, stretch.filling) * (filled_at - begin) / NS
    filled = max(filled, 0.0)
    first = _Piece(begin, Ramp(begin, deficit, filled, filled_at - begin), stretch.filling, 0.0)
    pieces = [first] if filled_at > begin else []
    drawn = _drawn(stretch, first, filled_at)
    limit = stretch.source.static_bar - stretch.settled.need_bar
    if stretch.take.valve and filled > limit:
        piece, curve = _starved(stretch, (filled_at, filled, drawn), limit)
        pieces.append(piece)
        if curve.goal > limit or limit < 0:
            return tuple(pieces)
        filled_at, filled = curve.arrives_at, limit
        drawn = _drawn(stretch, piece, filled_at)
    litres = stretch.outlet * (stretch.take.set_bar + ATMOSPHERE_BAR) if stretch.take.valve else 0.0
    rate = _rate(stretch, litres)
    goal = limit if rate > 0 else 0.0 if rate < 0 else filled
    span = round((goal - filled) / rate * NS) if rate else 0
    pieces.append(_Piece(filled_at, Ramp(filled_at, filled, goal, span), litres, drawn))
    if rate > 0:
        drawn = _drawn(stretch, pieces[-1], filled_at + span)
        pieces.append(_starved(stretch, (filled_at + span, limit, drawn), limit)[0])
    return tuple(pieces)


def _starved(
    stretch: _Stretch, begin: tuple[int, float, float], limit: float
) -> tuple[_Piece, Reach]:
    """Return the piece in which the regulator is open and the flow goes with the source.

    Args:
        stretch: in which.
        begin: instant, deficit there, normal litres drawn by then.
        limit: deficit at which the regulator holds again, bar.
    """
    at, deficit, drawn = begin
    source, slope = stretch.source, stretch.outlet * stretch.starved
    tau = source.store_litres / ATMOSPHERE_BAR / slope * 60 * NS
    target = source.static_bar + ATMOSPHERE_BAR - source.compressor_litres / slope
    goal = max(target, limit, 0.0) if target < deficit else min(target, source.static_bar)
    curve = Reach.to(Lag(at, deficit, target, round(tau)), goal)
    return _Piece(at, curve, None, drawn), curve


def _rate(stretch: _Stretch, litres: float) -> float:
    """Return how fast the source sinks at a flow, bar a second."""
    source = stretch.source
    excess = litres - source.compressor_litres
    return excess / 60 * ATMOSPHERE_BAR / source.store_litres


def _drawn(stretch: _Stretch, piece: _Piece, now: int) -> float:
    """Return what has gone through the valve from the stretch's beginning to `now`, in `piece`."""
    seconds = (now - piece.at) / NS
    if piece.litres is not None:
        return piece.drawn + piece.litres * seconds / 60
    source = (stretch.source.static_bar + ATMOSPHERE_BAR) * seconds - piece.deficit.integral(now)
    return piece.drawn + stretch.outlet * stretch.starved * source / 60
