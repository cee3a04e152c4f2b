"""The divided output: loading, ratios, what they look like as height."""

from __future__ import annotations

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from supplies import S, cutting_supply

from kerfbus.bench.cabling.divider import RATIOS, Divider, apparent_millimetres, wrong_ratio_percent
from kerfbus.sim.device import Device
from kerfbus.sim.maps import default_map
from kerfbus.sim.settings import RATIOS as SETTABLE

kilohms = st.floats(0.1, 10_000)
ratios = st.sampled_from(RATIOS)


def test_ratios_are_those_that_can_be_set() -> None:
    assert RATIOS == SETTABLE == tuple(default_map().by_name("voltage_ratio").values)


@given(ratios, st.floats(0, 100), kilohms, st.floats(0, 300))
def test_both_ways_of_reckoning_agree(ratio: int, source: float, load: float, volts: float) -> None:
    divider = Divider(ratio, source)
    assert divider.output(volts, load) * divider.effective_ratio(load) == pytest.approx(volts)
    assert divider.output(volts) == volts / ratio
    loss = divider.loading_percent(load)
    assert divider.output(volts, load) == pytest.approx(volts / ratio * (1 + loss / 100))
    assert loss <= 0


@given(st.floats(0.1, 100), kilohms, kilohms)
def test_a_higher_input_resistance_loads_less(source: float, first: float, second: float) -> None:
    low, high = sorted((first, second))
    divider = Divider(50, source)
    assert divider.loading_percent(low) <= divider.loading_percent(high) <= 0
    assert divider.loading_percent(inf) == 0


@given(ratios, ratios)
def test_a_wrong_ratio_reads_as_a_ratio_of_two_of_the_list(source: int, assumed: int) -> None:
    true = 120.0
    shown = Divider(source, 0.0).output(true) * assumed
    assert shown / true == pytest.approx(assumed / source)
    assert wrong_ratio_percent(source, assumed) == pytest.approx(100 * (shown / true - 1))


def test_a_reading_that_is_too_low_looks_like_a_torch_that_is_too_low() -> None:
    assert apparent_millimetres(120.0, -9.1, 4.0) < 0 < apparent_millimetres(120.0, 5.0, 4.0)


def test_the_supplys_output_is_loaded_by_what_is_connected() -> None:
    supply = cutting_supply()
    open_ = supply.divided_volts(supply.now)
    assert open_ == pytest.approx(supply.plant.arc_volts(supply.now) / 50)
    supply.surround(supply.now, meter_kilohms=10.0)
    assert supply.divided_volts(supply.now) == pytest.approx(open_ * 10 / 11)
    supply.change(supply.settings.changed({"voltage_ratio": 20}))
    assert supply.divided_volts(supply.now) == pytest.approx(2.5 * open_ * 10 / 11)


def test_the_register_shows_the_output_without_load() -> None:
    device = Device()
    device.supply.enable()
    device.advance(2 * S)
    device.supply.surround(2 * S, start_contact=True, meter_kilohms=1.0)
    device.advance(6 * S)
    shown = device.value("divided_voltage")
    assert isinstance(shown, float)
    assert shown == pytest.approx(device.supply.plant.arc_volts(6 * S) / 50, abs=0.001)
    assert device.supply.divided_volts(6 * S) == pytest.approx(shown / 2, abs=0.001)
