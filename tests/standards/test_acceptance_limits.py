"""The limits of the shipped acceptance plan, and what each of them rests on."""

from __future__ import annotations

import pytest

from kerfbus.bench.acceptance.asked import Answer, judged
from kerfbus.bench.acceptance.form import StepForm
from kerfbus.bench.acceptance.plan import GENERIC, parse_plan, plan_text
from kerfbus.bench.acceptance.result import Grade

PLAN = parse_plan(plan_text(GENERIC), GENERIC)
STEPS = {step.name: step for step in PLAN.steps}
PRACTICE = "common practice, no source"
PREVAILS = "manual"


@pytest.mark.parametrize(
    ("name", "low", "high", "unit"),
    [
        # All of these: common practice, no source.
        ("supply-space", 0.25, None, "m"),
        ("supply-incline", 0, 10, "degrees"),
        ("torch-square-along", 89.5, 90.5, "degrees"),
        ("torch-square-across", 89.5, 90.5, "degrees"),
        ("torch-lead-bend", 76, None, "mm"),
        ("cable-separation", 0.3, None, "m"),
        ("work-clamp-resistance", 0, 0.1, "ohm"),
        ("bonding", 0, 0.1, "ohm"),
        ("gas-static", 5.5, 8, "bar"),
        ("gas-flow", 5, 8, "bar"),
    ],
)
def test_what_is_common_practice_says_so_and_defers(
    name: str, low: float | None, high: float | None, unit: str
) -> None:
    step = STEPS[name]
    assert (step.min, step.max, step.unit) == (low, high, unit)
    assert PRACTICE in step.source
    assert PREVAILS in step.source


def grade(name: str, value: float, **inputs: float) -> Grade:
    return judged(STEPS[name], Answer(value, inputs)).grade


def test_the_divided_voltage_is_that_of_50_to_1_with_loading() -> None:
    # 50:1 is the commonest ratio (common practice, no source); loading by Ohm's law:
    # 100 V / 50 * 100 / 101 = 1.980 V.
    assert STEPS["divided-voltage"].given["ratio"] == 50
    assert grade("divided-voltage", 1.980, arc_volts=100) is Grade.PASSED
    # A ratio set wrong on one side: 30:1 read as 50:1 is 67 % too much.
    assert grade("divided-voltage", 3.30, arc_volts=100) is Grade.FAILED


def test_the_idle_pair_needs_the_receivers_threshold() -> None:
    # TIA/EIA-485-A by way of EURASIP J. Embedded Systems (2016), table 1: 200 mV.
    assert grade("idle-voltage", 0.2) is Grade.PASSED
    assert grade("idle-voltage", 0.199) is Grade.FAILED


def test_the_driven_pair_is_as_a_driver_must_give() -> None:
    # The same table: 1.5 to 6 V into 54 ohm.
    assert (STEPS["driven-voltage"].min, STEPS["driven-voltage"].max) == (1.5, 6)


def test_two_terminators_pass_and_one_or_three_do_not() -> None:
    # MODBUS over Serial Line V1.02, 3.4.5: one at each end, at most two.
    assert grade("termination", 60) is Grade.PASSED
    assert grade("termination", 118) is Grade.FAILED
    assert grade("termination", 40) is Grade.FAILED


def test_the_pair_is_copper_of_its_gauge() -> None:
    # 84.21 ohm/km of AWG 24 at 20 degrees Celsius, recomputed; 30 m there and back: 5.05 ohm.
    assert grade("pair-resistance", 5.1, metres=30) is Grade.PASSED
    assert grade("pair-resistance", 12, metres=30) is Grade.FAILED


def test_nothing_that_protects_people_is_done_by_the_program() -> None:
    stop = STEPS["emergency-stop"]
    assert stop.kind == "confirm"
    assert "hard wire" in stop.question
    assert "no part in it" in stop.caution
    assert any("never a safety function" in each for each in PLAN.form.header.cautions)


@pytest.mark.parametrize("step", PLAN.steps, ids=lambda step: step.name)
def test_every_limit_has_a_source(step: StepForm) -> None:
    if step.kind != "identity":
        assert step.source
