"""How good a link is, in numbers with confidence: one account for live and recorded traffic.

Counts what a conversation says (`kerfbus.bench.conversation.Message`) and what the line reports,
and states the rate of transactions that went wrong with an exact interval, for all of them and
under each condition apart (arc off, arc on; before and after the cable was moved). It decides
nothing: what a rate means is for a diagnosis or a person.

A transaction is a request to one server. It went wrong when the request or the reply was damaged or
no reply came. An exception is an answer. Broadcasts get no reply and are no transactions.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from kerfbus.bench.confidence import CONFIDENCE, METHOD, Comparison, clopper_pearson, compare
from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.framing import Frame, FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.spread import Spread
from kerfbus.bench.transport import LineEventKind

NS_PER_MS = 1_000_000
HARMLESS = FrameError.GAP
"""A gap inside a frame is the adapter's doing more often than the line's; the content is good."""
LINE_ERRORS = (
    LineEventKind.FRAMING,
    LineEventKind.PARITY,
    LineEventKind.BREAK,
    LineEventKind.OVERRUN,
)
ARC = "arc"
CHANGING = "changing"
"""The value of a condition between two observations that differ."""
MAX_CONDITIONS = 1000
"""More are not told apart: what follows joins the last (chosen, to bound memory)."""


@dataclass(slots=True)
class Tally:
    """What was counted; names as in the machine-readable answers."""

    requests: int = 0
    answered: int = 0
    exceptions: int = 0
    timeouts: int = 0
    damaged_requests: int = 0
    damaged_replies: int = 0
    stray_characters: int = 0


class Share(NamedTuple):
    """Transactions of one condition.

    Attributes:
        wrong: those that went wrong.
        trials: all that have come to an end.
    """

    wrong: int
    trials: int

    @property
    def rate(self) -> float | None:
        """Return the share that went wrong, None without a transaction."""
        return self.wrong / self.trials if self.trials else None

    @property
    def interval(self) -> tuple[float, float]:
        """Return the two-sided exact interval of the rate."""
        return clopper_pearson(self.wrong, self.trials)


class _Open(NamedTuple):
    """The request in the air: its number in the conversation, its end, and what held then."""

    number: int | None
    ended: int
    holding: tuple[tuple[str, str], ...]


class Quality:
    """Counts one line.

    Args:
        settings: rate and format, for the time that a reply takes.
        reports_errors: whether the port ties line errors to characters; only then are they counted.

    Attributes:
        tally: the counts.
        turnarounds: from the end of a request to the first character of its good reply.
        silences: before each frame that follows another.
    """

    def __init__(self, settings: LineSettings, *, reports_errors: bool = True) -> None:
        self.tally = Tally()
        self.turnarounds = Spread()
        self.silences = Spread()
        self._settings = settings
        self._errors: Counter[LineEventKind] | None = Counter() if reports_errors else None
        self._open: _Open | None = None
        self._wrong = self._trials = 0
        self._holding: tuple[tuple[str, str], ...] = ()
        self._shares: dict[tuple[str, str], list[int]] = {}
        self._unsettled: dict[str, list[int]] = {}

    def character_error(self, kind: LineEventKind) -> None:
        """Count a framing, parity, break or overrun error."""
        if self._errors is None:
            self._errors = Counter()  # the port reports them after all
        self._errors[kind] += 1

    def take(self, message: Message) -> None:
        """Count a piece of the conversation. The station's own echo does not count."""
        piece, tally = message.piece, self.tally
        if message.echo:
            return
        if piece.gap_before_ns is not None:
            self.silences.add(max(piece.gap_before_ns, 0))
        if not isinstance(piece, Frame):
            tally.stray_characters += len(piece.data)
            return
        good = not message.errors & ~HARMLESS
        if message.role is Role.REQUEST:
            self._request(message, piece, good=good)
        elif message.role is Role.REPLY and not message.late:
            self._reply(message, piece, good=good)

    def finish(self) -> None:
        """Give up waiting for the reply that is still due."""
        if self._open is not None:
            self.tally.timeouts += 1
            self._close(wrong=True)

    def mark(self, key: str, value: str) -> None:
        """Note that from the next request on `key` is `value`, e.g. ``arc`` is ``on``."""
        holding = dict(self._holding)
        holding[key] = value
        self._holding = tuple(holding.items())
        self._unsettled.pop(key, None)

    def observe(self, key: str, value: str) -> None:
        """Note what was found out just now, by reading a register, of something that changes.

        What passed since it was last found out belongs to `value` if it was the same then, and
        otherwise to the value ``changing``: nobody knows when it changed.
        """
        before = dict(self._holding).get(key)
        counts = self._unsettled.get(key)
        if counts is not None and counts[1]:
            self._add((key, value if before == value else CHANGING), *counts)
        self.mark(key, value)
        self._unsettled[key] = [0, 0]

    @property
    def total(self) -> Share:
        """Return all transactions that have come to an end."""
        return Share(self._wrong, self._trials)

    @property
    def conditions(self) -> dict[tuple[str, str], Share]:
        """Return the transactions under each condition, (key, value), in order of appearance."""
        shares = {name: Share(*counts) for name, counts in self._shares.items()}
        for key, counts in self._unsettled.items():  # not settled yet: taken for unchanged
            name = (key, dict(self._holding)[key])
            before = shares.get(name, Share(0, 0))
            shares[name] = Share(before.wrong + counts[0], before.trials + counts[1])
        return {name: share for name, share in shares.items() if share.trials}

    def compared(self, first: tuple[str, str], second: tuple[str, str]) -> Comparison:
        """Return how two conditions differ; one without transactions differs from none."""
        nothing = Share(0, 0)
        conditions = self.conditions
        return compare(conditions.get(first, nothing), conditions.get(second, nothing))

    def to_json(self) -> dict[str, Any]:
        """Return the quality object of the machine-readable answers.

        A request that may still be answered counts as a request and in no rate.
        """
        total = self.total
        return {
            **asdict(self.tally),
            "line_errors": self._line_errors(),
            "transaction_error_rate": total.rate,
            "interval": list(total.interval),
            "confidence": CONFIDENCE,
            "method": METHOD,
            "turnaround_ms": self._turnaround(),
            "silence_ms": self._silence(),
            "conditions": self._conditions(),
        }

    def _request(self, message: Message, piece: Frame, *, good: bool) -> None:
        self.finish()
        if not good:
            self.tally.damaged_requests += 1
            self._count(self._holding, wrong=True)
        elif piece.data[0] != 0:
            self.tally.requests += 1
            self._open = _Open(message.number, piece.at, self._holding)

    def _reply(self, message: Message, piece: Frame, *, good: bool) -> None:
        self.tally.damaged_replies += not good
        if self._open is None or message.pairs_with != self._open.number:
            return  # to a request that was not heard, or was counted before
        ended = self._open.ended
        self._close(wrong=not good)
        if not good:
            return
        if piece.data[1] & 0x80:
            self.tally.exceptions += 1
        else:
            self.tally.answered += 1
        start = piece.at - self._settings.characters_ns(len(piece.data))
        self.turnarounds.add(max(start - ended, 0))

    def _close(self, *, wrong: bool) -> None:
        assert self._open is not None
        self._count(self._open.holding, wrong=wrong)
        self._open = None

    def _count(self, holding: tuple[tuple[str, str], ...], *, wrong: bool) -> None:
        self._wrong += wrong
        self._trials += 1
        for condition in holding:
            unsettled = self._unsettled.get(condition[0])
            if unsettled is None:
                self._add(condition, wrong, 1)
            else:
                unsettled[0] += wrong
                unsettled[1] += 1

    def _add(self, condition: tuple[str, str], wrong: int, trials: int) -> None:
        shares = self._shares
        if condition not in shares and len(shares) >= MAX_CONDITIONS:
            condition = next(reversed(shares))
        counts = shares.setdefault(condition, [0, 0])
        counts[0] += wrong
        counts[1] += trials

    def _line_errors(self) -> dict[str, int | None]:
        counted = self._errors
        return {
            kind.name.lower(): None if counted is None else counted[kind] for kind in LINE_ERRORS
        }

    def _turnaround(self) -> dict[str, float | None]:
        spread = self.turnarounds
        if not spread.count:
            return dict.fromkeys(("p50", "p95", "p99", "max"))
        found = spread.percentiles(50, 95, 99)
        return {
            name: each / NS_PER_MS
            for name, each in zip(
                ("p50", "p95", "p99", "max"), (*found, spread.longest or 0), strict=True
            )
        }

    def _silence(self) -> dict[str, float | None]:
        spread = self.silences
        if not spread.count:
            return dict.fromkeys(("min", "p50"))
        shortest, (middle,) = spread.shortest or 0, spread.percentiles(50)
        return {"min": shortest / NS_PER_MS, "p50": middle / NS_PER_MS}

    def _conditions(self) -> list[dict[str, Any]]:
        return [
            {
                "condition": "=".join(name),
                "transactions": share.trials,
                "wrong": share.wrong,
                "transaction_error_rate": share.rate,
                "interval": list(share.interval),
            }
            for name, share in self.conditions.items()
        ]

    def comparisons(self) -> list[dict[str, Any]]:
        """Return, for each key with two values or more, its last two compared, for an answer.

        ``arc`` is compared as on against off, whatever came last, and where it was observed also
        as changing against off: noise strikes with the arc.
        """
        values: dict[str, list[str]] = {}
        for key, value in self.conditions:
            values.setdefault(key, []).append(value)
        pairs = []
        for key, found in values.items():
            steady = [each for each in found if each != CHANGING]
            if key == ARC and "off" in found:
                pairs += [(key, each, "off") for each in ("on", CHANGING) if each in found]
            elif len(steady) > 1:
                pairs.append((key, steady[-1], steady[-2]))
        return [self._comparison(*pair) for pair in pairs]

    def _comparison(self, key: str, first: str, second: str) -> dict[str, Any]:
        found = self.compared((key, first), (key, second))
        return {
            "first": f"{key}={first}",
            "second": f"{key}={second}",
            "p_value": found.p_value,
            "rate_ratio": found.ratio,
            "interval": list(found.interval),
            "confidence": found.confidence,
            "method": "Fisher's exact test; conditional Clopper-Pearson interval of the ratio",
        }
