"""Cable arithmetic against published worked examples; the source stands beside each."""

from __future__ import annotations

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbus.bench.cabling.bias import idle_volts, load_ohms
from kerfbus.bench.cabling.calculations import CALCULATIONS
from kerfbus.bench.cabling.lines import Trunk, bounces, reflection, wire_ohms
from kerfbus.bench.cabling.table import darcy_drop, handbook_drop
from kerfbus.bench.cabling.worked import parallel
from kerfbus.bench.errors import UsageError


def results(name: str, **given_: float) -> dict[str, float | None]:
    return {each.name: each.value for each in CALCULATIONS[name].answer(given_).outcomes}


# --- bias ----------------------------------------------------------------------------------------


def test_bias_example_a() -> None:
    """A converter maker's RS-422/485 handbook, ch. 2, pp 35-36: 10 nodes, two 120 ohm, 2 x 470.

    It takes the nodes as one load of 1200 ohm across the pair. Printed: 5 mA, 285 mV; exactly
    5.014 mA, 286.5 mV.
    """
    across = parallel(120, 120, 1200)
    assert across == pytest.approx(57.14, abs=5e-3)
    volts = idle_volts(5, 470, 470, across, inf)
    assert volts == pytest.approx(0.2865, abs=5e-5)
    assert 5 / (940 + across) == pytest.approx(5.014e-3, abs=5e-7)


def test_bias_example_b() -> None:
    """The same, p 36, without terminators: 2.14 kohm in all (printed: 2.24, wrong), 2.80 V."""
    assert idle_volts(5, 470, 470, 1200, inf) == pytest.approx(2.80, abs=5e-3)
    assert pytest.approx(2.336e-3, abs=5e-7) == 5 / (940 + 1200)


def test_bias_example_e() -> None:
    """TI SLLA272 (from memory): 4.75 V, 0.25 V, 120 ohm, 32 unit loads: 528 ohm."""
    found = results("bias", supply=4.75, volts=0.25)
    assert found["compensated"] == pytest.approx(527.8, abs=0.05)
    # With that resistor and that terminator the pair has just the voltage that was wanted.
    compensated, terminator = found["compensated"], found["terminator"]
    assert compensated is not None
    assert terminator is not None
    assert parallel(terminator, 2 * compensated) == pytest.approx(120)


def test_bias_example_g() -> None:
    """Arithmetic, also on a public calculator: 5 V, 60 ohm, 200 mV, no nodes: at most 720 ohm."""
    assert results("bias", volts=0.2, loads=0)["resistor"] == pytest.approx(720)


@pytest.mark.parametrize(
    ("resistor", "terminator", "millivolts"),
    [(450, 150, 384.6), (650, 150, 272.7), (450, 120, 312.5), (650, 120, 220.6)],
)
def test_bias_example_h(resistor: float, terminator: float, millivolts: float) -> None:
    """The limits of MODBUS over Serial Line V1.02, 3.4.6, with 2 x 150 (3.4.5) and 2 x 120 ohm."""
    found = results(
        "idle", pull_up=resistor, pull_down=resistor, near=terminator, far=terminator, loads=0
    )
    assert found["volts"] == pytest.approx(millivolts / 1000, abs=5e-5)


@given(
    st.floats(1, 12), st.floats(0.2, 0.9), st.floats(50, 200), st.floats(50, 200), st.floats(0, 64)
)
def test_the_resistor_gives_the_voltage_that_was_asked_for(
    supply: float, share: float, near: float, far: float, loads: float
) -> None:
    wanted = max(0.2, share * supply / 4)
    if wanted >= supply:
        return
    found = results("bias", supply=supply, volts=wanted, near=near, far=far, loads=loads)
    resistor = found["resistor"]
    assert resistor is not None
    volts = idle_volts(supply, resistor, resistor, parallel(near, far), load_ohms(loads))
    assert volts == pytest.approx(wanted, rel=1e-9)


def test_54_ohm() -> None:
    """120 || 120 || 375 ohm: 51.7; the standard (from memory) rounds to 54."""
    assert results("termination")["load"] == pytest.approx(51.7, abs=0.05)


def test_polarization_costs_four_unit_loads() -> None:
    """MODBUS over Serial Line V1.02, 3.4.1 and 3.4.6: 32 devices, 28 with a polarization."""
    assert results("load", stations=28)["room"] == 0
    assert results("load", stations=28)["total"] == 32
    assert results("load", stations=32, bias=0)["room"] == 0


# --- lines ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("awg", "ohms"), [(22, 52.96), (24, 84.21), (26, 133.90)])
def test_wire_gauges(awg: int, ohms: float) -> None:
    """ASTM B258 diameters (from memory) and copper of 1.7241e-8 ohm m, per km at 20 degrees."""
    assert 1000 * wire_ohms(awg) == pytest.approx(ohms, abs=5e-3)


@pytest.mark.parametrize(("awg", "loop"), [(22, 0.0326), (24, 0.05165), (26, 0.08235)])
def test_loop_resistances(awg: int, loop: float) -> None:
    """A line-driver manual's cable appendix, ohm per foot of pair; it lies up to 1 % higher."""
    assert 2 * wire_ohms(awg) * 0.3048 == pytest.approx(loop, rel=0.012)


def test_stevenson_case_1() -> None:
    """Stevenson, Elements of Power System Analysis, example 5.6 case 1 (prints 112 and 123)."""
    found = [volt for _, volt in bounces(120, Trunk(0, 30, 90), 1, 5)]
    assert found == pytest.approx([180, 90, 135, 112.5, 123.75])
    assert (reflection(90, 30), reflection(0, 30)) == (0.5, -1)


def test_stevenson_case_2() -> None:
    """The same, case 2: 10 ohm."""
    found = [volt for _, volt in bounces(120, Trunk(0, 30, 10), 1, 5)]
    assert found == pytest.approx([60, 90, 105, 112.5, 116.25])


def test_textbook_exercise_at_mid_line() -> None:
    """An electromagnetics textbook: 60 V, 100 ohm, line 50 ohm, load 25, 1 m at 2c/3, mid-line."""
    found = bounces(60, Trunk(100, 50, 25), 0.5, 5)
    assert [5 * instant for instant, _ in found] == pytest.approx([2.5, 7.5, 12.5, 17.5, 22.5])
    expected = [20, 13.333, 11.111, 11.852, 12.099]
    assert [volt for _, volt in found] == pytest.approx(expected, abs=5e-4)


def test_processor_design_guide() -> None:
    """A processor maker's design guide: 3.70 V, 30 ohm, line 75, load 100 ohm."""
    found = results("reflection", volts=3.70, source=30, impedance=75, load=100, arrivals=3)
    assert found["incident"] == pytest.approx(2.6429, abs=5e-5)
    assert found["arrival_1"] == pytest.approx(3.0204, abs=5e-5)
    assert found["arrival_2"] == pytest.approx(2.8355, abs=5e-5)
    assert found["arrival_3"] == pytest.approx(2.8468, abs=5e-5)
    assert found["final"] == pytest.approx(2.84615, abs=5e-6)


@given(
    st.floats(0, 500), st.floats(10, 300), st.floats(0, 500), st.sampled_from((0.0, 0.3, 0.5, 1.0))
)
def test_in_the_end_the_line_is_not_there(
    source: float, z0: float, load: float, where: float
) -> None:
    if abs(reflection(source, z0) * reflection(load, z0)) > 0.9 or source + load == 0:
        return
    final = 100 * load / (load + source)
    assert bounces(100, Trunk(source, z0, load), where, 400)[-1][1] == pytest.approx(
        final, abs=1e-6
    )


def test_stub_rule() -> None:
    """TI SLLSF21D (the equation from memory): 10 ns, 0.78: 0.234 m one way, half for the trip."""
    found = results("stub")
    assert found["one_way"] == pytest.approx(0.234, abs=5e-4)
    assert found["round_trip"] == pytest.approx(0.117, abs=5e-4)


def test_lengths() -> None:
    """MODBUS over Serial Line V1.02, 3.4.3: 1000 m at 9600; 1e8 / rate, cap 1200 m: vendors.

    J. Axelson, Serial Port Complete, table 6-1: 4000 ft at 90 kbit/s and 50 ft at 10 Mbit/s.
    """
    assert results("length", baud=9600)["standard"] == 1000
    assert results("length", baud=9600, awg=28)["standard"] is None
    assert results("length", baud=1e6)["rate_rule"] == pytest.approx(100)
    assert results("length", baud=90e3)["rate_rule"] == pytest.approx(1111, abs=1)
    rise = results("length", baud=90e3)["rise_limit"]
    assert rise is not None
    assert 0.5 < rise / (4000 * 0.3048) < 2  # the estimate claims no more than a factor of two


# --- what surrounds the cable --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("power", "data", "expected"),
    [(0, 0, (200, 100, 50)), (0, 1, (50, 20, 5)), (1, 0, (30, 10, 2)), (1, 1, (0, 0, 0))],
)
def test_separation(power: int, data: int, expected: tuple[float, ...]) -> None:
    """EN 50174-2:2000, table 1, by way of secondary copies; its exclusion is said with it."""
    found = results("separation", power_screened=power, data_screened=data)
    assert tuple(found.values())[:3] == expected
    notes = CALCULATIONS["separation"].answer({}).notes
    assert any("outside" in note and "torch lead" in note for note in notes)


@pytest.mark.parametrize(
    ("source", "load", "percent"),
    [
        (1, 10, -9.1),
        (1, 100, -1.0),
        (10, 10, -50),
        (10, 100, -9.1),
        (20, 100, -16.7),
        (20, 10, -67),
    ],
)
def test_divider_loading(source: float, load: float, percent: float) -> None:
    """The table of divider loading: exact, independent of the ratio."""
    found = results("divider", source=source, input=load)
    assert found["error"] == pytest.approx(percent, abs=0.5)


def test_divider_error_in_height() -> None:
    """At 4 V/mm and 120 V an error of -9.1 % reads as -2.7 mm; 30:1 read as 50:1 is +67 %."""
    found = results("divider", source=10, input=100, ratio=30)
    assert found["height"] == pytest.approx(-2.7, abs=0.05)
    assert found["ratio_error"] == pytest.approx(67, abs=0.5)


@pytest.mark.parametrize(
    ("metres", "millimetres", "handbook", "bare"),
    [(15, 8, 27, 16), (15, 6, 115, 63), (30, 10, 18, 11)],
)
def test_hose(metres: float, millimetres: float, handbook: float, bare: float) -> None:
    """Compressed-air tables against Darcy, 200 normal litres a minute, 7 bar absolute, in kPa.

    The second column was computed with Blasius; Haaland agrees within a tenth.
    """
    place = (metres, millimetres, 200.0, 7.0)
    assert 100 * handbook_drop(*place) == pytest.approx(handbook, rel=0.03)
    assert 100 * darcy_drop(*place) == pytest.approx(bare, rel=0.1)


def test_duty() -> None:
    """60 A at 60 %: 46.5 A without pause; 50 A: 86 %; 65 A: 51 %; 70 A: 44 %."""
    assert results("duty")["endless"] == pytest.approx(46.5, abs=0.05)
    for other, percent in ((50, 86), (65, 51), (70, 44)):
        assert results("duty", other=other)["duty"] == pytest.approx(percent, abs=0.5)


# --- all of them ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CALCULATIONS)
def test_ranges_are_enforced(name: str) -> None:
    calculation = CALCULATIONS[name]
    for each in calculation.givens:
        needed = {
            other.name: max(other.low, 1.0) for other in calculation.givens if not other.usual
        }
        for wrong in (
            each.low - 1,
            float("nan"),
            *([each.high * 2 + 1] if each.high < inf else []),
        ):
            with pytest.raises(UsageError, match=each.name.replace("_", "-")):
                calculation.answer({**needed, each.name: wrong})


@pytest.mark.parametrize("name", CALCULATIONS)
def test_each_says_formula_source_and_confidence(name: str) -> None:
    calculation = CALCULATIONS[name]
    needed = {each.name: 8.0 for each in calculation.givens if each.usual is None}
    found = calculation.to_json(needed)
    assert found["formula"]
    assert found["sources"]
    assert all(each["source"] and each["confidence"] for each in found["sources"])
    assert {each["name"] for each in found["inputs"]} == {each.name for each in calculation.givens}
