"""Acceptance steps that read or ask, on the simulated supply."""

from __future__ import annotations

import acceptanceplans as plans
import pytest

from kerfbus.bench.acceptance.answers import Answers
from kerfbus.bench.acceptance.asked import Answer, judged, parsed
from kerfbus.bench.acceptance.plan import parse_plan, plan_names, plan_text
from kerfbus.bench.acceptance.result import Finding, Grade, Limit, Result, Verdict, verdict_of
from kerfbus.bench.acceptance.timeline import FIRST_BIN_NS, MOST_BINS, Timeline
from kerfbus.bench.errors import UsageError
from kerfbus.sim.maps import default_map

PASSED, FAILED, SKIPPED = Grade.PASSED, Grade.FAILED, Grade.SKIPPED


@pytest.mark.parametrize(
    ("kind", "lines", "grade", "said"),
    [
        ("settings", "count = 20", PASSED, "20 of 20 reads"),
        ("settings", "count = 20\nbaud = 9600", FAILED, "other settings"),
        ("settings", "count = 20\nexpect = { active_baud = '9600' }", FAILED, "is 19200, not 9600"),
        ("identity", "expect = { maker = 'INVENTED UNIT', map_version = 1 }", PASSED, ""),
        ("identity", "expect = { maker = 'SOMEBODY' }", FAILED, "is INVENTED UNIT, not SOMEBODY"),
        ("map", "", PASSED, ""),
        ("limits", "", PASSED, ""),
        ("limits", "registers = ['inlet_pressure']", PASSED, ""),
        ("error-rate", "claim = '5%@90%'", PASSED, "0 of 59 transactions"),
        ("error-rate", "claim = '0.1%'\nseconds = 0.2", FAILED, "claim not shown"),
        ("turnaround", "max = 50\ncount = 10", PASSED, "percentile 99 of 10"),
        ("turnaround", "max = 1\ncount = 10", FAILED, "longest 2.005 ms"),
        ("silent-interval", "count = 10", PASSED, "3.5 characters"),
        ("watchdog", "register = 'watchdog_time'\nmin = 0.2\nmax = 1", PASSED, ""),
        ("watchdog", "register = 'watchdog_time'\nmax = 0.5", FAILED, ""),
        ("watchdog", "register = 'watchdog_time'\nexpect = { watchdog_state = 'running' }", FAILED,
         "watchdog_state is resting, not running"),
    ],
)  # fmt: skip
async def test_what_reads(kind: str, lines: str, grade: Grade, said: str) -> None:
    (result,) = await plans.results_of(plans.step(kind, lines))
    assert (result.finding.grade, said in result.finding.detail) == (grade, True), result


async def test_a_noisy_line_is_seen_in_rate_and_timeline() -> None:
    step = plans.step("error-rate", "claim = '0.1%@95%'\nseconds = 60")
    (result,) = await plans.results_of(step, port="sim:random-noise?severity=0.5")
    assert result.finding.grade is FAILED
    (figure,) = result.finding.figures
    wrong, trials = sum(figure["wrong"]), sum(figure["transactions"])
    assert f"{wrong} of {trials} transactions went wrong" in result.finding.detail
    assert wrong >= 3


async def test_nobody_there_fails_and_does_not_hang() -> None:
    steps = [
        plans.step("settings", "", "a"),
        plans.step("identity", "", "b"),
        plans.step("map", "", "c"),
        plans.step("limits", "registers = ['inlet_pressure']", "d"),
        plans.step("error-rate", "claim = '1%'", "e"),
        plans.step("turnaround", "max = 5", "f"),
        plans.step("watchdog", "register = 'watchdog_time'", "g"),
        plans.SET_POINT,
    ]
    results = await plans.results_of(*steps, server=9)
    grades = {each.check: each.finding.grade for each in results}
    assert set(grades.values()) <= {FAILED, SKIPPED}, grades
    assert grades["current"] is SKIPPED  # whether it is idle could not be read
    assert sum(grade is FAILED for grade in grades.values()) == 7


def test_the_timeline_keeps_counts_in_bounded_memory() -> None:
    timeline = Timeline(0)
    for index in range(1000):
        timeline.add(index * FIRST_BIN_NS, 2, index % 2)
    found = timeline.to_json()
    assert len(found["transactions"]) <= MOST_BINS
    assert (sum(found["transactions"]), sum(found["wrong"])) == (2000, 500)
    assert found["bin_seconds"] * len(found["transactions"]) >= 999 * FIRST_BIN_NS / 1e9


MEASURE = plans.step("measure", "question = 'How far?'\nunit = 'm'\nmin = 0.25\nmax = 2")
DIVIDER = plans.step(
    "measure",
    """
    question = 'Volts?'
    unit = 'V'
    judged = 'divider'
    given = { ratio = 50, source_kilohms = 1, load_kilohms = 10 }
    inputs = { arc_volts = 'Arc?' }
    tolerance_percent = 2
    """,
)


@pytest.mark.parametrize(
    ("value", "grade"), [(0.25, PASSED), (2, PASSED), (0.2499, FAILED), (2.001, FAILED)]
)
def test_a_number_is_held_to_its_limits(value: float, grade: Grade) -> None:
    (step,) = plans.plan_of(MEASURE).steps
    assert judged(step, Answer(value)).grade is grade


@pytest.mark.parametrize(
    ("value", "grade"),
    # 120 V / 50 * 10 / 11 = 2.1818 V; unloaded it would be 2.4 V.
    [(2.1818, PASSED), (2.15, PASSED), (2.4, FAILED), (3.6, FAILED)],
)
def test_a_divided_voltage_is_judged_by_ratio_and_loading(value: float, grade: Grade) -> None:
    (step,) = plans.plan_of(DIVIDER).steps
    finding = judged(step, Answer(value, {"arc_volts": 120.0}))
    assert finding.grade is grade
    assert "expected 2.182 V" in finding.detail


@pytest.mark.parametrize(
    ("judge", "given", "value", "grade"),
    [
        # 5 V, 560 ohm a side, two terminators of 120 ohm, no receivers: 5 * 60 / 1180.
        ("bias", {"loads": 0.001}, 0.254, PASSED),
        ("bias", {}, 0.199, FAILED),  # within 25 % of the expected value, but below the threshold
        ("termination", {}, 59.7, PASSED),
        ("termination", {}, 119.0, FAILED),  # one terminator only
        ("termination", {}, 40.0, FAILED),  # three
        # 100 m of AWG 24: 2 * 8.421 ohm, and the contacts.
        ("pair", {"metres": 100.0}, 17.3, PASSED),
        ("pair", {"metres": 100.0}, 35.0, FAILED),
    ],
)
def test_what_arithmetic_judges(
    judge: str, given: dict[str, float], value: float, grade: Grade
) -> None:
    inline = ", ".join(f"{name} = {number}" for name, number in given.items())
    lines = f"question = '?'\nunit = 'x'\njudged = '{judge}'\ntolerance_percent = 25\n"
    (step,) = plans.plan_of(plans.step("measure", lines + f"given = {{ {inline} }}")).steps
    assert judged(step, Answer(value)).grade is grade


def test_an_input_that_cannot_be_is_refused() -> None:
    (step,) = plans.plan_of(DIVIDER).steps
    for inputs in ({}, {"arc_volts": 0.0}, {"arc_volts": -5.0}):
        with pytest.raises(UsageError, match="arc_volts"):
            judged(step, Answer(2.0, inputs))


@pytest.mark.parametrize(
    ("typed", "value"), [("0.3", 0.3), (" 0,3 m", 0.3), ("1e-1M", 0.1), ("-2", -2.0)]
)
def test_typed_numbers(typed: str, value: float) -> None:
    (step,) = plans.plan_of(MEASURE).steps
    assert parsed(step, typed) == value


@pytest.mark.parametrize("typed", ["", "nan", "inf", "far", "0.3 ohm", "yes"])
def test_what_is_no_number(typed: str) -> None:
    (step,) = plans.plan_of(MEASURE).steps
    with pytest.raises(UsageError):
        parsed(step, typed)


async def test_asked_steps_take_answers_and_else_stay_open() -> None:
    confirm = plans.step("confirm", "question = 'Is it?'", "two")
    plan = plans.plan_of(MEASURE, confirm, plans.step("confirm", "question = '?'", "three"))
    answers = Answers({}, {"one": Answer(0.3, note="left"), "two": Answer(value=False)})
    run = plans.run_of(plan, answers=answers)
    assert not run.needs_line
    await run.run(None)
    grades = [each.finding.grade for each in run.results]
    assert grades == [PASSED, FAILED, SKIPPED]
    assert run.results[0].finding.note == "left"
    assert run.verdict is Verdict.FAILED
    assert run.to_json()["open_points"] == ["two", "three"]


@pytest.mark.parametrize(
    ("grades", "verdict"),
    [
        ([(PASSED, True), (PASSED, False)], Verdict.PASSED),
        ([(PASSED, True), (SKIPPED, False)], Verdict.PASSED),
        ([(PASSED, True), (SKIPPED, True)], Verdict.OPEN),
        ([(FAILED, False), (PASSED, True)], Verdict.FAILED),
        ([(SKIPPED, True), (FAILED, True)], Verdict.FAILED),
    ],
)
def test_verdicts(grades: list[tuple[Grade, bool]], verdict: Verdict) -> None:
    results = [
        Result("a", "A", "confirm", "", "", required, Finding(grade)) for grade, required in grades
    ]
    assert verdict_of(results) is verdict


def test_a_port_without_a_wire_shows_no_silence() -> None:
    finding = Finding.skipped("why", Limit(low=2.0, unit="ms"))
    assert str(finding.limit) == "at least 2 ms"


@pytest.mark.parametrize("name", plan_names())
def test_shipped_plans_are_good_and_fit_the_default_map(name: str) -> None:
    plan = parse_plan(plan_text(name), name).against(default_map())
    assert plan.name == name
    assert not plan.missing
    assert all(step.method for step in plan.steps)
    kinds = {step.kind for step in plan.steps}
    assert {"settings", "map", "error-rate", "set-point", "refused", "selection"} <= kinds
