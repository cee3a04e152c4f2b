"""`kerfbus find`."""

from __future__ import annotations

from pathlib import Path

import console
import pytest

from kerfbus.tui.commands.find import addresses

KEYS = {"settings", "tried", "seconds"}


def test_the_embedded_default_is_found() -> None:
    run = console.call("find", "--json")
    assert run.code == 0
    assert set(run.answer) >= KEYS
    (found,) = run.answer["settings"]
    assert {**found, "confidence": None} == {
        "baud": 19200,
        "format": "8E1",
        "servers": [1],
        "confidence": None,
    }
    assert 0.99 < found["confidence"] <= 1


def test_for_a_person_it_shows_its_reasoning() -> None:
    run = console.call("find", "--port", "sim:two-supplies")
    assert run.code == 0
    assert "the line is quiet" in run.out
    assert "servers 1, 2" in run.out
    assert "19200  8E1" in run.out
    assert "nothing is written" in run.out


def test_nothing_found_is_a_bad_answer() -> None:
    run = console.call("find", "--servers", "7", "--baud", "9600", "--json")
    assert (run.code, run.answer["settings"]) == (1, [])


def test_quiet_sends_nothing() -> None:
    run = console.call("find", "--quiet", "--json")
    assert (run.code, run.answer["requests"]) == (1, 0)


def test_a_supply_on_a_real_pty(tmp_path: Path) -> None:
    """A pty has neither rate nor parity: whatever it takes first will do."""
    with console.supply_on_pty(tmp_path) as port:
        run = console.run("find", "--port", port, "--listen", "200ms", "--servers", "1-5", "--json")
    assert run.code == 0
    assert run.answer["settings"][0]["servers"] == [1]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--servers", "0-3"), "addresses are 1 to 247"),
        (("--servers", "5-2"), "the lower one first"),
        (("--servers", "all"), "'all' is no address"),
        (("--format", "8X1"), "parity is one of"),
        (("--baud", "0"), "not a bit rate"),
        (("--port", "/dev/none"), "/dev/none"),
    ],
)
def test_mistakes_are_one_line(arguments: tuple[str, ...], message: str) -> None:
    run = console.call("find", *arguments)
    assert run.code == 2
    assert message in run.err
    assert len(run.err.splitlines()) == 1


def test_lists_of_addresses() -> None:
    assert addresses("1-3, 100,2") == (1, 2, 3, 100)
