"""What a recorded partner says to a request: its recorded answers, found by content.

Sans-IO: a request in, the recorded transaction out that answers it now. A request that was asked
several times has several recorded answers; they are given in the order of the recording, and
`Repeat` says what comes when they are used up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, StrEnum

from kerfbus.bench.transactions import Transaction


class Repeat(StrEnum):
    """What answers a request once all its recorded answers were given."""

    ORDER = "order"
    """Nothing: it is asked more often than recorded, and said to be."""
    LAST = "last"
    """The last one, again and again."""
    CYCLE = "cycle"
    """The first one again, and so on."""


class Surprise(Enum):
    """Why a request has no recorded answer."""

    UNKNOWN = "not in the recording"
    USED_UP = "asked more often than recorded"


@dataclass(frozen=True, slots=True)
class Unexpected:
    """A request without a recorded answer.

    Attributes:
        request: address, PDU and CRC.
        at: when it was asked.
        why: what is wrong with it.
    """

    request: bytes
    at: int
    why: Surprise


class _Answers:
    """The recorded answers to one request."""

    def __init__(self) -> None:
        self.recorded: list[Transaction] = []
        self.asked = 0

    def next(self, repeat: Repeat) -> Transaction | None:
        place, count = self.asked, len(self.recorded)
        self.asked += 1
        if place < count:
            return self.recorded[place]
        if repeat is Repeat.ORDER:
            return None
        return self.recorded[-1 if repeat is Repeat.LAST else place % count]


class AnswerBook:
    """Recorded transactions by what was asked.

    Requests that the recording station heard damaged are left out: nobody knows what they asked.

    Args:
        transactions: of the recording.
        repeat: what comes when a request's answers are used up.

    Attributes:
        unexpected: requests without an answer, in the order in which they came.
        given: how many answers were given, silence among them.
    """

    def __init__(self, transactions: Iterable[Transaction], repeat: Repeat = Repeat.LAST) -> None:
        self.unexpected: list[Unexpected] = []
        self.given = 0
        self._repeat = repeat
        self._answers: dict[bytes, _Answers] = {}
        for each in transactions:
            if each.intact:
                self._answers.setdefault(each.request, _Answers()).recorded.append(each)

    def find(self, request: bytes, at: int) -> Transaction | None:
        """Return the transaction that answers a request now; None where the recording has none.

        Args:
            request: the whole frame.
            at: when it was asked, for the report.
        """
        answers = self._answers.get(request)
        found = None if answers is None else answers.next(self._repeat)
        if found is None:
            why = Surprise.UNKNOWN if answers is None else Surprise.USED_UP
            self.unexpected.append(Unexpected(request, at, why))
        else:
            self.given += 1
        return found

    @property
    def left(self) -> tuple[Transaction, ...]:
        """Return what the recording holds and nobody asked, in the order of the recording."""
        left = [
            each for answers in self._answers.values() for each in answers.recorded[answers.asked :]
        ]
        return tuple(sorted(left, key=lambda each: each.index))
