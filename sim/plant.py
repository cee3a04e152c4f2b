"""The physical side of the supply in closed form: current, arc, gas, heat.

Between two events every quantity is a formula of time, so its value at an instant does not depend
on how often it was looked at before. `Plant.drive` begins a new stretch; all other methods only
look, at an instant not before it. Sums (gas used, charge) are carried over at `drive` only, for the
same reason.

The formulas and their figures, all invented, stand in `kerfbus.sim.arc`, `gas`, `heat` and `wear`.
"""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.sim.arc import OPEN_CIRCUIT_VOLTS, PILOT_AMPERES, PILOT_VOLTS
from kerfbus.sim.arcline import ArcLine, Burning
from kerfbus.sim.curves import NEVER, Ramp
from kerfbus.sim.gasline import GasLine, Source, Take
from kerfbus.sim.heat import HEAT_SINK, WINDING, Body, HeatState, Warmth
from kerfbus.sim.site import Site
from kerfbus.sim.surroundings import MAINS_VOLTS, Surroundings

HeatStates = tuple[HeatState, HeatState, HeatState, HeatState]
"""Verdicts on heat sink and winding, then on their means over ten minutes."""
STILL = Ramp(0, 0.0, 0.0, 0)
"""No current."""


class Parts(NamedTuple):
    """The state of the consumables that the physics sees.

    Attributes:
        pit_mm: depth of the electrode's pit.
        pit_growth: of the pit, mm for each ampere-second.
        nozzle_wear: percent of life.
    """

    pit_mm: float = 0.0
    pit_growth: float = 0.0
    nozzle_wear: float = 0.0


NEW_PARTS = Parts()
ORDINARY = Surroundings()


class Drive(NamedTuple):
    """What the supply's control does to the plant for a stretch of time.

    Attributes:
        around: what the plant finds around it.
        valve: the gas valve is open.
        gas_bar: the regulator's set-point, bar gauge.
        current: demanded current in the work lead, A.
        set_amperes: the current set-point, A.
        pilot: the pilot arc burns.
        live: output voltage without an arc.
        fan: the fan is on; whether it turns is another matter.
        load: mean square of the current over the square of the endless current.
        parts: state of the consumables.
    """

    around: Surroundings = ORDINARY
    valve: bool = False
    gas_bar: float = 0.0
    current: Ramp = STILL
    set_amperes: float = 60.0
    pilot: bool = False
    live: bool = False
    fan: bool = True
    load: float = 0.0
    parts: Parts = NEW_PARTS

    @property
    def on_work(self) -> bool:
        """Return whether current flows, or will, in the work lead."""
        return bool(self.current.start or self.current.end)


class Plant:
    """Everything continuous.

    Args:
        seed: of the noise.
        at: instant of the beginning, ns.
        duty: rated duty of the unit, 0 to 1.
        site: plumbing.
        around: where temperatures and pressures start.

    Attributes:
        stretches: how many there were.
        driven_at: beginning of this stretch.
        settled_at: from then on the pressures do not change in this stretch.
        ramped_at: from then on the current does not.
        burns: an arc burns to the work.
    """

    def __init__(
        self, seed: int, at: int, duty: float, site: Site, around: Surroundings = ORDINARY
    ) -> None:
        self._site = site
        self._drive = Drive(around, fan=False)
        self._arc = ArcLine(seed, at)
        self._gas = GasLine(at, self._source(around))
        self._sink = Body(HEAT_SINK, duty, at, around.ambient)
        self._winding = Body(WINDING, duty, at, around.ambient)
        self._warmth = Warmth(0.0, around.ambient, fan=False)
        self._current = STILL
        self._charge = 0.0
        self.driven_at = self.settled_at = self.ramped_at = at
        self.burns = False
        self.stretches = 0
        self._steady_at = NEVER
        self._most_volts = OPEN_CIRCUIT_VOLTS
        self._volts = (-1, 0.0)

    def drive(self, at: int, drive: Drive) -> None:
        """Begin a new stretch at `at`, each quantity from where it is."""
        around = drive.around
        self.stretches += 1
        self._charge, self.driven_at = self.charge(at), at
        gain = around.current_gain
        ramp = drive.current
        self._current = Ramp(ramp.at, ramp.start * gain, ramp.end * gain, ramp.span_ns)
        self._drive = drive
        self._volts = (-1, 0.0)
        self._most_volts = OPEN_CIRCUIT_VOLTS * self.mains_share
        self._gas.begin(at, self._source(around), _take(drive))
        self.settled_at = self._gas.settled_at
        self.ramped_at, self.burns = ramp.at + ramp.span_ns, drive.on_work
        warmth = Warmth(drive.load * gain * gain, around.ambient, drive.fan and around.fan_ok)
        if warmth != self._warmth:
            self._warmth = warmth
            self._sink.warm(at, warmth)
            self._winding.warm(at, warmth)
        self._arc.begin(at, self._burning() if self.burns else None)
        steady = self.burns and ramp.end > 0
        settled_at = max(self.settled_at, self.ramped_at, self._arc.steady_at)
        self._steady_at = settled_at if steady else NEVER

    # --- current and arc -------------------------------------------------------------------------

    def current(self, now: int) -> float:
        """Return the current in the work lead, A."""
        return self._current.value(now)

    def demand(self, now: int) -> float:
        """Return the current that the regulator is asked for in the work lead, A."""
        return self._drive.current.value(now)

    def pilot(self, _: int) -> float:
        """Return the current through the nozzle, A."""
        return PILOT_AMPERES if self._drive.pilot else 0.0

    def arc_volts(self, now: int) -> float:
        """Return the voltage at the terminals, electrode to work, V."""
        at, volts = self._volts
        if at == now:
            return volts
        drive = self._drive
        if now >= self._steady_at:
            volts = self._arc.steady_volts(now)
        elif self.burns and self._current.value(now) > 0:
            volts = self._arc.volts(now, self._current.value(now), self._gas.flow_bar(now))
        elif drive.pilot:
            volts = PILOT_VOLTS
        else:
            volts = OPEN_CIRCUIT_VOLTS if drive.live else 0.0
        volts = min(volts, self._most_volts)  # which an arc may need until it goes out
        self._volts = now, volts
        return volts

    def kilowatts(self, now: int) -> float:
        """Return current in the work lead times arc voltage, kW."""
        return self._current.value(now) * self.arc_volts(now) / 1000

    def leaves_envelope(self, now: int) -> int | None:
        """Return when the arc needs more than the output gives; None for never."""
        return self._arc.leaves_envelope(now)

    def returns_into_envelope(self, now: int) -> int | None:
        """Return when the output gives enough again; None for never."""
        return self._arc.returns_into_envelope(now)

    def charge(self, now: int) -> float:
        """Return the charge through the work lead since the beginning, ampere-seconds."""
        current = self._current
        return self._charge + current.integral(now) - current.integral(self.driven_at)

    # --- gas -------------------------------------------------------------------------------------

    def plenum_bar(self, now: int) -> float:
        """Return the pressure in the torch, bar gauge; 0 without flow."""
        return self._gas.plenum_bar(now)

    def litres_a_minute(self, now: int) -> float:
        """Return the gas flow through the valve, normal litres a minute."""
        return self._gas.litres_a_minute(now)

    def out_litres_a_minute(self, now: int) -> float:
        """Return the gas flow out of the torch, normal litres a minute."""
        return self._gas.out_litres_a_minute(now)

    def inlet_bar(self, now: int) -> float:
        """Return the pressure at the inlet, bar gauge."""
        return self._gas.inlet_bar(now)

    def source_bar(self, now: int) -> float:
        """Return the pressure of the compressor's receiver, bar gauge."""
        return max(self._drive.around.inlet_bar - self._gas.deficit(now), 0.0)

    def flow_bar(self, now: int) -> float:
        """Return the pressure behind the regulator, bar gauge."""
        return self._gas.flow_bar(now)

    def flow_falls_below(self, level: float, now: int) -> int | None:
        """Return when the flow pressure falls to `level` if nothing changes; None for never."""
        return self._gas.falls_below(level, now)

    def gas_litres(self, now: int) -> float:
        """Return the gas used since the beginning, normal litres."""
        return self._gas.litres(now)

    # --- heat ------------------------------------------------------------------------------------

    def sink(self, now: int) -> float:
        """Return the heat sink's temperature, degrees Celsius."""
        return self._sink.curve.value(now)

    def winding(self, now: int) -> float:
        """Return the transformer's temperature, degrees Celsius."""
        return self._winding.curve.value(now)

    def heat_states(self, now: int, before: HeatStates) -> HeatStates:
        """Return the verdicts; `before` were the last ones."""
        sink, winding = self._sink, self._winding
        return (
            sink.state(now, before[0]),
            winding.state(now, before[1]),
            sink.mean_state(now, before[2]),
            winding.mean_state(now, before[3]),
        )

    def heat_judged(self, now: int) -> tuple[float, float, float, float]:
        """Return what the verdicts are on, degrees Celsius, in their order."""
        sink, winding = self._sink, self._winding
        return sink.curve.value(now), winding.curve.value(now), sink.mean(now), winding.mean(now)

    def heat_changes(self, now: int, before: HeatStates) -> int | None:
        """Return when to look at the verdicts next; `before` are the present ones."""
        ends = (
            self._sink.next_change(before[0]),
            self._winding.next_change(before[1]),
            self._sink.next_look(now, before[2]),
            self._winding.next_look(now, before[3]),
        )
        return min((end for end in ends if end is not None), default=None)

    # --- how the parts are driven ----------------------------------------------------------------

    @property
    def mains_share(self) -> float:
        """Return the mains voltage over its nominal value."""
        return self._drive.around.mean_mains_volts / MAINS_VOLTS

    def _source(self, around: Surroundings) -> Source:
        site = self._site
        return Source(around.inlet_bar, around.compressor_litres, site.receiver_litres, site.hose)

    def _burning(self) -> Burning:
        drive, amperes = self._drive, self._current.end
        return Burning(
            place=drive.around.place,
            amperes=amperes,
            set_amperes=drive.set_amperes,
            flow_bar=self._gas.final_bar,
            pit_mm=drive.parts.pit_mm,
            pit_growth=drive.parts.pit_growth * amperes,
            mains_share=self.mains_share,
        )


def _take(drive: Drive) -> Take:
    """Return what the drive takes from the gas line."""
    around, arc = drive.around, 0.0
    if drive.on_work:
        rated = around.nozzle_amperes or drive.set_amperes
        arc = min(drive.set_amperes / rated, 1.5)
    elif drive.pilot:
        arc = PILOT_AMPERES / (around.nozzle_amperes or drive.set_amperes)
    bar = max(drive.gas_bar + around.regulator_error, 0.0)
    return Take(drive.valve, bar if drive.valve else 0.0, arc, round(drive.parts.nozzle_wear, 1))
