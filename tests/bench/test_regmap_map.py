"""Finding registers in a map, and reading many of them in few requests."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from map_strategies import file_text, map_files

from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap import (
    MapHeader,
    ReadSpan,
    Register,
    RegisterMap,
    Table,
    Type,
    parse_map,
)


def word(name: str, address: int, access: str = "r", words: int = 1) -> Register:
    kind = Type.STRING if words > 2 else (Type.U16, Type.U32)[words - 1]
    return Register(name, Table.HOLDING, address, kind, words=words, access=access)


def holding(*registers: Register, **header: int) -> RegisterMap:
    return RegisterMap("m", "m.toml", registers, MapHeader(**header))


def spans(plan: list[ReadSpan]) -> list[tuple[int, int]]:
    return [(start, quantity) for _, start, quantity in plan]


def test_registers_are_found_by_name_and_by_any_of_their_addresses() -> None:
    wide = word("wide", 10, words=2)
    found = holding(word("b", 12), wide, word("a", 3))
    assert found.by_name("wide") is wide
    assert [found.at("holding", address) for address in (9, 10, 11)] == [None, wide, wide]
    assert found.at("input", 10) is None
    assert [each.name for each in found.registers] == ["a", "wide", "b"]
    with pytest.raises(UsageError, match=r"map m has no register 'wid'; did you mean 'wide'\?"):
        found.by_name("wid")


@given(map_files(), st.sampled_from(list(Table)), st.integers(0, 700), st.integers(1, 300))
@settings(max_examples=60)
def test_covering_is_all_that_share_an_address(
    entries: list[dict[str, Any]], table: Table, start: int, count: int
) -> None:
    found = parse_map(file_text(entries), "m.toml")
    wanted = set(range(start, start + count))
    assert found.covering(table, start, count) == tuple(
        each
        for each in found.registers
        if each.table is table and wanted & set(range(each.address, each.end))
    )
    one = found.at(table, start)
    assert ([one] if one else []) == [
        each
        for each in found.registers
        if each.table is table and start in range(each.address, each.end)
    ]


def test_neighbours_are_read_together() -> None:
    found = holding(word("a", 0), word("b", 1, words=2), word("c", 3))
    assert spans(found.plan_reads(["c", "a", "b"])) == [(0, 4)]


def test_a_gap_is_read_over_only_where_the_map_is_readable() -> None:
    mapped = holding(word("a", 0), word("between", 1), word("c", 2))
    assert spans(mapped.plan_reads(["a", "c"])) == [(0, 3)]
    hole = holding(word("a", 0), word("c", 2))
    assert spans(hole.plan_reads(["a", "c"])) == [(0, 1), (2, 1)]
    shut = holding(word("a", 0), word("between", 1, access="w"), word("c", 2))
    assert spans(shut.plan_reads(["a", "c"])) == [(0, 1), (2, 1)]
    short = holding(word("a", 0), word("between", 1), word("c", 3))
    assert spans(short.plan_reads(["a", "c"])) == [(0, 1), (3, 1)]


def test_a_long_gap_is_not_read_over() -> None:
    found = holding(*(word(f"r{address}", address) for address in range(40)))
    assert spans(found.plan_reads(["r0", "r17"])) == [(0, 18)]
    assert spans(found.plan_reads(["r0", "r18"])) == [(0, 1), (18, 1)]
    assert spans(found.plan_reads(["r0", "r18"], bridge=17)) == [(0, 19)]


def test_reads_keep_to_what_one_reply_holds() -> None:
    found = holding(*(word(f"r{address}", address) for address in range(300)))
    names = [each.name for each in found.registers]
    assert spans(found.plan_reads(names)) == [(0, 125), (125, 125), (250, 50)]
    small = holding(word("a", 0, words=2), word("b", 2, words=2), max_read_words=3)
    assert spans(small.plan_reads(["a", "b"])) == [(0, 2), (2, 2)]  # none is split


def test_bits_are_read_by_the_thousand() -> None:
    bits = [Register(f"b{at}", Table.COIL, at, Type.BOOL) for at in range(2100)]
    found = RegisterMap("m", "m.toml", tuple(bits))
    assert spans(found.plan_reads([each.name for each in bits])) == [(0, 2000), (2000, 100)]
    assert spans(found.plan_reads(["b0", "b257"])) == [(0, 258)]
    assert spans(found.plan_reads(["b0", "b258"])) == [(0, 1), (258, 1)]


def test_what_can_only_be_written_is_not_read() -> None:
    with pytest.raises(UsageError, match="key: the map lets it be written only, not read"):
        holding(word("key", 0, access="w")).plan_reads(["key"])


@given(map_files(), st.data(), st.integers(5, 125), st.integers(0, 20))
@settings(max_examples=80)
def test_any_plan_fetches_all_and_touches_only_what_is_mapped(
    entries: list[dict[str, Any]], data: st.DataObject, most: int, bridge: int
) -> None:
    text = file_text(entries).replace("[map]", f"[map]\nmax_read_words = {most}", 1)
    found = parse_map(text, "m.toml")
    readable = [each for each in found.registers if each.readable]
    wanted = [each for each in readable if data.draw(st.booleans())]
    plan = found.plan_reads([each.name for each in wanted], bridge)
    open_places = {(each.table, at) for each in readable for at in range(each.address, each.end)}
    for span in plan:
        assert 1 <= span.quantity <= (2000 if span.table.of_bits else most)
        places = {(span.table, at) for at in range(span.start, span.start + span.quantity)}
        assert places <= open_places
    for each in wanted:
        holders = [span for span in plan if _holds(span, each)]
        assert len(holders) == 1
        raw = range(holders[0].start, holders[0].start + holders[0].quantity)
        assert holders[0].pick(each, raw) == tuple(range(each.address, each.end))
    assert len(plan) == _fewest(found, wanted, most, bridge)


def _holds(span: ReadSpan, register: Register) -> bool:
    inside = span.start <= register.address and register.end <= span.start + span.quantity
    return register.table is span.table and inside


def _fewest(found: RegisterMap, wanted: list[Register], most: int, bridge: int) -> int:
    """Return the least number of reads, found by trying every way to cut the list."""
    readable = {
        (each.table, at)
        for each in found.registers
        if each.readable
        for at in range(each.address, each.end)
    }

    def one_read(group: list[Register]) -> bool:
        first, last = group[0], group[-1]
        limit, gap = (2000, bridge * 16) if first.table.of_bits else (most, bridge)
        places = {(first.table, at) for at in range(first.address, last.end)}
        near = all(two.address - one.end <= gap for one, two in pairwise(group))
        return first.table is last.table and len(places) <= limit and places <= readable and near

    best = [0] * (len(wanted) + 1)
    for end in range(1, len(wanted) + 1):
        best[end] = min(best[start] + 1 for start in range(end) if one_read(wanted[start:end]))
    return best[-1]


def test_picking_from_another_read_is_the_callers_mistake() -> None:
    span = ReadSpan(Table.HOLDING, 10, 2)
    assert span.pick(word("a", 11), (5, 6)) == (6,)
    for stranger in (word("a", 9), word("a", 12), word("a", 11, words=2)):
        with pytest.raises(UsageError, match="a: not in the 2 values read from holding:10"):
            span.pick(stranger, (5, 6))


def test_the_answer_has_the_keys_that_are_promised() -> None:
    """The keys of `map show` in the machine-readable answers."""
    shown = parse_map(
        '[map]\nname = "m"\n[[register]]\nname = "x"\ntable = "holding"\naddress = 7\n'
        'type = "u16"\nscale = 0.1\nunit = "A"\nmin = 20\nmax = 125\naccess = "rw"\n'
        '[[register]]\nname = "y"\ntable = "input"\naddress = 7\ntype = "bits"\n'
        'bits = { 3 = "fault" }\n',
        "m.toml",
    ).to_json()
    assert shown["name"] == "m"
    x, y = shown["registers"]
    assert {key: x[key] for key in PROMISED} == {
        "name": "x",
        "table": "holding",
        "address": 7,
        "type": "u16",
        "words": 1,
        "word_order": "big",
        "scale": 0.1,
        "offset": 0,
        "unit": "A",
        "min": 20,
        "max": 125,
        "access": "rw",
        "description": "",
        "values": None,
        "bits": None,
    }
    assert (y["bits"], y["values"], y["access"]) == ({"3": "fault"}, None, "r")


PROMISED = [
    "name", "table", "address", "type", "words", "word_order", "scale", "offset", "unit", "min",
    "max", "access", "description", "values", "bits",
]  # fmt: skip
