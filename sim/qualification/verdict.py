"""All judges in the order of the report, and what the controller was seen to use."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType

from kerfbus.sim.qualification import conduct, judges
from kerfbus.sim.qualification.record import Asked, Finding, Grade, Record
from kerfbus.sim.qualification.schedule import Plan
from kerfbus.sim.qualification.treatment import LURING

NS = 1_000_000_000
Judge = Callable[[Record], Finding]

FIRST: tuple[Judge, ...] = (
    judges.steady_polling,
    judges.silent_interval,
    judges.time_out,
    judges.retry,
    *(partial(judges.bad_reply, kind=kind) for kind in LURING),
    judges.link_loss,
    judges.recovery,
    judges.no_self_restart,
    conduct.limits,
    conduct.waits_for_transfer,
)
"""Judges that every plan has; each fault of the plan has one more."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """What the controller was seen to use.

    Attributes:
        registers: by name, table and addresses where the map has none; in alphabetical order.
        functions: function codes, rising.
    """

    registers: tuple[str, ...]
    functions: tuple[int, ...]


def findings_of(record: Record, plan: Plan) -> tuple[Finding, ...]:
    """Return what the judges find, in the order of the report.

    Args:
        record: the witness's.
        plan: that was run.
    """
    found = [judge(record) for judge in FIRST]
    return (*found, *(conduct.fault(record, which) for which in plan.faults))


def coverage_of(record: Record) -> Coverage:
    """Return which registers and functions were ever used in requests to this supply."""
    names: set[str] = set()
    for each in record.ours:
        names.update(each.meaning.reads)
        names.update(one.name for one in each.meaning.writes)
    functions = {each.function for each in record.ours}
    return Coverage(tuple(sorted(names)), tuple(sorted(functions)))


def evidence_of(record: Record, finding: Finding) -> Iterator[tuple[Asked, str]]:
    """Yield the requests that speak for a grade, each with a line for a person.

    Args:
        record: the witness's.
        finding: whose evidence.
    """
    for index in finding.evidence:
        asked = record.asked[index]
        done = "" if asked.treatment.value == "none" else f"; reply {asked.treatment.value}"
        refused = f"; refused with {asked.refused:02X}" if asked.refused else ""
        mode = asked.mode.name.lower().replace("_", "-")
        yield asked, f"{asked.meaning} (supply: {mode}{done}{refused})"


COUNTED: Mapping[Grade, str] = MappingProxyType(
    {Grade.PASS: "passed", Grade.FAIL: "failed", Grade.NOT_SEEN: "not seen"}
)


def counts(findings: tuple[Finding, ...]) -> str:
    """Return in a line how many checks had each grade.

    Args:
        findings: all of them.
    """
    numbers = {grade: sum(each.grade is grade for each in findings) for grade in Grade}
    return ", ".join(f"{numbers[grade]} {word}" for grade, word in COUNTED.items())
