"""How good a link is, in numbers with confidence.

Counts what a conversation says (`kerfbus.bench.conversation.Message`) and what the line reports,
and states the rate of transactions that went wrong with an exact interval. It decides nothing: what
a rate means is for a diagnosis or a person.

A transaction is a request to one server. It went wrong when the request or the reply was damaged or
no reply came. An exception is an answer. Broadcasts get no reply and are no transactions.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from scipy.special import betaincinv

from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.framing import Frame, FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind

CONFIDENCE = 0.95
METHOD = "Clopper-Pearson"
NS_PER_MS = 1_000_000
HARMLESS = FrameError.GAP
"""A gap inside a frame is the adapter's doing more often than the line's; the content is good."""


def clopper_pearson(
    errors: int, trials: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Return the exact two-sided interval of a proportion.

    Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413, by way of the quantiles
    of the beta distribution. Without a trial nothing is known: 0 to 1.

    >>> low, high = clopper_pearson(0, 10)
    >>> low, round(high, 4)
    (0.0, 0.3085)

    Args:
        errors: how many went wrong, 0 to `trials`.
        trials: how many there were.
        confidence: between 0 and 1.
    """
    tail = (1 - confidence) / 2
    low = float(betaincinv(errors, trials - errors + 1, tail)) if errors else 0.0
    high = float(betaincinv(errors + 1, trials - errors, 1 - tail)) if errors < trials else 1.0
    return low, high


def percentile(ordered: Sequence[int], percent: int) -> int:
    """Return the smallest value that at least `percent` per cent do not exceed (nearest rank)."""
    rank = -(-percent * len(ordered) // 100)
    return ordered[max(rank, 1) - 1]


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


class Quality:
    """Counts one line.

    Args:
        settings: rate and format, for the time that a reply takes.
        reports_errors: whether the port ties line errors to characters; only then are they counted.
    """

    def __init__(self, settings: LineSettings, *, reports_errors: bool = True) -> None:
        self.tally = Tally()
        self._settings = settings
        self._errors: Counter[LineEventKind] | None = Counter() if reports_errors else None
        self._turnarounds = array("q")
        self._open: tuple[int | None, int] | None = None  # number and end of the request in the air

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
        if not isinstance(piece, Frame):
            tally.stray_characters += len(piece.data)
            return
        good = not message.errors & ~HARMLESS
        if message.role is Role.REQUEST:
            self.finish()
            tally.damaged_requests += not good
            if good and piece.data[0] != 0:
                tally.requests += 1
                self._open = (message.number, piece.at)
        elif message.role is Role.REPLY and not message.late:
            self._reply(message, piece, good=good)

    def finish(self) -> None:
        """Give up waiting for the reply that is still due."""
        if self._open is not None:
            self.tally.timeouts += 1
            self._open = None

    def to_json(self) -> dict[str, Any]:
        """Return the quality object of the machine-readable answers.

        A request that may still be answered counts as a request and in no rate.
        """
        tally = self.tally
        trials = tally.requests + tally.damaged_requests - (self._open is not None)
        wrong = tally.timeouts + tally.damaged_replies + tally.damaged_requests
        return {
            **asdict(tally),
            "line_errors": self._line_errors(),
            "transaction_error_rate": wrong / trials if trials else None,
            "interval": list(clopper_pearson(wrong, trials)),
            "confidence": CONFIDENCE,
            "method": METHOD,
            "turnaround_ms": self._turnaround(),
        }

    def _reply(self, message: Message, piece: Frame, *, good: bool) -> None:
        if self._open is None or message.pairs_with != self._open[0]:
            self.tally.damaged_replies += not good
            return
        ended = self._open[1]
        self._open = None
        if not good:
            self.tally.damaged_replies += 1
            return
        if piece.data[1] & 0x80:
            self.tally.exceptions += 1
        else:
            self.tally.answered += 1
        start = piece.at - self._settings.characters_ns(len(piece.data))
        self._turnarounds.append(max(start - ended, 0))

    def _line_errors(self) -> dict[str, int | None]:
        counted = self._errors
        return {
            kind.name.lower(): None if counted is None else counted[kind]
            for kind in (
                LineEventKind.FRAMING,
                LineEventKind.PARITY,
                LineEventKind.BREAK,
                LineEventKind.OVERRUN,
            )
        }

    def _turnaround(self) -> dict[str, float | None]:
        if not self._turnarounds:
            return dict.fromkeys(("p50", "p95", "p99", "max"))
        ordered = sorted(self._turnarounds)
        found = {f"p{percent}": percentile(ordered, percent) for percent in (50, 95, 99)}
        return {name: each / NS_PER_MS for name, each in {**found, "max": ordered[-1]}.items()}
