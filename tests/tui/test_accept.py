"""`kerfbus accept`, on the embedded default and on a supply behind a real pty."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import acceptanceplans as plans
import console
import pytest

from kerfbus.bench.acceptance.plan import GENERIC, plan_names, plan_text

CHECK_KEYS = {"check", "grade", "measured", "limit", "unit", "source"}
LONG = plans.SET_POINT.replace("points = 4", "points = 1000")
"""An armed step that goes on for minutes on a pty that keeps the pace of the wire."""
MEASURE = plans.step("measure", "question = 'How far?'\nunit = 'm'\nmin = 0.25\nmethod = 'Tape.'")
PTY = pytest.mark.skipif(os.name != "posix", reason="other platform: ptys")


def plan_file(folder: Path, *steps: str) -> Path:
    """Write a plan and return its path."""
    path = folder / "plan.toml"
    path.write_text(plans.HEADER + "".join(steps))
    return path


def current_on(port: str) -> float:
    """Return the set-point of the supply on a port."""
    answer = console.call("read", "current_setpoint", "--port", port, "--json").answer
    value = answer["values"][0]["value"]
    assert isinstance(value, float)
    return value


def grades(answer: dict[str, Any]) -> dict[str, str]:
    return {each["check"]: each["grade"] for each in answer["checks"]}


def test_the_shipped_plan_on_the_embedded_default(tmp_path: Path) -> None:
    record = tmp_path / "record.html"
    run = console.call("accept", "--plan", GENERIC, "--record", record, "--json")
    answer = run.answer
    assert (run.code, answer["plan"], answer["verdict"]) == (1, GENERIC, "open points")
    assert all(set(each) >= CHECK_KEYS for each in answer["checks"])
    found = set(grades(answer).values())
    assert found == {"pass", "skipped"}
    assert len(answer["open_points"]) == 22
    assert answer["simulated"] is True
    assert "<h1>Acceptance record</h1>" in record.read_text()
    assert Path(f"{record}.state.json").exists()


def test_the_plan_that_asks_nobody_passes_on_the_embedded_default() -> None:
    run = console.call("accept", "--plan", "link", "--json")
    assert (run.code, run.answer["verdict"], run.answer["open_points"]) == (0, "pass", [])
    assert set(grades(run.answer).values()) == {"pass"}


def test_a_plan_that_passes_exits_with_nothing(tmp_path: Path) -> None:
    plan = plan_file(tmp_path, plans.step("map"), plans.SET_POINT, MEASURE.replace("one", "gap"))
    answers = tmp_path / "answers.toml"
    answers.write_text("[answers]\ngap = 0.3\n")
    run = console.call("accept", plan, "--answers", answers)
    assert run.code == 0
    assert "Verdict: pass (3 pass, 0 fail, 0 skipped)" in run.out
    assert "gap: 0.3 m" in run.out
    assert max(map(len, run.out.splitlines())) <= 80


def test_what_failed_exits_with_one(tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text("[answers]\none = 0.2\n")
    run = console.call("accept", plan_file(tmp_path, MEASURE), "--answers", answers, "--json")
    assert (run.code, run.answer["verdict"]) == (1, "fail")
    (check,) = run.answer["checks"]
    assert (check["measured"], check["low"], check["unit"]) == (0.2, 0.25, "m")


def test_resuming(tmp_path: Path) -> None:
    plan, state = plan_file(tmp_path, MEASURE, plans.step("map", "", "two")), tmp_path / "s.json"
    capture = tmp_path / "first.pcapng"
    first = console.call(
        "accept", plan, "--resume", state, "--capture", capture, "--json"
    ).answer  # fmt: skip
    assert grades(first) == {"one": "skipped", "two": "pass"}
    answers = tmp_path / "answers.toml"
    answers.write_text("[answers]\none = 0.3\n")
    # Nothing is left for the port, so one that is not there does no harm.
    again = ("accept", plan, "--resume", state, "--answers", answers)
    run = console.call(*again, "--json")
    assert (run.code, grades(run.answer)) == (0, {"one": "pass", "two": "pass"})
    assert run.answer["checks"][1]["at"] == first["checks"][1]["at"]
    assert list(run.answer["sha256"]["captures"]) == [str(capture)]
    run = console.call(*again, "--again", "two", "--json")
    assert len(run.answer["checks"][1]["earlier"]) == 1
    plan.write_text(plan.read_text() + "\n")
    assert "belongs to a run with another plan" in console.call(*again).err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("nosuch.toml",), "nosuch.toml: there is no such file"),
        (("--plan", "nosuch"), "no such plan ships; there is generic-table, link"),
        (("x.toml", "--plan", GENERIC), "not both"),
        (("--again", "nosuch"), "--again nosuch: the plan has no such step"),
        (("--answers", "nosuch.toml"), "nosuch.toml: there is no such file"),
        (("--port", "/dev/null/x"), "/dev/null/x"),
        (("--port", "/dev/null/x", "--seed", "1"), "only simulated lines have a seed"),
    ],
)
def test_mistakes_are_one_line(arguments: tuple[str, ...], message: str) -> None:
    run = console.call("accept", *arguments)
    assert run.code == 2
    assert message in run.err
    assert len(run.err.splitlines()) == 1


def test_a_wrong_plan_names_line_and_key(tmp_path: Path) -> None:
    run = console.call("accept", plan_file(tmp_path, plans.step("map", "clam = 1")), "--json")
    assert run.code == 2
    assert run.answer["error"]["kind"] == "plan"
    assert "plan.toml: line 8: step one.clam: is not a known key" in run.err


def test_a_record_is_not_overwritten(tmp_path: Path) -> None:
    record = tmp_path / "record.html"
    plan = plan_file(tmp_path, plans.step("map"))
    assert console.call("accept", plan, "--record", record).code == 0
    run = console.call("accept", plan, "--record", record)
    assert run.code == 2
    assert "exists already" in run.err
    record.unlink()
    run = console.call("accept", plan, "--record", record)
    assert "is of an interrupted run; go on with --resume" in run.err
    resumed = ("--resume", f"{record}.state.json", "--record", record)
    assert console.call("accept", plan, *resumed).code == 0
    assert record.exists()


def test_no_browser_no_pdf(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    run = console.call("accept", "--pdf", tmp_path / "x.pdf")
    assert run.code == 2
    assert "--pdf needs Chromium, Chrome or Edge" in run.err
    assert len(run.err.splitlines()) == 1


def test_plans_and_answers_to_start_from(tmp_path: Path) -> None:
    assert plan_names() == (GENERIC, "link")
    assert console.call("accept", "--print-plan").out == plan_text(GENERIC)
    answers = tmp_path / "answers.toml"
    answers.write_text(console.call("accept", "--print-answers").out)
    assert "# emergency-stop" in answers.read_text()
    plan = plan_file(tmp_path, plans.step("map"))
    assert console.call("accept", plan, "--print-answers").code == 0


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Run a supply on a pty for all tests that leave it as it was."""
    with console.supply_on_pty(tmp_path_factory.mktemp("supply")) as path:
        yield path


@PTY
def test_a_real_port_is_only_read_unless_armed(tmp_path: Path, port: str) -> None:
    plan = plan_file(tmp_path, plans.step("map"), plans.SET_POINT, plans.REFUSED, plans.SELECTION)
    run = console.call("accept", plan, "--port", port, "--json")
    assert run.code == 1
    assert list(grades(run.answer).values()) == ["pass", "skipped", "skipped", "skipped"]
    assert "--arm" in run.answer["checks"][1]["detail"]
    run = console.call("accept", plan, "--port", port, "--arm")
    assert (run.code, len(run.err.splitlines())) == (2, 1)
    assert "give --map" in run.err
    run = console.call("accept", plan, "--port", port, "--map", "supply", "--arm", "--json")
    assert (run.code, set(grades(run.answer).values())) == (0, {"pass"}), run.err
    assert "armed: set-points are written and put back" in run.err
    assert current_on(port) == 60.0


@contextmanager
def armed_run(
    folder: Path, port: str, timeout: str = "10"
) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """Start a long armed run and wait until it has begun to write."""
    plan, state = plan_file(folder, LONG), folder / "state.json"
    link = ("--port", port, "--map", "supply", "--timeout", timeout)  # the machine may be busy
    command = ("accept", plan, *link, "--arm", "--resume", state, "--json")
    with console.start(*command) as process:
        console.eventually(lambda: state.exists() and bool(pending(state)))
        yield process, state


def pending(state: Path) -> list[str]:
    return [each["name"] for each in json.loads(state.read_text())["pending"]]


def changed(port: str) -> bool:
    return current_on(port) != 60.0


@PTY
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda each: each.name)
def test_a_stop_in_the_armed_part_puts_everything_back(
    tmp_path: Path, port: str, number: signal.Signals
) -> None:
    with armed_run(tmp_path, port) as (process, state):
        for _ in range(3):  # an impatient person
            process.send_signal(number)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 1, err
    assert json.loads(out)["verdict"] == "open points"
    assert "stopping; what was written is put back first" in err
    assert pending(state) == []
    assert not changed(port)


@PTY
def test_after_a_kill_the_next_run_puts_everything_back(tmp_path: Path, port: str) -> None:
    with armed_run(tmp_path, port) as (process, state):
        process.kill()
        process.communicate()
    assert "current_setpoint" in pending(state)
    # As if it had got so far.
    assert console.call("write", "current_setpoint=33", "--port", port, "--arm").code == 0
    small = tmp_path / "plan.toml"
    link = ("--port", port, "--map", "supply")
    resumed = ("accept", small, *link, "--resume", state, "--json")
    unarmed = console.call(*resumed)
    assert "did not put back" in unarmed.err
    assert unarmed.answer["verdict"] == "fail"
    assert "current_setpoint" in unarmed.answer["not_restored"]
    assert changed(port)
    with console.start(*resumed, "--arm") as process:
        console.eventually(lambda: "current" not in json.loads(state.read_text())["results"])
        assert process.stderr is not None
        assert any("did not put back" in line for line in process.stderr)
        process.terminate()
        process.communicate()
    assert not changed(port)


@PTY
def test_a_supply_that_goes_away_in_the_armed_part_is_said_plainly(tmp_path: Path) -> None:
    path = tmp_path / "supply"
    with console.start("supply", "--pty", path) as supply:
        assert supply.stdout is not None
        assert "ready" in supply.stdout.readline()
        with armed_run(tmp_path, str(path), timeout="1") as (process, state):
            path.unlink()  # else it leads to whoever gets a pty of the same number next
            supply.kill()
            out, err = process.communicate(timeout=60)
    assert process.returncode == 1
    answer = json.loads(out)
    assert answer["verdict"] == "fail"
    assert "current_setpoint" in answer["not_restored"], answer
    assert any("NOT RESTORED: current_setpoint was 60 A" in line for line in err.splitlines())
    assert "current_setpoint" in pending(state)


@PTY
def test_a_person_at_the_terminal(tmp_path: Path) -> None:
    """Typed at a real pseudo-terminal: a mistake, the method, an input, a note, a skip."""
    divider = plans.step(
        "measure",
        "question = 'Volts?'\nunit = 'V'\njudged = 'divider'\ninputs = { arc_volts = 'Arc?' }",
        "two",
    )
    confirm = plans.step("confirm", "question = 'Is it?'\ncaution = 'Lock it off.'", "three")
    plan = plan_file(tmp_path, MEASURE, divider, confirm)
    person, terminal = os.openpty()
    typed = "far\n?\n0,31 m # left side\nx\n118\n2.36\nskip later\n"
    os.write(person, typed.encode())
    try:
        done = subprocess.run(
            [console.PROGRAM, "accept", str(plan), "--json"],
            stdin=terminal,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    finally:
        os.close(person)
        os.close(terminal)
    answer = json.loads(done.stdout)
    assert grades(answer) == {"one": "pass", "two": "pass", "three": "skipped"}, done.stderr
    assert answer["checks"][0]["note"] == "left side"
    assert answer["checks"][2]["detail"] == "later"
    for said in (
        "'far': answer with a number",
        "Tape.",
        "'x': answer with a number",
        "Lock it off.",
    ):
        assert said in done.stderr
