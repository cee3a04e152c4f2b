"""Scenario files: what they may say, and what is wrong with them by line and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from kerfbus.bench.errors import ScenarioError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.faults import Fault
from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.scenario import (
    check_scenario,
    load_scenario,
    open_scenario,
    parse_scenario,
    scenario_names,
    scenario_text,
)
from kerfbus.sim.scenario.causes import (
    CAUSES,
    INJECTIONS,
    LEADS_TO,
    defect_leads_to,
    leads_to,
)
from kerfbus.sim.scenario.plan import Condition, When
from kerfbus.sim.sequence import Mode
from kerfbus.sim.site import Site
from kerfbus.sim.surroundings import Surroundings

S = 1_000_000_000
WHOLE = """\
title = "All of it"
note = "Every key once."
seed = 5
duration = 12.5

[line]
baud = 9600
format = "8N2"

[[supply]]
name = "left"
address = 3
options = ["flow-sensor", "plenum-sensor"]

[supply.plant]
ambient = 30
phases = ["l1", "l2", "l3"]
fan_ok = true

[supply.site]
hose_metres = 25
wear = { electrode = 50, nozzle = 20.5 }

[supply.settings]
watchdog_time = 0.5
process = 101

[supply.table]
process = 155
start = "contact"
poll = 0.05
begin = 1
pause = 2
repeat = false
fault_pause = 4
fault_tries = 2

[[supply.table.cut]]
length = 200
times = 2

[[supply.table.cut]]
length = 100
process = 105
speed = 1000
stand_off = 2
pierce_height = 4
pierce_delay = 1
pause = 0.5
kerfs = [10, 20.5]
edge = true

[[supply]]
address = 4

[[event]]
supply = "left"
at = 1
every = 2
chance = 0.5
inject = "no-gas"
lasts = 1
note = "a note"

[[event]]
supply = 4
on = "cutting"
count = 2
repeat = true
after = 0.25
set = { ambient = 40, inlet_bar = 5 }
over = 10

[[event]]
supply = 4
on_fault = "no-gas"
act = "clear-fault"

[[event]]
supply = "4"
when = "cut_time >= 1.5"
inject = "controller-silent"
"""


def mistakes(text: str, tmp_path: Path) -> list[str]:
    file = tmp_path / "s.toml"
    file.write_text(text)
    return [str(each).removeprefix(str(tmp_path) + "/") for each in check_scenario(file)]


# --- what a file says ----------------------------------------------------------------------------


def test_everything_that_can_be_said() -> None:
    found = parse_scenario(WHOLE, "whole.toml")
    assert (found.name, found.title, found.note) == ("whole.toml", "All of it", "Every key once.")
    assert (found.seed, found.duration_ns) == (5, 12_500_000_000)
    assert found.line == LineSettings.parse(9600, "8N2")
    left, right = found.supplies
    assert (left.name, left.address, right.name, right.address) == ("left", 3, "4", 4)
    start = left.beginning
    assert start.surroundings == Surroundings(ambient=30.0)
    assert start.site == Site(hose_metres=25, wear={"electrode": 50, "nozzle": 20.5})
    assert start.ratings.options == {"flow-sensor", "plenum-sensor"}
    assert start.settings.watchdog_time == 0.5
    assert start.settings.process == 101
    assert start.settings.current_setpoint == shipped_processes().by_number[101].current
    assert (start.settings.address_setting, start.settings.line) == (3, found.line)
    assert set(left.odd) == {"ambient", "phases", "fan_ok", "hose_metres", "wear"}
    assert right.program is None


def test_what_the_table_does() -> None:
    program = parse_scenario(WHOLE, "whole.toml").supplies[0].program
    assert program is not None
    assert (program.contact, program.repeat, program.fault_tries) == (True, False, 2)
    assert (program.poll_ns, program.begin_ns) == (S // 20, S)
    first, again, last = program.cuts
    assert first == again
    row = shipped_processes().by_number[155]
    assert (first.process, first.length, first.pause_ns) == (row, 200, 2 * S)
    assert (first.speed, first.stand_off) == (row.speed, row.stand_off)
    assert first.pierce_height == row.pierce_height
    assert first.pierce_delay_ns == S // 2
    assert (last.process.number, last.speed, last.stand_off) == (105, 1000, 2)
    assert (last.pierce_height, last.pierce_delay_ns, last.pause_ns) == (4, S, S // 2)
    assert (last.kerfs, last.edge) == ((10, 20.5), True)


def test_what_happens() -> None:
    timed, moved, latched, read = parse_scenario(WHOLE, "whole.toml").events
    assert [each.supply for each in (timed, moved, latched, read)] == [0, 1, 1, 1]
    assert timed.trigger.kind is When.TIME
    assert (timed.trigger.at_ns, timed.trigger.every_ns, timed.trigger.chance) == (S, 2 * S, 0.5)
    assert timed.happening.changes == CAUSES["no-gas"].changes
    assert (timed.happening.lasts_ns, timed.happening.note) == (S, "a note")
    assert moved.trigger.mode is Mode.CUTTING
    assert (moved.trigger.count, moved.trigger.repeat) == (2, True)
    assert moved.trigger.after_ns == S // 4
    assert moved.happening.changes == {"ambient": 40.0, "inlet_bar": 5.0}
    assert moved.happening.over_ns == 10 * S
    assert latched.trigger.fault is Fault.NO_GAS
    assert latched.happening.act
    assert read.trigger.condition == Condition("cut_time", ">=", 1.5)
    assert read.happening.name == "controller-silent"


@pytest.mark.parametrize(
    ("text", "condition"),
    [
        ("mode == cutting", Condition("mode", "==", "cutting")),
        ("mode!=idle", Condition("mode", "!=", "idle")),
        ("electrode_wear > 90", Condition("electrode_wear", ">", 90.0)),
        ("arc_transferred == on", Condition("arc_transferred", "==", True)),
        (" output_current  <=  1e1 ", Condition("output_current", "<=", 10.0)),
    ],
)
def test_conditions(text: str, condition: Condition) -> None:
    event = f'[[supply]]\n[[event]]\nwhen = "{text}"\nact = "enable"\n'
    (found,) = parse_scenario("title = 'x'\n" + event, "x").events
    assert found.trigger.condition == condition


def test_a_condition_on_a_reading_that_is_none() -> None:
    condition = Condition("plenum_pressure", "<", 3.0)
    assert not condition.holds(None)
    assert condition.holds(2.5)
    assert not condition.holds(3.0)


# --- what is wrong with one ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('title = "All of it"\n', "", "s.toml: line 1: title: is missing"),
        ("seed = 5", "seed = -5", "s.toml: line 3: seed: -5 is below 0"),
        ("seed = 5", 'seed = "5"', "s.toml: line 3: seed: needs a whole number, got '5'"),
        ("duration = 12.5", "duration = 0", "line 4: duration: 0 is not above 0"),
        ("duration = 12.5", "durations = 12", "line 4: durations: is not a known key; did you mea"),
        ("baud = 9600", "baud = 9601", "line 7: line.baud: the supply knows 1200, 2400"),
        ('"8N2"', '"7N2"', "line 8: line.format: the supply knows 8E1, 8O1, 8N2, 8N1, got '7N2'"),
        ('name = "left"', 'name = "left one"', "line 11: supply left one.name: has a character th"),
        ("address = 3", "address = 248", "line 12: supply left.address: 248 is above 247"),
        ("address = 3", "address = 4", "line 54: supply 4.address: 4 is that of supply left"),
        ('name = "left"', 'name = "4"', "supply 4.name: has a character that cannot stand here"),
        ("plenum-sensor", "plenum", "line 13: supply left.options: there is no option plenum; the"),
        (
            "ambient = 30",
            "ambient = 99",
            "line 16: supply left.plant.ambient: ambient 99: give -40",
        ),
        ("ambient = 30", "ambient = true", "line 16: supply left.plant.ambient: needs a number, g"),
        (
            "ambient = 30",
            "ambint = 30",
            "line 16: supply left.plant.ambint: is not among the surro",
        ),
        ('"l2", "l3"', '"l2", "l4"', "line 17: supply left.plant.phases: phases: there is no l4"),
        ("fan_ok = true", "fan_ok = 1", "line 18: supply left.plant.fan_ok: needs true or false"),
        ("hose_metres = 25", "hose_metres = 900", "line 21: supply left.site.hose_metres: hose_me"),
        ("nozzle = 20.5", "nozle = 20", "line 22: supply left.site.wear.nozle: is no part; the pa"),
        ("electrode = 50", "electrode = 300", "line 22: supply left.site.wear.electrode: wear of "),
        ("watchdog_time = 0.5", "watchdog_time = 90", "line 25: supply left.settings.watchdog_tim"),
        ("watchdog_time = 0.5", "watchdog = 1", "line 25: supply left.settings.watchdog: is no se"),
        ("watchdog_time = 0.5", "baud_setting = 3", "is given by `baud` of [line]"),
        ("process = 101", "process = 7", "line 26: supply left.settings.process: there is no proc"),
        ("process = 155", "process = 7", "line 29: supply left.table.process: there is no process"),
        (
            'start = "contact"',
            'start = "magic"',
            "line 30: supply left.table.start: 'magic' is not",
        ),
        ("length = 200", "length = 0", "line 39: supply left.table.cut 1.length: 0 is not above 0"),
        ("times = 2", "tims = 2", "line 40: supply left.table.cut 1.tims: is not a known key; di"),
        ("process = 105", "process = 7", "line 44: supply left.table.cut 2.process: there is no p"),
        ("kerfs = [10, 20.5]", "kerfs = [10, 200]", "line 50: supply left.table.cut 2.kerfs: need"),
        ("kerfs = [10, 20.5]", "kerfs = [20, 10]", "line 50: supply left.table.cut 2.kerfs: need"),
        (
            'supply = "left"\n',
            "",
            "line 56: event 1.supply: is missing; there are several: left, 4",
        ),
        ('supply = "left"', "supply = 9", "line 57: event 1.supply: there is no supply 9; there"),
        ("at = 1\n", "", "line 56: event 1: does not say when; give one of at, on, on_fault, when"),
        ("at = 1\n", 'at = 1\non = "idle"\n', "line 56: event 1: has at and on; give one of"),
        ('inject = "no-gas"\n', "", "line 56: event 1: does not say what happens; give one of inj"),
        (
            'inject = "no-gas"',
            'inject = "no-gass"',
            "line 61: event 1.inject: there is no 'no-gass",
        ),
        ("chance = 0.5", "chance = 2", "line 60: event 1.chance: 2 is above 1"),
        (
            '"cutting"',
            '"cuting"',
            "line 67: event 2.on: there is no mode 'cuting'; did you mean 'c",
        ),
        (
            "ambient = 40",
            "ambient = '40'",
            "line 71: event 2.set.ambient: needs a number, got '40'",
        ),
        ("ambient = 40", "fan_ok = false", "line 72: event 2.over: fan_ok changes at once, not ov"),
        ("count = 2", "every = 2", "line 65: event 2: every goes with at; use repeat"),
        ("every = 2", "count = 2", "line 56: event 1: count and repeat do not go with at; use eve"),
        ('on_fault = "no-gas"', 'on_fault = "no"', "line 76: event 3.on_fault: there is no fault"),
        ('act = "clear-fault"', 'act = "sing"', "line 77: event 3.act: there is no 'sing'; there "),
        ('act = "clear-fault"', 'act = "enable"\nlasts = 1', "event 3: an act has no lasts"),
        ("cut_time >= 1.5", "cut_time ~ 1.5", "line 81: event 4.when: 'cut_time ~ 1.5': write NA"),
        ("cut_time >= 1.5", "cut_tim >= 1.5", "line 81: event 4.when: "),
        ("cut_time >= 1.5", "cut_time >= x", "event 4.when: cut_time: 'x' is no number"),
        ("cut_time >= 1.5", "mode > idle", "event 4.when: mode: is no number; compare by == or"),
        ("cut_time >= 1.5", "mode == idel", "event 4.when: there is no mode 'idel'; did you mean"),
        ("cut_time >= 1.5", "ready == yes", "event 4.when: ready: is on or off, not 'yes'"),
        ("cut_time >= 1.5", "status == ready", "event 4.when: status: is neither a number, a cho"),
        ("cut_time >= 1.5", "command_key > 0", "event 4.when: command_key: cannot be read"),
    ],
)
def test_a_mistake_is_named_by_line_and_key(old: str, new: str, said: str, tmp_path: Path) -> None:
    assert old in WHOLE
    found = mistakes(WHOLE.replace(old, new, 1), tmp_path)
    assert len(found) == 1, found
    assert said in found[0]
    assert found[0].startswith("s.toml: line ")


def test_all_mistakes_are_listed_and_the_first_is_raised(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text(WHOLE.replace("ambient = 30", "ambient = 99").replace("[10, 20.5]", "[0]"))
    assert [each.line for each in check_scenario(file)] == [16, 50]
    with pytest.raises(ScenarioError, match=r"line 16: .* \(and 1 more\)$"):
        load_scenario(file)


@pytest.mark.parametrize("text", ["", "[[supply]]", "title = 'x'", "title = 'x'\nsupply = 3"])
def test_what_is_no_scenario(text: str, tmp_path: Path) -> None:
    assert mistakes(text, tmp_path)


# --- shipped ones --------------------------------------------------------------------------------


def test_at_least_six_ship_and_say_what_they_show() -> None:
    assert len(scenario_names()) >= 6
    assert {
        "clean-table",
        "worn-electrode",
        "weak-compressor",
        "bad-bonding",
        "hot-afternoon",
        "two-supplies",
    } <= set(scenario_names())
    for name in scenario_names():
        found = open_scenario(name)
        assert found.name == name
        assert found.title
        assert found.note.endswith(".")
        assert "Invented" in scenario_text(name)


def test_a_scenario_by_name_or_by_path(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(scenario_text("clean-table"))
    assert open_scenario(file).title == open_scenario("clean-table").title
    with pytest.raises(ScenarioError, match="storm: there is no such scenario; there is adapter-g"):
        open_scenario("storm")
    with pytest.raises(ScenarioError, match=r"storm\.toml: there is no such file"):
        open_scenario("storm.toml")


# --- defects -------------------------------------------------------------------------------------


def test_every_defect_can_be_and_can_lead_to_something() -> None:
    for name, cause in CAUSES.items():
        assert Surroundings().changed(**cause.changes) != Surroundings(), name
        assert defect_leads_to(name), name
        assert defect_leads_to(name) <= leads_to(cause.changes)
        assert cause.text
    assert len(INJECTIONS) >= 15


def test_every_fault_can_be_led_to() -> None:
    reached = frozenset().union(*LEADS_TO.values())
    assert set(Fault) - reached == {Fault.NONE}


def test_every_surrounding_that_can_be_wrong_is_known() -> None:
    harmless = {"meter_kilohms", "memory_bits_ok"}
    names = set(Surroundings.__dataclass_fields__)
    sites = {"hose_metres", "hose_millimetres", "receiver_litres", "wear", "controller-silent"}
    assert set(LEADS_TO) - sites == names - harmless
