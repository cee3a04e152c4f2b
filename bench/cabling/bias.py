"""Bias (polarization), termination and unit loads of an RS-485 pair.

The network: a pull-up of D1 to the supply, a pull-down of D0 to common, terminators across the
pair, and from each conductor to common the load of all receivers. Nodal analysis gives
``V = Vs / (1 + RB * (1/R_load + 2 G))`` with G the conductance across the pair.
"""

from __future__ import annotations

from math import inf

from kerfbus.bench.cabling.worked import (
    Answer,
    Calculation,
    Confidence,
    Given,
    Outcome,
    Source,
    Values,
    parallel,
)

UNIT_LOAD_OHMS = 12_000.0
"""A unit load, about, from each conductor to common."""
THRESHOLD = 0.2
"""Receivers must tell levels from here on, V (TIA/EIA-485-A, by EURASIP JES 2016, table 1)."""
MAX_UNIT_LOADS = 32
BIAS_UNIT_LOADS = 4
"""What a polarization costs (MODBUS over Serial Line V1.02, 3.4.6)."""
LOW_OHMS, HIGH_OHMS = 450.0, 650.0
"""What the standard wants for each resistor (3.4.6)."""

SERIAL_LINE = "MODBUS over Serial Line V1.02"
NODAL = Source("nodal analysis of the network", Confidence.EXACT)
LIMITS = Source(f"{SERIAL_LINE}, 3.4.5, 3.4.6", Confidence.STANDARD)
ELECTRICAL = Source(
    "TIA/EIA-485-A by way of EURASIP J. Embedded Systems (2016), table 1", Confidence.PUBLISHED
)

SUPPLY = Given("supply", 5.0, 1.0, 24.0, "V", "supply of the bias network")
NEAR = Given("near", 120.0, 10.0, inf, "ohm", "terminator at the near end; inf for none")
FAR = Given("far", 120.0, 10.0, inf, "ohm", "terminator at the far end; inf for none")
LOADS = Given("loads", 32.0, 0.0, 256.0, "unit loads", "of all receivers together")


def load_ohms(unit_loads: float) -> float:
    """Return the resistance from each conductor to common of so many unit loads."""
    return UNIT_LOAD_OHMS / unit_loads if unit_loads else inf


def idle_volts(
    supply: float, pull_up: float, pull_down: float, across: float, load: float
) -> float:
    """Return the voltage of the undriven pair, D1 against D0, V.

    Exact for unequal resistors, too: both nodes are solved.

    Args:
        supply: V.
        pull_up: of D1 to the supply, ohm.
        pull_down: of D0 to common, ohm.
        across: all terminators in parallel, ohm.
        load: from each conductor to common, ohm; infinite for none.
    """
    between = 1 / across
    up, down, leak = 1 / pull_up, 1 / pull_down, 1 / load
    first, second = up + leak + between, down + leak + between
    return supply * up * (second - between) / (first * second - between * between)


def _bias(values: Values) -> Answer:
    supply, wanted = values["supply"], values["volts"]
    ends = 1 / values["near"] + 1 / values["far"]
    load = load_ohms(values["loads"])
    ratio = supply / wanted
    fixed = (ratio - 1) / (1 / load + 2 * ends)
    notes = []
    if not LOW_OHMS <= fixed <= HIGH_OHMS:
        notes.append(
            f"The standard wants {LOW_OHMS:g} to {HIGH_OHMS:g} ohm a side, at one place only."
        )
    outcomes = [Outcome("resistor", fixed, "ohm", "largest pull-up and pull-down, each")]
    if values["near"] == values["far"] < inf:
        compensated = ratio / (1 / load + 2 * ends)
        z0 = values["near"]
        if 2 * compensated > z0:
            terminator = 2 * compensated * z0 / (2 * compensated - z0)
            outcomes += [
                Outcome("compensated", compensated, "ohm", "the same with a raised terminator"),
                Outcome("terminator", terminator, "ohm", "that terminator, at the bias end"),
            ]
    outcomes.append(
        Outcome(
            "current",
            supply / (2 * fixed + parallel(1 / ends if ends else inf, 2 * load)),
            "A",
            "drawn by the network while nobody drives",
        )
    )
    notes.append(f"Receivers need {1000 * THRESHOLD:g} mV; what is above is margin against noise.")
    return Answer(tuple(outcomes), tuple(notes))


BIAS = Calculation(
    "bias",
    "which bias resistors keep an idle pair at a voltage",
    (
        SUPPLY,
        Given("volts", 0.3, THRESHOLD, 5.0, "V", "wanted of the idle pair"),
        NEAR,
        FAR,
        LOADS,
    ),
    "fixed terminators: RB = (Vs/V - 1) / (1/R_load + 2/R_near + 2/R_far); with the terminator at "
    "the bias end raised so that R || 2 RB = Z0: RB = (Vs/V) / (1/R_load + 4/Z0)",
    (NODAL, Source("TI SLLA272 (the compensated form)", Confidence.MEMORY), LIMITS),
    _bias,
)


def _idle(values: Values) -> Answer:
    supply, load = values["supply"], load_ohms(values["loads"])
    across = parallel(values["near"], values["far"])
    volts = idle_volts(supply, values["pull_up"], values["pull_down"], across, load)
    loop = values["pull_up"] + values["pull_down"] + parallel(across, 2 * load)
    margin = volts - THRESHOLD
    notes = []
    if margin < 0:
        notes.append("Below the receivers' threshold: an idle pair may read as anything.")
    return Answer(
        (
            Outcome("volts", volts, "V", "of the idle pair, D1 against D0"),
            Outcome("margin", margin, "V", "above the receivers' threshold of 0.2 V"),
            Outcome("current", supply / loop, "A", "through the network, by the series formula"),
        ),
        tuple(notes),
    )


IDLE = Calculation(
    "idle",
    "which voltage given bias resistors leave on an idle pair",
    (
        SUPPLY,
        Given("pull_up", 560.0, 50.0, 100_000.0, "ohm", "of D1 to the supply"),
        Given("pull_down", 560.0, 50.0, 100_000.0, "ohm", "of D0 to common"),
        NEAR,
        FAR,
        LOADS,
    ),
    "both nodes solved; for equal resistors V = Vs / (1 + RB (1/R_load + 2/R_near + 2/R_far))",
    (NODAL, LIMITS),
    _idle,
)


def _termination(values: Values) -> Answer:
    ohms = values["impedance"]
    volts = values["driver"]
    series = values["near"] < inf and values["far"] < inf
    load = parallel(values["near"], values["far"], load_ohms(values["loads"]))
    watts = volts**2 / ohms
    notes = [
        "One at each end of the trunk, never more than two, never on a derivation.",
        (
            "The standard's own values are 150 ohm 0.5 W, or with polarization 120 ohm 0.25 W in "
            "series with 1 nF (10 V)."
        ),
    ]
    if not series:
        notes.append("An end is open: see `reflection` for what comes back.")
    return Answer(
        (
            Outcome("resistor", ohms, "ohm", "terminator, equal to the characteristic impedance"),
            Outcome("power", watts, "W", "in each, while driven with this voltage"),
            Outcome("load", load, "ohm", "that a driver sees, receivers included"),
            Outcome("current", volts / load if load < inf else 0.0, "A", "that the driver gives"),
        ),
        tuple(notes),
    )


TERMINATION = Calculation(
    "termination",
    "which terminators a cable needs, and what they cost",
    (
        Given("impedance", 120.0, 50.0, 200.0, "ohm", "characteristic impedance of the cable"),
        Given("driver", 2.0, 0.2, 6.0, "V", "differential voltage while driven"),
        NEAR,
        FAR,
        LOADS,
    ),
    "R = Z0; P = V^2 / R; load = R_near || R_far || 12 kohm / unit loads",
    (LIMITS, ELECTRICAL, Source("Ohm's law", Confidence.EXACT)),
    _termination,
)


def _loads(values: Values) -> Answer:
    bias = BIAS_UNIT_LOADS if values["bias"] else 0
    total = values["stations"] * values["each"] + bias
    room = (MAX_UNIT_LOADS - total) / values["each"]
    notes = [] if total <= MAX_UNIT_LOADS else ["Too many: a repeater, or receivers of lower load."]
    return Answer(
        (
            Outcome("total", total, "unit loads", "of all stations and the polarization"),
            Outcome("limit", float(MAX_UNIT_LOADS), "unit loads", "without a repeater"),
            Outcome(
                "room", float(int(room)) if room >= 0 else 0.0, "stations", "more of this kind"
            ),
            Outcome("ohms", load_ohms(total), "ohm", "from each conductor to common"),
        ),
        tuple(notes),
    )


UNIT_LOADS = Calculation(
    "load",
    "how many stations a pair can carry",
    (
        Given("stations", None, 1.0, 256.0, "", "stations on the pair", whole=True),
        Given("each", 1.0, 0.03, 4.0, "unit loads", "of each station: 1, 1/2, 1/4 or 1/8"),
        Given(
            "bias", 1.0, 0.0, 1.0, "", "1 with a polarization on the pair, 0 without", whole=True
        ),
    ),
    "total = stations * unit load + 4 for a polarization; at most 32 without a repeater",
    (
        Source(f"{SERIAL_LINE}, 3.4.1, 3.4.6", Confidence.STANDARD),
        Source("unit load of about 12 kohm: TI SLLSFU5A, bus loading", Confidence.PUBLISHED),
    ),
    _loads,
)
