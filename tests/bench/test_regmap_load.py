"""Map files: what is right is read as written, what is wrong is named by register and field."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from map_strategies import file_text, map_files

from kerfbus.bench.errors import MapError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.regmap import Table, Type, check_map, load_map, parse_map

HEAD = '[map]\nname = "m"\n'
X = '[[register]]\nname = "x"\ntable = "holding"\naddress = 0\n'


def error(text: str) -> str:
    """Return the one line that refuses `text`."""
    with pytest.raises(MapError) as caught:
        parse_map(text, "m.toml")
    assert "\n" not in str(caught.value)
    return str(caught.value)


WRONG: list[tuple[str, str]] = [
    # form
    ('type = "u17"', "x: type: 'u17' is not one of u16, i16, u32, i32, f32, string, bits, "),
    ('type = "u17"', "did you mean 'u16'?"),
    ('type = "u16"\nacess = "r"', "x: acess: is not a known key; did you mean 'access'?"),
    ('type = "u16"\nscale = "0.1"', "x: scale: needs a number, got '0.1'"),
    ('type = "u16"\nmax = nan', "x: max: needs a finite number, got nan"),
    ('type = "u16"\nmin = 1' + "0" * 400, "x: min: needs a number, got 100"),
    ('type = "u16"\ncan_strike_arc = 1', "x: can_strike_arc: needs true or false, got 1"),
    ('type = "u16"\nunit = 5', "x: unit: needs text in quotes, got 5"),
    (
        'type = "u16"\nunit = "A\\u001b"',
        "x: unit: has a character that cannot stand here: 'A\\x1b'",
    ),
    ('type = "u16"\naccess = "wr"', "x: access: 'wr' is not one of r, rw, w"),
    ('type = "u16"\nwords = 1.0', "x: words: needs a whole number, got 1.0"),
    ('type = "enumeration"\nvalues = [1]', "x: values: needs a table of numbers and names"),
    ('type = "enumeration"\nvalues = {}', "x: values: is empty; name at least one number"),
    ('type = "enumeration"\nvalues = {a = "b"}', "x: values: 'a' is not a whole number from 0"),
    ('type = "enumeration"\nvalues = {0 = "a", 0x0 = "b"}', "x: values: 0 is there twice"),
    ('type = "enumeration"\nvalues = {0 = "a", 1 = "a"}', "values: the name 'a' is there twice"),
    ('type = "enumeration"\nvalues = {0 = "a|b"}', "values: 0 = 'a|b': needs a name in quotes, w"),
    ('type = "enumeration"\nvalues = {0 = 5}', "values: 0 = 5: needs a name in quotes"),
    # type and words
    ('type = "bool"', "x: type: bool is impossible in the table holding; it takes any type but"),
    ('type = "string"', "x: words: is missing; a string needs its length"),
    ('type = "string"\nwords = 124', "x: words: 124 is above 123"),
    ('type = "u32"\nwords = 1', "x: words: 1 is impossible for u32, which has 2"),
    ('type = "bits"\nbits = {0 = "a"}\nwords = 3', "x: words: 3 is too many for bits; give 1 or 2"),
    ('type = "bits"', 'x: bits: is missing; name the bits, e.g. { 0 = "ready" }'),
    ('type = "bits"\nbits = {16 = "a"}', "x: bits: there is no bit 16 in 1 word(s)"),
    ('type = "bits"\nbits = {3 = "bit4"}', "x: bits: 'bit4' is how bit 4 is written without a na"),
    ('type = "enumeration"', "x: values: is missing; name the values"),
    ('type = "enumeration"\nvalues = {0x10000 = "a"}', "x: values: 65536 does not fit into a word"),
    (
        'type = "enumeration"\nvalues = "mod"\n[enumerations.mode]\n0 = "off"',
        "x: values: there is no [enumerations.mod]; did you mean 'mode'?",
    ),
    ('type = "u16"\nvalues = {0 = "a"}', "x: values: means nothing for type u16; take it out"),
    ('type = "string"\nwords = 2\nmin = 0', "x: min: means nothing for type string; take it out"),
    ('type = "u16"\nword_order = "big"', "x: word_order: means nothing for type u16"),
    # place and access
    ('type = "u32"\naddress_ = 1', "x: address_: is not a known key; did you mean 'address'?"),
    ('type = "u16"\nrepeat = 3', "x: name: is repeated and would be there twice; put {} where"),
    ('type = "u16"\nstride = 3', "x: stride: means nothing without repeat"),
    ('type = "u16"\nrepeat = 0', "x: repeat: needs a count from 1 to 1000 or a list of words"),
    ('type = "u16"\ncan_strike_arc = true', "x: can_strike_arc: is impossible for a register tha"),
    (
        'type = "u16"\ngroup = "gass"\n[groups]\ngas = "Gas"',
        "x: group: 'gass' is not in [groups]; d",
    ),
    # limits
    ('type = "u16"\nmin = 10\nmax = 5', "x: min: 10 is above max, 5; exchange them"),
    (
        'type = "u16"\nmin = -1',
        "x: min: -1 cannot be held by u16 with this scale and offset: 0 to 6",
    ),
    (
        'type = "u16"\nscale = 0.1\nunit = "A"\nmax = 7000',
        "x: max: 7000 A cannot be held by u16 with this scale and offset: 0 to 6553.5 A",
    ),
    ('type = "i16"\noffset = 100\nmin = -32669', "x: min: -32669 cannot be held by i16"),
    ('type = "u16"\nscale = -1\nmin = -65536', "x: min: -65536 cannot be held by u16"),
    ('type = "f32"\nmax = 1e39', "x: max: 1e+39 cannot be held by f32"),
    ('type = "u16"\nscale = 10\nmin = 11\nmax = 19', "x: max: no step of 10 lies between min and"),
    ('type = "u16"\nscale = 0', "x: scale: 0 makes every value the same"),
    ('type = "u16"\nscale = 1e-13', "x: scale: 1e-13 is out of all measure"),
    ('type = "u16"\noffset = 1e13', "x: offset: 1e+13 is out of all measure"),
    ('type = "u16"\nscale = 1e-9\noffset = 1e9', "x: offset: is too large for the scale"),
    # sentinel
    (
        'type = "u16"\nscale = 0.1\nmin = 0\nmax = 6553.5\nunit = "A"\ninvalid = 0xFFFF',
        "x: invalid: means 6553.5 A, which is inside the limits, 0 to 6553.5 A; change either",
    ),
    ('type = "i16"\nmin = -5\nmax = 5\ninvalid = 0xFFFF', "x: invalid: means -1, which is inside"),
    ('type = "i16"\nmin = -5\nmax = 5\ninvalid = -1', "x: invalid: means -1, which is inside"),
    ('type = "f32"\nmin = 0\nmax = 2\ninvalid = 0x3F800000', "x: invalid: means 1, which is insid"),
    ('type = "u16"\ninvalid = -1', "x: invalid: -1 is no raw value of u16; give 0 to 65535"),
    ('type = "i16"\ninvalid = -32769', "x: invalid: -32769 is no raw value of i16; give -32768 to"),
    ('type = "string"\nwords = 1\ninvalid = 0', "x: invalid: means nothing for type string"),
    (
        'type = "enumeration"\nvalues = {0 = "a"}\ninvalid = 0',
        "x: invalid: 0 is also the value 'a'",
    ),
    ('type = "bits"\nbits = {0 = "a"}\ninvalid = 1', "x: invalid: 0x1 is also a true reading"),
    # factory value
    ('type = "u16"\nmax = 5\ndefault = 6', "x: default: 6 is outside the limits; give at most 5"),
    ('type = "u16"\ndefault = "6"', "x: default: '6' is not a number"),
    ('type = "bits"\nbits = {0 = "a"}\ndefault = ["b"]', "x: default: 'b' is not one of a"),
    (
        'type = "u16"\ndefault = 1979-05-27',
        "x: default: datetime.date(1979, 5, 27) is not a number",
    ),
]


@pytest.mark.parametrize(("rest", "message"), WRONG)
def test_what_is_wrong_is_named_by_register_and_field(rest: str, message: str) -> None:
    found = error(HEAD + X + rest)
    assert found.startswith("m.toml: x: ")
    assert message in found


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "m.toml: [map]: is missing (and 1 more; `map check` lists them)"),
        (HEAD, "m.toml: [[register]]: is missing"),
        (HEAD + "register = []", "m.toml: [map]: register: is not a known key"),
        ("register = []\n" + HEAD, "m.toml: [[register]]: names no register; add at least one"),
        (HEAD + "[register]\nname = 'x'", "m.toml: [[register]]: needs [[register]] with double"),
        ("register = [1]\n" + HEAD, "m.toml: register 1: needs a table, got 1"),
        (HEAD + "[[register]]\ntable = 'coil'", "m.toml: register 1: name: is missing (and 2 more"),
        (
            HEAD + "[regster]\n" + X + 'type = "u16"',
            "m.toml: regster: is not a known key; did you m",
        ),
        ("[map]\nname = 'a b'\n" + X + 'type = "u16"', "[map]: name: has a character that cannot"),
        (
            "[map]\nname = 'a'\nserver = 248\n" + X + 'type = "u16"',
            "[map]: server: 248 is above 247",
        ),
        (
            "[map]\nname = 'a'\nbaud = 0\n" + X + 'type = "u16"',
            "[map]: baud: baud 0: not a bit rate",
        ),
        (
            "[map]\nname = 'a'\nformat = '9'\n" + X + 'type = "u16"',
            "[map]: format: format '9': give",
        ),
        (
            HEAD + X.replace('"x"', '"x\\u001b"') + 'type = "u16"',
            "'x\\x1b': name: 'x\\x1b' is no nam",
        ),
        (
            HEAD + X.replace('"x"', '"2x"') + 'type = "u16"',
            "2x: name: '2x' is no name; give a letter",
        ),
        (HEAD + X.replace("= 0", "= 65536") + 'type = "u16"', "x: address: 65536 is above 65535"),
        (HEAD + X.replace("= 0", "= -1") + 'type = "u16"', "x: address: -1 is below 0"),
        (
            HEAD + X.replace("= 0", "= 65535") + 'type = "u32"',
            "x: address: 65535 + 2 words goes past",
        ),
        (
            HEAD + X.replace('"x"', '"x{}"') + 'type = "u16"\nrepeat = 2',
            "x1: stride: is missing; say how many addresses",
        ),
        (
            HEAD + X.replace('"x"', '"x{}"') + 'type = "u16"\nrepeat = 2\nstride = 65536',
            "x{}: stride: 65536 is above 65535",
        ),
        (
            HEAD + X.replace("holding", "input") + 'type = "u16"\naccess = "rw"',
            "x: access: rw is impossible: the table input can only be read; use r",
        ),
        (
            HEAD + X.replace("holding", "coil") + 'type = "bool"\nscale = 2',
            "x: scale: means nothing for type bool; take it out",
        ),
        (
            HEAD + X.replace("holding", "coil") + 'type = "u16"',
            "x: type: u16 is impossible in the t",
        ),
        (
            HEAD + X.replace("holding", "coil") + 'type = "bits"',
            "x: type: bits is impossible in the",
        ),
        (
            HEAD.replace("\n", "\nmax_read_words = 2\n", 1) + X + 'type = "string"\nwords = 3',
            "x: words: 3 is more than one read gives by [map]; it gives 2",
        ),
        (HEAD + '[facts]\n"a b" = 1\n' + X + 'type = "u16"', "[facts]: a b: has a character that"),
        (
            HEAD + "[facts]\na = [1]\n" + X + 'type = "u16"',
            "[facts]: a: needs text, a number, true",
        ),
        (
            HEAD + '[facts]\na = "\\u0007"\n' + X + 'type = "u16"',
            "[facts]: a: has a character that",
        ),
        (HEAD + '"\\u001b" = 1\n' + X + 'type = "u16"', "[map]: '\\x1b': is not a known key"),
    ],
)
def test_what_is_wrong_with_the_file_as_a_whole(text: str, message: str) -> None:
    assert message in error(text)


def test_registers_may_not_share_an_address() -> None:
    wide = '[[register]]\nname = "wide"\ntable = "holding"\naddress = 10\ntype = "u32"\n'
    other = wide.replace("wide", "other").replace("10", "11").replace("u32", "u16")
    message = "other: address: holding:11 is already part of wide (holding:10+2)"
    assert message in error(HEAD + wide + other)
    assert message in error(HEAD + other + wide)
    parse_map(HEAD + wide + other.replace("holding", "input"), "m.toml")
    parse_map(HEAD + wide + other.replace("= 11", "= 12"), "m.toml")


def test_an_overlap_is_seen_past_a_register_in_between() -> None:
    long = X.replace('"x"', '"long"') + 'type = "string"\nwords = 20\n'
    one = X.replace('"x"', '"one"').replace("= 0", "= 2") + 'type = "u16"\n'
    two = X.replace('"x"', '"two"').replace("= 0", "= 9") + 'type = "u16"\n'
    text = HEAD + long + one + two
    with pytest.raises(MapError, match="and 1 more"):
        parse_map(text, "m.toml")


def test_a_name_may_be_there_once() -> None:
    twice = X + 'type = "u16"\n' + X.replace("= 0", "= 9") + 'type = "u16"\n'
    assert "x: name: is there twice, also at holding:0; rename one" in error(HEAD + twice)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (HEAD + "x = \n", "m.toml: line 3, column 5: Invalid value"),
        (HEAD + X + "a = 'b", "m.toml: line 7, end of file: "),
        (HEAD + "name = 'n'\n", "m.toml: line 3, "),
        ("[map\n", "m.toml: line 1, column 5: Expected ']'"),
        ("a = " + "[" * 100_000, "m.toml: is nested too deeply: this is no register map"),
    ],
)
def test_a_slip_in_the_syntax_is_named_by_line(text: str, message: str) -> None:
    assert error(text).startswith(message)


def test_all_mistakes_are_listed_and_counted(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(
        HEAD
        + X
        + 'type = "u16"\nmin = 9\nmax = 5\nunit = "A"\nscale = 0\n'
        + X.replace('"x"', '"y"')
        + 'type = "string"\n'
    )
    found = check_map(file)
    assert [(each.register, each.field) for each in found] == [
        ("x", "scale"),
        ("x", "min"),
        ("y", "words"),
    ]
    assert {each.file for each in found} == {str(file)}
    with pytest.raises(MapError, match=r"\(and 2 more; `map check` lists them\)"):
        load_map(file)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(MapError, match=r"none\.toml: there is no such file"):
        load_map(tmp_path / "none.toml")
    with pytest.raises(MapError, match="cannot be read: "):
        load_map(tmp_path)
    with pytest.raises(MapError, match="is no path"):
        load_map("a\0b")
    file = tmp_path / "large.toml"
    file.write_bytes(b"#" * (4 * 2**20 + 1))
    with pytest.raises(MapError, match="larger than 4 MiB: this is another kind"):
        load_map(file)
    file = tmp_path / "latin.toml"
    file.write_bytes((HEAD + "# Gr").encode() + b"\xfc\xdfe\n")
    with pytest.raises(MapError, match=r"line 3: is not UTF-8; save the file as UTF-8"):
        load_map(file)


def test_what_an_editor_on_windows_saves_is_read(tmp_path: Path) -> None:
    file = tmp_path / "m.toml"
    text = HEAD + X + 'type = "i16"\nunit = "°C"\n'
    file.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load_map(str(file)).by_name("x").unit == "°C"
    assert check_map(str(file)) == []


FULL = """
[map]
name = "full"
title = "A unit"
note = "Invented"
version = 3
server = 17
baud = 9600
format = "8N2"
word_order = "little"
max_read_words = 20
[facts]
key = 0x4B46
[groups]
all = "All of it"
[enumerations.mode]
0 = "off"
0x0A = "on"
[[register]]
name = "{}_mode"
repeat = ["left", "far_right"]
stride = 8
table = "holding"
address = 0x100
type = "enumeration"
values = "mode"
access = "rw"
group = "all"
can_strike_arc = true
default = "on"
description = "Mode of the {} side"
[[register]]
name = "hours"
table = "input"
address = 4
type = "u32"
scale = 0.01
invalid = 0xFFFFFFFF
"""


def test_everything_in_a_file_is_kept() -> None:
    found = parse_map(FULL, "full.toml")
    header = found.header
    assert (found.name, found.file, header.title, header.note) == (
        "full",
        "full.toml",
        "A unit",
        "Invented",
    )
    assert (header.version, header.server, header.settings) == (
        "3",
        17,
        LineSettings.parse(9600, "8N2"),
    )
    assert (header.max_read_words, found.groups, found.facts) == (
        20,
        {"all": "All of it"},
        {"key": 0x4B46},
    )
    left, right, hours = found.registers
    assert (left.name, right.name, right.address) == ("left_mode", "far_right_mode", 0x108)
    assert right.description == "Mode of the far right side"
    assert (right.values, right.default, right.can_strike_arc) == ({0: "off", 10: "on"}, "on", True)
    assert (hours.word_order, hours.scale, hours.access, hours.invalid) == (
        "little",
        0.01,
        "r",
        2**32 - 1,
    )
    assert hours.decode((1, 0)) == 0.01


def built(entry: dict[str, Any]) -> dict[str, Any]:
    """Return what must be found again of an entry."""
    wanted = {"scale": 1, "unit": None, "description": "", "access": "r"} | entry
    wanted["words"] = entry.get("words") or Type(entry["type"]).usual_words
    for field in ("values", "bits"):
        wanted[field] = {int(key, 0): name for key, name in entry.get(field, {}).items()}
    return wanted


@given(map_files())
@settings(max_examples=60)
def test_any_good_map_is_read_as_written(entries: list[dict[str, Any]]) -> None:
    found = parse_map(file_text(entries), "made.toml")
    assert len(found.registers) == len(entries)
    for entry in entries:
        register = found.by_name(entry["name"])
        for field, wanted in built(entry).items():
            assert getattr(register, field) == wanted, field
    places = [(list(Table).index(each.table), each.address) for each in found.registers]
    assert places == sorted(places)


@given(map_files(), st.data())
@settings(max_examples=60)
def test_any_one_unknown_key_is_found(entries: list[dict[str, Any]], data: st.DataObject) -> None:
    victim = data.draw(st.integers(0, len(entries) - 1))
    entries[victim] = entries[victim] | {"descripton": "slip"}
    with pytest.raises(MapError) as caught:
        parse_map(file_text(entries), "made.toml")
    assert (caught.value.register, caught.value.field) == (entries[victim]["name"], "descripton")
    assert "did you mean 'description'?" in str(caught.value)
