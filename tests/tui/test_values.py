"""Values as a person reads them."""

from __future__ import annotations

import pytest

from kerfbus.bench.regmap import ReadSpan, Register, Table, Type
from kerfbus.sim.maps import default_map
from kerfbus.tui import values
from kerfbus.tui.values import Reading

MS = 1_000_000


def named(name: str, *raw: int, at: int | None = 0, problem: str = "") -> Reading:
    register = default_map().by_name(name)
    span = ReadSpan(register.table, register.address, register.words)
    return Reading(span, register, raw or None, at, problem)


@pytest.mark.parametrize(
    ("name", "raw", "expected"),
    [
        ("arc_voltage", [1284], "128.4 V"),
        ("arc_voltage", [0], "0.0 V"),
        ("inlet_pressure", [0xFFFF], "no reading"),
        ("heat_sink_temperature", [0xFFFB], "-0.5 °C"),
        ("cut_time", [0, 1500], "1.500 s"),
        ("ignition_tries", [3], "3"),
        ("reply_delay", [20], "20 ms"),
        ("voltage_trim", [0x3F80, 0], "1"),
        ("mode", [9], "cutting"),
        ("mode", [99], "99"),
        ("status", [0b11], "enabled, ready"),
        ("status", [0], "none"),
        ("asset_tag", [0x4142, *[0] * 7], "'AB'"),
        ("start_contact", [1], "on"),
        ("start_contact", [0], "off"),
        ("active_baud", [4], "19200"),
    ],
)
def test_with_unit(name: str, raw: list[int], expected: str) -> None:
    register = default_map().by_name(name)
    assert values.with_unit(register, register.decode(raw)) == expected


@pytest.mark.parametrize(
    ("scale", "expected"),
    [(1, 0), (10, 0), (0.1, 1), (0.01, 2), (0.001, 3), (0.5, None), (2.5, None), (1e-6, 6)],
)
def test_decimals_follow_the_scale(scale: float, expected: int | None) -> None:
    register = Register("x", Table.INPUT, 0, Type.U16, scale=scale)
    assert values.decimals(register) == expected


def test_rows_line_numbers_up_and_say_how_old_they_are() -> None:
    readings = [
        named("arc_voltage", 1284, at=1000 * MS),
        named("cut_time", 0, 1500, at=990 * MS),
        named("mode", 9, at=1000 * MS - 1),
        named("duty", problem="server 1 does not answer"),
        Reading(ReadSpan(Table.HOLDING, 100, 3), None, (1, 2, 3), 0),
        Reading(ReadSpan(Table.COIL, 7, 1), None, (1,), 1000 * MS),
    ]
    assert values.rows(readings, 1000 * MS) == [
        ("arc_voltage", "128.4 V", "0 ms ago"),
        ("cut_time", "1.500 s", "10 ms ago"),
        ("mode", "cutting", "0 ms ago"),
        ("duty", "   --", "not read"),
        ("holding:100+3", "1, 2, 3", "1000 ms ago"),
        ("coil:7", "    1", "0 ms ago"),
    ]


def test_old_values_are_told_in_seconds() -> None:
    assert values.age(named("mode", 9, at=0), 12_345 * MS) == "12 s ago"
    assert values.age(named("mode", 9, at=None), 12_345 * MS) == ""
