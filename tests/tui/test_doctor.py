"""`kerfbus doctor` as it is typed: in pipes, in terminals of several kinds, on ports."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import console
import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="other platform: ptys")


def states(answer: dict[str, object]) -> dict[str, dict[str, str]]:
    """Return the findings by what was looked at."""
    found = answer["checks"]
    assert isinstance(found, list)
    return {each["what"]: each for each in found}


def test_every_finding_says_what_how_and_what_to_do() -> None:
    run = console.call("doctor", "--json")
    assert run.answer["ok"] is (run.code == 0)
    for each in run.answer["checks"]:
        assert set(each) == {"topic", "what", "state", "level", "do"}
        assert each["level"] in ("good", "note", "bad")
        assert each["level"] != "bad" or each["do"], each
    assert [*dict.fromkeys(each["topic"] for each in run.answer["checks"])] == [
        "ports",
        "time",
        "captures",
        "terminal",
        "software",
        "optional",
    ]


def test_a_person_is_told_the_same() -> None:
    run = console.call("doctor")
    assert "Ports" in run.out
    assert run.out.rstrip().endswith("to be done.")
    assert max(line.count("  -> ") for line in run.out.splitlines()) == 1


def test_a_port_that_is_missing_is_exit_code_1() -> None:
    run = console.call("doctor", "--port", "/dev/no-such-port", "--json")
    assert run.code == 1
    assert states(run.answer)["/dev/no-such-port"]["level"] == "bad"


def test_a_supply_on_a_pty_is_held_by_somebody_or_free(tmp_path: Path) -> None:
    with console.supply_on_pty(tmp_path) as port:
        found = states(console.call("doctor", "--port", port, "--json").answer)
        assert found[port]["level"] in ("good", "note")
        assert "no wire" in found[f"{port} kind"]["state"]
        assert console.call("read", "mode", "--port", port).code == 0  # nobody was disturbed


@pytest.mark.parametrize("port", ["sim:", "sim:two-supplies", "socket://127.0.0.1:9"])
def test_what_is_no_port_of_this_machine_is_not_opened(port: str) -> None:
    assert states(console.call("doctor", "--port", port, "--json").answer)[port]["level"] == "good"


@pytest.fixture(scope="module")
def screens(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Return what real terminals of several kinds were told, by kind."""
    if shutil.which("tmux") is None:
        pytest.skip("tmux is not installed")
    folder = tmp_path_factory.mktemp("screens")
    kinds = {
        "narrow": ("60", "20", ""),
        "plain": ("100", "40", "NO_COLOR=1 "),
        "ascii": ("100", "40", "LC_ALL=C PYTHONUTF8=0 PYTHONCOERCECLOCALE=0 "),
    }
    socket = str(folder / "tmux")
    for name, (width, height, variables) in kinds.items():
        line = f"{variables}{console.PROGRAM} doctor; echo ended"
        subprocess.run(
            [
                *("tmux", "-f", os.devnull, "-S", socket, "new-session", "-d", "-s", name),
                *("-x", width, "-y", height, f"sh -c 'unset COLUMNS LINES; {line}; cat'"),
            ],
            check=True,
        )
    shown = {}
    try:
        for name in kinds:
            console.eventually(lambda name=name: "ended" in pane(socket, name))
            shown[name] = pane(socket, name)
    finally:
        subprocess.run(["tmux", "-S", socket, "kill-server"], check=True)
    return shown


def pane(socket: str, name: str) -> str:
    """Return all that a terminal has shown, with its colours."""
    return subprocess.run(
        ["tmux", "-S", socket, "capture-pane", "-p", "-e", "-J", "-S", "-200", "-t", name],
        check=True,
        capture_output=True,
        text=True,
    ).stdout


def test_a_narrow_terminal_is_noted(screens: dict[str, str]) -> None:
    assert "size: 60 x 20" in screens["narrow"]
    assert "colours: on" in screens["narrow"]
    assert "\033[" in screens["narrow"]


def test_no_color_is_honoured_and_said(screens: dict[str, str]) -> None:
    assert "colours: off: NO_COLOR is set" in screens["plain"]
    assert "\033[" not in screens["plain"]
    assert "size: 100 x 40" in screens["plain"]


def test_a_terminal_without_units_is_noted(screens: dict[str, str]) -> None:
    assert "units and lines become ?" in screens["ascii"]


@pytest.mark.parametrize(("columns", "noted"), [("50", True), ("132", False)])
def test_columns_come_before_the_terminal(columns: str, noted: bool) -> None:
    from kerfbus.tui import terminalcheck

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", columns)
        patch.setenv("LINES", "40")
        ours, theirs = os.openpty()
        with os.fdopen(theirs, "w") as stream:
            found = {
                each.what: each for each in terminalcheck.check_terminal(stream, {"TERM": "xterm"})
            }
        os.close(ours)
    assert found["size"].state == f"{columns} x 40"
    assert bool(found["size"].do) is noted
