"""Plans, answers and states: what is wrong in them is one line with place and key."""

from __future__ import annotations

import json
from pathlib import Path

import acceptanceplans as plans
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.acceptance.answers import load_answers, parse_answers, template
from kerfbus.bench.acceptance.asked import Answer
from kerfbus.bench.acceptance.form import KINDS, Manner, StepForm
from kerfbus.bench.acceptance.plan import GENERIC, load_plan, parse_plan, plan_text
from kerfbus.bench.acceptance.result import Grade
from kerfbus.bench.acceptance.session import Kept
from kerfbus.bench.acceptance.state import State, load_state
from kerfbus.bench.errors import AnswersError, PlanError, StateError
from kerfbus.sim.maps import default_map

MEASURE = plans.step("measure", "question = 'How far?'\nunit = 'm'\nmin = 0.25")
DIVIDER = "question = '?'\nunit = 'V'\njudged = 'divider'\n"
HEADER_LINES = plans.HEADER.count("\n")


@pytest.mark.parametrize(
    ("step", "line", "message"),
    [
        (plans.step("mesure"), 3, "step one.kind: 'mesure' is not one of .*'measure'"),
        (plans.step("measure", "question = '?'\nmin = 1"), 3, "kind: a measure step needs unit"),
        (plans.step("measure", "question = '?'\nunit = 'm'"), 5, "needs min, max or judged"),
        (plans.step("map", "claim = '1%'"), 5, r"one\.claim: means nothing in a map step"),
        (plans.step("map", "clam = '1%'"), 5, "clam: is not a known key; did you mean 'claim'"),
        (plans.step("error-rate", "claim = '200%'"), 5, "one.claim: claim '200%'"),
        (plans.step("settings", "format = '9X9'"), 5, "one.format: format 9X9"),
        (plans.step("settings", "count = 1"), 5, "one.count: 1 is below 10"),
        (plans.step("map") + plans.step("map"), 7, "there is another step 'one'"),
        (MEASURE + "max = 0.1\n", 7, "one.min: 0.25 is above max"),
        (plans.step("measure", DIVIDER + "given = { ratoi = 5 }"), 8, "did you mean 'ratio'"),
        (plans.step("measure", DIVIDER), 7, "divider needs arc_volts"),
        (plans.step("watchdog", "register = 'watchdog_tme'"), 5, "did you mean 'watchdog_time'"),
        (plans.step("watchdog", "register = 'mode'"), 5, "mode: is no number"),
        (plans.step("identity", "registers = ['maker', 'x']"), 5, "no register 'x'"),
        (plans.step("identity", "registers = ['command_key']"), 5, "cannot be read"),
        (plans.step("set-point", "register = 'output_current'\nidle = {}"), 5, "be read only"),
        (plans.step("set-point", "register = 'current_setpoint'\nvalues = [500]\nidle = {}"), 6,
         "500 A is outside the limits"),
        (plans.step("set-point", "register = 'current_setpoint'"), 3, "needs idle"),
        (plans.step("refused", "register = 'current_setpoint'\nvalues = [50]\nidle = {}"), 6,
         "inside the map's limits"),
        (plans.step("selection", "register = 'process'\nvalues = [5000]\nidle = {}"), 6, "outside"),
        ('[[step]]\nname = "A b"\nkind = "map"\ntitle = "x"\n', 2, "cannot stand here"),
        ('[[step]]\nname = "a"\nkind = "map"\ntitle = "a\\u001b[31m"\n', 4, "cannot stand here"),
        ("[[step]\n", 1, "Expected"),
    ],
)  # fmt: skip
def test_a_wrong_plan_is_one_line_with_place_and_key(step: str, line: int, message: str) -> None:
    with pytest.raises(PlanError, match=message) as caught:
        plans.plan_of(step)
    assert caught.value.line == HEADER_LINES + line
    assert str(caught.value).startswith(f"small.toml: line {caught.value.line}: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "[plan]\nname = 'a'\ntitle = 'b'\n", "step = 1", "x = [" * 9])
def test_what_is_no_plan(text: str) -> None:
    with pytest.raises(PlanError):
        parse_plan(text, "x")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no such file"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(AnswersError, match="no such file"):
        load_answers(tmp_path / "none.toml", [])
    with pytest.raises(PlanError, match="no such plan ships; there is generic-table, link"):
        plan_text("other")


def test_a_lenient_plan_skips_what_the_map_lacks() -> None:
    header = plans.HEADER + 'missing_registers = "skip"\n'
    steps = plans.step("watchdog", "register = 'dog'"), plans.step("map", "", "two")
    plan = plans.plan_of(*steps, header=header)
    assert list(plan.missing) == ["one"]
    with pytest.raises(PlanError, match="can strike an arc"):  # but not what is there and wrong
        plans.plan_of(plans.SELECTION.replace('"process"', '"arc_command"'), header=header)


@given(st.text(max_size=200) | st.sampled_from([plan_text(GENERIC)]), st.data())
@settings(max_examples=60, deadline=None)
def test_any_text_is_a_plan_or_a_plan_error(text: str, data: st.DataObject) -> None:
    if len(text) > 200:  # damage the shipped plan at some place
        at = data.draw(st.integers(0, len(text) - 1))
        text = text[:at] + data.draw(st.text(max_size=4)) + text[at + 1 :]
    said = ""
    try:
        parse_plan(text, "x").against(default_map())
    except PlanError as error:
        said = str(error)
    assert "\n" not in said


ASKED = (
    MEASURE,
    plans.step("confirm", "question = 'Is it?'", "two"),
    plans.step("measure", DIVIDER + "inputs = { arc_volts = 'Arc?' }", "three"),
    plans.step("map", "", "four"),
)


def asked() -> list[StepForm]:
    return list(plans.plan_of(*ASKED).steps)


def test_answers_of_all_forms() -> None:
    text = """
    [record]
    machine = "table 3"
    [answers]
    one = "0,3 m"
    two = { value = true, note = "seen" }
    three = { value = 2.3, arc_volts = 118 }
    """
    found = parse_answers(text, "x", asked())
    assert found.record == {"machine": "table 3"}
    assert found.by_step == {
        "one": Answer(0.3),
        "two": Answer(value=True, note="seen"),
        "three": Answer(2.3, {"arc_volts": 118.0}),
    }


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("onw = 1", "onw: the plan asks nothing of this name; did you mean 'one'"),
        ("four = 1", "asks nothing of this name"),
        ("one = true", "answer with a number"),
        ("one = [1]", "needs a number"),
        ("one = nan", "answer with a number"),
        ("two = 1", "answer yes or no"),
        ("two = 'perhaps'", "answer yes or no"),
        ("three = 2.3", "arc_volts is missing"),
        ("three = { value = 2.3, arc_volts = 0 }", "arc_volts 0: above 0"),
        ("three = { value = 2.3, arc_volts = 'x' }", "arc_volts needs a number"),
        ("one = { note = 'x' }", "has no value; give value, or skip"),
        ("one = { valeu = 1 }", "valeu is not asked here"),
    ],
)
def test_wrong_answers_are_one_line_with_the_place(line: str, message: str) -> None:
    with pytest.raises(AnswersError, match=message) as caught:
        parse_answers(f"[answers]\n\n{line}\n", "mine.toml", asked())
    assert caught.value.line == 3
    assert str(caught.value).startswith("mine.toml: line 3: answers.")


def test_the_template_names_every_question_and_is_a_file_of_answers() -> None:
    plan = parse_plan(plan_text(GENERIC), GENERIC)
    text = template(plan.steps)
    for step in plan.steps:
        assert (f"\n# {step.name} = " in text) == (step.manner is Manner.ASKED), step.name
    assert not parse_answers(text, "x", plan.steps).by_step
    filled = text.replace("# emergency-stop = ", "emergency-stop = ")
    assert parse_answers(filled, "x", plan.steps).by_step == {"emergency-stop": Answer(value=True)}


def names_in(folder: Path) -> list[str]:
    return [each.name for each in folder.iterdir()]


async def state_of(tmp_path: Path) -> State:
    """Return the state of a run of three kinds of steps, written to a file."""
    plan = plans.plan_of(MEASURE, plans.step("map", "", "two"), plans.SET_POINT)
    state = State(plan.sha256, "m", "sim:", 1, tmp_path / "state.json")
    run = plans.run_of(plan, state)
    async with plans.session_on(await plans.simulated(), state) as session:
        await run.run(session)
    return state


async def test_a_state_says_the_same_when_it_is_read_again(tmp_path: Path) -> None:
    state = await state_of(tmp_path)
    assert state.file is not None
    again = load_state(state.file, State(state.plan_sha256, "m", "sim:", 1))
    assert [each.to_json() for each in again.results.values()] == [
        each.to_json() for each in state.results.values()
    ]
    assert names_in(tmp_path) == ["state.json"]


async def test_a_resumed_run_does_only_what_is_left(tmp_path: Path) -> None:
    state = await state_of(tmp_path)
    plan = plans.plan_of(MEASURE, plans.step("map", "", "two"), plans.SET_POINT)
    run = plans.run_of(plan, state)
    assert [each.name for each in run.to_do] == ["one"]  # skipped, because nobody was there
    assert not run.needs_line
    run.again = ("two",)
    async with plans.session_on(await plans.simulated(), state) as session:
        await run.run(session)
    (earlier,) = run.results[1].earlier
    assert earlier["grade"] == "pass"
    assert run.results[0].finding.grade is Grade.SKIPPED


async def test_a_state_is_replaced_as_a_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = await state_of(tmp_path)
    assert state.file is not None
    before = state.file.read_text()

    def full(_: int) -> None:
        raise OSError(28, "no space left")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="no space"):
        state.changing([Kept("current_setpoint", (600,))])
    assert state.file.read_text() == before
    assert names_in(tmp_path) == ["state.json"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"plan_sha256": "x"}, "another plan"),
        ({"map_sha256": "x"}, "another map"),
        ({"port": "COM1"}, "another port"),
        ({"server": 2}, "another server"),
        ({"version": 99}, "version 99"),
        ({"results": 1}, "results: needs a list"),
        ({"pending": [{"name": "x"}]}, "raw: is missing"),
    ],
)
async def test_a_state_of_another_run_is_refused(
    tmp_path: Path, change: dict[str, object], message: str
) -> None:
    state = await state_of(tmp_path)
    assert state.file is not None
    state.file.write_text(json.dumps({**json.loads(state.file.read_text()), **change}))
    with pytest.raises(StateError, match=message):
        load_state(state.file, State(state.plan_sha256, "m", "sim:", 1))


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "[" * 100_000, '"x"'])
def test_what_is_no_state(tmp_path: Path, text: str) -> None:
    (tmp_path / "s").write_text(text)
    with pytest.raises(StateError):
        load_state(tmp_path / "s", State("", "", "", 1))


def test_every_kind_is_of_a_manner_and_the_guide_names_it() -> None:
    guide = Path(__file__).parents[2].joinpath("docs/acceptance.md").read_text()
    for name, kind in KINDS.items():
        assert f"| `{name}` |" in guide
        for key in kind.needed | kind.taken:
            assert f"`{key}`" in guide or f"`{key} =" in guide, key
