"""`kerfbus soak`."""

from __future__ import annotations

import json
import signal
import subprocess
from pathlib import Path

import console
import pytest

from kerfbus.bench.capture import CaptureReader
from kerfbus.bench.transport import LineEventKind
from kerfbus.tui.durations import UNITS
from kerfbus.tui.typedmarks import mark_of

QUALITY_KEYS = {
    *("requests", "answered", "exceptions", "timeouts", "damaged_requests", "damaged_replies"),
    *("stray_characters", "line_errors", "transaction_error_rate", "interval", "confidence"),
    *("method", "turnaround_ms"),
}


def test_count_on_the_embedded_default() -> None:
    run = console.call("soak", "--count", "300", "--json")
    answer = run.answer
    assert run.code == 0
    assert answer["verdict"] == "no errors"
    assert (answer["transactions"], answer["wrong"]) == (300, 0)
    assert set(answer["quality"]) >= QUALITY_KEYS
    assert answer["quality"]["requests"] == 300
    assert answer["direction"]["wrong_there"] == answer["direction"]["wrong_back"] == 0


def test_a_claim_for_a_person() -> None:
    run = console.call("soak", "--claim", "1%@95%")
    assert run.code == 0
    assert "Shown: fewer than 1 % go wrong (95 % sure)." in run.out
    assert max(map(len, run.out.splitlines())) <= 110


def test_a_claim_that_is_not_reached_is_a_bad_answer() -> None:
    run = console.call("soak", "--claim", "1e-3", "--duration", "2s", "--json")
    assert (run.code, run.answer["verdict"]) == (1, "claim not shown")
    assert run.answer["claim"]["left"] > 3000


def test_nobody_there() -> None:
    run = console.call("soak", "--server", "9")
    assert run.code == 1
    assert "No answer: server 9 was silent" in run.out


def test_the_same_seed_gives_the_same_capture(tmp_path: Path) -> None:
    first, second = tmp_path / "1.pcapng", tmp_path / "2.pcapng"
    for path in (first, second):
        assert console.call("soak", "--count", "50", "--seed", "4", "--capture", path).code == 0
    assert first.read_bytes() == second.read_bytes()


def test_typed_marks_divide_the_account_and_are_recorded(tmp_path: Path) -> None:
    """A person types at a supply on a real pty while the soak runs."""
    capture = tmp_path / "soak.pcapng"
    with console.supply_on_pty(tmp_path) as port:
        command = ("soak", "--port", port, "--duration", "60", "--marks", "--capture", str(capture))
        with subprocess.Popen(
            [console.PROGRAM, *command, "--json"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            assert process.stdin is not None
            for line in ("off", "on", "moved the cable"):
                _grown(capture)
                process.stdin.write(line + "\n")
                process.stdin.flush()
                _marked(capture, line)
            _grown(capture)
            process.send_signal(signal.SIGINT)
            out, _ = process.communicate(timeout=30)
    answer = json.loads(out)
    names = [each["condition"] for each in answer["quality"]["conditions"]]
    assert names == ["arc=off", "arc=on", "note=moved the cable"]
    assert [each["first"] for each in answer["comparisons"]] == ["arc=on"]


def _marks(capture: Path) -> list[str]:
    with CaptureReader(capture) as reader:
        events = [each for each in reader if getattr(each, "kind", None) is LineEventKind.MARK]
    return [each.comment for each in events]  # type: ignore[union-attr]


def _grown(capture: Path) -> None:
    """Wait until the capture has grown by some transactions."""
    console.eventually(capture.exists)
    size = capture.stat().st_size
    console.eventually(lambda: capture.stat().st_size > size + 2000)


def _marked(capture: Path, line: str) -> None:
    console.eventually(lambda: any(line in mark for mark in _marks(capture)))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--claim", "x"), "claim 'x': give RATE@CONFIDENCE"),
        (("--duration", "24x"), "'24x': give a time such as"),
        (("--count", "0"), "--count"),
        (("--arc", "nothing"), "nothing"),
        (("nothing",), "nothing"),
        (("--seed", "1", "--port", "/dev/null/x"), "only simulated lines have a seed"),
    ],
)
def test_mistakes_are_one_line(arguments: tuple[str, ...], message: str) -> None:
    run = console.call("soak", *arguments)
    assert run.code == 2
    assert message in run.err
    assert len(run.err.splitlines()) == 1
    assert run.out == ""


@pytest.mark.parametrize(
    ("typed", "mark"),
    [
        ("on", ("arc", "on")),
        (" OFF \r", ("arc", "off")),
        ("arc on", ("arc", "on")),
        ("shield = lifted", ("shield", "lifted")),
        ("a = b = c", ("a", "b = c")),
        ("1 = 2", ("note", "1 : 2")),
        ("\x1b[A", ("note", "[A")),
        ("", None),
    ],
)
def test_what_is_typed(typed: str, mark: tuple[str, str] | None) -> None:
    assert mark_of(typed) == mark


def test_units_of_time_are_those_that_the_help_names() -> None:
    assert {"s", "m", "h"} <= set(UNITS)
