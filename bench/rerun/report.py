"""What a rerun came to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from kerfbus.bench.rerun.comparison import Difference
from kerfbus.bench.rerun.rules import TurnaroundRule
from kerfbus.bench.spread import Spread
from kerfbus.bench.transactions import Transaction

NS_PER_MS = 1_000_000
_NEEDED = {50: 5, 95: 20, 99: 100}
"""So many replies make a percentile worth comparing (chosen): it is then not the longest alone."""


class LeftOut(NamedTuple):
    """A recorded request that was not sent.

    Attributes:
        index: in the recording.
        request: in words.
        reason: why, in words.
    """

    index: int  # type: ignore[assignment]  # hides a method of tuples that nobody calls
    request: str
    reason: str


class Turnaround(NamedTuple):
    """Turnaround at one percentile, in ns.

    Attributes:
        percent: which.
        recorded: in the recording.
        got: now.
        limit: what the rule allows now, None where it says nothing or there are too few replies.
    """

    percent: int
    recorded: int
    got: int
    limit: int | None

    @property
    def same(self) -> bool:
        """Return whether it is within its limit."""
        return self.limit is None or self.got <= self.limit


def turnarounds(
    recorded: Iterable[Transaction],
    got: Iterable[Transaction],
    rule: TurnaroundRule,
    uncertainty_ns: int,
) -> tuple[Turnaround, ...]:
    """Return the percentiles of both sides; none where one side has no reply."""
    one, other = _spread(recorded), _spread(got)
    if not (one.count and other.count):
        return ()
    found = []
    for percent in (50, 95, 99):
        factor = rule.factors.get(percent)
        (was,), (is_now,) = one.percentiles(percent), other.percentiles(percent)
        limit = None
        if factor is not None and min(one.count, other.count) >= _NEEDED[percent]:
            limit = round(was * factor) + rule.slack_ns + uncertainty_ns
        found.append(Turnaround(percent, was, is_now, limit))
    return tuple(found)


def _spread(transactions: Iterable[Transaction]) -> Spread:
    spread = Spread()
    for each in transactions:
        if each.turnaround_ns is not None:
            spread.add(each.turnaround_ns)
    return spread


@dataclass(frozen=True, slots=True)
class Report:
    """What a rerun came to.

    Attributes:
        transactions: that were compared; as server: requests that came.
        different: those that differ, in the order of the recording, and what concerns all.
        off: how many of the transactions are not as recorded.
        left_out: requests that were not sent.
        turnarounds: by percentile.
        notes: further remarks for a person, one line each.
    """

    transactions: int
    different: tuple[Difference, ...]
    off: int
    left_out: tuple[LeftOut, ...] = ()
    turnarounds: tuple[Turnaround, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def same(self) -> int:
        """Return how many transactions were as recorded."""
        return self.transactions - self.off

    @property
    def good(self) -> bool:
        """Return whether nothing differs."""
        return not self.different

    def to_json(self) -> dict[str, Any]:
        """Return it in the stable keys of ``rerun --json``."""
        return {
            "transactions": self.transactions,
            "same": self.same,
            "different": [each.to_json() for each in self.different],
            "verdict": "same" if self.good else "different",
            "left_out": [each._asdict() for each in self.left_out],
            "turnaround_ms": {
                f"p{each.percent}": {
                    "recorded": each.recorded / NS_PER_MS,
                    "got": each.got / NS_PER_MS,
                    "limit": None if each.limit is None else each.limit / NS_PER_MS,
                }
                for each in self.turnarounds
            },
            "notes": list(self.notes),
        }


def too_slow(found: Iterable[Turnaround]) -> tuple[Difference, ...]:
    """Return the percentiles that are past their limits, as differences."""
    return tuple(
        Difference(
            None,
            None,
            f"turnaround p{each.percent} at most {each.limit / NS_PER_MS:.2f} ms "
            f"(recorded {each.recorded / NS_PER_MS:.2f} ms)",
            f"{each.got / NS_PER_MS:.2f} ms",
            "turnaround",
        )
        for each in found
        if each.limit is not None and not each.same
    )
