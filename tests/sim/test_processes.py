"""Processes: the table, its mistakes, what choosing one does, and what is suggested."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from supplies import Bench

from kerfbus.bench import wire
from kerfbus.bench.errors import ProcessError, UsageError
from kerfbus.sim.arc import Geometry, electrical_volts, geometry_volts, pressure_volts
from kerfbus.sim.maps import default_map
from kerfbus.sim.processes import (
    MATERIALS,
    QUALITIES,
    Process,
    load_processes,
    parse_processes,
    shipped_processes,
)
from kerfbus.sim.suggestion import STEPS, suggest

TABLE = shipped_processes()
ROWS = list(TABLE.by_number.values())
SERIES = [
    rows
    for material in MATERIALS
    for quality in QUALITIES
    if (rows := TABLE.rows(material, quality))
]
ROW = """\
[[process]]
number = 1
material = "mild-steel"
quality = "fine"
thickness = 6.0
current = 60.0
cutting_pressure = 5.2
flow_pressure = 4.0
speed = 1750
arc_voltage = 103
stand_off = 1.5
pierce_height = 3.5
pierce_delay = 0.5
kerf = 1.6
"""


# --- the shipped table ---------------------------------------------------------------------------


def test_every_material_and_quality_is_there() -> None:
    assert len(SERIES) == len(MATERIALS) * len(QUALITIES)
    assert all(len(rows) >= 5 for rows in SERIES)


def test_the_map_can_hold_every_row() -> None:
    found = default_map()
    for row in ROWS:
        found.by_name("process").encode(row.number)
        found.by_name("current_setpoint").encode(row.current)
        found.by_name("cutting_pressure_setpoint").encode(row.cutting_pressure)
        found.by_name("flow_pressure_setpoint").encode(row.flow_pressure)


@pytest.mark.parametrize("rows", SERIES, ids=lambda rows: f"{rows[0].material}-{rows[0].quality}")
def test_thicker_needs_more_current_and_time(rows: tuple[Process, ...]) -> None:
    for thin, thick in pairwise(rows):
        assert thick.current >= thin.current
        assert thick.pierce_delay >= thin.pierce_delay
        assert thick.pierce_height >= thin.pierce_height
        assert thick.kerf >= thin.kerf
        if thick.current == thin.current:
            assert thick.speed < thin.speed


@pytest.mark.parametrize("row", ROWS, ids=lambda row: str(row.number))
def test_the_arc_voltage_is_what_the_simulated_arc_shows(row: Process) -> None:
    place = Geometry(row.stand_off, row.speed)
    volts = (
        electrical_volts(row.current) + geometry_volts(place) + pressure_volts(row.cutting_pressure)
    )
    assert abs(volts - row.arc_voltage) <= 0.5


def test_it_is_said_to_be_invented() -> None:
    assert "Invented" in TABLE.note


# --- a table of one's own ------------------------------------------------------------------------


def test_a_table_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(ROW)
    table = load_processes(file)
    assert table.by_number[1].set_points == (60.0, 5.2, 4.0)
    assert table.margins.current == 0.15


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("current = 60.0\n", "", "t.toml: line 1: process 1.current: is missing"),
        ("current = 60.0", "current = 4000", "line 6: process 1.current: 4000 is above 1000"),
        ("current = 60.0", "curent = 60", "process 1.curent: is not a known key; did you mean 'c"),
        ('"mild-steel"', '"mild"', "line 3: process 1.material: 'mild' is not one of mild-steel,"),
        ("number = 1\n", "number = 1000\n", "line 2: process 1000.number: 1000 is above 999"),
        ("number = 1\n", "number = true\n", "line 2: process 1.number: needs a whole number"),
        ("height = 3.5", "height = 1", "line 12: process 1.pierce_height: 1 mm is below the stand"),
        ("flow_pressure = 4.0", "flow_pressure = 6", "process 1.flow_pressure: 6 bar is above th"),
        ("kerf = 1.6\n", f"kerf = 1.6\n{ROW}", "line 16: process 1.number: 1 is there twice"),
        (
            "kerf = 1.6\n",
            "kerf = 1.6\n" + ROW.replace("number = 1", "number = 2"),
            "line 19: process 2.thickness: mild-steel 6 mm fine is process 1 already",
        ),
        (ROW, "title = 'x'", "t.toml: line 1: process: is missing"),
        (ROW, "process = []", "t.toml: line 1: process: is empty"),
    ],
)
def test_a_mistake_is_named_by_line_entry_and_field(old: str, new: str, said: str) -> None:
    assert old in ROW
    with pytest.raises(ProcessError) as caught:
        parse_processes(ROW.replace(old, new), "t.toml")
    assert said in str(caught.value)
    assert str(caught.value).startswith("t.toml: line ")


# --- in the supply -------------------------------------------------------------------------------


@pytest.mark.parametrize("row", ROWS, ids=lambda row: str(row.number))
def test_choosing_one_sets_the_set_points_and_limits(row: Process) -> None:
    bench = Bench()
    device = bench.server.device
    bench.done(wire.WriteSingleRegister(default_map().by_name("process").address, row.number))
    names = ("current", "cutting_pressure", "flow_pressure")
    assert tuple(device.value(f"{name}_setpoint") for name in names) == row.set_points
    assert device.value("active_process") == row.number
    for name, value in zip(names, row.set_points, strict=True):
        low, high = device.value(f"{name}_low_limit"), device.value(f"{name}_high_limit")
        assert isinstance(low, float)
        assert isinstance(high, float)
        assert low <= value <= high
        assert low >= 0.84 * value
        assert high <= 1.16 * value
        device.put(**{f"{name}_setpoint": low})
        device.put(**{f"{name}_setpoint": high})


def test_zero_leaves_the_set_points_to_hand() -> None:
    device = Bench().server.device
    device.put(process=101)
    device.put(process=0)
    assert device.value("current_setpoint") == TABLE.by_number[101].current
    device.put(current_setpoint=125)


# --- suggestions ---------------------------------------------------------------------------------


@pytest.mark.parametrize("row", ROWS, ids=lambda row: str(row.number))
def test_a_row_that_fits_is_suggested_as_it_stands(row: Process) -> None:
    found = suggest(TABLE, row.material, row.thickness, row.quality)
    assert found.rows == (row,)
    assert found.process == row.number
    for name, step in STEPS.items():
        assert abs(found.values[name] - getattr(row, name)) <= step / 2 + 1e-9


@examples(max_examples=200, deadline=None)
@given(st.sampled_from(SERIES), st.floats(0, 1))
def test_between_rows_values_are_between_them(rows: tuple[Process, ...], place: float) -> None:
    low, high = rows[0].thickness, rows[-1].thickness
    thickness = low + (high - low) * place
    found = suggest(TABLE, rows[0].material, thickness, rows[0].quality)
    for name, step in STEPS.items():
        values = [getattr(row, name) for row in found.rows]
        assert min(values) - step <= found.values[name] <= max(values) + step
    assert found.rows[0].thickness <= thickness <= found.rows[-1].thickness
    for row in found.rows:
        assert str(row.number) in found.basis


def test_between_rows_of_one_current_everything_is_interpolated() -> None:
    found = suggest(TABLE, "mild-steel", 5.0, "fine")
    assert [row.number for row in found.rows] == [104, 105]
    # 1800 mm/min at 4 mm, 1200 at 6 mm: a power law through both gives 1439 at 5 mm.
    assert found.values["speed"] == 1440
    assert found.values["pierce_delay"] == 0.4
    assert found.values["current"] == 45


def test_between_rows_of_two_currents_the_nozzle_is_the_thicker_rows() -> None:
    found = suggest(TABLE, "mild-steel", 7.0, "fine")
    thinner, thicker = found.rows
    assert (thinner.current, thicker.current) == (45, 60)
    assert found.values["current"] == 60
    assert found.values["arc_voltage"] == thicker.arc_voltage
    assert found.values["pierce_delay"] in (0.55, 0.6)
    assert found.process == thicker.number
    assert "interpolated" in found.basis


def test_without_quality_production_comes_first() -> None:
    assert suggest(TABLE, "stainless", 6.0).quality == "production"
    assert suggest(TABLE, "stainless", 1.0).quality == "fine"


@pytest.mark.parametrize(
    ("material", "thickness", "quality", "said"),
    [
        ("mild-steel", 40.0, None, "1 to 25 mm (production) and 1 to 12 mm (fine); outside"),
        ("mild-steel", 0.5, "fine", "has 1 to 12 mm (fine); outside of it nothing is suggested"),
        ("mild-steel", 13.0, "fine", "1 to 12 mm (fine)"),
        ("mild-steel", float("nan"), None, "nothing is suggested"),
        ("wood", 3.0, None, "material 'wood': give one of mild-steel, stainless, aluminium"),
        ("stainless", 3.0, "best", "quality 'best': give one of fine, production"),
    ],
)
def test_outside_the_table_nothing_is_suggested(
    material: str, thickness: float, quality: str | None, said: str
) -> None:
    with pytest.raises(UsageError) as caught:
        suggest(TABLE, material, thickness, quality)
    assert said in str(caught.value)
