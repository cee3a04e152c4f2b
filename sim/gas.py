"""Gas: choked flow, hose drop, and what pressures settle at. Formulas only.

Flow through a restriction follows ISO 6358: ``qm = p1 * C * rho0 * sqrt(T0 / T1)`` while
``p2 / p1 <= b`` (choked), times ``sqrt(1 - ((p2 / p1 - b) / (1 - b))^2)`` above, with a straight
line near equal pressures (as in public documentation of modelling libraries). Gas is air of 20
degrees Celsius. Litres are normal litres, at 1.013 bar and 20 degrees Celsius.
"""

from __future__ import annotations

from functools import lru_cache
from math import pi, sqrt
from typing import NamedTuple

ATMOSPHERE_BAR = 1.013
REFERENCE_DENSITY, REFERENCE_KELVIN = 1.185, 293.15
"""ISO 6358 reference: kg/m3 at 100 kPa, 20 degrees Celsius."""
NORMAL_DENSITY = 1.204
"""kg/m3 at 1.013 bar, 20 degrees Celsius."""
GAS_CONSTANT, GAMMA = 287.0, 1.4
"""Of air: J/(kg K), ratio of heats."""
LAMINAR_RATIO = 0.999
"""From here to equal pressures the flow is a straight line: the root's slope has no end there."""
LITRES_PER_CONDUCTANCE = 60.0 * REFERENCE_DENSITY / NORMAL_DENSITY
"""Normal litres a minute and bar absolute for each dm3/(s bar) of ISO 6358 conductance."""


def critical_ratio(gamma: float = GAMMA) -> float:
    """Return the pressure ratio at which an ideal nozzle chokes: ``(2/(g+1))^(g/(g-1))``.

    >>> round(critical_ratio(), 3)
    0.528
    """
    return float((2 / (gamma + 1)) ** (gamma / (gamma - 1)))


def flow_share(ratio: float, critical: float) -> float:
    """Return the flow over the choked flow, 0 to 1 (ISO 6358).

    Args:
        ratio: downstream over upstream pressure, absolute; 0 to 1.
        critical: `b` of the restriction, 0 to below 1; 0.2 to 0.5 for valves and regulators.
    """
    if ratio <= critical:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    if ratio > LAMINAR_RATIO:
        edge = (LAMINAR_RATIO - critical) / (1 - critical)
        return sqrt(1 - edge * edge) * (1 - ratio) / (1 - LAMINAR_RATIO)
    part = (ratio - critical) / (1 - critical)
    return sqrt(1 - part * part)


def mass_flow(upstream_bar: float, downstream_bar: float, conductance: float, b: float) -> float:
    """Return the mass flow through a restriction at 20 degrees Celsius, kg/s (ISO 6358).

    Args:
        upstream_bar: absolute.
        downstream_bar: absolute, not above `upstream_bar`.
        conductance: sonic conductance, dm3/(s bar).
        b: critical ratio.
    """
    choked = upstream_bar * conductance * REFERENCE_DENSITY / 1000
    return choked * flow_share(downstream_bar / upstream_bar, b)


def bore_conductance(millimetres: float, discharge: float = 0.85) -> float:
    """Return the sonic conductance of a bore, dm3/(s bar), from isentropic choked flow.

    Args:
        millimetres: diameter, 0.1 to 20.
        discharge: coefficient of discharge, 0.6 to 1.

    >>> round(bore_conductance(1.0), 3)
    0.133
    """
    area = discharge * pi * (millimetres / 1000) ** 2 / 4
    choke = float((2 / (GAMMA + 1)) ** ((GAMMA + 1) / (2 * (GAMMA - 1))))
    per_pascal = area * sqrt(GAMMA / (GAS_CONSTANT * REFERENCE_KELVIN)) * choke
    return per_pascal * 1e5 / REFERENCE_DENSITY * 1000


def litres_a_minute(kilograms_a_second: float) -> float:
    """Return a mass flow in normal litres a minute."""
    return kilograms_a_second / NORMAL_DENSITY * 60_000


class Hose(NamedTuple):
    """A straight hose.

    Attributes:
        metres: length, 0 to 200.
        millimetres: inner diameter, 2 to 50.
    """

    metres: float
    millimetres: float

    @property
    def litres(self) -> float:
        """Return what it holds, at the pressure inside."""
        return float(pi * self.millimetres**2 / 4 * self.metres / 1000)

    def fills_in_seconds(self, litres: float, upstream_bar: float) -> float:
        """Return the time constant of the pressure behind it, s.

        Half its content (the drop is spread along it) over what a change of the drop changes in
        the flow, ``dq / d(dp) = q / (1.85 dp)``.

        Args:
            litres: flow, normal litres a minute.
            upstream_bar: absolute.
        """
        if litres <= 0:
            return 0.0
        resistance = 1.85 * self.drop_bar(litres, upstream_bar) / litres * 60
        return self.litres / 2 / ATMOSPHERE_BAR * resistance

    def _constant(self, litres: float) -> float:
        """Return ``dp * pa`` of the handbook formula, kPa squared; `litres` a minute."""
        cubic_metres = max(litres, 0.0) / 60_000
        return float(self.metres * 1.6e12 * cubic_metres**1.85 / self.millimetres**5)

    def drop_bar(self, litres: float, upstream_bar: float) -> float:
        """Return the pressure drop, bar: ``dp = L * 1.6e12 * qv^1.85 / (d^5 * pa)``.

        The classic formula of compressed-air handbooks, which includes fittings and so lies above
        that of the bare hose (`kerfbus.bench.cabling.table.darcy_drop`). Good for drops well below
        `upstream_bar`.

        Args:
            litres: normal litres a minute.
            upstream_bar: absolute.
        """
        return self._constant(litres) / (100 * upstream_bar) / 100

    def upstream_bar(self, litres: float, downstream_bar: float) -> float:
        """Return the absolute pressure before the hose that leaves `downstream_bar` behind it."""
        kilopascals = 100 * downstream_bar
        constant = self._constant(litres)
        return (kilopascals + sqrt(kilopascals * kilopascals + 4 * constant)) / 200


def series_share(downstream: float, upstream: float, critical: float) -> float:
    """Return the pressure between two restrictions over the pressure before both, 0 to 1.

    The downstream one is choked, the upstream one has the critical ratio `critical`; then the share
    depends on nothing but their conductances, and all pressures go together.

    Args:
        downstream: conductance, in any unit.
        upstream: conductance, in the same unit.
        critical: `b` of the upstream one.
    """
    # downstream * r = upstream * sqrt(1 - y^2) with r = b + (1 - b) y: a quadratic in y.
    span = 1 - critical
    square = (downstream / upstream) ** 2
    a, half = square * span * span + 1, square * critical * span
    constant = square * critical * critical - 1
    if constant >= 0:  # choked upstream as well
        return upstream / downstream
    return critical + span * (sqrt(half * half - a * constant) - half) / a


class Settled(NamedTuple):
    """Where pressures end while gas flows.

    Attributes:
        flow_bar: behind the regulator, bar gauge.
        inlet_bar: at the inlet, bar gauge.
        litres: normal litres a minute.
        need_bar: lowest source pressure at which the regulator still holds, bar gauge.
    """

    flow_bar: float
    inlet_bar: float
    litres: float
    need_bar: float


class Regulator(NamedTuple):
    """Filter and regulator, fully open.

    Attributes:
        conductance: normal litres a minute and bar absolute, choked.
        critical: `b`.
    """

    conductance: float
    critical: float


@lru_cache(maxsize=512)
def settle(
    source_bar: float, set_bar: float, outlet: float, hose: Hose, regulator: Regulator
) -> Settled:
    """Return the steady state of source, hose, regulator and choked outlet.

    Args:
        source_bar: before the hose, bar gauge, 0 to 16.
        set_bar: of the regulator, bar gauge.
        outlet: conductance behind the regulator, normal litres a minute and bar absolute.
        hose: from the source to the inlet.
        regulator: and its filter.
    """
    share = series_share(outlet, regulator.conductance, regulator.critical)
    wanted = outlet * (set_bar + ATMOSPHERE_BAR)
    need = hose.upstream_bar(wanted, (set_bar + ATMOSPHERE_BAR) / share)
    source = source_bar + ATMOSPHERE_BAR
    if source >= need:
        inlet = source - hose.drop_bar(wanted, source)
        return Settled(set_bar, inlet - ATMOSPHERE_BAR, wanted, need - ATMOSPHERE_BAR)
    low, high = 0.0, source  # of the inlet: the drop grows with it
    for _ in range(40):
        inlet = (low + high) / 2
        if inlet + hose.drop_bar(outlet * share * inlet, source) > source:
            high = inlet
        else:
            low = inlet
    flow = max(share * inlet - ATMOSPHERE_BAR, 0.0)
    litres = outlet * share * inlet
    return Settled(flow, max(inlet - ATMOSPHERE_BAR, 0.0), litres, need - ATMOSPHERE_BAR)
