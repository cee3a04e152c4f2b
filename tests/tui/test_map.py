"""`kerfbus map check` and `kerfbus map show`."""

from __future__ import annotations

from pathlib import Path

import console
import pytest
import tree

from kerfbus.sim.maps import default_map

SHIPPED = tree.ROOT / "sim" / "maps" / "supply.toml"
KEYS = {
    *("name", "table", "address", "type", "words", "word_order", "scale", "offset", "unit"),
    *("min", "max", "access", "description", "values", "bits"),
}


def test_show_json_holds_every_register_with_every_key() -> None:
    run = console.call("map", "show", "--json")
    assert run.code == 0
    assert run.answer["name"] == default_map().name
    registers = run.answer["registers"]
    assert [each["name"] for each in registers] == [each.name for each in default_map().registers]
    assert all(each.keys() >= KEYS for each in registers)
    by_name = {each["name"]: each for each in registers}
    assert by_name["arc_voltage"]["unit"] == "V"
    assert by_name["arc_voltage"]["scale"] == 0.1
    assert by_name["fault"]["values"]["20"] == "no-ignition"
    assert by_name["status"]["bits"]["4"] == "pilot-arc"


@pytest.mark.parametrize("given", [[str(SHIPPED)], ["--map", str(SHIPPED)], ["--map", "supply"]])
def test_the_map_is_the_default_a_file_or_a_name(given: list[str]) -> None:
    asked = console.call("map", "show", "--json", *given).answer
    default = console.call("map", "show", "--json").answer
    assert asked["registers"] == default["registers"]


def test_show_for_a_person_fits_the_screen_and_names_every_register() -> None:
    run = console.call("map", "show")
    assert max(map(len, run.out.splitlines())) <= 80
    lines = [line.split() for line in run.out.splitlines() if line.startswith("  ")]
    assert {each.name for each in default_map().registers} <= {line[0] for line in lines}


def test_show_one_group_and_one_register() -> None:
    group = console.call("map", "show", "--group", "gas", "--json").answer["registers"]
    assert group
    assert {each["group"] for each in group} == {"gas"}
    run = console.call("map", "show", "--name", "fault")
    assert "20  no-ignition" in run.out
    assert "arc_voltage" not in run.out


@pytest.mark.parametrize(
    ("arguments", "kind", "words"),
    [
        (["show", "--group", "gaz"], "usage", ["gaz", "gas"]),
        (["show", "--name", "arc_voltag"], "usage", ["arc_voltag", "arc_voltage"]),
        (["show", "a.toml", "--map", "b.toml"], "usage", ["a.toml", "b.toml"]),
        (["show", "nosuch.toml"], "map", ["nosuch.toml"]),
        (["check", "nosuch.toml"], "map", ["nosuch.toml"]),
    ],
)
def test_what_cannot_be_shown_is_one_line(
    arguments: list[str], kind: str, words: list[str]
) -> None:
    run = console.call("map", *arguments, "--json")
    assert run.code == 2
    assert run.answer["error"]["kind"] == kind
    (line,) = run.err.splitlines()
    assert all(word in line for word in words)


def test_check_a_good_map() -> None:
    run = console.call("map", "check", SHIPPED)
    assert (run.code, run.err) == (0, "")
    assert run.out.startswith(f"{SHIPPED}: good")
    answer = console.call("map", "check", SHIPPED, "--json").answer
    assert answer["ok"] is True
    assert answer["registers"] == len(default_map().registers)
    assert answer["can_strike_arc"] == ["arc_command", "start"]


def test_check_lists_every_mistake_by_register_and_field(tmp_path: Path) -> None:
    file = tmp_path / "wrong.toml"
    text = SHIPPED.read_text()
    file.write_text(
        text.replace("scale = 0.001", 'scale = "a lot"', 1).replace('"discrete"', '"discreet"', 1)
    )
    run = console.call("map", "check", file)
    assert (run.code, run.out) == (2, "")
    assert len(run.err.splitlines()) == 2
    answer = console.call("map", "check", file, "--json").answer
    assert answer["ok"] is False
    assert answer["error"]["kind"] == "map"
    assert {(each["register"], each["field"]) for each in answer["mistakes"]} == {
        ("divided_voltage", "scale"),
        ("start_contact", "table"),
    }
