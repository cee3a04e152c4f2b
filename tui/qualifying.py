"""What a qualification found, as text for a person and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from kerfbus.bench.wire import function_name
from kerfbus.sim.qualification.record import Finding, Grade, Record
from kerfbus.sim.qualification.schedule import Plan
from kerfbus.sim.qualification.verdict import (
    Coverage,
    counts,
    coverage_of,
    evidence_of,
    findings_of,
)
from kerfbus.tui.output import BAD, FAINT, GOOD, HEADING, Json, Output

NS = 1_000_000_000
MS = 1_000_000
WIDTH = 80
SHOWN = 3
"""Requests that a person sees of a failed check; the other reports have more."""
STYLE = {Grade.PASS: GOOD, Grade.FAIL: BAD, Grade.NOT_SEEN: FAINT}
NOTE = (
    "The supply is simulated and invented. A passed check says what was seen in this run over this "
    "link; it is no certificate, and no check of a safety function."
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that a report is made of.

    Attributes:
        record: the witness's.
        plan: that was run.
        findings: of the judges.
        place: where the controller was connected.
        map_name: of the register map.
    """

    record: Record
    plan: Plan
    findings: tuple[Finding, ...]
    place: str
    map_name: str

    @classmethod
    def of(cls, record: Record, plan: Plan, place: str, map_name: str) -> Outcome:
        """Return the outcome of a record: let the judges see it."""
        return cls(record, plan, findings_of(record, plan), place, map_name)

    @property
    def coverage(self) -> Coverage:
        """Return what the controller was seen to use."""
        return coverage_of(self.record)

    @property
    def failed(self) -> bool:
        """Return whether any check failed."""
        return any(each.grade is Grade.FAIL for each in self.findings)

    @property
    def seconds(self) -> float:
        """Return how long the controller was heard."""
        asked = self.record.asked
        return (asked[-1].at - asked[0].at) / NS if asked else 0.0

    @property
    def summary(self) -> str:
        """Return the counts in a line."""
        return f"{counts(self.findings)}; {len(self.record.asked)} requests in {self.seconds:.1f} s"

    def speaks(self, finding: Finding) -> Iterator[tuple[int, int, str]]:
        """Yield number, instant and meaning of the requests that speak for a grade."""
        for asked, said in evidence_of(self.record, finding):
            yield asked.number, asked.at, said

    def since(self, at: int | None) -> float | None:
        """Return an instant as seconds from the first request."""
        return None if at is None else (at - self.record.begin) / NS


def answer(outcome: Outcome) -> dict[str, Json]:
    """Return the one object of ``--json``."""
    record, coverage = outcome.record, outcome.coverage
    poll, cut = record.poll_ns, record.cut_ns
    return {
        "checks": [
            {
                "check": each.check,
                "grade": each.grade.value,
                "detail": each.detail,
                "at_ns": each.at,
                "evidence": [
                    {"index": number, "at_ns": at, "what": said}
                    for number, at, said in outcome.speaks(each)
                ],
            }
            for each in outcome.findings
        ],
        "coverage": {
            "registers": list(coverage.registers),
            "functions": list(coverage.functions),
        },
        "verdict": "fail" if outcome.failed else "pass",
        "plan": outcome.plan.name,
        "map": outcome.map_name,
        "port": outcome.place,
        "requests": len(record.asked),
        "damaged_requests": record.damaged,
        "seconds": outcome.seconds,
        "poll_ms": None if poll is None else poll / MS,
        "cut_seconds": None if cut is None else cut / NS,
    }


def tell(outcome: Outcome, output: Output) -> None:
    """Write the report for a person."""
    output.text(f"Controller on {outcome.place}, plan {outcome.plan.name}", HEADING)
    output.text(outcome.summary)
    width = max(len(each.check) for each in outcome.findings)
    for each in outcome.findings:
        grade = output.paint(f"{each.grade.value:10}", STYLE[each.grade])
        indent = " " * (width + 14)
        first, *more = textwrap.wrap(each.detail, WIDTH - len(indent)) or [""]
        output.text(f"  {each.check:{width}}  {grade}{first}")
        output.texts(f"{indent}{line}" for line in more)
        if each.grade is Grade.FAIL:
            _tell_evidence(outcome, each, output, indent)
    coverage = outcome.coverage
    output.text()
    names = ", ".join(f"{code:02X} {function_name(code)}" for code in coverage.functions)
    output.texts(textwrap.wrap(f"Functions used: {names or 'none'}", WIDTH))
    registers = f"Registers used ({len(coverage.registers)}): {', '.join(coverage.registers)}"
    output.texts(textwrap.wrap(registers, WIDTH, break_on_hyphens=False))
    output.texts(textwrap.wrap(NOTE, WIDTH))


def _tell_evidence(outcome: Outcome, finding: Finding, output: Output, indent: str) -> None:
    for number, at, said in islice(outcome.speaks(finding), SHOWN):
        lines = textwrap.wrap(f"#{number} at {outcome.since(at):.3f} s: {said}", WIDTH - 14)
        output.texts(f"{indent[:12]}{line}" for line in lines)
