"""The judges, on records made by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest

from kerfbus.bench import wire
from kerfbus.bench.line import LineSettings
from kerfbus.sim.faults import Fault
from kerfbus.sim.maps import default_map
from kerfbus.sim.qualification import conduct, judges
from kerfbus.sim.qualification.meaning import meaning_of
from kerfbus.sim.qualification.record import Asked, Grade, Happened, Record, Stage, What
from kerfbus.sim.qualification.schedule import (
    CONTROL,
    CUT,
    LINK_LOSS,
    PLANS,
    SILENCE,
    STEADY,
    fault_slug,
    lure_cutting,
    lure_waiting,
)
from kerfbus.sim.qualification.treatment import Treatment
from kerfbus.sim.qualification.verdict import coverage_of, findings_of
from kerfbus.sim.sequence import Mode

MS = 1_000_000
MAP = default_map()
STATUS = wire.ReadInputRegisters(0, 8)
START = wire.WriteMultipleRegisters(64, (0x4B46, 0, 1))
STOP = wire.WriteMultipleCoils(0, (False,))
CLEAR = wire.WriteMultipleRegisters(64, (0x4B46, 5))
CLEAR_AND_START = wire.WriteMultipleRegisters(64, (0x4B46, 5, 1))
FAULT = Fault.TORCH_COVER_OPEN
FAULT_TRIAL = fault_slug(FAULT)


@dataclass
class Story:
    """Writes a record line by line; `at` moves on by itself."""

    record: Record = field(default_factory=Record)
    trial: str = ""
    stage: Stage = Stage.SET
    mode: Mode = Mode.IDLE
    fault: int = 0
    at: int = 1000 * MS

    def begin(self, trial: str, stage: Stage = Stage.ACT) -> Story:
        """Let a trial enter a stage."""
        self.trial, self.stage = trial, stage
        return self.say(What.STAGE, stage.value)

    def say(self, what: What, detail: str = "") -> Story:
        """Let something happen."""
        if what is What.MODE:
            self.mode = Mode[detail]
        self.record.happened.append(Happened(self.at, what, self.trial, detail))
        self.at += MS
        return self

    def ask(
        self,
        request: wire.Request = STATUS,
        after_ms: float = 50,
        treatment: Treatment = Treatment.NONE,
        **more: int | None,
    ) -> Story:
        """Let the controller ask."""
        self.at += round(after_ms * MS)
        frame = wire.adu(1, request)
        asked = Asked(
            len(self.record.asked),
            self.at,
            frame,
            meaning_of(frame[1:-2], MAP),
            self.trial,
            self.stage,
            self.mode,
            self.fault,
            treatment,
            **more,  # type: ignore[arg-type]
        )
        self.record.asked.append(asked)
        return self

    def polls(self, *steps_ms: float) -> Story:
        """Let it poll after each of these times."""
        for step in steps_ms:
            self.ask(after_ms=step)
        return self


@pytest.mark.parametrize(
    ("steps", "grade"),
    [
        ([50] * 12, Grade.PASS),
        ([50] * 10 + [120] * 2, Grade.PASS),  # a host may be late now and then
        ([50] * 6 + [5] * 5, Grade.FAIL),
        ([50, 400] * 6, Grade.FAIL),
        ([50] * 4, Grade.NOT_SEEN),
    ],
)
def test_steady_polling(steps: Sequence[float], grade: Grade) -> None:
    story = Story().begin(STEADY).ask().polls(*steps)
    assert judges.steady_polling(story.record).grade is grade


@pytest.mark.parametrize(
    ("paced", "late_ms", "gaps_ms", "grade"),
    [
        (False, 0, [0.1], Grade.NOT_SEEN),
        (True, 0, [], Grade.NOT_SEEN),
        (True, 0.5, [3.0, 2.6], Grade.PASS),  # t3.5 at 19200 baud, 11 bits: 2.005 ms
        (True, 0.5, [3.0, 1.2], Grade.FAIL),
        (True, 5.0, [3.0, 4.0], Grade.NOT_SEEN),  # the true silence may be shorter
        (True, 5.0, [1.0, 9.0], Grade.FAIL),  # it cannot be longer
    ],
)
def test_silent_interval(
    paced: bool, late_ms: float, gaps_ms: Sequence[float], grade: Grade
) -> None:
    story = Story(Record(LineSettings(), paced, round(late_ms * MS))).begin(STEADY).ask()
    for gap in gaps_ms:
        story.ask(gap_ns=round(gap * MS))
    assert judges.silent_interval(story.record).grade is grade


@pytest.mark.parametrize(
    ("paced", "wait_ms", "grade"),
    [
        (False, 200, Grade.PASS),
        (False, 6000, Grade.FAIL),
        (False, 5, Grade.PASS),  # without a wire a reply takes no time
        (True, 5, Grade.FAIL),  # 21 characters alone take 12 ms
        (True, 200, Grade.PASS),
        (False, None, Grade.FAIL),
    ],
)
def test_time_out(paced: bool, wait_ms: float | None, grade: Grade) -> None:
    story = Story(Record(paced=paced)).begin(SILENCE).ask(treatment=Treatment.SILENCE)
    if wait_ms is not None:
        story.ask(after_ms=wait_ms)
    assert judges.time_out(story.record).grade is grade


def test_time_out_of_one_that_had_to_be_rescued() -> None:
    story = Story().begin(SILENCE).ask(treatment=Treatment.SILENCE)
    story.at += 3000 * MS
    story.say(What.RESCUED).ask()
    assert judges.time_out(story.record).grade is Grade.FAIL


def lost_link(asked: int, every_ms: float) -> Story:
    """Return a story: 20 polls a second, a cut of two seconds, then the link is lost in one."""
    story = Story(Record(signals=True)).begin(STEADY).ask().polls(*[50] * 20)
    story.begin(CUT, Stage.WATCH).say(What.MODE, "RAMP_UP").say(What.MODE, "CUTTING")
    story.polls(*[50] * 40).ask(STOP).say(What.MODE, "POST_FLOW")
    story.begin(LINK_LOSS, Stage.SET).say(What.MODE, "RAMP_UP").say(What.MODE, "CUTTING")
    story.say(What.MOVING).polls(50, 50).begin(LINK_LOSS)
    for _ in range(asked):
        story.ask(after_ms=every_ms, treatment=Treatment.LINK_DOWN)
    return story


@pytest.mark.parametrize(
    ("asked", "every_ms", "grade"),
    [(5, 200, Grade.PASS), (20, 50, Grade.PASS), (200, 5, Grade.FAIL), (0, 0, Grade.FAIL)],
)
def test_retry(asked: int, every_ms: float, grade: Grade) -> None:
    story = lost_link(asked, every_ms)
    story.at += 100 * MS
    story.begin(LINK_LOSS, Stage.WATCH)
    assert judges.retry(story.record).grade is grade


def test_link_loss_is_noticed_by_a_stop() -> None:
    story = lost_link(3, 200).ask(STOP, treatment=Treatment.LINK_DOWN)
    assert judges.link_loss(story.begin(LINK_LOSS, Stage.WATCH).record).grade is Grade.PASS


def test_link_loss_is_noticed_by_a_standing_table() -> None:
    story = lost_link(3, 200).say(What.STILL)
    assert judges.link_loss(story.begin(LINK_LOSS, Stage.WATCH).record).grade is Grade.PASS


def test_link_loss_is_not_noticed_by_a_table_that_moves_on() -> None:
    story = lost_link(5, 200).begin(LINK_LOSS, Stage.WATCH).ask(STOP)
    assert judges.link_loss(story.record).grade is Grade.FAIL


def test_a_stop_when_the_cut_would_end_anyway_shows_nothing() -> None:
    story = lost_link(10, 200).say(What.STILL).ask(STOP, treatment=Treatment.LINK_DOWN)
    assert judges.link_loss(story.begin(LINK_LOSS, Stage.WATCH).record).grade is Grade.FAIL


def test_a_cut_that_would_end_too_soon_after_the_loss_shows_nothing() -> None:
    story = lost_link(0, 0)
    late = story.record.happened.pop()  # the loss
    story.at += 1200 * MS
    story.record.happened.append(late._replace(at=story.at))
    for _ in range(4):
        story.ask(after_ms=200, treatment=Treatment.LINK_DOWN)
    found = judges.link_loss(story.begin(LINK_LOSS, Stage.WATCH).record)
    assert found.grade is Grade.NOT_SEEN
    assert "too soon" in found.detail


def test_a_stop_at_a_cut_s_natural_end_is_none_on_a_bad_reply() -> None:
    story = lost_link(0, 0).begin(lure_cutting(Treatment.DAMAGED))
    story.at += 1700 * MS
    story.ask(treatment=Treatment.DAMAGED, baited=True).ask(STOP)
    assert judges.bad_reply(story.record, Treatment.DAMAGED).grade is Grade.PASS


def test_link_loss_without_a_side_channel_is_not_seen() -> None:
    story = lost_link(5, 200).begin(LINK_LOSS, Stage.WATCH)
    story.record.signals = False
    assert judges.link_loss(story.record).grade is Grade.NOT_SEEN


@pytest.mark.parametrize(
    ("requests", "grade"),
    [
        ((STATUS, STATUS), Grade.PASS),
        ((STOP, CLEAR, STATUS), Grade.PASS),
        ((STATUS, START), Grade.FAIL),
        ((CLEAR, STATUS, START), Grade.FAIL),  # cleared or not: nobody asked for a cut
        ((), Grade.NOT_SEEN),
    ],
)
def test_no_self_restart(requests: Sequence[wire.Request], grade: Grade) -> None:
    story = lost_link(3, 200).begin(LINK_LOSS, Stage.WATCH)
    for request in requests:
        story.ask(request)
    # What comes in the next trial was asked for.
    story.begin("next", Stage.SET).say(What.PROMPT_START).ask(START)
    assert judges.no_self_restart(story.record).grade is grade


@pytest.mark.parametrize(
    ("first_ms", "then_ms", "grade"),
    [(50, 50, Grade.PASS), (4000, 50, Grade.FAIL), (50, 400, Grade.FAIL)],
)
def test_recovery(first_ms: float, then_ms: float, grade: Grade) -> None:
    story = lost_link(3, 200).begin(LINK_LOSS, Stage.WATCH).ask(after_ms=first_ms)
    assert judges.recovery(story.polls(*[then_ms] * 20).record).grade is grade


def test_recovery_of_one_that_asks_nothing_more() -> None:
    story = lost_link(3, 200).begin(LINK_LOSS, Stage.WATCH)
    assert judges.recovery(story.record).grade is Grade.FAIL


def bad_story(*, waiting: wire.Request = STATUS, cutting: wire.Request = STATUS) -> Story:
    """Return a story of one damaged reply in each situation, and what follows it."""
    story = Story().begin(lure_waiting(Treatment.DAMAGED))
    story.ask(treatment=Treatment.DAMAGED, baited=True).ask().ask(waiting).polls(*[50] * 6)
    story.begin(lure_cutting(Treatment.DAMAGED))
    story.ask(treatment=Treatment.DAMAGED, baited=True).ask(cutting).polls(*[50] * 6)
    return story


@pytest.mark.parametrize(
    ("waiting", "cutting", "grade"),
    [
        (STATUS, STATUS, Grade.PASS),
        (START, STATUS, Grade.FAIL),
        (STATUS, STOP, Grade.FAIL),
        (STOP, START, Grade.PASS),  # neither is what the lure says
    ],
)
def test_bad_reply(waiting: wire.Request, cutting: wire.Request, grade: Grade) -> None:
    story = bad_story(waiting=waiting, cutting=cutting)
    assert judges.bad_reply(story.record, Treatment.DAMAGED).grade is grade


def test_a_late_reaction_is_none() -> None:
    story = bad_story().ask(STOP)
    assert judges.bad_reply(story.record, Treatment.DAMAGED).grade is Grade.PASS


def test_a_stop_that_a_missing_reply_brings_too_shows_nothing() -> None:
    story = Story().begin(CONTROL).ask(treatment=Treatment.SILENCE).ask(STOP)
    before = story.record.asked
    other = bad_story(cutting=STOP)
    other.record.asked[:] = [
        *before,
        *(each._replace(number=each.number + len(before)) for each in other.record.asked),
    ]
    assert judges.bad_reply(other.record, Treatment.DAMAGED).grade is Grade.PASS


def test_bad_reply_behind_which_nothing_is_asked() -> None:
    story = Story().begin(lure_waiting(Treatment.SHORT))
    story.ask(treatment=Treatment.SHORT, baited=True)
    assert judges.bad_reply(story.record, Treatment.SHORT).grade is Grade.FAIL


def test_bad_reply_without_a_lure_is_not_seen() -> None:
    story = Story().begin(lure_waiting(Treatment.LATE)).ask(treatment=Treatment.LATE).ask()
    assert judges.bad_reply(story.record, Treatment.LATE).grade is Grade.NOT_SEEN


@pytest.mark.parametrize(
    ("request_", "grade"),
    [
        (STATUS, Grade.NOT_SEEN),
        (wire.WriteSingleRegister(0, 600), Grade.PASS),
        (wire.WriteSingleRegister(0, 4500), Grade.FAIL),  # 450.0 A, the map allows 125
        (wire.WriteSingleRegister(0, 100), Grade.FAIL),
        (wire.WriteSingleRegister(9000, 1), Grade.FAIL),  # no such register
        (wire.WriteMultipleRegisters(0, (600, 520, 900)), Grade.FAIL),  # the third: 9.00 bar
        (wire.WriteSingleCoil(2, True), Grade.PASS),
    ],
)
def test_limits(request_: wire.Request, grade: Grade) -> None:
    assert conduct.limits(Story().ask(request_).record).grade is grade


@pytest.mark.parametrize(
    ("mode", "signals", "grade"),
    [
        ("CUTTING", True, Grade.PASS),
        ("RAMP_UP", True, Grade.PASS),
        ("PILOT", True, Grade.FAIL),
        ("IDLE", True, Grade.FAIL),
        ("CUTTING", False, Grade.NOT_SEEN),
    ],
)
def test_waits_for_transfer(mode: str, signals: bool, grade: Grade) -> None:
    story = Story(Record(signals=signals)).begin(CUT).ask().say(What.MODE, mode).say(What.MOVING)
    assert conduct.waits_for_transfer(story.record).grade is grade


@pytest.mark.parametrize(
    ("modes", "grade"),
    [
        (("PILOT", "CUTTING", "FAULT"), Grade.PASS),  # it could not know yet
        (("PILOT", "POST_FLOW"), Grade.FAIL),
    ],
)
def test_an_arc_that_went_out_just_before(modes: Sequence[str], grade: Grade) -> None:
    story = Story(Record(signals=True)).begin(CUT).say(What.MODE, "CUTTING").ask(STOP).ask(START)
    for mode in modes:
        story.say(What.MODE, mode)
    assert conduct.waits_for_transfer(story.say(What.MOVING).record).grade is grade


def test_a_table_that_never_moves_is_not_seen_to_wait() -> None:
    story = Story(Record(signals=True)).begin(CUT).ask()
    assert conduct.waits_for_transfer(story.record).grade is Grade.NOT_SEEN


@pytest.mark.parametrize(
    ("requests", "grade"),
    [
        ((STATUS, STOP), Grade.PASS),
        ((STATUS, STOP, CLEAR, STATUS, START), Grade.PASS),
        ((STATUS, STATUS), Grade.NOT_SEEN),
        ((STATUS, START), Grade.FAIL),
        ((STATUS, STOP, START, CLEAR), Grade.FAIL),
        ((STATUS, STOP, CLEAR_AND_START), Grade.FAIL),  # one request: no act of its own
        ((), Grade.NOT_SEEN),
    ],
)
def test_fault(requests: Sequence[wire.Request], grade: Grade) -> None:
    story = Story().begin(FAULT_TRIAL)
    story.fault = int(FAULT)
    for request in requests:
        story.ask(request)
    assert conduct.fault(story.record, FAULT).grade is grade


def test_a_clearing_that_was_refused_clears_nothing() -> None:
    story = Story().begin(FAULT_TRIAL)
    story.fault = int(FAULT)
    story.ask(STOP).ask(CLEAR, refused=4).ask(START)
    assert conduct.fault(story.record, FAULT).grade is Grade.FAIL


@pytest.mark.parametrize(("what", "grade"), [(What.STILL, Grade.PASS), (What.MOVING, Grade.FAIL)])
def test_fault_by_motion(what: What, grade: Grade) -> None:
    story = Story(Record(signals=True)).say(What.MOVING).begin(FAULT_TRIAL)
    story.fault = int(FAULT)
    story.ask().say(what).ask()
    assert conduct.fault(story.record, FAULT).grade is grade


def test_of_an_empty_record_nothing_is_seen() -> None:
    for plan in PLANS.values():
        found = findings_of(Record(), plan)
        assert {each.grade for each in found} == {Grade.NOT_SEEN}
        assert all(each.detail for each in found)
        assert len({each.check for each in found}) == len(found)


def test_what_is_asked_of_others_is_not_judged() -> None:
    story = Story().ask(wire.WriteSingleRegister(0, 600))
    frame = wire.adu(9, wire.WriteSingleRegister(0, 9000))
    other = story.record.asked[0]._replace(
        number=1, frame=frame, meaning=meaning_of(frame[1:-2], MAP)
    )
    story.record.asked.append(other)
    assert conduct.limits(story.record).grade is Grade.PASS
    assert coverage_of(story.record).registers == ("current_setpoint",)
