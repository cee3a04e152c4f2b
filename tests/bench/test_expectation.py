"""Expectations of captures: the file beside them, and what differs from it."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from kerfbus.bench.capturecheck import Checker, Found
from kerfbus.bench.diagnosis.explain import explain
from kerfbus.bench.errors import CaptureError, ExpectationError
from kerfbus.bench.expectation import Bounds, expectation_file, load_expectation
from kerfbus.sim.maps import open_map

FOLDER = Path(__file__).parents[2] / "captures"
HEALTHY: dict[str, Any] = {
    "verdict": "healthy",
    "causes": [{"cause": "healthy", "probability": 0.7}, {"cause": "echo", "probability": 0.1}],
    "quality": {"line_errors": {}},
}


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """A copy of a capture with its decode, and without expectations."""
    for suffix in (".pcapng", ".txt"):
        shutil.copy(FOLDER / f"first-minute{suffix}", tmp_path / f"site{suffix}")
    text = (tmp_path / "site.txt").read_text("utf-8").replace("first-minute.pcapng", "site.pcapng")
    (tmp_path / "site.txt").write_text(text, "utf-8")
    return tmp_path / "site.pcapng"


def expect(capture: Path, text: str) -> Path:
    path = expectation_file(capture)
    path.write_text(text, "utf-8")
    return path


def check(capture: Path, text: str, answer: dict[str, Any] = HEALTHY) -> Found:
    expected = load_expectation(expect(capture, text))
    return Checker(open_map, lambda *_: answer).check(capture, expected)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("map = 'supply'", "reason: is missing"),
        ("reason = ''", "line 1: reason: is empty"),
        ("reason = 'x'\nresaon = 'y'", "line 2: resaon: is not a known key; did you mean 'reason'"),
        ("reason = 'x'\n[summary]\nframs = 1", "line 3: summary.frams: is not counted; did you"),
        ("reason = 'x'\n[summary]\nok = 'all'", "line 3: summary.ok: needs a whole number"),
        ("reason = 'x'\n[causes]\nfirst = ['eco']", "line 3: causes.first 1: 'eco' is no cause; "),
        ("reason = 'x'\n[causes]\nverdict = 'bad'", "line 3: causes.verdict: 'bad' is not one of"),
        ("reason = 'x'\n[quality]\ntimeouts = { }", "line 3: quality.timeouts: has no bound; give"),
        ("reason = 'x'\n[quality]\ntimeout = { max = 1 }", "quality.timeout: is no measure; did"),
        (
            "reason = 'x'\n[quality]\ntimeouts = { min = 2, max = 1 }",
            "line 3: quality.timeouts: min 2 is above max 1",
        ),
        ("reason = 'x'\ndecode = 'no.txt'", "line 2: decode: there is no file no.txt beside this"),
        (
            "reason = 'x'\n[rerun]\nport = 'COM5'",
            "line 3: rerun.port: 'COM5' is no simulated line, ",
        ),
        ("reason = 'x\n", "site.expect.toml: line 2: "),
    ],
)
def test_a_wrong_file_is_told_in_one_line(capture: Path, text: str, message: str) -> None:
    with pytest.raises(ExpectationError) as caught:
        load_expectation(expect(capture, text))
    said = str(caught.value)
    assert message in said
    assert said.startswith(str(expectation_file(capture)))
    assert "\n" not in said


def test_the_decode_beside_a_capture_is_expected_without_being_named(capture: Path) -> None:
    assert check(capture, "reason = 'x'") == Found(())
    text = capture.with_suffix(".txt")
    text.write_text(text.read_text("utf-8").replace("= 450", "= 451", 1), "utf-8")
    (difference,) = check(capture, "reason = 'x'\nmap = 'supply'").differences
    assert difference.what.startswith("site.txt, line ")
    assert difference.expected.endswith("= 451")
    assert difference.got.endswith("= 450")
    shown = "\n".join(difference.transaction)
    assert "to 1     current_setpoint 45.0 A" in shown
    assert "from 1   wrote register 0 = 450" in shown


def test_lines_too_many_and_too_few_differ(capture: Path) -> None:
    text = capture.with_suffix(".txt")
    whole = text.read_text("utf-8")
    text.write_text(whole + "more\n", "utf-8")
    (difference,) = check(capture, "reason = 'x'").differences
    assert (difference.expected, difference.got) == ("more", "(nothing)")
    text.write_text("\n".join(whole.splitlines()[:-1]), "utf-8")
    (difference,) = check(capture, "reason = 'x'").differences
    assert difference.expected == "(nothing)"


def test_counts_differ_with_the_transaction_that_shows_it(capture: Path) -> None:
    found = check(capture, "reason = 'x'\n[summary]\nframes = 19\nexceptions = 0\nlate = 1")
    assert [each.what for each in found.differences] == ["summary.exceptions", "summary.late"]
    exceptions, late = found.differences
    assert (exceptions.expected, exceptions.got) == ("0", "2")
    assert any("REFUSED" in line for line in exceptions.transaction)
    assert any("write register 0 = 9999" in line for line in exceptions.transaction)
    assert late.transaction == ()


def test_an_unanswered_request_is_shown() -> None:
    path = FOLDER / "real-pymodbus-no-answer.pcapng"
    expected = load_expectation(expectation_file(path))
    fewer = type(expected)(
        **{
            name: getattr(expected, name)
            for name in ("file", "reason", "map", "decode", "causes", "quality")
        },
        summary={"unanswered": 0},
    )
    checker = Checker(open_map, lambda *_: {**HEALTHY, "verdict": "insufficient"})
    (difference,) = checker.check(path, fewer).differences
    assert difference.got == "9"
    assert "to 9     read holding registers 0-3" in difference.transaction[0]


def test_quality_is_held_to_bounds(capture: Path) -> None:
    found = check(
        capture,
        "reason = 'x'\n[quality]\n"
        "requests = { min = 9, max = 9 }\n"
        "parity = { max = 0 }\n"
        "turnaround_ms_p95 = { max = 0.5 }\n"
        "transaction_error_rate = { max = 0.1 }\n",
        explain(capture),
    )
    (difference,) = found.differences
    assert difference.what == "quality.turnaround_ms_p95"
    assert difference.expected == "at most 0.5"
    assert float(difference.got) > 0.5


@pytest.mark.parametrize(
    ("bounds", "value", "holds"),
    [
        (Bounds(None, 1.0), 1.0, True),
        (Bounds(1.0, None), 0.9, False),
        (Bounds(1.0, 2.0), 2.1, False),
        (Bounds(None, 1.0), None, False),
    ],
)
def test_bounds_include_their_ends(bounds: Bounds, value: float | None, holds: bool) -> None:
    assert bounds.hold(value) is holds


def test_causes_are_held_to_place(capture: Path) -> None:
    good = "reason = 'x'\n[causes]\nverdict = 'healthy'\nfirst = ['echo', 'healthy']\n"
    assert check(capture, good).differences == ()
    bad = "reason = 'x'\n[causes]\nverdict = 'fault'\nfirst = ['echo']\namong_three = ['no-server']"
    found = check(capture, bad).differences
    assert [each.what for each in found] == ["causes.verdict", "causes.first", "causes.among_three"]
    assert found[1].got == "healthy: healthy 0.70, echo 0.10"


def test_causes_that_are_not_seen_yet_are_a_remark(capture: Path) -> None:
    text = "reason = 'x'\n[causes]\nfirst = ['{}']\nnot_yet = 'known'\n"
    found = check(capture, text.format("echo"))
    assert found.differences == ()
    assert found.remarks == (
        "its causes are not seen yet (known): healthy: healthy 0.70, echo 0.10",
    )
    (remark,) = check(capture, text.format("healthy")).remarks
    assert "take causes.not_yet out" in remark


def test_without_expectations_a_capture_must_hold_something(tmp_path: Path, capture: Path) -> None:
    checker = Checker(open_map, lambda *_: HEALTHY)
    assert checker.check(capture, None).differences == ()
    whole = capture.read_bytes()
    cut = tmp_path / "cut.pcapng"
    cut.write_bytes(whole[:-3])
    (difference,) = checker.check(cut, None).differences
    assert "was cut off" in difference.got
    cut.write_bytes(whole[:400] + b"\xff" * 200 + whole[600:])
    with pytest.raises(CaptureError, match="byte"):
        checker.check(cut, None)
