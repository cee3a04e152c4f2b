"""The physical side of the supply in closed form: current, arc voltage, gas, heat.

Between two events every quantity is a formula of time, so its value at an instant does not depend
on how often it was looked at before. `Plant.drive` begins a new stretch; all other methods only
look, at an instant not before it. Sums (gas used, charge) are carried over at `drive` only, for the
same reason.

All coefficients are invented, except the conventional load line of plasma cutting,
``U = 80 V + 0.4 V/A * I`` (type-test value in IEC 60974-1, 11.2; from memory, text not seen).
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import lru_cache
from math import exp, log
from typing import NamedTuple

NS = 1_000_000_000

PILOT_AMPERES = 20.0
PILOT_VOLTS = 100.0
OPEN_CIRCUIT_VOLTS = 290.0
NOISE_VOLTS = 0.4
"""Standard deviation of the arc voltage about the load line, after the meter's filter."""
NOISE_STEP_NS = 1_000_000
"""The noise is one value for each millisecond."""
REGULATOR_DROP_BAR = 0.3
"""The regulator needs this much more at its inlet than it gives."""
INLET_DROP_BAR = 0.4
"""Drop of hose and filter while gas flows."""
FILL_NS, BLEED_NS, INLET_NS = 50_000_000, 800_000_000, 100_000_000
"""Time constants: line filling, line bleeding, inlet."""
LITRES_PER_BAR = 25.0
"""Normal litres a minute for each bar absolute behind the regulator, cold."""
HOT_FACTOR = 0.6
"""What is left of the flow while an arc fills the bore."""
SETTLED = 45
"""Time constants after which double precision no longer tells a lag from its target."""
PLENUM_SHARE = 0.92
"""Plenum pressure as a share of the flow pressure."""
SINK_NS, WINDING_NS = 360 * NS, 720 * NS
SINK_RISE, WINDING_RISE = 48.0, 70.0
"""Final rise over the cooling air, K, at the current that may flow without end."""

_NOISE_VALUES = 2048


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
        if self.target >= level:
            return None
        share = (self.start - self.target) / (level - self.target)
        return self.at + int(self.tau_ns * log(share)) + 1


STILL = Ramp(0, 0.0, 0.0, 0)
"""No current."""


@dataclass(frozen=True, slots=True)
class Drive:
    """What the supply's control does to the plant for a stretch of time.

    Attributes:
        valve: the gas valve is open.
        gas_bar: the regulator's set-point, bar gauge.
        inlet_bar: static pressure at the inlet, bar gauge.
        current: demanded current in the work lead, A; its value is also the actual one here.
        pilot: the pilot arc burns.
        live: output voltage without an arc.
        ambient: cooling air, degrees Celsius.
        heat: squared share of the current that may flow without end.
    """

    valve: bool = False
    gas_bar: float = 0.0
    inlet_bar: float = 6.5
    current: Ramp = STILL
    pilot: bool = False
    live: bool = False
    ambient: float = 22.0
    heat: float = 0.0

    @property
    def arc(self) -> bool:
        """Return whether current flows, or will, in the work lead."""
        return bool(self.current.start or self.current.end)


@lru_cache(maxsize=64)
def _noise(seed: int) -> tuple[float, ...]:
    """Return about normal values (twelve uniform ones make one), the same for a seed anywhere.

    Only `random.Random.random` is used: Python promises its sequence across versions.
    """
    draw = random.Random(seed).random  # noqa: S311 (noise, not a secret)
    return tuple(NOISE_VOLTS * (sum(draw() for _ in range(12)) - 6.0) for _ in range(_NOISE_VALUES))


class Plant:
    """Everything continuous.

    Args:
        seed: of the noise.
        at: instant of the beginning, ns.
        ambient: where temperatures start, degrees Celsius.
        inlet_bar: where the inlet's pressure starts, bar gauge.

    Attributes:
        settled_at: from then on the pressures do not change in this stretch.
    """

    def __init__(self, seed: int, at: int, ambient: float, inlet_bar: float) -> None:
        self._noise = _noise(seed)
        self._phase = seed & 0xFFFF
        self._drive = Drive(inlet_bar=inlet_bar, ambient=ambient)
        self._inlet = Lag(at, inlet_bar, inlet_bar, INLET_NS)
        self._flow = Lag(at, 0.0, 0.0, BLEED_NS)
        self._sink = Lag(at, ambient, ambient, SINK_NS)
        self._winding = Lag(at, ambient, ambient, WINDING_NS)
        self._gas = 0.0
        self._charge = 0.0
        self._at = at
        self.settled_at = at

    def drive(self, at: int, drive: Drive) -> None:
        """Begin a new stretch at `at`, each quantity from where it is."""
        self._gas, self._charge = self.gas_litres(at), self.charge(at)
        drop = INLET_DROP_BAR if drive.valve else 0.0
        inlet = max(drive.inlet_bar - drop, 0.0)
        flow = min(drive.gas_bar, max(inlet - REGULATOR_DROP_BAR, 0.0)) if drive.valve else 0.0
        sink = drive.ambient + SINK_RISE * drive.heat
        winding = drive.ambient + WINDING_RISE * drive.heat
        tau = FILL_NS if drive.valve else BLEED_NS
        self._inlet = Lag(at, self._inlet.value(at), inlet, INLET_NS)
        self._flow = Lag(at, self._flow.value(at), flow, tau)
        self._sink = Lag(at, self._sink.value(at), sink, SINK_NS)
        self._winding = Lag(at, self._winding.value(at), winding, WINDING_NS)
        self._drive, self._at = drive, at
        self.settled_at = at + SETTLED * max(tau, INLET_NS)

    @staticmethod
    def load_line(current: float) -> float:
        """Return the arc voltage at nominal height, V.

        >>> Plant.load_line(60.0)
        104.0
        """
        return 80.0 + 0.4 * current

    def current(self, now: int) -> float:
        """Return the current in the work lead, A."""
        return self._drive.current.value(now)

    def arc_volts(self, now: int) -> float:
        """Return the voltage from electrode to work, V."""
        drive = self._drive
        current = drive.current.value(now)
        if current > 0:
            return self.load_line(current) + self._noise_at(now)
        if drive.pilot:
            return PILOT_VOLTS
        return OPEN_CIRCUIT_VOLTS if drive.live else 0.0

    def kilowatts(self, now: int) -> float:
        """Return current in the work lead times arc voltage, kW."""
        return self.current(now) * self.arc_volts(now) / 1000

    def pilot(self, _: int) -> float:
        """Return the current through the nozzle, A."""
        return PILOT_AMPERES if self._drive.pilot else 0.0

    def sink(self, now: int) -> float:
        """Return the heat sink's temperature, degrees Celsius."""
        return self._sink.value(now)

    def winding(self, now: int) -> float:
        """Return the transformer's temperature, degrees Celsius."""
        return self._winding.value(now)

    def plenum_bar(self, now: int) -> float:
        """Return the pressure in the torch, bar gauge."""
        return PLENUM_SHARE * self._flow.value(now) if self._drive.valve else 0.0

    def litres_a_minute(self, now: int) -> float:
        """Return the gas flow, normal litres a minute."""
        if not self._drive.valve:
            return 0.0
        return self._conductance() * (self._flow.value(now) + 1.013)

    def inlet_bar(self, now: int) -> float:
        """Return the pressure at the inlet, bar gauge."""
        return self._inlet.value(now)

    def flow_bar(self, now: int) -> float:
        """Return the pressure behind the regulator, bar gauge."""
        return self._flow.value(now)

    def flow_falls_below(self, level: float) -> int | None:
        """Return when the pressure behind the regulator falls to `level` if nothing changes."""
        return self._flow.falls_below(level)

    def charge(self, now: int) -> float:
        """Return the charge through the work lead since the beginning, ampere-seconds."""
        current = self._drive.current
        return self._charge + current.integral(now) - current.integral(self._at)

    def gas_litres(self, now: int) -> float:
        """Return the gas used since the beginning, normal litres."""
        if not self._drive.valve:
            return self._gas
        seconds = (now - self._at) / NS
        bar_seconds = self._flow.integral(now) + 1.013 * seconds
        return self._gas + self._conductance() * bar_seconds / 60

    def _conductance(self) -> float:
        return LITRES_PER_BAR * (HOT_FACTOR if self._drive.arc else 1.0)

    def _noise_at(self, now: int) -> float:
        # A multiplicative hash of the millisecond: neighbours are independent, order is irrelevant.
        step = now // NOISE_STEP_NS + self._phase
        return self._noise[(step * 2654435761 >> 12) % _NOISE_VALUES]
