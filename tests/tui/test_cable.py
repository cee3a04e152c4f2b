"""`kerfbus cable`."""

from __future__ import annotations

import console
import pytest

from kerfbus.bench.cabling.calculations import CALCULATIONS


@pytest.mark.parametrize("name", CALCULATIONS)
def test_each_answers_a_person_and_a_program(name: str) -> None:
    needed = ["--stations", "12"] if name == "load" else []
    run = console.call("cable", name, *needed)
    assert (run.code, run.err) == (0, "")
    assert "Formula: " in run.out
    assert "Source: " in run.out
    assert "Given: " in run.out
    assert max(map(len, run.out.splitlines())) <= 80
    record = console.call("cable", name, *needed, "--json").answer
    assert record["calculation"] == name
    assert all(set(each) == {"name", "value", "unit"} for each in record["results"])


def test_what_is_given_is_used() -> None:
    record = console.call(
        "cable",
        "idle",
        "--pull-up",
        "450",
        "--pull-down",
        "450",
        "--near",
        "150",
        "--far",
        "150",
        "--loads",
        "0",
        "--json",
    ).answer
    assert record["results"][0]["value"] == pytest.approx(0.3846, abs=5e-5)


def test_an_open_end() -> None:
    record = console.call("cable", "idle", "--far", "inf", "--json").answer
    assert record["inputs"][4] == {"name": "far", "value": None, "unit": "ohm"}
    assert record["results"][0]["value"] > 0.3


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("bias", "--volts", "0.1"), "volts 0.1: give 0.2 to 5 V"),
        (("load",), "load: give stations"),
        (("bias", "--near", "nan"), "near nan: give 10 to any ohm"),
        (("duty", "--rated", "much"), "--rated"),
        (("spagat",), "spagat"),
    ],
)
def test_mistakes_are_one_line(arguments: tuple[str, ...], message: str) -> None:
    run = console.call("cable", *arguments)
    assert (run.code, run.out) == (2, "")
    assert message in run.err
    assert len(run.err.splitlines()) == 1


def test_help_shows_ranges_and_usual_values() -> None:
    out = " ".join(console.call("cable", "stub", "--help").out.split())
    assert "0.5 to 2000 ns. [default: 10]" in out
    assert "kerfbus cable stub" in out
