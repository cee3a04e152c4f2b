"""What surrounds the cable on a plasma table: separation, divider, gas hose, duty cycle."""

from __future__ import annotations

from math import inf, log10, pi, sqrt

from kerfbus.bench.cabling.divider import Divider, apparent_millimetres, wrong_ratio_percent
from kerfbus.bench.cabling.worked import (
    Answer,
    Calculation,
    Confidence,
    Given,
    Outcome,
    Source,
    Values,
)

# Separation of power and IT cables in mm, without divider, with a non-metallic or aluminium one,
# with a steel one. Keys: whether the power cable, and whether the IT cable, is screened.
SEPARATION = {
    (False, False): (200.0, 100.0, 50.0),
    (False, True): (50.0, 20.0, 5.0),
    (True, False): (30.0, 10.0, 2.0),
    (True, True): (0.0, 0.0, 0.0),
}
DIVIDERS = ("none", "aluminium", "steel")
HF_PARALLEL_METRES, HF_LEAD_METRES = 0.3, 1.0


def _separation(values: Values) -> Answer:
    screened = bool(values["power_screened"]), bool(values["data_screened"])
    rows = zip(DIVIDERS, SEPARATION[screened], strict=True)
    return Answer(
        (
            *(
                Outcome(f"divider_{name}", millimetres, "mm", f"apart, divider: {name}")
                for name, millimetres in rows
            ),
            Outcome("torch_parallel", HF_PARALLEL_METRES, "m", "apart from leads that run along"),
            Outcome("torch_hf", HF_LEAD_METRES, "m", "apart from torch leads with HF ignition"),
        ),
        (
            (
                "The table is for balanced pairs, earthed dividers and 50 or 60 Hz without unusual "
                "transients. A plasma torch lead and high-frequency ignition are outside it: for "
                "them take the last two values, which are common practice, and cross at right "
                "angles."
            ),
            "No serial cable in the duct of the torch lead.",
        ),
    )


SEPARATION_OF_CABLES = Calculation(
    "separation",
    "how far the communication cable must be from power cables and leads",
    (
        Given(
            "power_screened", 0.0, 0.0, 1.0, "", "1 when the power cable is screened", whole=True
        ),
        Given("data_screened", 1.0, 0.0, 1.0, "", "1 when this cable is screened", whole=True),
    ),
    "a table",
    (
        Source("EN 50174-2:2000, table 1, by way of secondary copies", Confidence.PUBLISHED),
        Source("torch leads: rule of thumb", Confidence.PRACTICE),
    ),
    _separation,
)


def _divider(values: Values) -> Answer:
    divider = Divider(values["ratio"], values["source"])
    load = values["input"]
    arc, slope = values["arc"], values["slope"]
    percent = divider.loading_percent(load)
    outcomes = [
        Outcome("output", divider.output(arc, load), "V", "at the controller's input"),
        Outcome("effective_ratio", divider.effective_ratio(load), "", "with the load"),
        Outcome("error", percent, "%", "of the reading, by the load"),
        Outcome("height", apparent_millimetres(arc, percent, slope), "mm", "that it looks like"),
    ]
    assumed = values["assumed"]
    if assumed != values["ratio"]:
        wrong = wrong_ratio_percent(values["ratio"], assumed)
        outcomes.append(Outcome("ratio_error", wrong, "%", "because the two sides differ on it"))
    notes = [
        (
            "The slope of arc voltage over height is from memory: 2 to 8, mostly 3 to 6 V/mm. "
            "Measure yours."
        ),
        (
            "The undivided arc voltage and the open-circuit voltage can kill: measure at the "
            "divided output only, as the supply's manual says."
        ),
    ]
    return Answer(tuple(outcomes), tuple(notes))


DIVIDER = Calculation(
    "divider",
    "what a controller's input makes of the divided arc voltage",
    (
        Given("ratio", 50.0, 1.0, 1000.0, "", "of the divider; 50 is the usual default"),
        Given("source", 1.0, 0.0, 1000.0, "kohm", "its source resistance"),
        Given("input", 100.0, 0.1, inf, "kohm", "input resistance of the controller"),
        Given("arc", 120.0, 1.0, 500.0, "V", "arc voltage"),
        Given("slope", 4.0, 0.5, 20.0, "V/mm", "arc voltage over height"),
        Given("assumed", 50.0, 1.0, 1000.0, "", "ratio set at the controller"),
    ),
    "U = U_arc / ratio * R_in / (R_in + R_s); effective ratio = ratio (1 + R_s / R_in); "
    "height = error * U_arc / slope",
    (
        Source("voltage divider", Confidence.EXACT),
        Source("50:1 and the other ratios", Confidence.PRACTICE),
        Source("slope", Confidence.MEMORY),
    ),
    _divider,
)

AIR = 1.204
"""Density of free air at 20 degrees Celsius and 1.013 bar, kg/m3."""
VISCOSITY = 18.2e-6
"""Of air at 20 degrees Celsius, Pa s."""


def handbook_drop(metres: float, millimetres: float, litres: float, bar: float) -> float:
    """Return the drop along a hose with its fittings, bar: ``dp = 1.6e12 L qv^1.85 / (d^5 p)``.

    In the formula kPa, m, m3/s of free air, mm and kPa absolute.

    Args:
        metres: length.
        millimetres: inner diameter.
        litres: normal litres a minute.
        bar: absolute pressure at its beginning.
    """
    return float(metres * 1.6e12 * (litres / 60_000) ** 1.85 / (millimetres**5 * 100 * bar)) / 100


def darcy_drop(metres: float, millimetres: float, litres: float, bar: float) -> float:
    """Return the drop along the bare, smooth hose, bar: Darcy, with Haaland's friction factor."""
    diameter, density = millimetres / 1000, AIR * bar / 1.01325
    speed = litres / 60_000 * AIR / density / (pi * diameter**2 / 4)
    reynolds = density * speed * diameter / VISCOSITY
    root = -1.8 * log10(6.9 / reynolds)
    return metres / diameter * density * speed**2 / 2 / root**2 / 1e5


def _hose(values: Values) -> Answer:
    place = values["metres"], values["millimetres"], values["litres"], values["bar"] + 1.01325
    handbook, bare = handbook_drop(*place), darcy_drop(*place)
    notes = [
        (
            "The two differ by about 1.7: the handbook's covers fittings. For a check before "
            "commissioning take the higher one; what counts is the flow pressure that is measured."
        ),
    ]
    if handbook > 0.1 * place[3]:
        notes.append("More than a tenth of the pressure: both formulas are stretched here.")
    return Answer(
        (
            Outcome("handbook", handbook, "bar", "drop, with fittings"),
            Outcome("bare", bare, "bar", "drop, bare smooth hose"),
            Outcome("left", values["bar"] - handbook, "bar", "gauge, at the supply while it flows"),
        ),
        tuple(notes),
    )


HOSE = Calculation(
    "hose",
    "how much pressure a gas hose loses while gas flows",
    (
        Given("metres", 15.0, 0.1, 500.0, "m", "length"),
        Given("millimetres", 8.0, 2.0, 50.0, "mm", "inner diameter"),
        Given("litres", 200.0, 1.0, 5000.0, "normal litres/min", "flow"),
        Given("bar", 6.0, 0.5, 40.0, "bar", "gauge pressure at its beginning"),
    ),
    "handbook: dp[kPa] = 1.6e12 L qv^1.85 / (d^5 p); bare: dp = f L/D rho u^2 / 2, "
    "1/sqrt(f) = -1.8 log10(6.9 / Re)",
    (
        Source("compressed-air tables (classic handbook formula)", Confidence.PUBLISHED),
        Source("Darcy and Haaland, smooth wall", Confidence.PUBLISHED),
    ),
    _hose,
)


def _duty(values: Values) -> Answer:
    rated, duty = values["rated"], values["duty"] / 100
    other = rated * sqrt(duty / (values["other_duty"] / 100))
    share = min((rated / values["other"]) ** 2 * duty, 1.0)
    return Answer(
        (
            Outcome("current", other, "A", "at the other duty cycle"),
            Outcome("duty", 100 * share, "%", "at the other current"),
            Outcome("endless", rated * sqrt(duty), "A", "without pause"),
        ),
        (
            (
                "By equal heating; it leaves out losses that do not go with the square of the "
                "current, so it flatters inverters at low currents. The supply's plate and manual "
                "prevail."
            ),
            "A current above the rated one is arithmetic here, not permission.",
        ),
    )


DUTY = Calculation(
    "duty",
    "which duty cycle another current allows, and which current another duty cycle",
    (
        Given("rated", 60.0, 1.0, 1000.0, "A", "rated current"),
        Given("duty", 60.0, 1.0, 100.0, "%", "its duty cycle, of ten minutes"),
        Given("other_duty", 100.0, 1.0, 100.0, "%", "another duty cycle"),
        Given("other", 50.0, 1.0, 1000.0, "A", "another current"),
    ),
    "I1^2 X1 = I2^2 X2",
    (Source("constant heating, a textbook equivalence", Confidence.MEMORY),),
    _duty,
)
