"""Length, stubs and reflections of an RS-485 trunk."""

from __future__ import annotations

from math import inf
from typing import NamedTuple

from kerfbus.bench.cabling.worked import (
    Answer,
    Calculation,
    Confidence,
    Given,
    Outcome,
    Source,
    Values,
)

LIGHT = 299_792_458.0
COPPER = 1.7241e-8
"""Resistivity of annealed copper at 20 degrees Celsius, ohm metre."""
LONGEST_METRES, SLOW_BAUD = 1000.0, 9600
"""AWG 26 or thicker, at this rate or below."""
CATEGORY_5_METRES = 600.0
RATE_TIMES_LENGTH, CAP_METRES = 1e8, 1200.0
THICKEST, THINNEST = 14, 30
FARADS_PER_METRE = 52.5e-12
"""16 pF/ft, the cable of the length curve."""

SERIAL_LINE = "MODBUS over Serial Line V1.02"


def wire_millimetres(awg: float) -> float:
    """Return the diameter of a solid conductor, mm (AWG definition, ASTM B258, from memory).

    >>> round(wire_millimetres(24), 4)
    0.5106
    """
    return float(0.127 * 92 ** ((36 - awg) / 39))


def wire_ohms(awg: float) -> float:
    """Return the resistance of one conductor, ohm per metre at 20 degrees Celsius.

    >>> round(1000 * wire_ohms(24), 2)
    84.21
    """
    radius = wire_millimetres(awg) / 2000
    return COPPER / (3.141592653589793 * radius * radius)


def _length(values: Values) -> Answer:
    baud, awg = values["baud"], values["awg"]
    ohms = wire_ohms(awg)
    rule = min(RATE_TIMES_LENGTH / baud, CAP_METRES)
    loop = values["far"] * (values["driver"] / values["needed"] - 1)
    drop = loop / (2 * ohms)
    # A lossy line answers a step like a chain of RC sections: 10 to 90 % in about 0.9 R C.
    rise = (0.5 / baud / (0.9 * 2 * ohms * FARADS_PER_METRE)) ** 0.5
    standard = LONGEST_METRES if baud <= SLOW_BAUD and awg <= 26 else None
    limits = [each for each in (rule, drop, rise, standard) if each is not None]
    notes = [
        (
            f"Category 5 cable: {CATEGORY_5_METRES:g} m at most; half of all lengths where a "
            "four-wire cable is used as two-wire (3.4.3, 3.6)."
        ),
        "A plasma table needs far less: what limits there is noise, not length.",
    ]
    if standard is None:
        notes.append("The standard gives a length only up to 9600 bits a second and AWG 26.")
    return Answer(
        (
            Outcome("longest", min(limits), "m", "the least of those below"),
            Outcome("standard", standard, "m", "of the serial-line standard"),
            Outcome("rate_rule", rule, "m", "rate times length at most 1e8, cap 1200 m"),
            Outcome("drop_limit", drop, "m", "until the far end has only the voltage needed"),
            Outcome("rise_limit", rise, "m", "until a level change takes half a bit"),
            Outcome("ohms", 1000 * ohms, "ohm/km", "of one conductor at 20 degrees Celsius"),
        ),
        tuple(notes),
    )


LENGTH = Calculation(
    "length",
    "how long a trunk may be at a rate",
    (
        Given("baud", 19200.0, 300.0, 10e6, "bit/s", "bit rate"),
        Given("awg", 24.0, THICKEST, THINNEST, "", "gauge of the conductors"),
        Given("driver", 1.5, 0.5, 6.0, "V", "driver's voltage into its load, least"),
        Given("needed", 0.4, 0.2, 1.4, "V", "at the far receiver: 0.2 V and a margin"),
        Given("far", 120.0, 50.0, 200.0, "ohm", "terminator at the far end"),
    ),
    "rate rule: L = 1e8 / baud; drop: L = R (V_driver / V_needed - 1) / (2 r); rise time: "
    "0.9 (2 r) c L^2 = 1 / (2 baud), c = 52.5 pF/m",
    (
        Source(f"{SERIAL_LINE}, 3.4.3, 3.6", Confidence.STANDARD),
        Source("rate times length: vendors' rule of thumb", Confidence.PRACTICE),
        Source("drop along the conductors: Ohm's law", Confidence.EXACT),
        Source(
            "half a bit: EIA RS-422-A appendix by way of a converter maker's handbook, ch. 3; the "
            "rise time of the cable from its R and C",
            Confidence.ESTIMATE,
        ),
        Source("gauge to diameter: ASTM B258", Confidence.MEMORY),
    ),
    _length,
)


def _stub(values: Values) -> Answer:
    seconds = 0.1 * values["rise_ns"] * 1e-9
    metres = seconds * values["velocity"] * LIGHT
    return Answer(
        (
            Outcome("round_trip", metres / 2, "m", "longest stub, when there and back counts"),
            Outcome("one_way", metres, "m", "longest stub, when one way counts"),
        ),
        (
            (
                "The same data sheet says both: its text speaks of the round trip, its equation "
                "counts one way. Keep to the shorter one."
            ),
            (
                "The standard allows 20 m for one derivation and 40 m / n for each of n at a tap: "
                "at its rates edges may be slow. A fast driver makes short stubs long."
            ),
        ),
    )


STUB = Calculation(
    "stub",
    "how long a derivation without a terminator may be",
    (
        Given("rise_ns", 10.0, 0.5, 2000.0, "ns", "rise time of the fastest driver, 10 to 90 %"),
        Given("velocity", 0.78, 0.4, 1.0, "c", "velocity factor: 0.66 solid, 0.78 foamed"),
    ),
    "t = t_rise / 10; round trip: L = t v c / 2; one way: L = t v c",
    (
        Source("TI SLLSF21D, stub length (the rule)", Confidence.PUBLISHED),
        Source("the same, equation 3; velocity factors", Confidence.MEMORY),
        Source(f"{SERIAL_LINE}, 3.4.3", Confidence.STANDARD),
    ),
    _stub,
)


class Trunk(NamedTuple):
    """A line without loss between two resistances, all in ohm; an open end is infinite.

    Attributes:
        source: of the source.
        z0: characteristic impedance.
        load: at the far end.
    """

    source: float
    z0: float
    load: float


def bounces(volts: float, trunk: Trunk, where: float, count: int) -> list[tuple[float, float]]:
    """Return what a step makes of a place on a line: (instant in transit times, volts after it).

    Args:
        volts: of the source, without load.
        trunk: the line.
        where: 0 at the source, 1 at the load.
        count: how many arrivals.

    >>> [round(volt, 2) for _, volt in bounces(120, Trunk(0, 30, 90), 1, 5)]
    [180.0, 90.0, 135.0, 112.5, 123.75]
    """
    source, z0, load = trunk
    rho_source, rho_load = reflection(source, z0), reflection(load, z0)
    wave = volts * z0 / (z0 + source)
    total, trip = 0.0, 0.0
    found: list[tuple[float, float]] = []
    if where <= 0:
        total += wave
        found.append((0.0, total))
    while len(found) < count:
        back = wave * rho_load
        if 0 < where < 1:
            total += wave
            found.append((trip + where, total))
            total += back
            found.append((trip + 2 - where, total))
        elif where >= 1:  # the wave and what it throws back are there at once
            total += wave + back
            found.append((trip + 1, total))
        else:
            total += back * (1 + rho_source)
            found.append((trip + 2, total))
        wave = back * rho_source
        trip += 2
    return found[:count]


def reflection(ohms: float, z0: float) -> float:
    """Return the reflection coefficient of a resistance at the end of a line: -1 to 1."""
    return 1.0 if ohms == inf else (ohms - z0) / (ohms + z0)


def _reflection(values: Values) -> Answer:
    volts, source, z0 = values["volts"], values["source"], values["impedance"]
    load, where = values["load"], values["at"]
    count = int(values["arrivals"])
    arrivals = bounces(volts, Trunk(source, z0, load), where, count)
    final = volts if load == inf else volts * load / (load + source)
    outcomes = [
        Outcome("rho_source", reflection(source, z0), "", "reflection at the source"),
        Outcome("rho_load", reflection(load, z0), "", "reflection at the load"),
        Outcome("incident", volts * z0 / (z0 + source), "V", "the first wave"),
        Outcome("final", final, "V", "in the end"),
    ]
    transit = values["metres"] / (values["velocity"] * LIGHT) * 1e9
    for position, (instant, volt) in enumerate(arrivals, 1):
        text = f"after {instant:g} transit times, {instant * transit:.4g} ns"
        outcomes.append(Outcome(f"arrival_{position}", volt, "V", text))
    return Answer(tuple(outcomes))


REFLECTION = Calculation(
    "reflection",
    "what a level change looks like after n trips along the cable",
    (
        Given("volts", 2.0, 0.01, 1000.0, "V", "step of the source, without load"),
        Given("source", 40.0, 0.0, inf, "ohm", "resistance of the source"),
        Given("impedance", 120.0, 10.0, 1000.0, "ohm", "characteristic impedance"),
        Given("load", inf, 0.0, inf, "ohm", "terminator at the far end; inf for none"),
        Given("at", 1.0, 0.0, 1.0, "", "place: 0 at the source, 1 at the load"),
        Given("arrivals", 6.0, 1.0, 100.0, "", "how many arrivals of the wave", whole=True),
        Given("metres", 30.0, 0.0, 10_000.0, "m", "length of the cable"),
        Given("velocity", 0.66, 0.4, 1.0, "c", "velocity factor"),
    ),
    "rho = (R - Z0) / (R + Z0); V1 = V Z0 / (Z0 + R_s); each trip multiplies by the rho it meets",
    (
        Source("bounce (lattice) diagram of a lossless line", Confidence.EXACT),
        Source(
            "checked by Stevenson, Elements of Power System Analysis, example 5.6",
            Confidence.PUBLISHED,
        ),
    ),
    _reflection,
)
