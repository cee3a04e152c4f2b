"""`kerfbus map export`, `import`, `diff`, `probe`."""

from __future__ import annotations

from pathlib import Path

import console
import pytest
import tree

SHIPPED = (tree.ROOT / "sim" / "maps" / "supply.toml").read_text()


@pytest.mark.parametrize("form", ["c", "st", "markdown", "csv", "python"])
def test_export_to_a_file_and_to_standard_output(form: str, tmp_path: Path) -> None:
    file = tmp_path / "out"
    run = console.call("map", "export", "--to", form, "--output", file)
    assert (run.code, run.err) == (0, "")
    shown = console.call("map", "export", "--to", form)
    assert shown.out == file.read_bytes().decode().replace("\r\n", "\r\n")
    again = console.call("map", "export", "--to", form, "--output", file)
    assert again.code == 2
    assert "exists already" in again.err


def test_there_and_back(tmp_path: Path) -> None:
    table, made = tmp_path / "table.csv", tmp_path / "made.toml"
    console.call("map", "export", "--to", "csv", "--output", table)
    run = console.call("map", "import", table, "--name", "mine", "--output", made, "--json")
    assert run.code == 0
    assert run.answer["file"] == str(made)
    same = console.call("map", "diff", "supply", made)
    assert (same.code, "mean the same" in same.out) == (0, True)


def test_diff_says_what_differs(tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text(
        SHIPPED.replace('name = "divided_voltage"', 'name = "divided"').replace(
            "max = 125", "max = 105"
        )
    )
    run = console.call("map", "diff", "supply", other, "--json")
    assert run.code == 1
    assert run.answer["renamed"] == [{"before": "divided_voltage", "after": "divided"}]
    assert {
        "name": "current_setpoint",
        "field": "max",
        "before": 125,
        "after": 105,
    } in run.answer["changed"]
    text = console.call("map", "diff", "supply", other).out
    assert "divided_voltage" in text
    assert "125 -> 105" in text


def test_probe_of_the_unit_that_the_map_describes() -> None:
    run = console.call("map", "probe", "--json")
    answer = run.answer
    assert run.code == 0
    assert answer["answered"] > 150
    assert (answer["refused"], answer["silent"]) == (0, 0)
    assert {each["answer"] for each in answer["registers"]} == {"answered", "not read"}
    assert all(each["in_limits"] is not False for each in answer["registers"])


def test_probe_finds_what_the_device_does_not_have(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(
        SHIPPED
        + '\n[[register]]\nname = "ghost"\ntable = "input"\naddress = 40\ntype = "u16"\n'
        + '\n[[register]]\nname = "spectre"\ntable = "holding"\naddress = 900\ntype = "u16"\n'
    )
    run = console.call("map", "probe", "--map", mine, "--json")
    assert run.code == 1
    found = {each["name"]: each for each in run.answer["registers"]}
    for name in ("ghost", "spectre"):
        assert (found[name]["answer"], found[name]["exception"]) == ("refused", 2)
    assert found["arc_power"]["answer"] == "answered"
    assert run.answer["refused"] == 2


def test_probe_of_nobody_ends_soon() -> None:
    run = console.call("map", "probe", "--server", "9", "--json")
    assert (run.code, run.answer["answered"]) == (1, 0)
    assert run.answer["silent"] > 150


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("export", "none.toml", "--to", "c"), "none.toml"),
        (("export", "--to", "cobol"), "cobol"),
        (("import", "none.csv", "--name", "x"), "none.csv"),
        (("diff", "supply", "none.toml"), "none.toml"),
    ],
)
def test_mistakes_are_one_line(arguments: tuple[str, ...], message: str) -> None:
    run = console.call("map", *arguments)
    assert run.code == 2
    assert message in run.err
    assert len(run.err.splitlines()) == 1
