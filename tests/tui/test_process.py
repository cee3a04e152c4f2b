"""`kerfbus process`: the table, one row, a suggestion."""

from __future__ import annotations

from pathlib import Path

import console
import pytest
import tree

from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.suggestion import STEPS

ROWS = shipped_processes().by_number
TABLE = tree.ROOT / "sim" / "processes.toml"


def test_list_json_holds_every_row_with_units() -> None:
    run = console.call("process", "list", "--json")
    assert run.code == 0
    assert {row["number"] for row in run.answer["processes"]} == set(ROWS)
    assert run.answer["units"] == {
        **dict.fromkeys(("stand_off", "pierce_height", "kerf"), "mm"),
        **dict.fromkeys(("cutting_pressure", "flow_pressure"), "bar"),
        "current": "A",
        "speed": "mm/min",
        "arc_voltage": "V",
        "pierce_delay": "s",
    }
    assert set(STEPS) == set(run.answer["units"])
    assert "Invented" in run.answer["note"]


def test_list_for_a_person_fits_the_screen_and_says_that_it_is_invented() -> None:
    run = console.call("process", "list")
    lines = run.out.splitlines()
    assert max(map(len, lines)) <= 80
    shown = {line.split()[0] for line in lines if line[:3].isdigit()}
    assert shown == {str(number) for number in ROWS}
    assert "Invented" in run.out


def test_list_can_be_narrowed() -> None:
    run = console.call("process", "list", "--material", "stainless", "--quality", "fine", "--json")
    assert [row["number"] for row in run.answer["processes"]] == [201, 202, 203, 204, 205, 206]


def test_show_one() -> None:
    run = console.call("process", "show", "105")
    assert "Process 105: mild-steel 6 mm fine" in run.out
    assert "1200  mm/min" in run.out
    answer = console.call("process", "show", "105", "--json").answer["process"]
    assert answer == ROWS[105].model_dump()


def test_suggest_names_its_rows_and_the_caution() -> None:
    given = ["process", "suggest", "--material", "mild-steel", "--thickness", "5"]
    run = console.call(*given, "--quality", "fine")
    assert run.code == 0
    assert max(map(len, run.out.splitlines())) <= 80
    said = " ".join(run.out.split())
    assert "between process 104 (4 mm) and process 105 (6 mm)" in said
    assert "starting point" in said
    assert "manuals of the machine and of the supply prevail" in said
    answer = console.call(*given, "--quality", "fine", "--json").answer
    assert answer["rows"] == [104, 105]
    assert answer["process"] == 105
    assert answer["values"]["speed"] == 1440
    assert "manuals" in answer["caution"]


def test_a_material_may_be_spelled_as_people_do() -> None:
    plain = console.call("process", "suggest", "--material", "mild-steel", "--thickness", "7")
    spoken = console.call("process", "suggest", "--material", "Mild  steel", "--thickness", "7")
    assert (spoken.code, spoken.out) == (0, plain.out)


def test_a_table_of_ones_own(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(TABLE.read_text().replace("number = 105", "number = 5"))
    answer = console.call("process", "show", "5", "--table", own, "--json").answer
    assert answer["process"]["thickness"] == 6
    own.write_text(own.read_text().replace("current = 30.0", "current = 3.0"))
    run = console.call("process", "list", "--table", own, "--json")
    assert run.code == 2
    assert run.answer["error"]["kind"] == "process"
    (line,) = run.err.splitlines()
    assert f"{own}: line " in line
    assert "process 101.current: 3.0 is below 5" in line


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["show", "7"], ["process 7", "processes.toml"]),
        (["list", "--material", "wood"], ["wood", "mild-steel"]),
        (["list", "--quality", "best"], ["best", "production"]),
        (["suggest", "--material", "wood", "--thickness", "3"], ["wood", "stainless"]),
        (["suggest", "--material", "stainless", "--thickness", "90"], ["90 mm", "2 to 20 mm"]),
        (["suggest", "--material", "stainless"], ["--thickness"]),
        (["list", "--table", "nosuch.toml"], ["nosuch.toml", "no such file"]),
    ],
)
def test_what_cannot_be_is_one_line(arguments: list[str], words: list[str]) -> None:
    run = console.call("process", *arguments, "--json")
    assert run.code == 2
    assert "error" in run.answer
    (line,) = run.err.splitlines()
    assert all(word in line for word in words)
