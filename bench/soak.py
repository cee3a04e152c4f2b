"""Soaking a link: many harmless transactions, and what they prove about it.

Read-only. It asks again and again for the same values, counts what went wrong, and stops by count,
by time, or when a claim is shown or refused. Nothing is tried again: a retry would hide an error.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Any

from kerfbus.bench.access import READS, raw_of
from kerfbus.bench.account import AccountingTransport
from kerfbus.bench.arcsign import OFF, ON, ArcSign
from kerfbus.bench.client import Client, Outcome, Policy
from kerfbus.bench.confidence import Claim
from kerfbus.bench.direction import READ_EVERY, Direction
from kerfbus.bench.errors import UsageError
from kerfbus.bench.quality import ARC
from kerfbus.bench.regmap import ReadSpan

NS = 1_000_000_000
LOST_PAUSE_NS = NS // 5
"""After the port was lost: no busy loop until it comes back."""
DEAD_AFTER = 20
"""So many transactions without a single answer, from the first on: nobody is there (chosen)."""


class Verdict(Enum):
    """What a soak has shown."""

    SHOWN = "claim shown"
    REFUSED = "claim refused"
    OPEN = "claim not shown"
    """It ended before there were enough transactions."""
    CLEAN = "no errors"
    ERRORS = "errors"
    DEAD = "no answer"

    @property
    def good(self) -> bool:
        """Return whether the answer is a good one."""
        return self in (Verdict.SHOWN, Verdict.CLEAN)


@dataclass(frozen=True, slots=True)
class SoakPlan:
    """What is asked, and when it ends.

    Attributes:
        server: the address.
        spans: what is read, in turn; at least one.
        count: transactions, None for no limit.
        duration_ns: how long, None for no limit.
        claim: ends when this is shown or refused; None for no claim.
        pause_ns: from the end of a transaction to the next request, besides the silent interval.
        arc: read in each round; None where marks tell of the arc, or nobody does.

    Raises:
        UsageError: it would never end, or asks for nothing.
    """

    server: int
    spans: tuple[ReadSpan, ...]
    count: int | None = None
    duration_ns: int | None = None
    claim: Claim | None = None
    pause_ns: int = 0
    arc: ArcSign | None = None

    def __post_init__(self) -> None:
        if self.count is None and self.duration_ns is None and self.claim is None:
            raise UsageError(
                "a soak without end: give how many transactions, how long, or what to show"
            )
        if not self.spans:
            raise UsageError("a soak that asks for nothing: give at least one value")


class Soak:
    """One soak.

    Args:
        line: the port, counted.
        plan: what is asked, and when it ends.
        policy: time-out; its retries are not used.
        marked: told of each change of the arc that the register showed, to be recorded.

    Attributes:
        plan: as given.
        began: when it began, None before.
    """

    def __init__(
        self,
        line: AccountingTransport,
        plan: SoakPlan,
        policy: Policy,
        marked: Callable[[str, str, int], None] | None = None,
    ) -> None:
        self.plan = plan
        self.began: int | None = None
        self._line = line
        self._client = Client(line, policy)
        self._marked = marked
        self._direction = Direction(line, plan.server)
        self._spans = plan.spans
        if plan.arc is not None and not any(map(plan.arc.within, plan.spans)):
            self._spans += (plan.arc.span,)
        self._arc: str | None = None
        self._ended_at = 0
        self._asked = self._answers = 0
        self._next_look = 0  # as soon as the server has answered at all
        self._needed: tuple[int, int] = (-1, 0)

    async def run(self) -> Verdict:
        """Ask until the end.

        Cancelling is safe: what was counted stays, and `verdict` and `to_json` say what it shows.
        """
        clock = self._line.clock
        self.began = self._ended_at = clock.now()
        try:
            while not self.over:
                await self._round()
        finally:
            self._line.finish()
            self._ended_at = clock.now()
        if self._answers:
            await self._look()
        return self.verdict

    @property
    def done(self) -> int:
        """Return how many transactions have come to an end."""
        return self._line.quality.total.trials

    @property
    def left(self) -> int | None:
        """Return how many transactions are still needed, if no more goes wrong; None: unknown."""
        plan, total = self.plan, self._line.quality.total
        limits = []
        if plan.count is not None:
            limits.append(plan.count - total.trials)
        if plan.claim is not None:
            limits.append(self._claim_needs(plan.claim, total.wrong) - total.trials)
        return max(min(limits), 0) if limits else None

    @property
    def over(self) -> bool:
        """Return whether it has come to its end."""
        plan, total = self.plan, self._line.quality.total
        if not self._answers and self._asked >= DEAD_AFTER:
            return True
        if plan.count is not None and total.trials >= plan.count:
            return True
        if plan.duration_ns is not None and self._elapsed >= plan.duration_ns:
            return True
        claim = plan.claim
        return claim is not None and (
            total.trials >= self._claim_needs(claim, total.wrong)
            or claim.refused(total.wrong, total.trials)
        )

    @property
    def verdict(self) -> Verdict:
        """Return what the counts show."""
        claim, total = self.plan.claim, self._line.quality.total
        if not self._answers and total.trials:
            return Verdict.DEAD
        if claim is None:
            return Verdict.ERRORS if total.wrong or not total.trials else Verdict.CLEAN
        if claim.shown(total.wrong, total.trials):
            return Verdict.SHOWN
        return Verdict.REFUSED if claim.refused(total.wrong, total.trials) else Verdict.OPEN

    def to_json(self) -> dict[str, Any]:
        """Return the answer of ``soak --json``."""
        quality = self._line.quality
        claim, total = self.plan.claim, quality.total
        began = self._ended_at if self.began is None else self.began
        return {
            "server": self.plan.server,
            "verdict": self.verdict.value,
            "transactions": total.trials,
            "wrong": total.wrong,
            "seconds": (self._ended_at - began) / NS,
            "claim": None
            if claim is None
            else {
                "rate": claim.rate,
                "confidence": claim.confidence,
                "needed": claim.needed(total.wrong),
                "left": max(claim.needed(total.wrong) - total.trials, 0),
            },
            "quality": quality.to_json(),
            "comparisons": quality.comparisons(),
            "direction": self._direction.to_json(),
            "direction_note": self._direction.trouble or None,
        }

    @property
    def _elapsed(self) -> int:
        return self._line.clock.now() - (self.began or 0)

    async def _round(self) -> None:
        for span in self._spans:
            await self._ask(span)
            if self.over:
                return

    async def _ask(self, span: ReadSpan) -> None:
        plan, line = self.plan, self._line
        self._asked += 1
        result = await self._client.request(
            plan.server, READS[span.table](span.start, span.quantity)
        )
        if result.outcome in (Outcome.REPLY, Outcome.EXCEPTION):
            self._answers += 1
            raw = raw_of(span, result.reply)
            if plan.arc is not None and raw is not None and plan.arc.within(span):
                self._see_arc(ON if plan.arc.on(span, raw) else OFF, result.at)
        else:
            line.quality.finish()  # its time is over, whatever comes later
        if self._answers and line.sent >= self._next_look:
            await self._look()
        if result.outcome is Outcome.PORT_LOST:
            await line.clock.sleep_until(line.clock.now() + LOST_PAUSE_NS)
        if plan.pause_ns:
            await line.clock.sleep_until(line.clock.now() + plan.pause_ns)

    async def _look(self) -> None:
        """Read the server's own counters. These requests are no part of the soak's account."""
        self._next_look = self._line.sent + READ_EVERY
        self._line.counting = False
        try:
            await self._direction.look(self._client)
        finally:
            self._line.counting = True

    def _see_arc(self, state: str, at: int) -> None:
        self._line.quality.observe(ARC, state)
        if state != self._arc and self._marked is not None:
            self._marked(ARC, state, at)
        self._arc = state

    def _claim_needs(self, claim: Claim, errors: int) -> int:
        """Return `Claim.needed`, which changes only with an error, without asking each time."""
        if self._needed[0] != errors:
            self._needed = (errors, claim.needed(errors))
        return self._needed[1]
