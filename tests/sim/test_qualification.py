"""Trials against controllers in virtual time: each trial shows what it is for, and only that."""

from __future__ import annotations

import pytest
from controllers.table_program import STATUS, Manner
from controllers.virtual import Reader, Virtual, first, strict

from kerfbus.bench.crc import crc16
from kerfbus.bench.shapes import expected_reply_length
from kerfbus.sim.faultbook import BOOK, Effect
from kerfbus.sim.faults import Fault
from kerfbus.sim.qualification.record import Finding, Grade, Record, Stage, What
from kerfbus.sim.qualification.schedule import (
    LINK_LOSS,
    PLANS,
    Situation,
    fault_slug,
    lure_cutting,
    lure_waiting,
    trials_of,
)
from kerfbus.sim.qualification.treatment import LURING, Treatment
from kerfbus.sim.qualification.verdict import coverage_of, evidence_of, findings_of
from kerfbus.sim.sequence import Mode

QUICK = PLANS["quick"]
FAULTS = {fault_slug(fault) for fault in QUICK.faults}
NEVER_ON_A_PTY = {"silent-interval"}


def judged(virtual: Virtual) -> dict[str, Finding]:
    return {each.check: each for each in findings_of(virtual.run(), QUICK)}


def graded(found: dict[str, Finding], grade: Grade) -> set[str]:
    return {check for check, each in found.items() if each.grade is grade}


@pytest.mark.parametrize(
    ("manner", "reader", "fails"),
    [
        (Manner(), strict, set()),
        (
            Manner(notices_loss=False, amperes=450),
            first,
            {
                *("damaged-reply", "late-reply", "foreign-reply", "short-reply", "long-reply"),
                *("link-loss", "limits"),
            },
        ),
        (
            Manner(waits_for_transfer=False, restarts=True),
            strict,
            {"no-self-restart", "waits-for-transfer", *FAULTS},
        ),
        (Manner(waits_for_transfer=False), strict, {"waits-for-transfer"}),
        (Manner(amperes=450), strict, {"limits"}),
        (Manner(notices_loss=False), strict, {"link-loss"}),
    ],
    ids=["careful", "careless", "dangerous", "moves too early", "too much", "deaf to silence"],
)
def test_a_manner_fails_what_it_should_and_only_that(
    manner: Manner, reader: Reader, fails: set[str]
) -> None:
    found = judged(Virtual(manner=manner, reader=reader))
    assert graded(found, Grade.FAIL) == fails
    assert graded(found, Grade.NOT_SEEN) == NEVER_ON_A_PTY


@pytest.mark.parametrize(
    ("poll_ms", "cut_seconds"), [(10, 1), (20, 2), (300, 12), (500, 20)], ids=str
)
def test_spans_follow_the_controller(poll_ms: int, cut_seconds: int) -> None:
    manner = Manner(poll_ns=poll_ms * 1_000_000, cut_ns=cut_seconds * 1_000_000_000)
    found = judged(Virtual(manner=manner))
    assert graded(found, Grade.FAIL) == set()
    assert graded(found, Grade.NOT_SEEN) == NEVER_ON_A_PTY


def _lacking(*, crc: bool = True, address: bool = True, length: bool = True) -> Reader:
    """Return a reader that leaves a test of a reply out."""

    def read(request: bytes, heard: list[bytes]) -> bytes | None:
        for frame in heard:
            if len(frame) < 5 or (crc and crc16(frame)) or (address and frame[0] != request[0]):
                continue
            if frame[1] == request[1] | 0x80:
                return frame
            fits = len(frame) == expected_reply_length(request)
            if frame[1] == request[1] and (fits or not length):
                return frame
        return None

    return read


@pytest.mark.parametrize(
    ("reader", "fails"),
    [
        (_lacking(crc=False), {"damaged-reply"}),
        (_lacking(address=False), {"foreign-reply"}),
        (_lacking(length=False), {"late-reply", "short-reply", "long-reply"}),
    ],
    ids=["no CRC", "no address", "no length"],
)
def test_each_lure_catches_who_leaves_one_test_out(reader: Reader, fails: set[str]) -> None:
    found = judged(Virtual(reader=reader))
    assert graded(found, Grade.FAIL) == fails
    for check in fails:
        bad, reaction = found[check].evidence
        assert bad < reaction


def test_a_stop_after_any_missing_reply_is_not_held_against_it() -> None:
    found = judged(Virtual(manner=Manner(silences=1)))
    assert graded(found, Grade.FAIL) == set()
    assert "shows nothing" in found["damaged-reply"].detail


def test_who_asks_for_one_length_only_cannot_tell_late_replies() -> None:
    found = judged(Virtual(manner=Manner(polls=(STATUS,))))
    assert graded(found, Grade.FAIL) == set()
    assert graded(found, Grade.NOT_SEEN) == {*NEVER_ON_A_PTY, "late-reply"}


def test_without_a_time_out_it_is_brought_back_and_fails() -> None:
    virtual = Virtual(patience_ns=10**18)
    found = judged(virtual)
    assert found["time-out"].grade is Grade.FAIL
    assert "no time-out" in found["time-out"].detail
    assert virtual.record.of(What.RESCUED)
    assert found["limits"].grade is Grade.PASS, "the rest is judged all the same"


def test_who_never_cuts_is_not_seen_to_fail() -> None:
    found = judged(Virtual(heeds=False))
    assert graded(found, Grade.FAIL) == set()
    assert {"link-loss", "no-self-restart", "waits-for-transfer", *FAULTS} <= graded(
        found, Grade.NOT_SEEN
    )
    assert {"steady-polling", "time-out", "limits"} <= graded(found, Grade.PASS)


@pytest.fixture(scope="module")
def careful() -> Record:
    """Return what the witness wrote down of a careful controller."""
    return Virtual().run()


def mode_before(record: Record, trial: str) -> Mode:
    """Return the supply's mode when a trial's act began, by the order of what happened."""
    mode = Mode.OFF
    for each in record.happened:
        if each.what is What.MODE:
            mode = Mode[each.detail]
        if (each.what, each.trial, each.detail) == (What.STAGE, trial, Stage.ACT.value):
            return mode
    raise AssertionError(f"{trial} was not made")


def test_every_trial_of_the_plan_is_made_in_its_situation(careful: Record) -> None:
    modes = {
        Situation.WAITING: {Mode.GAS_TEST},
        Situation.PILOT: {Mode.PILOT},
        Situation.STARTING: {Mode.PRE_FLOW, Mode.IGNITION, Mode.PILOT, Mode.TRANSFER},
        Situation.ARC: {Mode.PIERCING, Mode.CUTTING},
        Situation.POLLING: set(Mode),
    }
    for trial in trials_of(QUICK):
        assert mode_before(careful, trial.name) in modes[trial.situation], trial.name


@pytest.mark.parametrize("kind", LURING, ids=lambda kind: kind.value)
def test_bad_replies_come_as_often_as_the_plan_says(careful: Record, kind: Treatment) -> None:
    done = [each for each in careful.asked if each.treatment is kind]
    lures = kind is not Treatment.EXCEPTION
    given = [each for each in done if each.baited or not lures]
    waiting = [each for each in given if each.trial == lure_waiting(kind)]
    assert len(waiting) == QUICK.baits
    assert len(given) > len(waiting)
    assert {each.trial for each in done} == {lure_waiting(kind), lure_cutting(kind)}


def test_while_the_link_is_down_the_supply_hears_nothing(careful: Record) -> None:
    down = careful.during(LINK_LOSS, Stage.ACT)
    assert {each.treatment for each in down} == {Treatment.LINK_DOWN}
    begun, ended = (careful.stage_at(LINK_LOSS, stage) for stage in (Stage.ACT, Stage.WATCH))
    assert begun is not None
    assert ended is not None
    assert careful.mode_at(ended) is Mode.FAULT, "the supply's own watchdog has stopped it"


def test_coverage_names_what_was_used(careful: Record) -> None:
    coverage = coverage_of(careful)
    assert {"status", "arc_command", "current_setpoint", "start", "arc_voltage"} <= set(
        coverage.registers
    )
    assert "rated_current" not in coverage.registers
    assert coverage.functions == (0x04, 0x06, 0x0F, 0x10)


def test_evidence_says_names_and_units() -> None:
    record = Virtual(manner=Manner(amperes=450)).run()
    finding = next(each for each in findings_of(record, QUICK) if each.check == "limits")
    assert [said for _, said in evidence_of(record, finding)] == [
        "write current_setpoint = 450.0 A (supply: off; refused with 04)"
    ]


def test_every_fault_of_the_book_is_shown_and_treated_by_a_careful_controller() -> None:
    plan = PLANS["full"]
    wanted = {fault_slug(fault) for fault in plan.faults} | {"steady", "cut"}
    trials = [trial for trial in trials_of(plan) if trial.name in wanted]
    record = Virtual(trials, "full").run()
    found = {each.check: each for each in findings_of(record, plan)}
    assert set(plan.faults) == set(BOOK)
    for fault in plan.faults:
        name = fault_slug(fault)
        assert found[name].grade is Grade.PASS, found[name]
        begun = record.stage_at(name, Stage.ACT)
        assert begun is not None
        seen = {each.fault for each in record.during(name, Stage.ACT) if each.at > begun}
        assert seen == {int(fault)}
        on_work = mode_before(record, name) in (Mode.PIERCING, Mode.CUTTING)
        assert on_work is (BOOK[fault].effect is not Effect.NO_START)


def test_a_fault_that_nobody_clears_is_cleared_at_the_panel() -> None:
    trials = [
        trial
        for trial in trials_of(QUICK)
        if trial.name in ("cut", *(fault_slug(fault) for fault in QUICK.faults))
    ]
    virtual = Virtual(trials)
    order = virtual.program.order
    virtual.program.order = lambda word, now: order(word, now) if word == "start" else None
    record = virtual.run()
    assert len(record.of(What.PANEL_CLEAR)) == len(QUICK.faults) - 1
    for fault in QUICK.faults:
        assert not record.skipped(fault_slug(fault))


def test_the_supply_is_left_as_it_was() -> None:
    virtual = Virtual()
    before = virtual.supply.surroundings
    virtual.run()
    assert virtual.supply.surroundings == before
    assert virtual.supply.fault in (Fault.NONE, QUICK.faults[-1])
