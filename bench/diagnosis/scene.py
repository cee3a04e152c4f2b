"""A capture laid out for questions: exchanges, strays, arc, and who is who.

Job: hold what several observations need, computed once. It must not know any cause.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from kerfbus.bench.capturerecords import CaptureInfo
from kerfbus.bench.crc import crc_good
from kerfbus.bench.diagnosis.episodes import Episode, Exchanges, Stray
from kerfbus.bench.diagnosis.expected import kind_of
from kerfbus.bench.diagnosis.pattern import Pattern
from kerfbus.bench.diagnosis.pieces import NEVER, Piece
from kerfbus.bench.diagnosis.refit import Fit, refit
from kerfbus.bench.quality import Quality

MARGIN_NS = 400_000_000
"""Behind an arc, what happens may be its end (chosen)."""
LEAD_NS = 1_000_000_000
"""Before a mark says that the arc is on, it may burn already (chosen: one who types it, or a status
that is read once a second)."""
UNREADABLE = 0.12
"""Share of characters in good frames below which a line counts as unreadable (chosen)."""
READABLE = 10
"""Good frames that show that the settings are right however much else is heard (chosen: under wrong
settings a CRC of 16 bits fits once in 65536)."""
LONG_BLIND = 20
"""Exchanges in a row of which nothing is readable that make other settings worth a try (chosen)."""
LEAST_HEARD = 30
"""Characters that must be heard to say so (chosen)."""
FEW = 4
"""Exchanges that a group needs to be judged on its own (chosen)."""


class ArcTimes(NamedTuple):
    """When the arc was on.

    Attributes:
        switches: instants and what it was from then on, in order.
        source: ``mark`` or the register's name.
    """

    switches: tuple[tuple[int, bool], ...]
    source: str

    @property
    def telling(self) -> bool:
        """Return whether it was both on and off."""
        return len({on for _, on in self.switches}) == 2

    def on(self, start: int, end: int) -> bool | None:
        """Return whether the arc was on in a stretch of time, None just behind a switch to off.

        A stretch that touches an arc counts as on, and so does one shortly before a switch to on:
        a mark that comes of reading a status register or of typing lags behind the strike. None
        before the first switch.
        """
        last = bisect_right(self.switches, (end, True)) - 1
        if last < 0:
            return None
        first = max(bisect_right(self.switches, (start, True)) - 1, 0)
        if any(on for _, on in self.switches[first : last + 1]):
            return True
        went_off = first > 0 and start - self.switches[first][0] < self.margin
        behind = self.switches[last + 1] if last + 1 < len(self.switches) else None
        if behind is not None and behind[1] and behind[0] - end < self.lead:
            return True
        return None if went_off else False

    @property
    def margin(self) -> int:
        """Return how near to an arc nothing is said, ns: less where arcs follow fast."""
        return min(MARGIN_NS, self._rest // 4)

    @property
    def lead(self) -> int:
        """Return how long before a mark the arc may have begun, ns."""
        return min(LEAD_NS, self._rest // 3)

    @property
    def _rest(self) -> int:
        """Return how long it is off in most cases, ns."""
        offs = sorted(
            later - at
            for (at, on), (later, _) in zip(self.switches, self.switches[1:], strict=False)
            if not on
        )
        return offs[len(offs) // 2] if offs else MARGIN_NS


@dataclass(frozen=True, eq=False)
class Scene:
    """A capture laid out.

    Attributes:
        info: what it says about itself.
        exchanges: the line as exchanges.
        arc: when the arc was on, None when nothing says.
        reports: whether line errors are reported.
        quality: the account of the link.
    """

    info: CaptureInfo
    exchanges: Exchanges
    arc: ArcTimes | None
    reports: bool
    quality: Quality

    @cached_property
    def episodes(self) -> list[Episode]:
        """Return all exchanges to which an answer was due; a client's only where it asked."""
        return [e for e in self.exchanges.episodes if e.due and (e.outbound or not self.client)]

    @cached_property
    def character(self) -> int:
        """Return the time of a character, ns."""
        return self.info.settings.character_ns

    @property
    def client(self) -> bool:
        """Return whether the recording station asks."""
        return self.info.vantage == "client"

    @property
    def exact(self) -> bool:
        """Return whether instants are exact."""
        return self.info.timing == "exact"

    @cached_property
    def unreadable(self) -> bool:
        """Return whether a good deal is heard and hardly any of it makes a good frame."""
        found = self.exchanges
        few = found.good < READABLE + 0.02 * len(found.episodes)
        return (
            found.heard >= LEAST_HEARD and few and found.good_characters < UNREADABLE * found.heard
        )

    @cached_property
    def partly_unreadable(self) -> bool:
        """Return whether for a long time nothing is readable that is well at other times."""
        longest = run = 0
        for each in self.judged:
            run = run + 1 if each.hurt and each.answer is None else 0
            longest = max(longest, run)
        return longest >= LONG_BLIND and self.exchanges.heard >= LEAST_HEARD

    @cached_property
    def flagged(self) -> float:
        """Return which share of what makes no good frame does, line errors left aside."""
        rubble = self.exchanges.rubble
        total = sum(len(piece.data) for piece in rubble)
        fits = sum(len(p.data) for p in rubble if len(p.data) >= 5 and crc_good(p.data))
        return fits / total if total else 0.0

    @cached_property
    def fit(self) -> Fit:
        """Return under which other settings the characters would make frames."""
        return refit(
            self.exchanges.rubble, self.info.settings, reports=self.reports, exact=self.exact
        )

    @cached_property
    def servers(self) -> dict[int, list[Episode]]:
        """Return the exchanges of each server whose requests were recognised."""
        found: dict[int, list[Episode]] = defaultdict(list)
        for each in self.episodes:
            if each.server is not None and not each.unheard:
                found[each.server].append(each)
        return dict(found)

    @cached_property
    def answering(self) -> frozenset[int]:
        """Return the servers of which anything was heard."""
        return frozenset(
            server
            for server, episodes in self.servers.items()
            if any(e.answer is not None or (e.answering and e.answering.like) for e in episodes)
        )

    @cached_property
    def absent(self) -> frozenset[int]:
        """Return the servers that were asked a few times and of which nothing was heard."""
        return frozenset(
            server
            for server, episodes in self.servers.items()
            if server not in self.answering and len(episodes) >= FEW
        )

    @cached_property
    def judged(self) -> list[Episode]:
        """Return the exchanges with servers that are there."""
        return [e for e in self.episodes if e.server not in self.absent]

    @cached_property
    def hurt(self) -> list[Episode]:
        """Return those that went wrong among `judged`."""
        return [e for e in self.judged if e.hurt]

    @cached_property
    def strays(self) -> list[Stray]:
        """Return what was heard in silence."""
        return self.exchanges.strays

    @cached_property
    def stray_episodes(self) -> frozenset[int]:
        """Return the indices of the exchanges in which or behind which strays were heard."""
        begins = [each.began for each in self.exchanges.episodes]
        return frozenset(bisect_right(begins, s.piece.at) - 1 for s in self.strays) - {-1}

    @cached_property
    def touched(self) -> list[bool]:
        """Return for each of `judged` whether it went wrong or strays were heard in it."""
        return [e.hurt or e.index in self.stray_episodes for e in self.judged]

    @cached_property
    def damaged(self) -> list[tuple[Episode, str, Pattern]]:
        """Return each damaged frame with its exchange and ``request`` or ``reply``."""
        found = []
        for each in self.judged:
            if each.asking is not None:
                found.append((each, "request", each.asking))
            if each.answering is not None:
                found.append((each, "reply", each.answering))
        return found

    @cached_property
    def kinds(self) -> dict[int, object]:
        """Return for each judged exchange what was asked, as far as known, by index."""
        return {
            e.index: kind_of(e.request) if e.request and len(e.request) >= 4 else None
            for e in self.judged
        }

    def rates(self) -> dict[int, float]:
        """Return for each judged exchange the share that went wrong of those like it.

        Alike is what asks for the same while the arc is the same.
        """
        total: Counter[object] = Counter()
        bad: Counter[object] = Counter()
        for each, touched in zip(self.judged, self.touched, strict=True):
            key = (self.kinds[each.index], each.arc)
            total[key] += 1
            bad[key] += touched
        everything, all_bad = len(self.judged), sum(self.touched)
        mean = all_bad / everything if everything else 0.0
        # A small group leans on the whole.
        return {
            e.index: (bad[key] + 3 * mean) / (total[key] + 3)
            for e in self.judged
            if (key := (self.kinds[e.index], e.arc))
        }


def mark_arc(episodes: Iterable[Episode], arc: ArcTimes | None) -> None:
    """Write into each exchange whether the arc was on."""
    if arc is None or not arc.telling:
        return
    for each in episodes:
        last = each.answer or each.torn
        end = max(each.ended, last.at if last else 0)
        if each.silent or each.unheard:
            end = max(end, min(each.next_at, each.ended + 50_000_000))
        each.arc = arc.on(each.began, end)


def frames_of(episodes: Sequence[Episode]) -> tuple[int, ...]:
    """Return the printed frames of some exchanges."""
    return tuple(sorted({number for each in episodes for number in each.frames}))


__all__ = ["NEVER", "ArcTimes", "Piece", "Scene", "frames_of", "mark_arc"]
