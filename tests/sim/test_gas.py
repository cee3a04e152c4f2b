"""Gas: the formulas, the gas line against a step-by-step solution, and that no gas is lost."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from kerfbus.sim.curves import NS
from kerfbus.sim.emptying import CRITICAL, Emptying
from kerfbus.sim.gas import (
    ATMOSPHERE_BAR,
    LAMINAR_RATIO,
    Hose,
    Regulator,
    flow_share,
    series_share,
    settle,
)
from kerfbus.sim.gasline import (
    LEAD,
    LEAD_LITRES,
    REGULATOR,
    GasLine,
    Source,
    Take,
    torch_conductance,
)

MS = 1_000_000
SOURCE = Source(6.5, 1000.0, 90.0, Hose(10.0, 9.0))
WEAK = SOURCE._replace(compressor_litres=60.0, receiver_litres=20.0)
COLD = Take(valve=True, set_bar=4.0, arc=0.0, nozzle_wear=0.0)
CLOSED = COLD._replace(valve=False, set_bar=0.0)
ratios = st.floats(0.0, 1.0)
criticals = st.floats(0.0, 0.9)


# --- formulas ------------------------------------------------------------------------------------


@given(ratios, ratios, criticals)
def test_flow_falls_with_rising_back_pressure(first: float, second: float, b: float) -> None:
    low, high = sorted((first, second))
    assert 1.0 >= flow_share(low, b) >= flow_share(high, b) >= 0.0


@given(criticals)
def test_flow_has_no_jump_where_one_law_ends(b: float) -> None:
    for edge in (b, LAMINAR_RATIO, 1.0):
        near = [flow_share(min(max(edge + by, 0.0), 1.0), b) for by in (-1e-9, 1e-9)]
        assert near[0] == pytest.approx(near[1], abs=1e-4)


@given(st.floats(0.01, 100), st.floats(0.01, 100), st.floats(0, 0.6))
def test_what_enters_two_restrictions_leaves_them(down: float, up: float, b: float) -> None:
    share = series_share(down, up, b)
    assert 0 < share <= 1
    assume(share < LAMINAR_RATIO)  # the straight line near equal pressures is not part of it
    # flow in, of an upstream pressure of 1; flow out, choked
    assert up * flow_share(share, b) == pytest.approx(down * share, rel=1e-6, abs=1e-6 * up)


@given(st.floats(0, 10), st.floats(0.5, 8), st.floats(5, 60), st.floats(0, 60), st.floats(5, 13))
def test_a_steady_state_is_one(
    source: float, wanted: float, outlet: float, metres: float, millimetres: float
) -> None:
    hose = Hose(metres, millimetres)
    found = settle(source, wanted, outlet, hose, REGULATOR)
    assert found.flow_bar <= wanted + 1e-9
    assert found.flow_bar <= found.inlet_bar + 1e-9 <= source + 2e-9
    if found.flow_bar > 0:
        assert found.litres == pytest.approx(outlet * (found.flow_bar + ATMOSPHERE_BAR), rel=1e-6)
        drop = hose.drop_bar(found.litres, source + ATMOSPHERE_BAR)
        assert source - found.inlet_bar == pytest.approx(drop, abs=1e-6)
        ratio = (found.flow_bar + ATMOSPHERE_BAR) / (found.inlet_bar + ATMOSPHERE_BAR)
        most = REGULATOR.conductance * (found.inlet_bar + ATMOSPHERE_BAR)
        possible = most * flow_share(ratio, REGULATOR.critical)
        assert found.litres <= possible * (1 + 1e-6)
        if found.flow_bar < wanted - 1e-9:  # the regulator is open and can no more
            assert found.litres == pytest.approx(possible, rel=1e-5)
    assert (source >= found.need_bar - 1e-9) == (found.flow_bar >= wanted - 1e-9)


def test_a_regulator_that_chokes_is_a_limit_too() -> None:
    found = settle(6.5, 6.0, 400.0, Hose(0.0, 9.0), Regulator(90.0, 0.35))
    assert found.litres == pytest.approx(90.0 * (6.5 + ATMOSPHERE_BAR))


def test_a_longer_and_thinner_hose_drops_more() -> None:
    drops = [Hose(m, mm).drop_bar(150, 7) for m, mm in ((0, 8), (5, 8), (15, 8), (15, 6))]
    assert drops[0] == 0
    assert drops == sorted(drops)
    assert Hose(15, 6).drop_bar(0, 7) == 0


@given(st.floats(0, 300), st.floats(2, 9))
def test_the_pressure_before_a_hose_is_that_which_leaves_the_one_behind(
    litres: float, behind: float
) -> None:
    hose = Hose(30.0, 7.0)
    before = hose.upstream_bar(litres, behind)
    assert before - hose.drop_bar(litres, before) == pytest.approx(behind)


# --- filling, flowing, emptying ------------------------------------------------------------------


def stepped(source: Source, take: Take, start_bar: float, seconds: float) -> list[float]:
    """Return the flow pressure by the full ISO 6358 equation, each millisecond.

    Every tenth of a millisecond: what comes through the open (or shut) regulator, what goes through
    lead and nozzle, both subsonic where they are; the regulator opens below its set-point.
    """
    bar, found = start_bar + ATMOSPHERE_BAR, []
    torch = torch_conductance(take.arc, take.nozzle_wear)
    outlet = torch * series_share(torch, *LEAD)
    supply = source.static_bar + ATMOSPHERE_BAR
    for step in range(int(seconds * 10_000)):
        if step % 10 == 0:
            found.append(bar - ATMOSPHERE_BAR)
        out = outlet * bar * flow_share(ATMOSPHERE_BAR / bar, CRITICAL)
        wide = REGULATOR.conductance * supply * flow_share(min(bar / supply, 1), REGULATOR.critical)
        below = take.valve and bar < take.set_bar + ATMOSPHERE_BAR
        entering = max(wide, out) if below and wide < out else wide if below else 0.0
        if take.valve and abs(bar - take.set_bar - ATMOSPHERE_BAR) < 2e-3:
            entering = min(wide, out)
        bar += (entering - out) / 60 * ATMOSPHERE_BAR / LEAD_LITRES * 1e-4
    return found


@pytest.mark.parametrize(
    ("before", "take", "within"),
    [
        (0.0, COLD, 0.08),
        (0.0, COLD._replace(set_bar=5.5), 0.3),
        (4.0, COLD._replace(set_bar=5.2, arc=1.0), 0.06),
        (5.2, COLD, 0.005),
        (5.2, CLOSED, 0.005),
        (1.2, CLOSED, 0.005),
    ],
    ids=["fill", "fill high", "raise", "lower", "empty", "empty low"],
)
def test_the_closed_form_is_near_the_full_equation(
    before: float, take: Take, within: float
) -> None:
    line = GasLine(0, SOURCE)
    line.begin(0, SOURCE, COLD._replace(set_bar=before))
    line.begin(10 * NS, SOURCE, take)
    assert line.flow_bar(10 * NS) == pytest.approx(before)
    for step, bar in enumerate(stepped(SOURCE, take, before, 2.0)):
        assert line.flow_bar(10 * NS + step * MS) == pytest.approx(bar, abs=within)
    end = stepped(SOURCE, take, before, 3.0)[-1]
    assert line.flow_bar(13 * NS) == pytest.approx(end, abs=0.01)


def test_times_are_those_of_the_trade() -> None:
    # domain model: filling 0.05 to 0.4 s, emptying 0.5 to 3 s
    line = GasLine(0, SOURCE)
    line.begin(0, SOURCE, COLD)
    filled = next(ms for ms in range(5000) if line.flow_bar(ms * MS) == 4.0)
    assert 50 <= filled <= 400
    line.begin(10 * NS, SOURCE, CLOSED)
    emptied = next(ms for ms in range(10_000, 20_000) if line.flow_bar(ms * MS) == 0.0)
    assert 500 <= emptied - 10_000 <= 3000


@given(st.floats(0.01, 8.0), st.integers(20 * MS, NS), st.floats(0, 1), st.floats(0, 1))
@settings(max_examples=60)
def test_what_empties_obeys_its_equation(
    start: float, tau_ns: int, share: float, level: float
) -> None:
    way = Emptying.to(7, start, 0.0, tau_ns)
    assert way.value(7) == pytest.approx(start)
    assert way.value(way.arrives_at) == 0.0
    now, step = 7 + int(share * (way.arrives_at - 7)), max(tau_ns // 2000, 1)
    before, after = way.value(now), way.value(now + step)
    absolute = (before + after) / 2 + ATMOSPHERE_BAR
    slope = absolute * flow_share(ATMOSPHERE_BAR / absolute, CRITICAL) * step / tau_ns
    # The table's flow ends in a straight line near equal pressures, the curve in a parabola.
    assert before - after == pytest.approx(slope, rel=0.02, abs=4e-5)
    at = way.falls_below(level * start)
    assert at is not None
    assert way.value(at) <= level * start + 1e-9
    assert at <= 7 + 2000 or way.value(at - 2000) >= level * start - 1e-9


def test_it_fades_out() -> None:
    way = Emptying.to(0, 5.0, 0.0, 400 * MS)
    last = [way.value(way.arrives_at - back * MS) for back in (200, 100, 50, 25)]
    for longer, shorter in pairwise(last):  # half the time to go, a quarter of the pressure
        assert longer / shorter == pytest.approx(4.0, rel=0.05)


def test_a_long_thin_hose_holds_gas_and_follows_slowly() -> None:
    short, long = Hose(10.0, 9.0), Hose(60.0, 6.0)
    assert short.litres == pytest.approx(0.636, abs=0.001)
    assert WEAK.store_litres == pytest.approx(20.636, abs=0.001)
    assert 0.01 < short.fills_in_seconds(150.0, 7.5) < 0.1
    assert 0.5 < long.fills_in_seconds(150.0, 7.5) < 2.0
    for hose in (short, long):
        source = SOURCE._replace(hose=hose)
        line = GasLine(0, source)
        line.begin(0, source, COLD)
        end = line.inlet_bar(100 * NS)
        tau = 0.05 + hose.fills_in_seconds(line.litres_a_minute(100 * NS), 7.513)
        left = (line.inlet_bar(round(tau * NS)) - end) / (6.5 - end)
        assert left == pytest.approx(math.exp(-1), abs=0.01)


def test_an_arc_clogs_the_bore_and_a_worn_bore_lets_through_more() -> None:
    cold, hot, worn = (torch_conductance(*each) for each in ((0, 0), (1, 0), (0, 100)))
    assert 0.4 <= hot / cold <= 0.7  # domain model: 30 to 60 % less
    assert worn > cold
    line = GasLine(0, SOURCE)
    line.begin(0, SOURCE, COLD)
    before = line.plenum_bar(NS)
    line.begin(NS, SOURCE, COLD._replace(arc=1.0))
    rise = (line.plenum_bar(2 * NS) + ATMOSPHERE_BAR) / (before + ATMOSPHERE_BAR) - 1
    assert 0.05 <= rise <= 0.20  # domain model: 5 to 20 % at arc start
    line.begin(3 * NS, SOURCE, CLOSED)
    assert line.plenum_bar(3 * NS) == 0


# --- a source that is too weak -------------------------------------------------------------------


def test_a_weak_compressor_holds_while_its_receiver_lasts_and_then_what_it_delivers() -> None:
    line = GasLine(0, WEAK)
    line.begin(0, WEAK, COLD)
    flow = line.litres_a_minute(NS)
    assert line.flow_bar(10 * NS) == line.flow_bar(30 * NS) == 4.0
    sinking = (line.inlet_bar(10 * NS) - line.inlet_bar(30 * NS)) / 20
    expected = (flow - 60) / 60 * ATMOSPHERE_BAR / WEAK.store_litres
    assert sinking == pytest.approx(expected, rel=1e-6)
    at = line.falls_below(3.9, NS)
    assert at is not None
    assert line.flow_bar(at) == pytest.approx(3.9, abs=1e-6)
    assert line.flow_bar(at - NS) > 3.9
    assert line.litres_a_minute(2000 * NS) == pytest.approx(60.0, rel=1e-3)


def test_a_strong_compressor_never_lets_it_fall() -> None:
    line = GasLine(0, SOURCE)
    line.begin(0, SOURCE, COLD)
    assert line.falls_below(3.9, NS) is None
    assert line.deficit(10_000 * NS) == 0


def test_the_receiver_fills_again() -> None:
    line = GasLine(0, WEAK)
    line.begin(0, WEAK, COLD)
    line.begin(60 * NS, WEAK, CLOSED)
    lost = line.deficit(60 * NS)
    assert lost > 2
    rate = 60 / 60 * ATMOSPHERE_BAR / WEAK.store_litres
    assert line.deficit(70 * NS) == pytest.approx(lost - 10 * rate)
    assert line.deficit(1000 * NS) == 0
    assert line.inlet_bar(1000 * NS) == pytest.approx(6.5)


def test_a_starved_regulator_recovers_when_less_is_asked_for() -> None:
    line = GasLine(0, WEAK)
    line.begin(0, WEAK, COLD)
    line.begin(100 * NS, WEAK, COLD._replace(set_bar=0.3))
    assert line.flow_bar(100 * NS) < 2
    assert line.flow_bar(200 * NS) == pytest.approx(0.3)
    assert line.deficit(2000 * NS) == 0


def test_nothing_is_begun_twice() -> None:
    line, again = GasLine(0, WEAK), GasLine(0, WEAK)
    for each in (line, again):
        each.begin(0, WEAK, COLD)
    for now in range(0, 60 * NS, NS):
        again.begin(now, WEAK, COLD)
    assert again.litres(60 * NS) == line.litres(60 * NS)
    assert again.flow_bar(60 * NS) == line.flow_bar(60 * NS)


# --- no gas is lost ------------------------------------------------------------------------------

takes = st.builds(
    Take,
    valve=st.booleans(),
    set_bar=st.sampled_from([2.0, 4.0, 5.2, 7.0]),
    arc=st.sampled_from([0.0, 0.2, 1.0]),
    nozzle_wear=st.sampled_from([0.0, 50.0]),
)
sources = st.sampled_from([SOURCE, WEAK, WEAK._replace(compressor_litres=0.0)])
switchings = st.lists(st.tuples(st.integers(50, 20_000), takes), min_size=1, max_size=6)


def content(line: GasLine, now: int) -> float:
    """Return the normal litres in the lead, above those at the pressure of the air."""
    return LEAD_LITRES / ATMOSPHERE_BAR * line.flow_bar(now)


@given(sources, switchings)
@settings(max_examples=20, deadline=None)
def test_gas_adds_up(source: Source, way: list[tuple[int, Take]]) -> None:
    line, now, metered, left, delivered = GasLine(0, source), 0, 0.0, 0.0, 0.0
    vessel = source.store_litres / ATMOSPHERE_BAR
    for span, take in way:
        line.begin(now, source, take)
        begin = now, line.deficit(now), line.litres(now), content(line, now)
        ends = [now + span * MS * part // 400 for part in range(401)]
        flows, outs = 0.0, 0.0
        for one, two in pairwise(ends):
            middle = (one + two) // 2
            flows += line.litres_a_minute(middle) * (two - one) / NS / 60
            outs += line.out_litres_a_minute(middle) * (two - one) / NS / 60
        now = ends[-1]
        drawn = line.litres(now) - begin[2]
        # What the meter counts is what flows through the valve; a step is 1/400 of the stretch.
        step = 700 / 60 * span / 1000 / 400
        assert drawn == pytest.approx(flows, abs=step + 1e-3 * drawn)
        # What went in and did not come out is in the lead.
        assert drawn - outs == pytest.approx(content(line, now) - begin[3], abs=step + 0.02)
        # What the receiver did not give, the compressor did, and never more than it can.
        given_ = drawn - vessel * (line.deficit(now) - begin[1])
        assert -1e-6 <= given_ <= source.compressor_litres * (now - begin[0]) / NS / 60 + 1e-6
        metered, left, delivered = metered + flows, left + outs, delivered + given_
    assert line.litres(now) == pytest.approx(sum_of_draws(source, way))
    assert delivered == pytest.approx(line.litres(now) - vessel * line.deficit(now), abs=1e-6)


def sum_of_draws(source: Source, way: list[tuple[int, Take]]) -> float:
    """Return the same metered gas with looks in between, which change nothing."""
    line, now = GasLine(0, source), 0
    for span, take in way:
        line.begin(now, source, take)
        for part in range(7):
            line.flow_bar(now + span * MS * part // 7)
            line.litres(now + span * MS * part // 7)
        now += span * MS
    return line.litres(now)
