"""The count itself: shares, confusion, reliability, and that captures are made once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from diagnosis.harness import (
    GARBLED,
    Judged,
    Task,
    expected_error,
    figures,
    judge,
    make,
    measure,
    reliability,
    tasks,
    worst_bin,
)
from diagnosis.otherline import CAUSES, VANTAGES
from diagnosis.report import confusion_lines, drawing, matrix, page, summary


def judged(
    causes: Sequence[str], *ranked: tuple[str, float], vantage: str = "tap", verdict: str = "fault"
) -> Judged:
    """Return an answer that was given."""
    return Judged(Task("other-A", tuple(causes), vantage, 0), 0.1, verdict, ranked)


RESULTS = [
    judged(["healthy"], ("healthy", 0.9), verdict="healthy"),
    judged(["healthy"], ("echo", 0.6), ("healthy", 0.3)),
    judged(["arc-noise"], ("arc-noise", 0.8), ("random-noise", 0.1)),
    judged(["arc-noise"], ("random-noise", 0.5), ("arc-noise", 0.4)),
    judged(["arc-noise"], ("random-noise", 0.5), ("echo", 0.2), ("late-release", 0.1)),
    judged(["no-server"], ("wrong-baud", 0.4), ("wrong-format", 0.3), vantage="client"),
    judged(["no-server"], ("wrong-baud", 0.4), ("no-server", 0.3)),
    judged(["arc-noise", "echo"], ("echo", 0.6), ("late-release", 0.2), ("arc-noise", 0.1)),
    judged(["arc-noise", "echo"], ("echo", 0.9)),
]


def test_shares_are_counted() -> None:
    got = figures(RESULTS)
    assert got.first == (2, 7)
    assert got.third == (5, 7)
    assert got.first_silence == (3, 7)
    assert got.false_faults == (1, 2)
    assert got.both == (1, 2)
    assert got.confusion["arc-noise"] == {"arc-noise": 1, "random-noise": 2}
    assert sum(each.count for each in got.bins) == 7
    assert sum(each.count for each in got.every) == 14


def test_an_answer_that_is_none_counts_as_wrong(tmp_path: Path) -> None:
    def explain(path: str) -> dict[str, Any]:
        raise ValueError(path)

    said = judge(Task("other-A", ("echo",), "client", 0), explain, tmp_path)
    assert said.verdict == "error"
    assert said.note.startswith("ValueError")
    assert figures([said]).first == (0, 1)
    assert figures([said]).failed == 1


def test_reliability_by_tenths() -> None:
    said = [(0.95, True)] * 19 + [(0.95, False)] + [(0.15, True)] * 5 + [(0.15, False)] * 15
    bins = reliability(said)
    assert [(each.said, each.right, each.count) for each in bins] == [
        (pytest.approx(0.15), 0.25, 20),
        (pytest.approx(0.95), 0.95, 20),
    ]
    assert expected_error(bins) == pytest.approx(0.05)
    assert worst_bin(bins) == bins[0]
    assert worst_bin(bins, 21) is None


def test_every_cause_is_asked_for_wherever_it_can_be_seen() -> None:
    todo = tasks(["other-A", "other-B"], 2, 3)
    single = {(each.causes[0], each.vantage) for each in todo if len(each.causes) == 1}
    assert single == {(cause, vantage) for cause in CAUSES for vantage in VANTAGES[cause]}
    assert len({each.name for each in todo}) == len(todo)
    pairs = [each for each in todo if len(each.causes) == 2]
    assert len(pairs) == 2 * 3 * 3
    assert all(each.vantage in VANTAGES[cause] for each in pairs for cause in each.causes)
    assert not [each for each in pairs if set(each.causes) & set(GARBLED)]


def test_captures_are_made_once(tmp_path: Path) -> None:
    task = Task("other-B", ("echo",), "client", 1)
    path, hurt = make(task, tmp_path)
    before = path.stat().st_mtime_ns
    assert make(task, tmp_path) == (path, hurt)
    assert path.stat().st_mtime_ns == before


def test_answers_come_in_order(tmp_path: Path) -> None:
    todo = tasks(["other-A"], 1, 0, ["echo", "no-server"])
    results = list(measure(todo, "diagnosis.test_harness:always_echo", tmp_path, 1))
    assert [each.task for each in results] == todo
    assert figures(results).first == (2, 4)


def always_echo(path: str) -> dict[str, Any]:
    """Answer the same to everything."""
    return {"verdict": "fault", "causes": [{"cause": "echo", "probability": 1}]}


def test_the_page_holds_the_figures() -> None:
    text = page(RESULTS, "diagnosis.svg")
    assert "right cause first 28.6 % (2 of 7)" in text
    assert matrix(figures(RESULTS))[3].startswith("| 2 arc-noise |  | **1** |")
    assert "(diagnosis.svg)" in text
    assert any(line.startswith("source other-A") for line in summary(RESULTS))
    assert confusion_lines(figures(RESULTS))[1].split()[:2] == ["arc-noise", "33.3"]
    assert drawing(figures(RESULTS)).count("<circle") == len(figures(RESULTS).bins)
