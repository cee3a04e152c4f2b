"""What is named on a command line, and the gate before a write."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from kerfbus.bench.errors import LimitError, UsageError
from kerfbus.bench.regmap import (
    Register,
    RegisterMap,
    Table,
    Target,
    Type,
    parse_map,
    parse_target,
    parse_value,
    plan_write,
)

MAP = parse_map(
    """
[map]
name = "m"
[[register]]
name = "setpoint"
table = "holding"
address = 0
type = "u16"
scale = 0.1
unit = "A"
min = 20
max = 125
access = "rw"
[[register]]
name = "total"
table = "holding"
address = 1
type = "u32"
access = "rw"
max = 100000
[[register]]
name = "order"
table = "holding"
address = 5
type = "enumeration"
values = { 0 = "stop", 1 = "start" }
access = "w"
can_strike_arc = true
[[register]]
name = "serial"
table = "holding"
address = 8
type = "u16"
[[register]]
name = "current"
table = "input"
address = 0
type = "u16"
[[register]]
name = "start"
table = "coil"
address = 3
type = "bool"
access = "rw"
can_strike_arc = true
""",
    "m.toml",
)


@pytest.mark.parametrize(
    ("text", "target"),
    [
        ("setpoint", Target("setpoint")),
        ("setpoint=63.5", Target("setpoint", value="63.5")),
        ("setpoint = 63.5 A", Target("setpoint", value="63.5 A")),
        ("note=a=b", Target("note", value="a=b")),
        ("holding:100+3", Target(None, Table.HOLDING, 100, 3)),
        ("holding:100", Target(None, Table.HOLDING, 100, 1)),
        ("INPUT:0x10+0x02", Target(None, Table.INPUT, 16, 2)),
        ("coil:8=on,off", Target(None, Table.COIL, 8, 1, "on,off")),
        ("discrete:0+2000", Target(None, Table.DISCRETE, 0, 2000)),
        ("holding:65535", Target(None, Table.HOLDING, 65535, 1)),
    ],
)
def test_targets(text: str, target: Target) -> None:
    assert parse_target(text) == target


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "'' names nothing to read or write; give NAME, NAME=VALUE, TABLE:ADDRESS"),
        ("=5", "'=5' names nothing"),
        ("a b", "'a b' names nothing"),
        ("setpoint=", "'setpoint=': no value behind '='"),
        ("holdng:1", "'holdng' is no table; tables are holding, input, coil, discrete"),
        ("holding:65536", "'65536' is no address; give 0 to 65535, decimal or 0x"),
        ("holding:1x", "'1x' is no address"),
        ("holding:65535+2", "goes past the last address, 65535"),
        ("holding:0+126", "'126' is no count; one read takes 1 to 125"),
        ("holding:0+0", "'0' is no count"),
        ("coil:0+2001", "'2001' is no count; one read takes 1 to 2000"),
        ("holding:0+3=5", "give either a count to read or values to write, not both"),
        ("holding:-1", "names nothing"),
    ],
)
def test_what_names_nothing(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message.replace("+", r"\+")):
        parse_target(text)


@given(st.text(max_size=30))
@example("a\nb=")
@example("a\n:1=2")
@settings(max_examples=300)
def test_any_text_is_a_target_or_a_usage_error(text: str) -> None:
    refusal = ""
    try:
        target = parse_target(text)
    except UsageError as error:
        refusal = str(error)
    else:
        assert (target.name is None) != (target.table is None)
    assert refusal.isprintable()


@pytest.mark.parametrize(
    ("text", "place", "raw", "arc"),
    [
        ("setpoint=63.5", ("holding", 0), (635,), False),
        ("total=70000", ("holding", 1), (1, 4464), False),
        ("order=start", ("holding", 5), (1,), True),
        ("start=on", ("coil", 3), (1,), True),
        ("holding:0=635", ("holding", 0), (635,), False),
        ("holding:0=0x27B,1,4464", ("holding", 0), (635, 1, 4464), False),
        ("holding:4=7,1", ("holding", 4), (7, 1), True),
        ("holding:100=-1", ("holding", 100), (0xFFFF,), True),
        ("coil:3=off", ("coil", 3), (0,), True),
    ],
)
def test_allowed_writes(text: str, place: tuple[str, int], raw: tuple[int, ...], arc: bool) -> None:
    planned = plan_write(MAP, parse_target(text))
    assert (planned.table, planned.address) == place
    assert (planned.raw, planned.can_strike_arc) == (raw, arc)


def test_a_write_tells_which_registers_it_sets_and_how_much_is_unknown() -> None:
    planned = plan_write(MAP, parse_target("holding:3=1,2,1"))
    assert ([each.name for each in planned.registers], planned.unmapped) == (["order"], 2)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("setpoint=130", "setpoint: 130 A is outside the limits; give 20 to 125 A"),
        ("setpoint=hot", "setpoint: 'hot' is not a number"),
        ("serial=5", "serial: the map lets it be read only, not written"),
        ("current=5", "current: the map lets it be read only, not written"),
        ("order=fly", "order: 'fly' is not one of stop, start"),
        ("holding:0=60", "setpoint: 6 A is outside the limits; give 20 to 125 A"),
        ("holding:1=1", r"would write part of total, which is holding:1\+2; write all of it"),
        ("holding:2=1,1", "would write part of total"),
        ("holding:1=2,0", "total: 131072 is outside the limits"),
        ("holding:5=9", "order: 9 is not one of stop, start"),
        ("holding:7=1,2", "serial: the map lets it be read only"),
    ],
)
def test_the_map_refuses(text: str, message: str) -> None:
    with pytest.raises(LimitError, match=message):
        plan_write(MAP, parse_target(text))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("setpoint", "setpoint: no value to write"),
        ("setpont=5", "map m has no register 'setpont'; did you mean 'setpoint'"),
        ("input:0=5", "input:0: input registers can only be read; write holding or coil"),
        ("holding:0=5.5", "holding:0: '5.5' is no raw value; give 0 to 65535"),
        ("holding:0=65536", "'65536' is no raw value"),
        ("coil:3=2", "coil:3: '2' is neither on nor off"),
        ("holding:200=" + ",".join("1" * 124), "124 values; one write takes at most 123"),
        ("coil:200=" + ",".join("1" * 1969), "1969 values; one write takes at most 1968"),
        ("holding:65535=1,2", "2 values go past the last address"),
    ],
)
def test_writes_that_cannot_be(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message) as caught:
        plan_write(MAP, parse_target(text))
    assert not isinstance(caught.value, LimitError)


@given(st.integers(0, 12), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=6))
@settings(max_examples=300)
def test_no_raw_write_passes_a_limit(address: int, raw: list[int]) -> None:
    """Whatever is written raw, every register it touches then reads as a value the map allows."""
    text = f"holding:{address}=" + ",".join(map(str, raw))
    try:
        planned = plan_write(MAP, parse_target(text))
    except LimitError:
        return
    memory = dict(enumerate(planned.raw, planned.address))
    touched = [each for each in MAP.registers if each.table == "holding"]
    for each in touched:
        places = range(each.address, each.end)
        if not set(places) & set(memory):
            continue
        assert each.writable
        value = each.decode([memory[at] for at in places])
        assert each.encode(value) == tuple(memory[at] for at in places)


def test_a_value_is_held_to_the_limits_when_it_is_parsed() -> None:
    assert parse_value(MAP.by_name("setpoint"), "100") == 100
    with pytest.raises(LimitError, match="outside the limits"):
        parse_value(MAP.by_name("setpoint"), "130")


def test_a_raw_sentinel_may_be_written_where_the_map_has_one() -> None:
    entry = Register("x", Table.HOLDING, 0, Type.U16, access="rw", max=10, min=0, invalid=0xFFFF)
    found = RegisterMap("m", "m.toml", (entry,))
    assert plan_write(found, parse_target("holding:0=0xFFFF")).raw == (0xFFFF,)
