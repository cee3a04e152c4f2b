"""Hypothesis strategies for register maps: registers of every type, their values, whole maps."""

from __future__ import annotations

import json
import math
import string
from collections.abc import Mapping
from typing import Any

from hypothesis import strategies as st

from kerfbus.bench.regmap import Register, Table, Type
from kerfbus.bench.regmap.numbers import IntegerCodec

SCALES = (1, 0.1, 0.01, 0.001, 0.25, 0.3, 2, 5, 10, -1, -0.1, 0.0305, 1e-6, 1000)
OFFSETS = (0, 0, 0, -40, 0.5, 273.15, -1000, 1e6)
WORDS_FOR = {Type.U16: 1, Type.I16: 1, Type.U32: 2, Type.I32: 2}
LETTERS = string.ascii_letters + string.digits


def names(**size: int) -> st.SearchStrategy[str]:
    return st.builds(
        str.__add__,
        st.sampled_from(string.ascii_letters),
        st.text(LETTERS + "_-", max_size=size.get("max_size", 8)),
    )


@st.composite
def integers(draw: st.DrawFn) -> Register:
    """A whole number of any width, some with limits, some with a sentinel outside them."""
    kind = draw(st.sampled_from(list(WORDS_FOR)))
    width = 16 * WORDS_FOR[kind]
    register = {
        "name": "x",
        "table": Table.HOLDING,
        "address": 0,
        "type": kind,
        "words": WORDS_FOR[kind],
        "word_order": draw(st.sampled_from(["big", "little"])),
        "scale": draw(st.sampled_from(SCALES)),
        "offset": draw(st.sampled_from(OFFSETS)),
    }
    codec = Register(**register).codec
    assert isinstance(codec, IntegerCodec)
    low_raw, high_raw = codec.raw_range
    if draw(st.booleans()):
        ends = sorted(codec.value(draw(st.integers(low_raw, high_raw))) for _ in range(2))
        register |= {"min": ends[0], "max": ends[1]}
    if draw(st.booleans()):
        invalid = draw(st.integers(0, (1 << width) - 1))
        meaning = codec.meaning_of(invalid)
        if "min" not in register or not register["min"] <= meaning <= register["max"]:
            register["invalid"] = invalid
    return Register(**register)


@st.composite
def floats(draw: st.DrawFn) -> Register:
    return Register(
        "x",
        Table.INPUT,
        0,
        Type.F32,
        words=2,
        word_order=draw(st.sampled_from(["big", "little"])),
        scale=draw(st.sampled_from(SCALES)),
        invalid=draw(st.none() | st.integers(0, 2**32 - 1)),
    )


@st.composite
def flags(draw: st.DrawFn) -> Register:
    words = draw(st.sampled_from([1, 2]))
    numbers = draw(st.lists(st.integers(0, 16 * words - 1), min_size=1, unique=True))
    return Register(
        "x",
        Table.INPUT,
        0,
        Type.BITS,
        words=words,
        word_order=draw(st.sampled_from(["big", "little"])),
        bits={number: f"flag-{number}" for number in numbers},
    )


@st.composite
def choices(draw: st.DrawFn) -> Register:
    numbers = draw(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=8, unique=True))
    return Register(
        "x",
        Table.HOLDING,
        0,
        Type.ENUMERATION,
        values={number: f"choice-{number}" for number in numbers},
    )


def raw_words(register: Register) -> st.SearchStrategy[tuple[int, ...]]:
    top = 1 if register.table.of_bits else 0xFFFF
    return st.tuples(*[st.integers(0, top)] * register.words)


@st.composite
def entries(draw: st.DrawFn, name: str, table: str, address: int) -> dict[str, Any]:
    """A valid entry of a map file, as the keys and values that stand in it."""
    entry: dict[str, Any] = {"name": name, "table": table, "address": address}
    writable = table in ("holding", "coil")
    entry["access"] = draw(st.sampled_from(["r", "rw", "w"] if writable else ["r"]))
    if table in ("coil", "discrete"):
        return entry | {"type": "bool"}
    kind = draw(st.sampled_from([kind for kind in Type if kind is not Type.BOOL]))
    entry["type"] = str(kind)
    if kind is Type.STRING:
        entry["words"] = draw(st.integers(1, 5))
    elif kind is Type.BITS:
        entry["words"] = draw(st.sampled_from([1, 2]))
        entry["bits"] = {"0": "ready", "0x0F": "fault"}
    elif kind is Type.ENUMERATION:
        entry["values"] = {"0": "off", "7": "on"}
    else:
        entry["scale"] = draw(st.sampled_from(SCALES))
        entry["unit"] = draw(st.sampled_from(["A", "V", "bar", "°C"]))
    if draw(st.booleans()):
        entry["description"] = draw(st.text(LETTERS + ' "\\äµ°', max_size=20))
    return entry


@st.composite
def map_files(draw: st.DrawFn) -> list[dict[str, Any]]:
    """The entries of a valid map: no two in one place, in any order."""
    found: list[dict[str, Any]] = []
    for table in Table:
        address = 0
        for _ in range(draw(st.integers(0, 6))):
            address += draw(st.sampled_from([0, 0, 0, 1, 3, 20, 300]))
            entry = draw(entries(f"r{len(found)}", str(table), address))
            found.append(entry)
            address += entry.get("words") or Type(entry["type"]).usual_words or 1
    if not found:
        found.append({"name": "r0", "table": "coil", "address": 0, "type": "bool"})
    return draw(st.permutations(found))


def as_toml(value: Any) -> str:
    """Write one value as TOML does; enough for what the strategies make."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} = {as_toml(each)}" for key, each in value.items()) + "}"
    assert math.isfinite(value)
    return repr(value)


def file_text(found: list[dict[str, Any]]) -> str:
    """Write a whole map file."""
    lines = ["[map]", 'name = "made"']
    for entry in found:
        lines += ["", "[[register]]", *(f"{key} = {as_toml(entry[key])}" for key in entry)]
    return "\n".join(lines) + "\n"
