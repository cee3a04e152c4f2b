"""Judges of how a controller treats the process: limits, transfer, faults. Pure functions.

As in `kerfbus.sim.qualification.judges`: what nothing shows is "not seen".

Sources: motion waits for the transferred arc (common to plasma sources); a reset does not start
anything by itself, and a restart needs an act of its own (IEC 60204-1:2016, as quoted by others;
the clause was not read).
"""

from __future__ import annotations

from kerfbus.sim.faults import Fault
from kerfbus.sim.qualification.meaning import Act
from kerfbus.sim.qualification.record import Asked, Finding, Grade, Happened, Record, Stage, What
from kerfbus.sim.qualification.schedule import CUT, fault_slug
from kerfbus.sim.sequence import ON_WORK, Mode

MS = 1_000_000
EVIDENCE = 8
_STOPS = (Act.STOP, Act.DISABLE)


def limits(record: Record) -> Finding:
    """Judge whether it writes only what the map allows, within the map's limits."""
    check = "limits"
    writes = [each for each in record.ours if each.meaning.writes]
    if not writes:
        return Finding(check, Grade.NOT_SEEN, "it wrote nothing")
    wrong = [each for each in writes if any(one.wrong for one in each.meaning.writes)]
    if wrong:
        reason = next(one.wrong for one in wrong[0].meaning.writes if one.wrong)
        said = f"{len(wrong)} of {len(writes)} writes are outside the map; first: {reason}"
        return Finding(check, Grade.FAIL, said, wrong[0].at, _some(wrong))
    names = {one.name for each in writes for one in each.meaning.writes}
    said = f"{len(writes)} writes of {len(names)} registers, all within the map"
    refused = [each for each in writes if each.refused]
    if refused:
        said += f"; the supply refused {len(refused)} of them as it was then"
    return Finding(check, Grade.PASS, said, writes[0].at, _some(writes))


def waits_for_transfer(record: Record) -> Finding:
    """Judge whether the table stands until the arc is transferred."""
    check = "waits-for-transfer"
    if not record.signals:
        return Finding(
            check,
            Grade.NOT_SEEN,
            "the link does not show motion, and there is no side channel (--signals)",
        )
    moves = record.of(What.MOVING)
    early = [each for each in moves if not _arc_was_there(record, each.at)]
    if early:
        mode = record.mode_at(early[0].at).name.lower().replace("_", "-")
        said = f"the table moves while the supply is in {mode}, no arc on the work"
        return Finding(check, Grade.FAIL, said, early[0].at, _before(record, early[0]))
    if record.stage_at(CUT, Stage.ACT) is None:
        return Finding(check, Grade.NOT_SEEN, record.skipped(CUT))
    if not moves:
        return Finding(check, Grade.NOT_SEEN, "the side channel never said that the table moves")
    said = f"the table moved {len(moves)} times, each time with the arc on the work"
    return Finding(check, Grade.PASS, said, moves[0].at, _before(record, moves[0]))


def _arc_was_there(record: Record, at: int) -> bool:
    """Return whether the arc has been on the work since the last start.

    An arc that goes out just before the table moves is not held against a controller that could not
    know it yet; what it does then is the faults' check.
    """
    if record.mode_at(at) in ON_WORK:
        return True
    starts = [each.at for each in record.ours if each.at <= at and each.does(Act.START)]
    modes = [each for each in record.of(What.MODE) if starts and starts[-1] <= each.at <= at]
    return any(Mode[each.detail] in ON_WORK for each in modes)


def _before(record: Record, event: Happened) -> tuple[int, ...]:
    """Return the last requests before something happened."""
    return tuple(each.number for each in record.ours if each.at <= event.at)[-3:]


def fault(record: Record, which: Fault) -> Finding:
    """Judge whether it stops on a fault, and does not start before the fault was cleared.

    Args:
        record: the witness's.
        which: the fault.
    """
    check = trial = fault_slug(which)
    begun = record.stage_at(trial, Stage.ACT)
    if begun is None:
        return Finding(check, Grade.NOT_SEEN, record.skipped(trial))
    after = [each for each in record.ours if each.at > begun and each.trial == trial]
    early = _start_before_clear(after)
    if early is not None:
        said = "it orders a start before the fault was cleared by an act of its own"
        return Finding(check, Grade.FAIL, said, early.at, (early.number,))
    return _stopped(record, check, begun, after)


def _start_before_clear(after: list[Asked]) -> Asked | None:
    """Return the first start that no clearing in another request came before."""
    cleared = False
    for each in after:
        # In one request the order of the two is nobody's separate act.
        if each.does(Act.START) and not cleared:
            return each
        if each.does(Act.CLEAR) and not each.refused:
            cleared = True
    return None


def _stopped(record: Record, check: str, begun: int, after: list[Asked]) -> Finding:
    """Judge whether it stopped, where it did not start again."""
    told = [each for each in after if each.fault]
    if not told:
        return Finding(check, Grade.NOT_SEEN, "it asked nothing while the fault was latched", begun)
    stops = [each for each in after if each.does(*_STOPS)]
    end = max(each.at for each in after)
    motions = [
        each for each in record.of(What.MOVING, What.STILL) if each.at <= end and record.signals
    ]
    moving = bool(motions) and motions[-1].what is What.MOVING
    if moving:
        said = "the table still moves, though the supply has a fault"
        return Finding(check, Grade.FAIL, said, begun, _some(told))
    if stops:
        said = f"it orders a stop {(stops[0].at - begun) / MS:.0f} ms after the fault; no restart"
        return Finding(check, Grade.PASS, said, stops[0].at, _some(stops))
    still = [each for each in motions if each.what is What.STILL and each.at > begun]
    if still:
        said = f"the table stands {(still[0].at - begun) / MS:.0f} ms after the fault; no restart"
        return Finding(check, Grade.PASS, said, still[0].at, _some(told))
    said = "no restart; it orders no stop, and nothing shows that it stopped"
    return Finding(check, Grade.NOT_SEEN, said, begun, _some(told))


def _some(asked: list[Asked]) -> tuple[int, ...]:
    return tuple(each.number for each in asked[:EVIDENCE])
