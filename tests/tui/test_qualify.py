"""`kerfbus qualify`: three controllers as processes on ptys, the reports, mistakes."""

from __future__ import annotations

import io
import json
import re
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, NamedTuple

import console
import pytest
import tree
from controllers.table_program import Manner
from controllers.virtual import Virtual
from pymodbus import FramerType
from pymodbus.client import ModbusTcpClient

from kerfbus.bench.capture import CaptureReader
from kerfbus.sim.qualification.schedule import PLANS
from kerfbus.tui.output import Output
from kerfbus.tui.qualifyfiles import junit, page
from kerfbus.tui.qualifying import Outcome, answer, tell

CONTROLLERS = tree.ROOT / "tests" / "controllers"
FAULTS = {"fault-torch-cover-open", "fault-no-transfer", "fault-over-temperature"}
FAILS = {
    "careful": set(),
    "careless": {
        *("damaged-reply", "late-reply", "foreign-reply", "short-reply", "long-reply"),
        *("retry", "link-loss", "limits"),
    },
    "dangerous": {"no-self-restart", "waits-for-transfer", *FAULTS},
}
NOT_SEEN = {"silent-interval"}


class Trial(NamedTuple):
    """A qualification that has ended."""

    code: int
    answer: Any
    err: str
    folder: Path

    def checks(self, grade: str) -> set[str]:
        return {each["check"] for each in self.answer["checks"] if each["grade"] == grade}


def started(name: str, folder: Path) -> tuple[subprocess.Popen[str], subprocess.Popen[bytes]]:
    """Start a qualification and, once it is ready, the controller."""
    folder.mkdir()
    qualify = subprocess.Popen(
        [
            *(console.PROGRAM, "qualify", "--pty", "supply", "--signals", "motion", "--quick"),
            *("--json", "--junit", "report.xml", "--report-html", "report.html"),
            *("--capture", "trial.pcapng"),
        ],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert qualify.stderr is not None
    assert "let it poll now" in qualify.stderr.readline()
    controller = subprocess.Popen(
        [sys.executable, CONTROLLERS / f"{name}.py", folder / "supply", folder / "motion"],
        cwd=folder,
    )
    return qualify, controller


def trials(base: Path) -> dict[str, Trial]:
    """Return the trials of the three controllers, made side by side."""
    running = {name: started(name, base / name) for name in FAILS}
    found = {}
    try:
        for name, (qualify, _) in running.items():
            out, err = qualify.communicate(timeout=150)
            found[name] = Trial(qualify.returncode, json.loads(out), err, base / name)
    finally:
        for qualify, controller in running.values():
            for process in (qualify, controller):
                process.kill()
                process.wait()
    return found


@pytest.mark.slow
@pytest.mark.timeout(200)
def test_three_controllers_fail_what_they_should_and_only_that(tmp_path: Path) -> None:
    """One test, since the trials take most of a minute: grades, answers, reports, capture."""
    found = trials(tmp_path)
    for name, trial in found.items():
        details = {each["check"]: each["detail"] for each in trial.answer["checks"]}
        assert trial.checks("fail") == FAILS[name], (name, details)
        assert trial.checks("not seen") == NOT_SEEN, (name, details)
        assert trial.code == (1 if FAILS[name] else 0)
        assert trial.answer["verdict"] == ("fail" if FAILS[name] else "pass")
        check_answer(trial)
        check_junit(ET.parse(trial.folder / "report.xml").getroot(), trial.answer["checks"])
        check_page((trial.folder / "report.html").read_text(), trial.answer["checks"])
    check_capture(found["careful"])


def check_answer(trial: Trial) -> None:
    answer = trial.answer
    assert {"checks", "coverage"} <= set(answer)
    for check in answer["checks"]:
        assert {"check", "grade", "detail", "at_ns"} <= set(check)
        assert check["grade"] in ("pass", "fail", "not seen")
        assert check["at_ns"] is None or isinstance(check["at_ns"], int)
        assert check["grade"] != "fail" or check["evidence"]
        for each in check["evidence"]:
            assert set(each) == {"index", "at_ns", "what"}
    assert answer["coverage"]["functions"] == [4, 6, 15, 16]
    assert {"status", "arc_command"} <= set(answer["coverage"]["registers"])


def check_capture(trial: Trial) -> None:
    with CaptureReader(trial.folder / "trial.pcapng") as reader:
        assert reader.info.vantage == "server"
    run = console.call("decode", trial.folder / "trial.pcapng", "--json")
    frames = [json.loads(line) for line in run.out.splitlines()]
    assert frames[-1]["summary"]["requests"] == trial.answer["requests"]
    assert frames[-1]["summary"]["damaged"] > 0


# The strictest schema in use, that for Apache Ant's JUnit tasks: what it demands (common practice).
SUITE = {"id", "package", "name", "timestamp", "hostname", "tests", "failures", "errors", "time"}


def check_junit(root: ET.Element, checks: list[Any]) -> None:
    assert (root.tag, root.attrib) == ("testsuites", {})
    (suite,) = root
    assert SUITE <= set(suite.attrib) <= SUITE | {"skipped"}
    children = [each.tag for each in suite]
    cases = suite.findall("testcase")
    assert children == ["properties", *["testcase"] * len(cases), "system-out", "system-err"]
    assert len(cases) == int(suite.get("tests", "")) == len(checks)
    inside = {"failure": "fail", "skipped": "not seen"}
    for case, check in zip(cases, checks, strict=True):
        assert set(case.attrib) == {"name", "classname", "time"}
        assert case.get("name") == check["check"]
        assert [inside[each.tag] for each in case] == [check["grade"]] * (check["grade"] != "pass")
        assert all("type" in each.attrib for each in case.findall("failure"))
    grades = [each["grade"] for each in checks]
    assert int(suite.get("failures", "")) == grades.count("fail")
    assert int(suite.get("skipped", "")) == grades.count("not seen")


class Page(HTMLParser):
    """Collects what a page asks for from elsewhere, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.text = ""
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [f"{tag} {key}" for key, _ in attrs if key in ("src", "href", "data")]
        if tag == "script":
            self.fetched.append(tag)
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def check_page(source: str, checks: list[Any]) -> None:
    page = Page()
    page.feed(source)
    assert not page.fetched
    assert not page.open
    assert "url(" not in source
    assert "@import" not in source
    for check in checks:
        assert check["check"] in page.text
        assert check["detail"] in page.text
    assert "no check of a safety function" in page.text


def made(manner: Manner, place: str = "supply") -> Outcome:
    """Return the outcome of a trial in virtual time."""
    return Outcome.of(Virtual(manner=manner).run(), PLANS["quick"], place, "supply")


def test_reports_of_a_trial_in_virtual_time() -> None:
    outcome = made(Manner(restarts=True), 'a <b> & \x01 "c"')
    checks = answer(outcome)["checks"]
    assert isinstance(checks, list)
    check_junit(ET.fromstring(junit(outcome)), checks)
    check_page(page(outcome), checks)
    assert "arc_command = start" in page(outcome)
    out = io.StringIO()
    tell(outcome, Output(stream=out))
    for each in outcome.findings:
        assert each.check in out.getvalue()
    assert max(map(len, out.getvalue().splitlines())) <= 80


def caller(qualify: subprocess.Popen[str]) -> ModbusTcpClient:
    """Return a client of another make on the port that the program says it listens on."""
    assert qualify.stderr is not None
    found = re.search(r"127\.0\.0\.1:(\d+)", qualify.stderr.readline())
    assert found is not None
    return ModbusTcpClient("127.0.0.1", port=int(found[1]), framer=FramerType.RTU, timeout=0.5)


def test_over_tcp() -> None:
    """A client of another make polls for a while and hangs up; it is judged by what it did."""
    with console.start(
        *("qualify", "--tcp", "127.0.0.1:0", "--quick", "--wait", "3", "--json")
    ) as qualify:
        assert qualify.stdout is not None
        with caller(qualify) as client:
            for _ in range(60):
                reply = client.read_input_registers(0, count=8, device_id=1)
                assert not reply.isError()
                time.sleep(0.025)
        found = json.loads(qualify.stdout.read())
    grades = {each["check"]: each["grade"] for each in found["checks"]}
    assert grades["steady-polling"] == "pass"
    assert grades["limits"] == "not seen"
    assert found["coverage"]["functions"] == [4]
    assert found["requests"] >= 30


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "give one of --pty PATH, --serial PORT and --tcp HOST:PORT"),
        (("--pty", "a", "--tcp", "1"), "give one of --pty PATH"),
        (("--pty", "a", "--quick", "--plan", "full"), "contradict each other"),
        (("--pty", "a", "--plan", "thorough"), "thorough"),
        (("--pty", "a", "--server", "300"), "server address 300"),
        (("--pty", "a", "--map", "nothing.toml"), "nothing.toml"),
        (("--pty", "a", "--junit", "nowhere/report.xml"), "nowhere/report.xml"),
        (("--serial", "/dev/null/x"), "/dev/null/x"),
    ],
)
def test_mistakes_are_one_line(
    arguments: tuple[str, ...], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run = console.call("qualify", *arguments)
    assert run.code == 2
    assert message in run.err
    assert not list(tmp_path.iterdir())


def test_what_was_seen_is_told_when_it_is_stopped(tmp_path: Path) -> None:
    command = ("qualify", "--tcp", "127.0.0.1:0", "--json", "--capture", tmp_path / "trial.pcapng")
    with console.start(*command) as qualify:
        assert qualify.stderr is not None
        with caller(qualify) as client:
            assert not client.read_input_registers(0, count=8, device_id=1).isError()
            qualify.send_signal(signal.SIGINT)
            out, err = qualify.communicate(timeout=60)
    found = json.loads(out)
    assert qualify.returncode == 0
    assert found["requests"] == 1
    assert {each["grade"] for each in found["checks"]} == {"not seen"}
    assert "stopped" in err
    assert (tmp_path / "trial.pcapng").stat().st_size > 0


def test_nobody_connects(tmp_path: Path) -> None:
    command = ("--pty", tmp_path / "supply", "--wait", "0.3", "--junit", tmp_path / "report.xml")
    run = console.call("qualify", *command, "--json")
    assert not list(tmp_path.iterdir())
    assert run.code == 2
    assert run.answer["error"]["kind"] == "port"
    assert "no good request came" in run.answer["error"]["message"]
    assert "Traceback" not in run.err
