"""`kerfbus demo`, the whole tour: its second half, where a cable goes bad and is mended."""

from __future__ import annotations

from pathlib import Path

import console


def test_the_whole_tour(tmp_path: Path) -> None:
    record = tmp_path / "record.html"
    run = console.call("demo", "--json", "--record", record)
    assert (run.code, run.err) == (0, "")
    answer = run.answer
    assert answer["soak"]["verdict"] == "errors"
    found = {each["first"]: each for each in answer["soak"]["comparisons"]}
    assert found["arc=changing"]["p_value"] < 0.01
    assert answer["explain"]["verdict"] == "fault"
    assert answer["explain"]["causes"][0]["cause"] == "arc-noise"
    assert answer["mended"]["verdict"] == "claim shown"
    assert answer["accept"]["verdict"] == "pass"
    assert {each["grade"] for each in answer["accept"]["checks"]} == {"pass"}
    assert record.read_text().startswith("<!DOCTYPE html>")
    again = console.call("demo", "--record", record)
    assert again.code == 2
    assert "exists already" in again.err


def test_the_brief_tour_has_no_record(tmp_path: Path) -> None:
    run = console.call("demo", "--brief", "--record", tmp_path / "record.html")
    assert run.code == 2
    assert "--brief" in run.err
