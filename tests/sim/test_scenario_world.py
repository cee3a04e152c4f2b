"""The simulated world: exact order, layers of defects, triggers, chance, and the log's ties."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st
from scenarios import CUT, MS, TABLE, S, entries, run, scenario

from kerfbus.sim.scenario.causes import ACTS, CAUSES
from kerfbus.sim.scenario.journal import Journal, json_line, text_line
from kerfbus.sim.scenario.world import World
from kerfbus.sim.sequence import Mode


def event(**keys: Any) -> str:
    """Return an event as it is written."""
    lines = [f"{key} = {_toml(value)}" for key, value in keys.items()]
    return "\n".join(["[[event]]", *lines, ""])


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    return json.dumps(value)


# --- time ----------------------------------------------------------------------------------------

EVENTS = (
    event(at=0.7, act="enable"),
    event(at=2.5, set={"start_contact": True}, lasts=6.0),
    event(on="cutting", after=0.3, set={"stand_off": 3.0}, over=1.0),
    event(on="cutting", after=1.1, inject="fan-stalled", lasts=0.4),
    event(at=3.0, every=0.9, chance=0.4, set={"ambient": 35.0}, lasts=0.2),
    event(when="output_current > 50", set={"over_kerf": True}, lasts=0.05),
    event(on_fault="fan-stalled", after=6.0, act="clear-fault"),
)


@examples(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 15 * S), max_size=40), st.integers(0, 5))
def test_what_happens_does_not_depend_on_who_looks_when(looks: list[int], seed: int) -> None:
    given_scenario = scenario(*EVENTS)
    whole, looked = World(given_scenario, seed=seed), World(given_scenario, seed=seed)
    whole.advance(15 * S)
    for at in sorted(looks):
        looked.advance(at)
        for name in ("status", "arc_voltage", "gas_used"):
            looked.places[0].device.value(name)
    looked.advance(15 * S)
    assert looked.journal.entries == whole.journal.entries
    assert [e["fault"] for e in entries(whole, "fault")] == ["fan-stalled"]
    for name in ("gas_used", "electrode_wear", "heat_sink_temperature", "total_starts"):
        values = [world.places[0].device.value(name) for world in (whole, looked)]
        assert values[0] == values[1]


def test_the_log_is_in_order() -> None:
    world = World(scenario(*EVENTS))
    world.advance(15 * S)
    instants = [entry["at_ns"] for entry in world.journal.entries]
    assert instants == sorted(instants)


def test_two_supplies_have_seeds_of_their_own() -> None:
    world = World(
        scenario(
            "address = 1",
            "[[supply]]",
            "address = 2",
            *[
                each.replace("[[event]]", f"[[event]]\nsupply = {number}")
                for number in (1, 2)
                for each in EVENTS[:2]
            ],
        )
    )
    world.advance(6 * S)
    volts = [place.device.value("arc_voltage") for place in world.places]
    assert {place.supply.mode for place in world.places} == {Mode.CUTTING}
    assert volts[0] != volts[1]


# --- layers --------------------------------------------------------------------------------------


def test_a_defect_hides_what_is_below_and_shows_it_again() -> None:
    world = World(
        scenario(
            "[supply.plant]\nambient = 25",
            event(at=1, set={"ambient": 30.0}, lasts=10.0),
            event(at=2, set={"ambient": 40.0}, lasts=2.0),
            event(at=6, set={"ambient": 20.0}),
        )
    )
    (place,) = world.places
    seen = []
    for second in (0, 1, 2, 4, 6, 11):
        world.advance(second * S)
        seen.append(place.below("ambient"))
    assert seen == [25, 30, 40, 30, 20, 20]
    place.change(12 * S, ambient=28.0)  # below the last one, which stays
    assert place.below("ambient") == 20


def test_the_torch_moves_below_a_defect() -> None:
    world = World(scenario(event(at=1, inject="torch-too-high", lasts=2.0)))
    (place,) = world.places
    place.change(0, stand_off=1.5)
    world.advance(S)
    assert place.below("stand_off") == CAUSES["torch-too-high"].changes["stand_off"]
    place.change(2 * S, stand_off=3.0)
    assert place.below("stand_off") > 3
    world.advance(3 * S)
    assert place.below("stand_off") == 3


def test_a_slope_is_straight_and_ends_exactly() -> None:
    world = World(scenario(event(at=1, set={"ambient": 42.0}, over=10.0)))
    (place,) = world.places
    seen = []
    for second in range(13):
        world.advance(second * S)
        seen.append(place.below("ambient"))
    assert seen == pytest.approx([22, 22, 24, 26, 28, 30, 32, 34, 36, 38, 40, 42, 42])
    assert seen[-1] == 42


def test_a_slope_that_is_undone_stays_undone() -> None:
    world = World(scenario(event(at=1, set={"ambient": 42.0}, over=10.0, lasts=4.5)))
    world.advance(20 * S)
    assert world.places[0].below("ambient") == 22


# --- triggers ------------------------------------------------------------------------------------


def injected(world: World) -> list[float]:
    return [entry["at_ns"] / S for entry in entries(world, "inject")]


def test_at_a_time_and_again() -> None:
    world = World(scenario(event(at=1.5, every=2.0, set={"ambient": 30.0}, lasts=1.0)))
    world.advance(8 * S)
    assert injected(world) == [1.5, 3.5, 5.5, 7.5]
    assert [e["at_ns"] / S for e in entries(world, "undo")] == [2.5, 4.5, 6.5]


@pytest.mark.parametrize(
    ("keys", "count"), [({}, 1), ({"count": 2}, 1), ({"count": 2, "repeat": True}, 3)]
)
def test_on_a_mode_by_count(keys: dict[str, Any], count: int) -> None:
    report = run(
        scenario(TABLE, CUT, event(on="cutting", after=0.25, set={"ambient": 30.0}, **keys)), 17
    )
    begins = [e["at_ns"] / S for e in entries(report, "mode") if e["after"] == "cutting"]
    assert len(begins) == 4
    first = keys.get("count", 1) - 1
    assert injected(report.world) == [at + 0.25 for at in begins[first : first + count]]


def test_on_a_condition_once_each_time_it_becomes_true() -> None:
    report = run(
        scenario(TABLE, CUT, event(when="cut_time > 1", repeat=True, set={"ambient": 30.0})), 12
    )
    begins = [e["at_ns"] / S for e in entries(report, "mode") if e["after"] == "ramp-up"]
    times = injected(report.world)
    assert len(times) == len(begins) >= 2
    for begin, at in zip(begins, times, strict=True):
        assert 1.0 <= at - begin <= 1.1
        assert round(at * 10) == pytest.approx(at * 10)


def test_chance_is_met_about_as_often_as_it_says_and_the_rest_is_logged() -> None:
    world = World(scenario(event(at=1, every=1.0, chance=0.3, act="self-test")))
    world.advance(1000 * S)
    acts, skipped = entries(world, "act"), entries(world, "skipped")
    assert len(acts) + len(skipped) == 1000
    assert 250 <= len(acts) <= 350
    assert skipped[0]["chance"] == 0.3


def test_an_event_added_behind_does_not_change_the_chance_of_those_before() -> None:
    one = event(at=1, every=1.0, chance=0.5, act="self-test")
    alone, both = World(scenario(one)), World(scenario(one, one))
    for world in (alone, both):
        world.advance(50 * S)
    instants = [e["at_ns"] for e in entries(alone, "act")]
    rest = [e["at_ns"] for e in entries(both, "act")]
    for at in instants:
        rest.remove(at)
    assert rest


# --- acts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("act", ACTS)
def test_every_act_does_something(act: str) -> None:
    parts = "[supply.site]\nwear = { electrode = 60, nozzle = 60, swirl_ring = 60, shield = 60 }"
    world = World(
        scenario(
            parts,
            event(at=0, act="enable"),
            event(at=2, inject="phase-loss", lasts=1.0),
            event(at=4, act=act),
        )
    )
    place = world.places[0]
    names = [f"{part}_wear" for part in ("electrode", "nozzle", "swirl_ring", "shield")]
    names += ["mode", "fault", "enable"]
    world.advance(4 * S - 1)
    if act in ("self-test", "enable"):  # from idle, and from off
        place.supply.clear_fault()
    if act == "enable":
        place.supply.disable()
    before = [place.device.value(name) for name in names]
    world.advance(4 * S)
    assert [place.device.value(name) for name in names] != before


def test_a_fault_whose_cause_is_there_cannot_be_cleared_by_anybody() -> None:
    world = World(
        scenario(
            event(at=0, act="enable"),
            event(at=2, inject="phase-loss"),
            event(at=3, act="clear-fault"),
        )
    )
    world.advance(4 * S)
    assert world.places[0].supply.mode is Mode.FAULT
    assert not entries(world, "cleared")
    assert [entry["done"] for entry in entries(world, "act")] == [True, False]
    assert text_line(entries(world, "act")[1]).endswith("clear-fault: not possible now")


# --- the log's ties ------------------------------------------------------------------------------


def test_a_fault_is_tied_to_the_defect_that_can_lead_to_it() -> None:
    world = World(
        scenario(
            event(at=0, act="enable"),
            event(at=2, set={"ambient": 30.0}),
            event(at=3, inject="phase-loss", lasts=1.0),
            event(at=3.5, inject="mains-low", lasts=0.1),
            event(at=5, act="clear-fault"),
        )
    )
    world.advance(6 * S)
    (fault,) = entries(world, "fault")
    assert (fault["fault"], fault["because"]) == ("phase-loss", [2])
    assert fault["at_ns"] == 3 * S
    world.journal.end(6 * S)
    summary = {entry["id"]: entry for entry in entries(world, "injection")}
    assert [each["fault"] for each in summary[2]["faults"]] == ["phase-loss"]
    assert summary[2]["faults"][0]["after_ns"] == 0
    assert summary[2]["undone_at_ns"] == 4 * S
    assert summary[2]["recovered_at_ns"] == 5 * S
    assert summary[1]["faults"] == summary[3]["faults"] == []


def test_the_beginning_is_an_injection_too() -> None:
    report = run(scenario("[supply.plant]\nstrikes = false", TABLE, CUT), 10)
    first = entries(report, "inject")[0]
    assert (first["id"], first["what"], first["changes"]) == (1, "start", {"strikes": False})
    assert {tuple(entry["because"]) for entry in entries(report, "fault")} == {(1,)}


def test_a_defect_that_is_hidden_is_not_blamed() -> None:
    report = run(
        scenario(
            "[supply.plant]\nwork_ohms = 0.05",
            TABLE,
            CUT,
            event(on="pilot-arc", count=2, inject="bad-bonding", lasts=6.0),
        ),
        14,
    )
    assert [entry["because"] for entry in entries(report, "fault")] == [[2]]


def test_a_stop_is_tied_as_its_fault_is() -> None:
    report = run(scenario(TABLE, CUT, event(at=3, inject="stop-chain-open", lasts=1.0)), 6)
    (stop,) = entries(report, "stop")
    assert (stop["cause"], stop["because"]) == ("stop-chain", [1])


def test_a_lost_arc_is_tied_although_it_is_no_fault() -> None:
    report = run(scenario(TABLE, CUT, event(at=3, inject="no-work", lasts=0.1)), 4)
    (stop,) = entries(report, "stop")
    assert (stop["cause"], stop["because"]) == ("arc-lost", [1])


def test_warnings_come_and_go_in_the_log() -> None:
    world = World(
        scenario(event(at=0, act="enable"), event(at=1, set={"mains_volts": 370.0}, lasts=2.0))
    )
    world.advance(5 * S)
    told = [(e["warning"], e["on"], e["at_ns"]) for e in entries(world, "warning")]
    assert told == [("mains-off-nominal", True, S), ("mains-off-nominal", False, 3 * S)]


def test_a_power_cycle_clears_the_fault_in_the_log() -> None:
    world = World(
        scenario(
            event(at=0, act="enable"),
            event(at=2, inject="phase-loss", lasts=1.0),
            event(at=4, act="power-cycle"),
        )
    )
    world.advance(5 * S)
    (cleared,) = entries(world, "cleared")
    assert (cleared["fault"], cleared["at_ns"]) == ("phase-loss", 4 * S)


def test_every_entry_has_a_line_for_people_and_one_for_programs() -> None:
    lines: list[str] = []
    journal = Journal(lambda entry: lines.append(json_line(entry)), keep=False)
    world = World(
        scenario("[supply.plant]\nmeter_kilohms = inf", TABLE, CUT, *EVENTS), journal=journal
    )
    world.advance(15 * S)
    world.journal.end(15 * S)
    assert not journal.entries
    kinds = set()
    for line in lines:
        entry = json.loads(line)
        kinds.add(entry["kind"])
        text = text_line(entry)
        assert "\n" not in text
        assert "{" not in text
        assert entry["at_ns"] / S == pytest.approx(float(text.split()[0]), abs=0.001)
    assert {"begin", "inject", "undo", "act", "mode", "fault", "cleared", "stop", "end"} <= kinds
    assert {"skipped", "injection"} <= kinds


def test_an_event_inside_a_transaction_is_exact_too() -> None:
    report = run(scenario(TABLE, CUT, event(at=3.0000001, inject="phase-loss", lasts=1.0)), 4)
    (fault,) = entries(report, "fault")
    assert fault["at_ns"] == 3 * S + 100
    assert MS  # the requests around it take tens of these
