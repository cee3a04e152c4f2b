"""The table of a scenario: its torch, its careful controller, the one that follows a contact."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from scenarios import CUT, MS, TABLE, S, entries, run, said, scenario

from kerfbus.bench import wire
from kerfbus.sim.maps import default_map
from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.scenario.careful import TABLE as MOVES
from kerfbus.sim.scenario.careful import CarefulController, Seen, Step
from kerfbus.sim.scenario.desk import Desk
from kerfbus.sim.scenario.following import FollowingTable
from kerfbus.sim.scenario.torch import ACCELERATION_NS, PLUNGE_NS, Motion
from kerfbus.sim.scenario.world import World
from kerfbus.sim.sequence import ON_WORK, Mode

ROW = shipped_processes().by_number[155]


# --- the torch -----------------------------------------------------------------------------------


def test_the_torch_cuts_the_length_at_the_speed_and_height() -> None:
    world = World(scenario(TABLE, "[[supply.table.cut]]\nlength = 200\nkerfs = [50, 120]\n"))
    (place,), (torch,) = world.places, world.torches
    program = world.scenario.supplies[0].program
    assert program is not None
    (cut,) = program.cuts
    torch.wait(0, cut)
    assert place.below("stand_off") == ROW.pierce_height
    torch.go(S, cut)
    step, travelled, kerfs, heights = MS, 0.0, [], []
    at = S
    while torch.motion is Motion.CUTTING:
        at += step
        world.advance(at)
        travelled += place.below("table_speed") * step / S / 60
        heights.append(place.below("stand_off"))
        if place.below("over_kerf"):
            kerfs.append(travelled)
    assert torch.arrives_at is not None
    assert abs(at - torch.arrives_at) <= step
    assert travelled == pytest.approx(200, abs=0.1)
    assert heights[0] > heights[PLUNGE_NS // step] == ROW.stand_off
    assert all(later <= before for before, later in pairwise(heights))
    assert place.below("table_speed") == 0
    starts = [after for before, after in pairwise(kerfs) if after - before > 1]
    assert [kerfs[0], *starts] == pytest.approx([50, 120], abs=0.2)
    width = len([place for place in kerfs if place < 60]) * step / S / 60 * cut.speed
    assert width == pytest.approx(ROW.kerf, abs=0.1)
    assert torch.arrives_at - S - PLUNGE_NS - ACCELERATION_NS <= 200 / cut.speed * 60 * S


def test_a_torch_that_halts_stays_and_forgets_the_cut() -> None:
    world = World(scenario(TABLE, CUT))
    (place,), (torch,) = world.places, world.torches
    program = world.scenario.supplies[0].program
    assert program is not None
    torch.wait(0, program.cuts[0])
    torch.go(S, program.cuts[0])
    world.advance(2 * S)
    assert place.below("table_speed") == ROW.speed
    torch.halt(2 * S)
    world.advance(20 * S)
    assert torch.motion is Motion.HALTED
    assert place.below("table_speed") == 0
    torch.halt(21 * S)
    assert len(entries(world, "table")) == 2


# --- the careful controller ----------------------------------------------------------------------


def test_a_cut_goes_in_order() -> None:
    report = run(scenario(TABLE, CUT), 8)
    assert said(report)[:4] == [
        "sets process 155 and enables",
        "starts cut 1",
        "sees the arc transferred",
        "stops",
    ]
    assert said(report, "table")[:2] == [
        "plunges, cuts 60 mm at 1750 mm/min",
        "is at the end of the cut",
    ]
    modes = [entry["after"] for entry in entries(report, "mode")]
    assert modes[:11] == [
        *("self-test", "idle", "pre-flow", "ignition", "pilot-arc", "transfer", "ramp-up"),
        *("piercing", "cutting", "ramp-down", "post-flow"),
    ]
    assert report.cuts == {"1": 1}
    assert not report.faults()


def test_the_torch_moves_only_while_the_arc_burns_and_after_the_pierce_delay() -> None:
    report = run(scenario(TABLE, CUT), 30)
    log = report.world.journal.entries
    arcs = [e for e in log if e["kind"] == "mode" and e["after"] in ("ramp-up", "ramp-down")]
    begins = {e["at_ns"] for e in arcs if e["after"] == "ramp-up"}
    moves = [e["at_ns"] for e in log if e["kind"] == "table" and e["does"].startswith("plunges")]
    seen = [e["at_ns"] for e in log if e.get("does") == "sees the arc transferred"]
    assert len(moves) >= 4
    for move, sight in zip(moves, seen, strict=False):
        begin = max(at for at in begins if at < move)
        assert begin < sight
        assert move - sight == round(ROW.pierce_delay * S)


def test_it_polls_at_a_steady_rate() -> None:
    report = run(scenario(TABLE.replace("pause = 0.5", "pause = 0.5\npoll = 0.05"), CUT), 30)
    assert 570 <= report.transactions <= 630
    assert set(report.outcomes) == {next(iter(report.outcomes))}


def test_it_starts_by_the_contact_when_told_so() -> None:
    report = run(
        scenario(TABLE.replace("[supply.table]", '[supply.table]\nstart = "contact"'), CUT), 10
    )
    assert report.cuts == {"1": 2}
    assert {entry["cause"] for entry in entries(report, "stop")} == {"start-released"}
    assert not report.world.places[0].supply.link.armed


def test_it_runs_off_the_plate_and_goes_on() -> None:
    report = run(scenario(TABLE, CUT + "edge = true\n"), 20)
    assert report.cuts["1"] >= 3
    assert {entry["cause"] for entry in entries(report, "stop")} == {"arc-lost"}
    assert not report.faults()


def test_it_changes_the_process_between_cuts() -> None:
    report = run(scenario(TABLE, CUT, CUT + "process = 105\n"), 20)
    supply = report.world.places[0].supply
    assert report.cuts["1"] >= 3
    assert supply.settings.process in (105, 155)
    assert "plunges, cuts 60 mm at 1200 mm/min" in said(report, "table")


def test_it_ends_with_the_list() -> None:
    report = run(scenario(TABLE.replace("pause = 0.5", "pause = 0.5\nrepeat = false"), CUT * 2), 30)
    assert said(report)[-1] == "has finished the list"
    assert report.cuts == {"1": 2}
    assert report.world.places[0].supply.mode is Mode.IDLE


FOREVER = '[[event]]\nat = {at}\ninject = "{what}"\n'


def test_after_a_failure_it_waits_clears_and_tries_again() -> None:
    event = FOREVER.format(at=3, what="phase-loss") + "lasts = 0.5\n"
    report = run(scenario(TABLE, CUT, event), 20)
    told = said(report)
    place = told.index("fault phase-loss; waits 1 s")
    assert told[place + 1 : place + 4] == [
        "clears the fault, if there is one",
        "sets process 155 and enables",
        "starts cut 1",
    ]
    assert "halts before the end of the cut" in said(report, "table")
    assert report.cuts["1"] >= 2


def test_it_gives_up_after_so_many_failures_in_a_row() -> None:
    event = FOREVER.format(at=3, what="no-ignition")
    report = run(
        scenario(TABLE.replace("process = 155", "process = 155\nfault_tries = 4"), CUT, event), 60
    )
    assert said(report)[-1] == "fault no-ignition; gives up after 4 failures in a row"
    assert report.faults()["no-ignition"] == 4
    assert report.transactions > 550, "it polls on"
    assert not report.world.places[0].supply.start_present


def test_a_watchdog_that_trips_is_not_answered_by_a_start_of_its_own() -> None:
    event = FOREVER.format(at=3, what="controller-silent") + "lasts = 3\n"
    report = run(scenario(TABLE, CUT, event), 15)
    (fault,) = entries(report, "fault")
    assert fault["fault"] == "watchdog"
    assert fault["because"] == [1]
    assert S <= fault["at_ns"] - 3 * S + 100 * MS <= 1.2 * S
    assert report.cuts["1"] >= 1


def test_without_an_answer_it_halts_the_torch() -> None:
    world = World(scenario(TABLE, CUT))
    desk = Desk(world)
    (controller,) = desk.controllers
    desk.begin(0)
    served = 0
    while (turn := desk.next_turn(20 * S)) is not None:
        request = desk.ask(turn, turn.at)
        deaf = controller.step is Step.MOVE
        frame = wire.adu(controller.address, request)
        reply = None if deaf else world.places[0].server.handle(frame, turn.at)
        served += reply is not None
        desk.hear(turn, wire.parse_reply(reply[1:-2]) if reply else None, turn.at)
        if world.torches[0].motion is Motion.HALTED:
            break
    assert served > 10
    assert controller.step is Step.TROUBLE
    assert [entry["does"] for entry in entries(world, "controller")][-1].startswith("no answer")


def test_a_refusal_is_a_failure() -> None:
    world = World(scenario(TABLE, CUT))
    desk = Desk(world)
    (controller,) = desk.controllers
    desk.begin(0)
    turn = desk.next_turn(S)
    assert turn is not None
    request = desk.ask(turn, turn.at)
    desk.hear(turn, wire.ExceptionReply(request.function, 4), turn.at)
    assert controller.step is Step.TROUBLE
    assert "refused with exception 04" in entries(world, "controller")[-1]["does"]


def test_the_moves_lead_everywhere_and_end_where_they_should() -> None:
    reached = {Step.RESTING}
    while True:
        more = reached | {after for (before, _), after in MOVES.items() if before in reached}
        if more == reached:
            break
        reached = more
    assert reached == set(Step)
    assert not {seen for step, seen in MOVES if step in (Step.FINISHED, Step.GIVEN_UP)}
    assert {seen for _, seen in MOVES} == set(Seen)


def test_a_sight_that_is_not_in_the_table_moves_nothing() -> None:
    for step in Step:
        for seen in Seen:
            if (step, seen) in MOVES:
                continue
            world = World(scenario(TABLE, CUT))
            (controller,) = Desk(world).controllers
            assert isinstance(controller, CarefulController)
            controller.step = step
            controller._see(seen, 0)
            assert controller.step is step
            assert not entries(world, "controller")


# --- somebody else's controller ------------------------------------------------------------------


def test_the_torch_follows_the_contact_of_a_controller_outside() -> None:
    world = World(scenario(TABLE, CUT, CUT.replace("60", "90")))
    (place,), (torch,) = world.places, world.torches
    program = world.scenario.supplies[0].program
    assert program is not None
    FollowingTable(place, torch, program, world.agenda).begin(0)
    place.supply.enable()
    world.advance(2 * S)
    for length in (60, 90, 60):
        begin = world.now
        place.change(begin, start_contact=True)
        while torch.motion is not Motion.ARRIVED:
            world.advance(world.next_due)
        assert place.supply.mode in ON_WORK
        transferred = max(e["at_ns"] for e in entries(world, "mode") if e["after"] == "ramp-up")
        moved = [e for e in entries(world, "table") if "plunges" in e["does"]][-1]
        assert moved["at_ns"] == transferred + round(ROW.pierce_delay * S)
        assert f"cuts {length} mm" in moved["does"]
        place.change(world.now, start_contact=False)
        world.advance(world.now + S)
        assert torch.motion is Motion.WAITING
        assert place.below("stand_off") == ROW.pierce_height


def test_the_log_names_only_what_the_map_names() -> None:
    modes = set(default_map().by_name("mode").values.values())
    faults = set(default_map().by_name("fault").values.values())
    report = run(scenario(TABLE, CUT, FOREVER.format(at=3, what="phase-loss") + "lasts = 1\n"), 20)
    for entry in entries(report, "mode"):
        assert {entry["before"], entry["after"]} <= modes
        assert re.fullmatch("[a-z-]+", entry["event"])
    assert {entry["fault"] for entry in entries(report, "fault")} <= faults
