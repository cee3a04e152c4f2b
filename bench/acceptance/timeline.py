"""When, in the course of a run, transactions went wrong."""

from __future__ import annotations

from typing import Any

from kerfbus.bench.account import AccountingTransport
from kerfbus.bench.transport import Transport

MOST_BINS = 120
"""As many as a page can show; when they are full, each two become one."""
FIRST_BIN_NS = 50_000_000


class Timeline:
    """Counts of a run in equal spans of time, in bounded memory.

    Args:
        began: instant of the first span.
    """

    def __init__(self, began: int) -> None:
        self._began = began
        self._bin_ns = FIRST_BIN_NS
        self._bins: list[list[int]] = []

    def add(self, at: int, trials: int, wrong: int) -> None:
        """Take in transactions that came to an end by `at`.

        Args:
            at: not before the start.
            trials: how many.
            wrong: how many of them went wrong.
        """
        index = (at - self._began) // self._bin_ns
        while index >= MOST_BINS:
            pairs = zip(self._bins[::2], [*self._bins[1::2], [0, 0]], strict=False)
            self._bins = [[one[0] + two[0], one[1] + two[1]] for one, two in pairs]
            self._bin_ns *= 2
            index = (at - self._began) // self._bin_ns
        while len(self._bins) <= index:
            self._bins.append([0, 0])
        self._bins[index][0] += trials
        self._bins[index][1] += wrong

    def to_json(self) -> dict[str, Any]:
        """Return it as a figure: seconds of a span, and in each transactions and wrong ones."""
        return {
            "kind": "timeline",
            "bin_seconds": self._bin_ns / 1e9,
            "transactions": [each[0] for each in self._bins],
            "wrong": [each[1] for each in self._bins],
        }


class WatchedLine(AccountingTransport):
    """A counted line that also notes when things went wrong.

    Args:
        inner: does the work.

    Attributes:
        timeline: what was noted.
    """

    def __init__(self, inner: Transport) -> None:
        super().__init__(inner)
        self.timeline = Timeline(inner.clock.now())
        self._trials = self._wrong = 0

    async def send(self, data: bytes) -> int:
        """Note what the transactions so far have come to, and send."""
        self.note()
        return await super().send(data)

    def finish(self) -> None:
        """Count what is still open, and note it."""
        super().finish()
        self.note()

    def note(self) -> None:
        """Note what came to an end since the last note."""
        total = self.quality.total
        if total.trials > self._trials:
            done, wrong = total.trials - self._trials, total.wrong - self._wrong
            self.timeline.add(self.clock.now(), done, wrong)
            self._wrong, self._trials = total.wrong, total.trials
