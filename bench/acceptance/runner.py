"""Running a plan: step by step, each graded, each kept at once."""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping
from dataclasses import dataclass, replace
from typing import Any

from kerfbus.bench.acceptance.armed import armed
from kerfbus.bench.acceptance.asked import Asker, judged
from kerfbus.bench.acceptance.automatic import CHECKS
from kerfbus.bench.acceptance.form import Manner, StepForm
from kerfbus.bench.acceptance.keeping import put_back
from kerfbus.bench.acceptance.plan import Plan
from kerfbus.bench.acceptance.restoring import unstoppable
from kerfbus.bench.acceptance.result import Finding, Grade, Result, Verdict, verdict_of
from kerfbus.bench.acceptance.session import Session
from kerfbus.bench.acceptance.state import State
from kerfbus.bench.errors import UsageError

NOT_REACHED = "not reached: the run was interrupted"
NO_SOURCE = "the plan's author"


@dataclass(frozen=True, slots=True)
class Watcher:
    """Who is told of a run.

    Attributes:
        now: the time of day, as text.
        begins: told of each step that begins.
        ended: told of each result.
    """

    now: Callable[[], str]
    begins: Callable[[StepForm], None] = lambda _step: None
    ended: Callable[[Result], None] = lambda _result: None


@dataclass
class Run:
    """One run of a plan.

    Attributes:
        plan: checked against the map.
        state: what is done already, and where each result is kept.
        asker: answers for a person.
        watcher: is told.
        again: names of steps to be done although they are.
    """

    plan: Plan
    state: State
    asker: Asker
    watcher: Watcher
    again: Container[str] = ()

    @property
    def to_do(self) -> list[StepForm]:
        """Return the steps that are still to be done; a skipped one is."""
        return [each for each in self.plan.steps if not self._done(each)]

    @property
    def needs_line(self) -> bool:
        """Return whether a step that is to be done needs the port."""
        left = any(each.manner is not Manner.ASKED for each in self.to_do)
        return left or bool(self.state.pending)

    def _done(self, step: StepForm) -> bool:
        result = self.state.results.get(step.name)
        skipped = result is None or result.finding.grade is Grade.SKIPPED
        return not skipped and step.name not in self.again

    async def run(self, session: Session | None) -> None:
        """Do what is to be done.

        Cancelling is safe: results so far are kept, and what was written is put back.

        Args:
            session: the means; None where no step needs the port.
        """
        if session is not None and self.state.pending and session.may_write:
            await unstoppable(put_back(session, self.state.pending))
        for step in self.to_do:
            self.watcher.begins(step)
            finding = await self._find(session, step)
            result = _result(step, finding, self.watcher.now())
            self.state.add(result)
            self.watcher.ended(self.state.results[step.name])

    async def _find(self, session: Session | None, step: StepForm) -> Finding:
        lacking = self.plan.missing.get(step.name)
        if lacking is not None:
            return Finding.skipped(lacking)
        try:
            if step.manner is Manner.ASKED:
                return judged(step, await self.asker.ask(step))
            assert session is not None
            if step.manner is Manner.ARMED:
                return await armed(session, step)
            return await CHECKS[step.kind](session, step)
        except UsageError as error:
            return Finding.failed(str(error))

    @property
    def results(self) -> list[Result]:
        """Return a result for every step of the plan, in its order."""
        return [
            self.state.results.get(step.name) or _result(step, Finding.skipped(NOT_REACHED), "")
            for step in self.plan.steps
        ]

    @property
    def verdict(self) -> Verdict:
        """Return what the results say; with something not put back it is a failure."""
        return Verdict.FAILED if self.state.pending else verdict_of(self.results)

    def to_json(self) -> Mapping[str, Any]:
        """Return the part of an answer that the run knows."""
        return {
            "plan": self.plan.name,
            "checks": [each.to_json() for each in self.results],
            "verdict": str(self.verdict),
            "open_points": [each.check for each in self.results if each.open],
            "not_restored": [each.name for each in self.state.pending],
            "sha256": {
                "plan": self.plan.sha256,
                "map": self.state.map_sha256,
                "captures": dict(self.state.captures),
            },
        }


def _result(step: StepForm, finding: Finding, at: str) -> Result:
    source = step.source or NO_SOURCE
    limited = bool(str(finding.limit))
    result = Result(
        step.name,
        step.title,
        step.kind,
        step.method,
        source if limited or step.source else "",
        step.required,
        finding,
        at,
    )
    return result if finding.grade is not Grade.SKIPPED else replace(result, at="")
