"""Judges of how a controller uses the link: pure functions of the witness's record.

Each returns a `Finding`. What nothing shows is "not seen", with the reason; it is never a pass.
All tolerances are chosen: common practice, no source, where none is named.
"""

from __future__ import annotations

from kerfbus.sim.qualification.meaning import Act
from kerfbus.sim.qualification.record import Asked, Finding, Grade, Record, Stage, What
from kerfbus.sim.qualification.schedule import (
    CONTROL,
    LINK_LOSS,
    SILENCE,
    STEADY,
    lure_cutting,
    lure_waiting,
)
from kerfbus.sim.qualification.treatment import Treatment
from kerfbus.sim.sequence import Mode

NS = 1_000_000_000
MS = 1_000_000
LEAST_STEPS = 8
"""Fewer polls show no rate."""
UNSTEADY_FACTOR, UNSTEADY_SHARE = 2.0, 0.2
"""A poll is off the rate beyond half or double the median; so many may be (a host's scheduling)."""
LONGEST_TIMEOUT_NS = 5 * NS
RETRY_FACTOR, RETRY_ROOM = 2.0, 3
"""While the link is down a controller asks at most so many times as often as usual, and some."""
REACTS_WITHIN = 4
"""Requests after a bad reply in which acting on it shows."""
RECOVERS_NS, RECOVERED_SHARE = 3 * NS, 0.5
EVIDENCE = 8
"""Most requests that a finding names."""
NOTICES_NS, NOTICES_WAITS = 800 * MS, 4
"""A lost link is noticed within the longer of a time and so many of its own time-outs (chosen)."""
ARC_BEGINS = Mode.RAMP_UP.name
CUT_SHARE = 0.85
"""Cuts of a controller differ in length by less than the rest."""
_STOPS = (Act.STOP, Act.DISABLE)


def steady_polling(record: Record) -> Finding:
    """Judge whether it polls at a steady rate."""
    check, asked = "steady-polling", record.during(STEADY, Stage.ACT)
    steps = record.poll_steps(asked)
    if len(steps) < LEAST_STEPS:
        return Finding(check, Grade.NOT_SEEN, f"only {len(steps)} equal polls in a row were seen")
    median = sorted(steps)[len(steps) // 2]
    low, high = median / UNSTEADY_FACTOR, median * UNSTEADY_FACTOR
    off = [step for step in steps if not low <= step <= high]
    said = (
        f"median {median / MS:.0f} ms, shortest {min(steps) / MS:.0f} ms, longest "
        f"{max(steps) / MS:.0f} ms; {len(off)} of {len(steps)} beyond half or double"
    )
    bad = len(off) > UNSTEADY_SHARE * len(steps)
    return Finding(check, Grade.FAIL if bad else Grade.PASS, said, asked[0].at, _some(asked))


def silent_interval(record: Record) -> Finding:
    """Judge whether it keeps t3.5 before a request (MODBUS over Serial Line V1.02, 2.5.1.1)."""
    check = "silent-interval"
    if not record.paced:
        return Finding(check, Grade.NOT_SEEN, "this port shows no time on a wire (pty, TCP)")
    gaps = [(each.gap_ns, each) for each in record.ours if each.gap_ns is not None]
    if not gaps:
        return Finding(check, Grade.NOT_SEEN, "no request came after a reply")
    wanted, late = record.settings.t35_ns, record.uncertainty_ns
    # A stamp is never early: the true silence is at most what the stamps show.
    broken = [each for gap, each in gaps if gap < wanted - record.settings.bit_ns]
    shortest = min(gap for gap, _ in gaps)
    said = f"shortest {shortest / MS:.2f} ms, t3.5 is {wanted / MS:.2f} ms"
    if broken:
        return Finding(check, Grade.FAIL, said, broken[0].at, _some(broken))
    if shortest - late < wanted:
        return Finding(
            check, Grade.NOT_SEEN, f"{said}; the host's stamps may be {late / MS:.1f} ms late"
        )
    return Finding(check, Grade.PASS, said)


def time_out(record: Record) -> Finding:
    """Judge whether it waits for a reply as long as one may take, and no longer than is sane."""
    check = "time-out"
    waits = _waits(record)
    if not waits:
        return Finding(check, Grade.NOT_SEEN, record.skipped(SILENCE) or "no reply was withheld")
    hung = [each for each, next_at in waits if next_at is None or _rescued(record, each, next_at)]
    if hung:
        why = "it asked nothing more until a reply came: it has no time-out"
        return Finding(check, Grade.FAIL, why, hung[0].at, _some(hung))
    times = [next_at - each.at for each, next_at in waits if next_at is not None]
    shortest, longest = min(times), max(times)
    # The answer to most reads: address, function, count, eight words, CRC; and the silence before.
    least = record.settings.t35_ns + record.settings.characters_ns(21) if record.paced else 0
    said = (
        f"asks again {shortest / MS:.0f} to {longest / MS:.0f} ms after a reply that did not come"
    )
    bad = shortest < least or longest > LONGEST_TIMEOUT_NS
    grade = Grade.FAIL if bad else Grade.PASS
    return Finding(check, grade, said, waits[0][0].at, _some([each for each, _ in waits]))


def _waits(record: Record) -> list[tuple[Asked, int | None]]:
    """Return each request without a reply, and when the next one came."""
    found = []
    for each in record.during(SILENCE, Stage.ACT):
        if each.treatment is Treatment.SILENCE:
            after = next(iter(record.after(each)), None)
            found.append((each, None if after is None else after.at))
    return found


def longest_wait(record: Record) -> int | None:
    """Return the longest time after which it asked again when no reply came; None when unknown.

    Args:
        record: the witness's.
    """
    times = [next_at - each.at for each, next_at in _waits(record) if next_at is not None]
    return max(times, default=None)


def _rescued(record: Record, asked: Asked, until: int) -> bool:
    return any(asked.at < each.at <= until for each in record.of(What.RESCUED))


def retry(record: Record) -> Finding:
    """Judge whether it asks again without flooding the line while no reply comes."""
    check = "retry"
    asked = [
        each
        for each in record.during(LINK_LOSS, Stage.ACT)
        if each.treatment is Treatment.LINK_DOWN
    ]
    begun, ended = (record.stage_at(LINK_LOSS, stage) for stage in (Stage.ACT, Stage.WATCH))
    usual = record.during(STEADY, Stage.ACT)
    if begun is None or ended is None or len(usual) < LEAST_STEPS:
        return Finding(check, Grade.NOT_SEEN, record.skipped(LINK_LOSS) or "no usual rate was seen")
    rate = (len(usual) - 1) * NS / max(usual[-1].at - usual[0].at, 1)
    seconds = (ended - begun) / NS
    said = (
        f"{len(asked)} requests in {seconds:.1f} s without a reply; usual are {rate * seconds:.0f}"
    )
    if not asked:
        return Finding(check, Grade.FAIL, f"{said}: it does not ask again", begun)
    bad = len(asked) > RETRY_FACTOR * rate * seconds + RETRY_ROOM
    return Finding(check, Grade.FAIL if bad else Grade.PASS, said, begun, _some(asked))


def recovery(record: Record) -> Finding:
    """Judge whether it polls as before once the link is back."""
    check, back = "recovery", record.stage_at(LINK_LOSS, Stage.WATCH)
    poll = record.poll_ns
    if back is None or poll is None:
        return Finding(check, Grade.NOT_SEEN, record.skipped(LINK_LOSS) or "no usual rate was seen")
    after = [each for each in record.ours if each.at > back]
    reads = [each for each in after if each.meaning.reads]
    if not reads:
        return Finding(check, Grade.FAIL, "it asked nothing more after the link was back", back)
    wait = reads[0].at - back
    # A controller slower than its own longest wait plus some polls has not come back by itself.
    limit = max(RECOVERS_NS, 20 * poll)
    if wait > limit or any(back < each.at <= reads[0].at for each in record.of(What.RESCUED)):
        return Finding(
            check, Grade.FAIL, f"first asked {wait / NS:.1f} s after", back, _some(reads)
        )
    span = [each for each in reads if each.at <= reads[0].at + 10 * poll]
    usual = record.during(STEADY, Stage.ACT)
    expected = 10 * poll * (len(usual) - 1) / max(usual[-1].at - usual[0].at, 1) if usual else 10
    said = f"polls again {wait / MS:.0f} ms after the link was back"
    bad = len(span) < RECOVERED_SHARE * expected and reads[-1].at - reads[0].at > 10 * poll
    grade = Grade.FAIL if bad else Grade.PASS
    return Finding(check, grade, said, reads[0].at, _some(span))


def bad_reply(record: Record, kind: Treatment) -> Finding:
    """Judge whether it survives bad replies of a kind without acting on what they say.

    Args:
        record: the witness's.
        kind: of `kerfbus.sim.qualification.treatment.LURING`.
    """
    check = f"{kind.value}-reply"
    waiting, cutting = lure_waiting(kind), lure_cutting(kind)
    started = _acted(record, waiting, kind, (Act.START,))
    if started:
        said = f"it starts on a {kind.value} reply that says ready, while the supply is not"
        return Finding(check, Grade.FAIL, said, record.asked[started[-1]].at, started)
    stopped = _acted(record, cutting, kind, _STOPS)
    control = _acted(record, CONTROL, Treatment.SILENCE, _STOPS)
    if stopped and not control:
        said = f"it stops a cut on a {kind.value} reply that says the arc is out"
        return Finding(check, Grade.FAIL, said, record.asked[stopped[-1]].at, stopped)
    given = _given(record, waiting, kind) + _given(record, cutting, kind)
    if not given:
        reason = record.skipped(waiting) or record.skipped(cutting)
        if kind is Treatment.LATE and not reason:
            reason = (
                "all its polls ask for the same length; a late reply cannot be told from the next"
            )
        return Finding(check, Grade.NOT_SEEN, reason or "no such reply could be given")
    if not any(True for _ in record.after(given[-1])):
        return Finding(check, Grade.FAIL, "it asked nothing more after it", given[-1].at)
    said = f"{len(given)} given, {_situations(record, kind)}; it went on and did not act on them"
    if stopped:
        said += "; it stopped a cut, as it does after any missing reply, which shows nothing"
    return Finding(check, Grade.PASS, said, given[0].at, _some(given))


def _situations(record: Record, kind: Treatment) -> str:
    waiting = len(_given(record, lure_waiting(kind), kind))
    cutting = len(_given(record, lure_cutting(kind), kind))
    return f"{waiting} while it waited and {cutting} while it cut"


def _given(record: Record, trial: str, kind: Treatment) -> list[Asked]:
    lures = kind is not Treatment.EXCEPTION and kind is not Treatment.SILENCE
    return [
        each
        for each in record.during(trial, Stage.ACT)
        if each.treatment is kind and (each.baited or not lures)
    ]


def _acted(
    record: Record, trial: str, kind: Treatment, acts: tuple[Act, ...]
) -> tuple[int, ...] | None:
    """Return bad reply and reaction as evidence where an act follows soon; None where none does."""
    for bad in _given(record, trial, kind):
        after = (each for each in record.after(bad) if not each.piled)
        for number, each in enumerate(after):
            if number >= REACTS_WITHIN:
                break
            natural = Act.STOP in acts and each.at >= _natural_end(record, bad.at)
            if each.does(*acts) and not natural:
                return bad.number, each.number
    return None


def link_loss(record: Record) -> Finding:
    """Judge whether it notices that the link is lost in a cut, before anybody tells it."""
    check = "link-loss"
    begun, ended = (record.stage_at(LINK_LOSS, stage) for stage in (Stage.ACT, Stage.WATCH))
    if begun is None or ended is None:
        return Finding(check, Grade.NOT_SEEN, record.skipped(LINK_LOSS) or "the trial did not end")
    # What it does before the first reply after the loss, and before the cut would end anyway, it
    # does because it noticed.
    ended = min(ended, _natural_end(record, begun))
    down = [each for each in record.ours if begun < each.at <= ended]
    stops = [each for each in down if each.does(*_STOPS)]
    if stops:
        said = f"it orders a stop {(stops[0].at - begun) / MS:.0f} ms after the last reply"
        return Finding(check, Grade.PASS, said, stops[0].at, _some(stops))
    still = [each for each in record.of(What.STILL) if begun < each.at <= ended]
    if still:
        said = f"the table stands {(still[0].at - begun) / MS:.0f} ms after the last reply"
        return Finding(check, Grade.PASS, said, still[0].at)
    enough = max(NOTICES_NS, NOTICES_WAITS * (longest_wait(record) or 0))
    if ended - begun < enough:
        said = f"the cut may end by itself {(ended - begun) / MS:.0f} ms after the loss: too soon"
        return Finding(check, Grade.NOT_SEEN, said, begun)
    if record.signals and _moves_at(record, ended):
        said = f"the table moves on through {(ended - begun) / NS:.1f} s without a reply"
        return Finding(check, Grade.FAIL, said, ended, _some(down))
    return Finding(check, Grade.NOT_SEEN, "it orders no stop, and no side channel shows its motion")


def _natural_end(record: Record, at: int) -> int:
    """Return when a cut that goes on at an instant may end by itself, going by the first cut."""
    arcs = [each.at for each in record.of(What.MODE) if each.detail == ARC_BEGINS and each.at <= at]
    if record.cut_ns is None or not arcs:
        return at + LONGEST_TIMEOUT_NS * 2
    return max(at, arcs[-1] + round(CUT_SHARE * record.cut_ns))


def _moves_at(record: Record, at: int) -> bool:
    before = [each for each in record.of(What.MOVING, What.STILL) if each.at <= at]
    return bool(before) and before[-1].what is What.MOVING


def no_self_restart(record: Record) -> Finding:
    """Judge whether it stays stopped after a lost link, until somebody asks for a cut."""
    check, begun = "no-self-restart", record.stage_at(LINK_LOSS, Stage.ACT)
    if begun is None:
        return Finding(check, Grade.NOT_SEEN, record.skipped(LINK_LOSS))
    later = [each.at for each in record.of(What.PROMPT_START, What.STAGE) if each.at > begun]
    asked_at = _end_of_watch(record, begun, later)
    seen = [each for each in record.ours if begun < each.at <= asked_at]
    starts = [each for each in seen if each.does(Act.START)]
    if starts:
        said = "it orders a start by itself after the link was lost"
        return Finding(check, Grade.FAIL, said, starts[0].at, _some(starts))
    watched = max((each.at for each in seen), default=begun) - begun
    said = f"no start in the {watched / NS:.1f} s from the loss on"
    if not any(each.stage is Stage.WATCH for each in seen):
        return Finding(check, Grade.NOT_SEEN, "it asked nothing after the link was back", begun)
    return Finding(check, Grade.PASS, said, begun, _some(seen[-EVIDENCE:]))


def _end_of_watch(record: Record, begun: int, later: list[int]) -> int:
    """Return when the next trial began, or the record ended."""
    for each in record.of(What.STAGE):
        if each.at > begun and each.trial != LINK_LOSS:
            return each.at
    return max([*later, *(each.at for each in record.asked)], default=begun)


def _some(asked: list[Asked]) -> tuple[int, ...]:
    """Return the indices of some requests."""
    return tuple(each.number for each in asked[:EVIDENCE])
