"""RS-485: bias, unit loads, drivers, wire, reflections, against published examples and arithmetic.

What a source prints is checked through the same models that the simulated pair uses. Where a
printed figure is wrong or was only computed again, this says so.
"""

from __future__ import annotations

from math import inf

import numpy as np
import pytest

from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.lattice import Lattice, Section
from kerfbus.sim.pair.levels import UNIT_LOAD_OHMS, Levels
from kerfbus.sim.pair.plant import Bias, Cable, Driver, Place, Plant, Receiver

NO_LOAD = 0.001
"""Unit loads that stand for none: 12 Mohm."""
SHORT = Cable(0.1, awg=10)
"""Less than a milliohm."""


def idle_volts(
    bias: Bias, *, near: float = inf, far: float = inf, nodes: int = 1, unit_loads: float = NO_LOAD
) -> float:
    """Return what a bias network makes of a short pair with these terminators and nodes."""
    receiver = Receiver(unit_loads=unit_loads)
    stations = tuple(
        Place(f"node {each}", 0.0, LineSettings(), receiver=receiver) for each in range(nodes)
    )
    plant = Plant(stations, cable=SHORT, bias=bias, near_ohms=near, far_ohms=far)
    return Levels(plant).seen(0, {}).volts


# Bias. The examples count a node as 12 kohm across the pair, which are two unit loads: a unit load
# is 12 kohm from each conductor, 24 kohm across.


def test_bias_of_ten_nodes_with_two_terminators() -> None:
    """B&B Electronics, RS-422 and RS-485 Applications eBook, ch. 2, pp 35-36.

    10 nodes of 12 kohm, 2 x 120 ohm, 470 ohm up and down, 5 V: the source says 285 mV, about 5 mA.
    Exact: 57.14 ohm, 5.014 mA, 286.5 mV.
    """
    volts = idle_volts(Bias(470, 470, 5.0), near=120, far=120, nodes=10, unit_loads=2)
    assert volts == pytest.approx(0.2865, abs=5e-5)
    assert volts == pytest.approx(0.285, abs=2e-3)
    assert volts / 57.14 == pytest.approx(5.014e-3, rel=1e-3)


def test_bias_of_ten_nodes_without_a_terminator() -> None:
    """The same, ex. 2, p 36: 470 + 1200 + 470 = 2140 ohm (it prints 2.24 k), 2.336 mA, 2.80 V."""
    volts = idle_volts(Bias(470, 470, 5.0), nodes=10, unit_loads=2)
    assert volts == pytest.approx(2.80, abs=5e-3)
    assert volts / 1200 == pytest.approx(2.336e-3, rel=1e-3)


def test_bias_by_the_formulas_of_an_application_note() -> None:
    """TI SLLA272 (MEMORY, computed again): 4.75 V, 250 mV, 120 ohm, 32 unit loads.

    527.8 ohm each side holds when the terminator at the bias end is raised so that it makes 120 ohm
    with both of them. With plain terminators the numerator is less by one: 500 ohm.
    """
    loads = 1 / 375 + 4 / 120
    each = 4.75 / (0.25 * loads)
    assert each == pytest.approx(527.8, abs=0.05)
    raised = 2 * each * 120 / (2 * each - 120)
    bias = Bias(each, each, 4.75)
    volts = idle_volts(bias, near=raised, far=120, nodes=32, unit_loads=1)
    assert volts == pytest.approx(0.25, abs=2e-6)
    plain = (4.75 / 0.25 - 1) / loads
    assert plain == pytest.approx(500.0)
    volts = idle_volts(Bias(plain, plain, 4.75), near=120, far=120, nodes=32, unit_loads=1)
    assert volts == pytest.approx(0.25, abs=2e-6)


def test_largest_bias_without_node_loads() -> None:
    """Arithmetic, also on a web calculator: 5 V, 60 ohm, 200 mV: at most 720 ohm a side."""
    assert idle_volts(Bias(720, 720, 5.0), near=120, far=120) == pytest.approx(0.2, abs=2e-6)
    assert idle_volts(Bias(721, 721, 5.0), near=120, far=120) < 0.2


@pytest.mark.parametrize(
    ("each", "terminator", "millivolts"),
    [(450, 150, 384.6), (650, 150, 272.7), (450, 120, 312.5), (650, 120, 220.6)],
)
def test_bias_within_the_limits_of_modbus(
    each: float, terminator: float, millivolts: float
) -> None:
    """MODBUS over Serial Line V1.02, 3.4.5 and 3.4.6: values; the millivolts are arithmetic."""
    volts = idle_volts(Bias(each, each, 5.0), near=terminator, far=terminator)
    assert volts * 1000 == pytest.approx(millivolts, abs=0.06)


def test_bias_pulls_a_pair_that_is_not_balanced() -> None:
    """Arithmetic: without loads the same current flows through both, whatever each is."""
    assert idle_volts(Bias(300, 820, 5.0), near=120, far=120) == pytest.approx(
        5 * 60 / 1180, rel=1e-4
    )


# Loads and drivers.


def test_thirty_two_unit_loads_are_375_ohm() -> None:
    """TIA/EIA-485-A by way of EURASIP JES 2016, table 1: 12 kohm; 120 || 120 || 375 = 51.7 ohm.

    The standard loads drivers with 54 ohm (MEMORY).
    """
    assert UNIT_LOAD_OHMS / 32 == 375
    all_three = 2 / 120 + 1 / 375
    assert 1 / all_three == pytest.approx(51.7, abs=0.05)


@pytest.mark.parametrize(("volts", "source", "milliamperes"), [(12, -3, 1.0), (-7, 5, -0.8)])
def test_our_unit_load_draws_no_more_than_one(
    volts: float, source: float, milliamperes: float
) -> None:
    """TI Analog Applications Journal: 15 kohm to -3 V or +5 V, +1.0 mA at 12 V, -0.8 mA at -7 V."""
    assert (volts - source) / 15_000 * 1000 == pytest.approx(milliamperes)
    assert abs(volts / UNIT_LOAD_OHMS * 1000) <= abs(milliamperes)


def test_our_driver_is_one_of_the_standard() -> None:
    """EURASIP JES 2016, table 1: 1.5 to 6 V open and into 54 ohm, 250 mA, rise in 30 % of a bit."""
    driver = Driver()
    assert 1.5 <= driver.volts <= 6
    assert 1.5 <= driver.volts * 54 / (54 + driver.ohms) <= 6
    assert driver.volts / driver.ohms <= 0.25
    assert driver.rise_ns <= 0.3 * LineSettings(115200).bit_ns


def test_drivers_volts_into_54_ohm_on_a_pair() -> None:
    stations = (
        Place("talker", 0.0, LineSettings(), receiver=Receiver(unit_loads=NO_LOAD)),
        Place("listener", 0.0, LineSettings(), receiver=Receiver(unit_loads=NO_LOAD)),
    )
    plant = Plant(stations, cable=SHORT, bias=None, near_ohms=54, far_ohms=inf)
    talked = Levels(plant).talked(0, 1)
    assert talked.mark == pytest.approx(3.6 * 54 / 94, rel=1e-4)
    assert talked.space == pytest.approx(-3.6 * 54 / 94, rel=1e-4)


@pytest.mark.parametrize(("awg", "ohms"), [(22, 52.96), (24, 84.21), (26, 133.90)])
def test_resistance_of_wire(awg: int, ohms: float) -> None:
    """ASTM B258 (MEMORY), copper of 1.7241e-8 ohm metre at 20 degrees C; ohm per km."""
    assert Cable(awg=awg).conductor_ohms_per_metre * 1000 == pytest.approx(ohms, abs=0.005)


@pytest.mark.parametrize(("awg", "loop"), [(22, 0.0326), (24, 0.05165), (26, 0.08235)])
def test_resistance_of_wire_as_printed(awg: int, loop: float) -> None:
    """Line-driver manual, cable appendix: loop ohm per foot; 0.6 to 1.2 % above solid copper."""
    ours = Cable(awg=awg).conductor_ohms_per_metre * 2 * 0.3048
    assert 1.005 <= loop / ours <= 1.012


# Reflections. A source of V volts behind R ohms; arrivals are read halfway between two.
IDEAL = 1e-9
"""Ohm of a source without resistance."""
CELLS = 8


def bounce(volts: float, source: float, impedance: float, load: float, trips: int) -> list[float]:
    """Return the volts at the far end of a line from 1, 3, 5... delays after a step on."""
    line = Lattice([Section(0, 1, CELLS)], impedance, [1 / source, 1 / load], 1.0)
    fed = np.full(2 * CELLS * trips + 1, volts / source)
    return [float(each) for each in line.feed(fed, 0)[CELLS + CELLS // 2 :: 2 * CELLS, 1]]


def test_bounce_with_a_load_above_the_impedance() -> None:
    """Stevenson, Elements of Power System Analysis, ex. 5.6, case 1 (112.5 is cut to 112 there).

    120 V, source 0, Z0 30, load 90: reflection +0.5 and -1; 180, 90, 135, 112.5, 123.75.
    """
    found = bounce(120, IDEAL, 30, 90, 5)
    assert found == pytest.approx([180, 90, 135, 112.5, 123.75], rel=1e-6)


def test_bounce_with_a_load_below_the_impedance() -> None:
    """The same, case 2: load 10: reflection -0.5; 60, 90, 105, 112.5, 116.25."""
    assert bounce(120, IDEAL, 30, 10, 5) == pytest.approx([60, 90, 105, 112.5, 116.25], rel=1e-6)


def test_bounce_seen_in_the_middle_of_a_line() -> None:
    """EM textbook exercise (inputs published, answer computed): 60 V behind 100, Z0 50, load 25.

    1 m at two thirds of light's velocity, 5 ns one way, seen at the middle from 2.5, 7.5 ... ns on.
    """
    half = CELLS // 2
    ends = [Section(0, 1, half), Section(1, 2, half)]
    line = Lattice(ends, 50, [1 / 100, 0, 1 / 25], 5 / CELLS)
    seen = line.feed(np.full(400, 60 / 100), 0)[:, 1]
    found = [float(each) for each in seen[half + half // 2 :: CELLS][:5]]
    assert found == pytest.approx([20, 13.333, 11.111, 11.852, 12.099], abs=5e-4)
    assert float(seen[-1]) == pytest.approx(12)
    assert not seen[:half].any(), "nothing arrives before its time"


def test_bounce_on_a_board() -> None:
    """CPU vendor's design guide (inputs published, answer computed).

    3.70 V behind 30, Z0 75, load 100: incident 2.6429; 3.0204, 2.8355, 2.8468; final 2.84615.
    """
    line = Lattice([Section(0, 1, CELLS)], 75, [1 / 30, 1 / 100], 1.0)
    assert float(line.feed(np.full(1, 3.7 / 30), 0)[0, 0]) == pytest.approx(2.6429, abs=5e-5)
    assert bounce(3.7, 30, 75, 100, 3) == pytest.approx([3.0204, 2.8355, 2.8468], abs=5e-5)
    assert bounce(3.7, 30, 75, 100, 40)[-1] == pytest.approx(2.84615, abs=5e-6)
