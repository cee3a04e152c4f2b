"""The line as a row of exchanges: a request, what was due to it, and what was heard instead.

Job: the words for that. They are put together by `kerfbus.bench.diagnosis.sorting`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from kerfbus.bench.diagnosis.pattern import Pattern
from kerfbus.bench.diagnosis.pieces import NEVER, Piece


class Stray(NamedTuple):
    """Characters in silence.

    Attributes:
        piece: the characters.
        behind: silence before them, ns.
        ahead: silence after them, ns.
        due: whether a reply was due.
    """

    piece: Piece
    behind: int
    ahead: int
    due: bool


@dataclass(slots=True)
class Episode:
    """A request and all until the next.

    Attributes:
        index: counts the episodes, from 0.
        began: start of the request, or of what came without one.
        ended: end of the request.
        request: what was asked, None when unknown.
        number: of the printed frame of the request.
        outbound: the recording station asked.
        asking: how the request was damaged, None for a good one.
        unheard: the request was not heard at all.
        answer: the good answer.
        answering: how the answer was damaged; also characters glued to a good one.
        torn: the piece that is the damaged answer.
        late: answers to older requests.
        strange: further good frames that nobody asked for.
        echo: the station heard this request of its own again.
        echoing: how that was damaged.
        rubble: what is not placed yet.
        arc: whether the arc was on; None when unknown.
        next_at: start of the next request, `NEVER` for the last episode.
        due: whether an answer was due.
    """

    index: int
    began: int
    ended: int
    request: bytes | None = None
    number: int | None = None
    outbound: bool = False
    asking: Pattern | None = None
    unheard: bool = False
    answer: Piece | None = None
    answering: Pattern | None = None
    torn: Piece | None = None
    late: list[Piece] = field(default_factory=list)
    strange: list[Piece] = field(default_factory=list)
    echo: bool = False
    echoing: Pattern | None = None
    rubble: list[Piece] = field(default_factory=list)
    arc: bool | None = None
    next_at: int = NEVER
    due: bool = True
    asked_piece: Piece | None = None

    @property
    def server(self) -> int | None:
        """Return whom it went to."""
        return self.request[0] if self.request else None

    @property
    def silent(self) -> bool:
        """Return whether nothing came in place of the answer that was due."""
        return self.due and self.answer is None and self.answering is None

    @property
    def hurt(self) -> bool:
        """Return whether the exchange went wrong."""
        return bool(
            self.unheard
            or self.asking
            or self.answering
            or self.echoing
            or (self.due and self.answer is None)
        )

    @property
    def turnaround(self) -> int | None:
        """Return the silence before the answer, ns."""
        heard = self.answer or self.torn
        return None if heard is None or self.unheard else heard.start - self.ended

    @property
    def frames(self) -> list[int]:
        """Return the numbers of the printed frames in it."""
        pieces = [self.asked_piece, self.answer, self.torn, *self.strange, *self.late]
        return sorted({p.number for p in pieces if p is not None and p.number is not None})


class Exchanges(NamedTuple):
    """A line as exchanges.

    Attributes:
        episodes: in order.
        strays: characters in silence, in order.
        split: good frames with a silence inside, with the longest one, ns.
        good: how many good frames were heard.
        good_characters: how many characters they hold.
        heard: how many characters were heard in all.
        rubble: characters that make no good frame, put together.
    """

    episodes: list[Episode]
    strays: list[Stray]
    split: list[tuple[Piece, int]]
    good: int
    good_characters: int
    heard: int
    rubble: list[Piece]
