"""The supply behind its registers: by name, by file, and behind a map that is not ours."""

from __future__ import annotations

import pytest
from supplies import S

from kerfbus.bench.errors import LimitError, MapError, UsageError
from kerfbus.bench.regmap import Table, parse_map
from kerfbus.bench.wire import ExceptionCode
from kerfbus.sim.device import NOTES_FILE, NOTES_WORDS, Device
from kerfbus.sim.faults import LOG_ENTRIES, Fault
from kerfbus.sim.link import COMMAND_KEY, KEY_NS, WatchdogState
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.ratings import StopCause
from kerfbus.sim.refusal import RefusedError
from kerfbus.sim.settings import BAUDS, FORMATS, RATIOS, Settings
from kerfbus.sim.wear import PartState

MAP = default_map()


def words_of(text: str) -> list[str]:
    return text.lower().replace("_", "-").split()


def test_values_by_name() -> None:
    device = Device()
    device.put(current_setpoint=72.5, voltage_ratio="30:1", asset_tag="TABLE 7", enable=True)
    device.advance(2 * S)
    assert device.value("current_setpoint") == 72.5
    assert device.value("voltage_ratio") == "30:1"
    assert device.value("asset_tag") == "TABLE 7"
    assert device.value("mode") == "idle"
    assert device.value("ready") is True
    assert "ready" in str(device.value("status"))
    assert device.value("model") == "BENCH-125"


def test_what_is_wrong_by_name() -> None:
    device = Device()
    with pytest.raises(UsageError, match="did you mean"):
        device.put(current_setpiont=60)
    with pytest.raises(LimitError):
        device.put(current_setpoint=500)
    with pytest.raises(RefusedError) as caught:
        device.put(current_setpoint=70, command="enable")
    assert caught.value.code == ExceptionCode.SERVER_DEVICE_FAILURE
    assert device.value("current_setpoint") == 60
    with pytest.raises(RefusedError):
        device.value("command")


def test_the_owners_file_and_the_fault_logs() -> None:
    device = Device()
    device.write_record(NOTES_FILE, NOTES_WORDS - 1, b"\x12\x34")
    assert device.read_record(NOTES_FILE, NOTES_WORDS - 1, 1) == b"\x12\x34"
    for file, record in ((NOTES_FILE, NOTES_WORDS), (1, 0), (7, 0)):
        with pytest.raises(RefusedError) as caught:
            device.write_record(file, record, b"\x00\x00")
        assert caught.value.code == ExceptionCode.ILLEGAL_DATA_ADDRESS
    assert device.read_record(1, 0, 80) == bytes(160)


def test_codes_are_those_of_the_map() -> None:
    for name, kind in (
        ("fault", Fault),
        ("last_stop", StopCause),
        ("electrode_state", PartState),
        ("watchdog_state", WatchdogState),
        ("command", Order),
    ):
        values = MAP.by_name(name).values
        assert {raw: words_of(text) for raw, text in values.items()} == {
            each.value: words_of(each.name) for each in kind
        }, name
    assert [int(text) for text in MAP.by_name("baud_setting").values.values()] == list(BAUDS)
    assert tuple(MAP.by_name("format_setting").values.values()) == FORMATS
    assert tuple(MAP.by_name("voltage_ratio").values) == RATIOS


def test_facts_are_those_of_the_map() -> None:
    assert MAP.facts["command_key"] == COMMAND_KEY
    assert MAP.facts["key_seconds"] == KEY_NS / S
    assert MAP.facts["fault_log_entries"] == LOG_ENTRIES
    assert Settings.from_map(MAP) == Settings()


def test_ratings_are_those_of_the_map() -> None:
    device = Device()
    for name in ("rated_current", "rated_duty", "open_circuit_voltage", "divider_resistance"):
        assert device.value(name) == MAP.by_name(name).default


def test_every_process_is_within_the_widest_limits() -> None:
    numbers = shipped_processes().by_number
    assert len(numbers) >= 5
    for number in numbers:
        device = Device()
        device.put(process=number)
        for name in ("current", "cutting_pressure", "flow_pressure"):
            value = device.value(f"{name}_setpoint")
            low, high = device.value(f"{name}_low_limit"), device.value(f"{name}_high_limit")
            assert isinstance(value, float | int)
            assert isinstance(low, float | int)
            assert isinstance(high, float | int)
            assert low <= value <= high
            register = MAP.by_name(f"{name}_setpoint")
            assert register.min is not None
            assert register.max is not None
            assert register.min <= value <= register.max


OTHER = """
[map]
name = "small"

[[register]]
name = "output_current"
table = "input"
address = 40
type = "f32"
word_order = "little"
unit = "A"

[[register]]
name = "current_setpoint"
table = "holding"
address = 7
type = "u16"
unit = "A"
min = 30
max = 90
access = "rw"
default = 50

[[register]]
name = "scratch"
table = "holding"
address = 8
type = "u16"
access = "rw"
default = 3
"""


def test_a_supply_behind_another_map() -> None:
    device = Device(register_map=parse_map(OTHER, "small.toml"))
    supply = device.supply
    assert supply.settings.current_setpoint == 50
    supply.enable()
    supply.advance(2 * S)
    supply.surround(2 * S, start_contact=True)
    device.advance(5 * S)
    assert device.value("output_current") == pytest.approx(50)
    device.write(Table.HOLDING, 7, (80, 1234))
    device.advance(6 * S)
    assert device.value("output_current") == pytest.approx(80)
    assert device.value("scratch") == 1234  # no meaning to the supply: plain memory
    with pytest.raises(RefusedError):
        device.write(Table.HOLDING, 7, (91,))
    assert device.exception_status() == 0b0011_1001


@pytest.mark.parametrize("name", ["output_current", "mode_time", "total_starts"])
def test_a_map_that_wants_texts_where_the_supply_has_numbers(name: str) -> None:
    text = OTHER.replace('name = "output_current"', f'name = "{name}"')
    text = text.replace(
        'type = "f32"\nword_order = "little"\nunit = "A"', 'type = "string"\nwords = 4'
    )
    with pytest.raises(MapError, match=f"{name}: type: a register of this type") as caught:
        Device(register_map=parse_map(text, "small.toml"))
    assert "\n" not in str(caught.value)
