"""The map of the simulated supply: complete, safe, and one that can be lived with."""

from __future__ import annotations

from pathlib import Path

import pytest

from kerfbus.bench.errors import MapError
from kerfbus.bench.regmap import Register, RegisterMap, Table, Type, check_map
from kerfbus.sim.maps import default_map, map_names, map_text, open_map

MAP = default_map()
PARTS = ("electrode", "nozzle", "swirl_ring", "shield")


def test_it_ships_and_is_right() -> None:
    assert "supply" in map_names()
    assert open_map("supply").registers == MAP.registers
    assert (MAP.header.server, str(MAP.header.settings)) == (1, "19200 8E1")
    assert "nvented" in MAP.header.note


def test_every_register_is_described_and_grouped() -> None:
    for each in MAP.registers:
        assert each.description, each.name
        assert each.group in MAP.groups, each.name
        assert not each.description.endswith("."), each.name


@pytest.mark.parametrize(
    ("name", "place", "unit"),
    [
        ("status", "input:0", None),
        ("mode", "input:2", None),
        ("fault", "input:3", None),
        ("output_current", "input:8", "A"),
        ("arc_voltage", "input:10", "V"),
        ("divided_voltage", "input:11", "V"),
        ("inlet_pressure", "input:13", "bar"),
        ("flow_pressure", "input:14", "bar"),
        ("heat_sink_temperature", "input:17", "°C"),
        ("duty", "input:20", "%"),
        ("powered_hours", "input:192", "h"),
        ("arc_hours", "input:194", "h"),
        ("total_starts", "input:196", None),
        ("serial_number", "input:528", None),
        ("current_setpoint", "holding:0", "A"),
        ("cutting_pressure_setpoint", "holding:1", "bar"),
        ("process", "holding:3", None),
        ("voltage_ratio", "holding:4", None),
        ("command_key", "holding:64", None),
        ("command", "holding:65", None),
        ("watchdog_time", "holding:72", "s"),
        ("address_setting", "holding:96", None),
        ("baud_setting", "holding:97", "bit/s"),
        ("format_setting", "holding:98", None),
        ("start", "coil:0", None),
        ("ready", "discrete:1", None),
        ("arc_transferred", "discrete:3", None),
    ],
)
def test_places_that_controllers_rely_on(name: str, place: str, unit: str | None) -> None:
    entry = MAP.by_name(name)
    assert (f"{entry.table}:{entry.address}", entry.unit) == (place, unit)


def test_one_read_polls_the_status_block() -> None:
    names = [each.name for each in MAP.registers if each.table is Table.INPUT and each.address < 32]
    (span,) = MAP.plan_reads(names)
    assert (span.start, span.quantity) == (0, 30)
    assert {"status", "mode", "fault", "output_current", "arc_voltage"} <= set(names)


def test_only_two_registers_can_strike_an_arc_and_both_are_switches() -> None:
    arming = [each.name for each in MAP.registers if each.can_strike_arc]
    assert sorted(arming) == ["arc_command", "start"]
    orders = MAP.by_name("command").values.values()
    assert not [order for order in orders if "start" in order or "arc" in order]


def test_every_factory_value_is_allowed_and_every_setting_has_one() -> None:
    for each in MAP.registers:
        if each.default is not None:
            assert each.decode(each.encode(each.default)) == each.default, each.name
        if each.access == "rw":
            assert each.default is not None, each.name


def test_every_setting_with_a_number_has_limits() -> None:
    for each in MAP.registers:
        if each.access == "rw" and each.type.numeric:
            assert each.min is not None, each.name
            assert each.max is not None, each.name


def test_ratios_are_the_usual_ones_and_fifty_is_the_default() -> None:
    ratio = MAP.by_name("voltage_ratio")
    assert list(ratio.values) == [16, 20, 30, 40, 50, 100]
    assert all(name == f"{raw}:1" for raw, name in ratio.values.items())
    assert ratio.default == "50:1"


def test_the_divided_output_has_room_for_the_open_circuit_voltage_at_every_ratio() -> None:
    volts = MAP.by_name("open_circuit_voltage").default
    most = MAP.by_name("divided_voltage").max
    assert isinstance(volts, float)
    assert most is not None
    assert volts / min(MAP.by_name("voltage_ratio").values) <= most


def test_modes_cover_the_whole_sequence() -> None:
    modes = set(MAP.by_name("mode").values.values())
    assert modes >= {
        "off", "self-test", "idle", "pre-flow", "ignition", "pilot-arc", "transfer", "ramp-up",
        "piercing", "cutting", "ramp-down", "post-flow", "fault",
    }  # fmt: skip


def test_faults_are_many_and_cover_what_the_supply_must_do() -> None:
    faults = MAP.by_name("fault").values
    assert faults[0] == "none"
    assert len(faults) > 15
    assert set(faults.values()) >= {
        "no-transfer", "pilot-limit", "no-gas", "inlet-pressure-low", "torch-cover-open",
        "part-missing", "part-worn-out", "over-temperature", "phase-loss", "work-lead-open",
        "nozzle-short", "watchdog", "memory", "parameter-out-of-range",
    }  # fmt: skip


@pytest.mark.parametrize("part", PARTS)
def test_each_part_counts_its_use(part: str) -> None:
    base = 128 + 16 * PARTS.index(part)
    for what, offset, kind in (
        ("state", 0, Type.ENUMERATION),
        ("wear", 1, Type.U16),
        ("starts", 2, Type.U32),
        ("arc_seconds", 4, Type.U32),
        ("hard_stops", 6, Type.U32),
        ("replacements", 8, Type.U16),
    ):
        entry = MAP.by_name(f"{part}_{what}")
        assert (entry.address, entry.type) == (base + offset, kind)
    assert part in MAP.by_name("part_replaced").values.values()


def test_the_fault_log_is_one_read_of_ten_equal_entries() -> None:
    names = [
        each.name
        for each in MAP.registers
        if each.name.startswith("log_") and each.name[4].isdigit()
    ]
    (span,) = MAP.plan_reads(names)
    assert span.quantity == 80 == 8 * MAP.facts["fault_log_entries"]
    for entry in range(1, 11):
        first = MAP.by_name(f"log_{entry}_code")
        assert first.address == span.start + 8 * (entry - 1)
        assert first.values == MAP.by_name("fault").values


def test_facts_agree_with_the_registers() -> None:
    fifo = MAP.by_name("fault_fifo")
    assert fifo.address == MAP.facts["fault_log_fifo"]
    key = MAP.facts["command_key"]
    assert isinstance(key, int)
    assert MAP.by_name("command_key").encode(key) == (key,)
    assert f"0x{key:04X}" in MAP.by_name("command_key").description


def _limits(name: str) -> tuple[float, float]:
    entry = MAP.by_name(name)
    assert entry.min is not None
    assert entry.max is not None
    return entry.min, entry.max


def test_limits_in_force_fit_into_the_widest_limits() -> None:
    for what in ("current", "cutting_pressure", "flow_pressure"):
        widest = _limits(f"{what}_setpoint")
        assert _limits(f"{what}_low_limit") == _limits(f"{what}_high_limit") == widest


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("preflow_time", 0.1, 2),
        ("postflow_time", 2, 30),
        ("pilot_limit", 2, 8),
        ("transfer_time", 10, 100),
        ("ramp_up_time", 20, 500),
        ("ramp_down_time", 0, 500),
        ("watchdog_time", 0.2, 5),
        ("address_setting", 1, 247),
    ],
)
def test_times_are_those_of_a_plasma_source(name: str, low: float, high: float) -> None:
    assert _limits(name) == (low, high)


def test_settings_offer_the_rates_and_formats_that_the_line_knows() -> None:
    for rate, text in _pairs(MAP):
        assert MAP.by_name("active_baud").values[rate] == text
    assert set(MAP.by_name("format_setting").values.values()) == {"8E1", "8O1", "8N2", "8N1"}


def _pairs(found: RegisterMap) -> list[tuple[int, str]]:
    rates = found.by_name("baud_setting").values
    assert all(text.isdecimal() for text in rates.values())
    assert sorted(rates.values(), key=int) == list(rates.values())
    return list(rates.items())


def test_absent_sensors_have_a_way_to_say_so() -> None:
    for name in ("plenum_pressure", "ambient_temperature", "gas_flow"):
        entry = MAP.by_name(name)
        assert entry.decode(entry.encode(None)) is None


def test_a_copy_can_be_made_ones_own(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(map_text("supply"), "utf-8")
    assert check_map(own) == []
    assert open_map(own).registers == MAP.registers
    assert open_map(str(own)).file == str(own)


def test_a_name_that_is_no_map_lists_those_that_are() -> None:
    with pytest.raises(MapError, match=r"there is no such file, nor a map of that name \(supply\)"):
        open_map("suply")
    with pytest.raises(MapError, match="no such map ships; there is supply"):
        map_text("suply")


def test_no_two_names_differ_in_case_alone() -> None:
    names = [each.name.casefold() for each in MAP.registers]
    assert len(set(names)) == len(names)
    assert all(isinstance(each, Register) for each in MAP.registers)
