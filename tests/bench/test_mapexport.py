"""Maps in other forms: compiled, parsed, imported, and held to the map they come from."""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.errors import KerfbusError, MapError, UsageError
from kerfbus.bench.mapdiff import diff_maps
from kerfbus.bench.mapexport import FORMS
from kerfbus.bench.mapexport.csvtable import COLUMNS, map_from_csv
from kerfbus.bench.mapexport.identifiers import word
from kerfbus.bench.regmap import Register, RegisterMap, parse_map
from kerfbus.sim.maps import default_map

SMALL = """
[map]
name = "small"
[[register]]
name = "{name}"
table = "holding"
address = 7
type = "i32"
words = 2
word_order = "{order}"
scale = 0.25
offset = -40
unit = "A"
min = -100
max = 1000
access = "rw"
invalid = 0x80000000
"""


def small(name: str = "level", order: str = "big") -> RegisterMap:
    return parse_map(SMALL.format(name=name, order=order), "small.toml")


# --- C -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def probe(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Compile a program around the header that converts what it is given on standard input."""
    if shutil.which("gcc") is None:
        pytest.skip("no program: gcc")
    folder = tmp_path_factory.mktemp("c")
    (folder / "supply.h").write_text(FORMS["c"].write(default_map()))
    cases = []
    for register in numeric():
        name = f"SUPPLY_{word(register.name)}".lower()
        if register.readable:
            cases.append(f'if (!strcmp(what, "{register.name}")) value = {name}_value(raw);')
        if register.writable:
            cases.append(f'if (!strcmp(what, ">{register.name}")) failed = {name}_raw(value, raw);')
    (folder / "probe.c").write_text(
        "#include <stdio.h>\n#include <stdlib.h>\n"
        '#include "supply.h"\n'
        "int main(void) {\n"
        "  char what[80]; unsigned first, second; double value; int failed;\n"
        '  while (scanf("%79s %u %u %lf", what, &first, &second, &value) == 4) {\n'
        "    uint16_t raw[2] = {(uint16_t)first, (uint16_t)second}; failed = 0;\n    "
        + "\n    ".join(cases)
        + '\n    printf("%d %u %u %.17g\\n", failed, raw[0], raw[1], value);\n  }\n  return 0;\n}\n'
    )
    program = folder / "probe"
    command = ["gcc", "-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "probe.c", "-lm"]
    subprocess.run([*command, "-o", program], cwd=folder, check=True)
    return program


def numeric() -> list[Register]:
    return [each for each in default_map().registers if each.type.numeric]


def test_c_converts_as_the_map_does(probe: Path) -> None:
    asked, expected = [], []
    for register in numeric():
        for raw in ((0, 0), (1, 2), (0x7FFF, 0xFFFF), (0x8000, 1), (0xFFFF, 0xFFFF), (0x4248, 0)):
            if register.readable:
                asked.append(f"{register.name} {raw[0]} {raw[1]} 0")
                expected.append(register.decode(raw[: register.words]))
    out = subprocess.run(
        [probe], input="\n".join(asked), capture_output=True, text=True, check=True
    ).stdout
    answers = [float(line.split()[3]) for line in out.splitlines()]
    assert len(answers) == len(expected) > 500
    for answer, value, what in zip(answers, expected, asked, strict=True):
        if value is None:
            assert math.isnan(answer), what
        else:
            assert answer == pytest.approx(value, rel=1e-12, abs=1e-12), what


def test_c_encodes_and_refuses_as_the_map_does(probe: Path) -> None:
    asked: list[str] = []
    expected: list[tuple[int, ...] | None] = []
    for register in numeric():
        if not register.writable:
            continue
        low = 0.0 if register.min is None else register.min
        high = low + 10 * register.scale if register.max is None else register.max
        for value in (low, high, (low + high) / 2, low - register.scale, high + register.scale):
            asked.append(f">{register.name} 9 9 {value!r}")
            try:
                expected.append(register.encode(value))
            except KerfbusError:
                expected.append(None)
    out = subprocess.run(
        [probe], input="\n".join(asked), capture_output=True, text=True, check=True
    ).stdout
    for line, raw, what in zip(out.splitlines(), expected, asked, strict=True):
        failed, *words = (int(each) for each in line.split()[:3])
        if raw is None:
            assert (failed, words) == (1, [9, 9]), what
        else:
            assert (failed, tuple(words[: len(raw)])) == (0, raw), what


# --- structured text, Python, Markdown -----------------------------------------------------------


def parsed_structured_text(text: str) -> Any:
    """Return the tree of an independent grammar of IEC 61131-3, or fail."""
    blark = pytest.importorskip("blark.parse")
    result = blark.parse_source_code(text)
    assert result.exception is None, result.exception
    return result.transform()


@pytest.mark.parametrize("order", ["big", "little"])
def test_structured_text_keeps_to_the_grammar(order: str) -> None:
    tree = str(parsed_structured_text(FORMS["st"].write(small(order=order))))
    high = "raw0" if order == "big" else "raw1"
    assert f"SHL(WORD_TO_DWORD({high}), 16)" in tree
    assert "SMALL_LEVEL_ADDRESS : UINT := 7;" in tree


def test_structured_text_of_one_register_of_each_kind() -> None:
    """Not of all: the grammar is general, and its parser slow."""
    whole = default_map()
    kinds = {(each.type, each.access, each.words): each for each in whole.registers}
    part = replace(whole, registers=tuple(kinds.values()))
    tree = str(parsed_structured_text(FORMS["st"].write(part)))
    for register in part.registers:
        assert f"SUPPLY_{word(register.name)}_ADDRESS : UINT := {register.address};" in tree


def test_python_module_stands_alone_and_agrees() -> None:
    space: dict[str, Any] = {"__name__": "supply"}
    exec(compile(FORMS["python"].write(default_map()), "supply.py", "exec"), space)
    for register in default_map().registers:
        place = space[word(register.name)]
        assert (place.address, place.words, place.scale) == (
            register.address,
            register.words,
            register.scale,
        )
    assert space["ModeValue"].CUTTING == 9
    assert space["StatusValue"].ARC_TRANSFERRED == 1 << 5
    assert {each for each in sys.modules if each == "supply"} == set()


def test_markdown_has_a_row_for_each_register() -> None:
    text = FORMS["markdown"].write(default_map())
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    assert len(rows) == len(default_map().registers)
    assert all(row.replace("\\|", "").count("|") == 9 for row in rows)
    assert "**can strike an arc**" in text


@pytest.mark.parametrize("form", ["c", "st", "python"])
def test_names_that_would_become_one_are_refused(form: str) -> None:
    text = SMALL.format(name="a-b", order="big") + SMALL.format(name="a_b", order="big").replace(
        '[map]\nname = "small"\n', ""
    ).replace("address = 7", "address = 9")
    with pytest.raises(UsageError, match="A_B"):
        FORMS[form].write(parse_map(text, "x"))


@pytest.mark.parametrize("form", FORMS)
def test_texts_cannot_break_out(form: str) -> None:
    """A description may hold anything printable."""
    evil = 'description = "*/ *) (* /* \\" \' | ??/ \\\\ <b> ; , =1+1"'
    text = FORMS[form].write(parse_map(SMALL.format(name="level", order="big") + evil, "x"))
    if form == "st":
        parsed_structured_text(text)
    elif form == "python":
        exec(compile(text, "x.py", "exec"), {"__name__": "x"})
    elif form == "csv":
        assert next(csv.DictReader(io.StringIO(text, newline="")))["description"].endswith("=1+1")
    elif form == "c":
        assert text.count("*/") == text.count("/*")


# --- CSV -----------------------------------------------------------------------------------------


def test_csv_and_back_is_the_same_map() -> None:
    made = map_from_csv(FORMS["csv"].write(default_map()), "supply", "supply.csv")
    assert diff_maps(default_map(), parse_map(made, "made.toml")).same


@given(st.permutations(range(len(COLUMNS))), st.sampled_from((",", ";", "\t")), st.booleans())
@settings(max_examples=15)
def test_order_of_columns_and_separators_do_not_matter(
    order: list[int], separator: str, mark: bool
) -> None:
    rows = list(csv.reader(io.StringIO(FORMS["csv"].write(small()), newline="")))
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    for row in rows:
        writer.writerow([row[index] for index in order])
    text = ("\ufeff" if mark else "") + out.getvalue()
    assert diff_maps(small(), parse_map(map_from_csv(text, "small", "x.csv"), "x")).same


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("name,table,address\n", "no column 'type'"),
        ("name,table,address,type,colour\n", "column 'colour' is not known"),
        ("name,table,address,type,type\n", "there twice"),
        ("name,table,address,type\nx,holding,seven,u16\n", "line 2: 'seven' is not a whole number"),
        ("name,table,address,type\nx,holding,7,u17\n", "u17"),
        ("name,table,address,type\nx,holding,7,u16,9\n", "line 2: has 5 cells for 4 columns"),
        ("name,table,address,type,default\nx,holding,7,u16,50:1\n", "'50:1' is not a number"),
        ("name,table,address,type\n\x1b[2Jx,holding,z,u16\n", "'\\x1b[2Jx': address: line 2"),
        ("name,table,address,type,default\nx,coil,7,bool,perhaps\n", "neither yes nor no"),
        (
            "name,table,address,type,values\nx,holding,7,enumeration,off\n",
            "'off' is no number=name",
        ),
        ("name,table,address,type,can_strike_arc\nx,holding,7,u16,maybe\n", "neither yes nor no"),
        ('name,table,address,type\nx,"holding,7,u16\n', "unexpected end of data"),
    ],
)
def test_tables_that_are_none(text: str, message: str) -> None:
    with pytest.raises(MapError) as caught:
        map_from_csv(text, "x", "x.csv")
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.text(max_size=200))
@settings(max_examples=60)
def test_rubbish_is_an_error_of_ours(text: str) -> None:
    with pytest.raises(MapError):
        map_from_csv(text, "x", "x.csv")


# --- differences ---------------------------------------------------------------------------------


def test_difference_of_names_places_and_fields() -> None:
    before = small()
    assert diff_maps(before, small()).same
    renamed = diff_maps(before, small("other"))
    assert renamed.renamed[0] == ("level", "other")
    assert (renamed.added, renamed.removed) == ((), ())
    changed = diff_maps(before, small(order="little")).changed
    assert [(each.field, each.before, each.after) for each in changed] == [
        ("word_order", "big", "little")
    ]
    apart = diff_maps(before, default_map())
    assert apart.removed == ("level",)
    assert len(apart.added) == len(default_map().registers)
    json.dumps(apart.to_json())
