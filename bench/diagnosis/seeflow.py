"""Observations of what is not heard: missing requests, silences, replies without effect.

A station hears only what reaches it. That others were not reached shows in what they do next: a
client that did not get its reply waits, asks again, or leaves its turn.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from kerfbus.bench.diagnosis.episodes import Episode
from kerfbus.bench.diagnosis.evidence import Finding, above, present
from kerfbus.bench.diagnosis.observation import observation
from kerfbus.bench.diagnosis.scene import FEW, NEVER, Scene, frames_of

ORDERLY = 0.7
"""Share in which a request is followed by the same one, for its turn to be known (chosen)."""
FAR = 40
"""Turns that are looked ahead for a request that comes too early (chosen)."""
ONE_LOSS = 1.4
"""Times the silence of one loss that more than one takes (chosen)."""
LEAST_TURN = 0.4
"""Part of a short exchange that one takes at least of which nothing is heard (chosen)."""
COMMON = 0.75
"""Share of the pauses that are taken for the poll's own (chosen)."""
LONG = 5
"""Times the usual pause that make a pause long (chosen)."""


class Turn(NamedTuple):
    """What a request says about those before it.

    Attributes:
        episode: the exchange.
        missed: how many requests were left out before it, as far as the usual order tells.
        again: it repeats the last one although that was answered, and that is not usual.
        pause: silence before it, ns.
        long: whether that is much longer than usual.
    """

    episode: Episode
    missed: int
    again: bool
    pause: int
    long: bool


def _kind(episode: Episode) -> object:
    asked = episode.request or b""
    return asked[:6], len(asked)


@lru_cache(maxsize=4)
def turns(scene: Scene) -> list[Turn]:
    """Return what each request of the line says about those before it."""
    asked = [e for e in scene.exchanges.episodes if e.request is not None and not e.unheard]
    if scene.client:
        asked = [e for e in asked if e.outbound]
    if len(asked) < 20:
        return []
    usual = _usual(asked)
    ends = _activity_ends(scene)
    pauses = [max(e.began - ends[e.index], 0) for e in asked[1:]]
    usually = _usual_pauses(asked, pauses)
    spans = sorted(other.began - one.began for one, other in pairwise(asked))
    least = int(LEAST_TURN * spans[len(spans) // 4])
    found = []
    for before, episode, pause in zip(asked, asked[1:], pauses, strict=False):
        middle = usually[_kind(before), _kind(episode)] + 2 * scene.character
        one, other = _kind(before), _kind(episode)
        expected = usual.get(one)
        again = one == other and before.answer is not None and expected not in (None, one)
        missed = 0
        if expected is not None and other not in (expected, one):
            missed = _steps(usual, one, other)
            # What was said and not heard took its time; a client that leaves its order does not.
            missed *= pause - middle > least * missed
        found.append(Turn(episode, missed, again, pause, pause > LONG * middle))
    return found


def _usual_pauses(asked: list[Episode], pauses: list[int]) -> dict[tuple[object, object], int]:
    """Return the usual pause between two kinds of requests, ns.

    A poll may rest at one place of its round, or wait for the clock: that is its way and no loss.
    Less than what three in four of all pauses do not exceed is never taken for usual.
    """
    between: dict[tuple[object, object], list[int]] = defaultdict(list)
    for one, other, pause in zip(asked, asked[1:], pauses, strict=False):
        between[_kind(one), _kind(other)].append(pause)
    common = sorted(pauses)[int(COMMON * len(pauses))]
    return {
        key: max(common, sorted(each)[len(each) // 2]) if len(each) >= FEW else common
        for key, each in between.items()
    }


def _activity_ends(scene: Scene) -> list[int]:
    """Return for each exchange when the line was last heard before it."""
    ends, last = [], 0
    strays = sorted(s.piece.at for s in scene.strays)
    place = 0
    for e in scene.exchanges.episodes:
        while place < len(strays) and strays[place] <= e.began:
            last = max(last, strays[place])
            place += 1
        ends.append(last or e.began)
        heard = [p.at for p in (e.answer, e.torn, *e.strange, *e.late) if p is not None]
        last = max([e.ended, *heard])
    return ends


def _usual(asked: list[Episode]) -> dict[object, object]:
    """Return which request follows upon which, where one does so in most cases."""
    follows: dict[object, Counter[object]] = defaultdict(Counter)
    for one, other in pairwise(asked):
        follows[_kind(one)][_kind(other)] += 1
    usual = {}
    for kind, counts in follows.items():
        following, times = counts.most_common(1)[0]
        if times >= ORDERLY * sum(counts.values()) and times >= 3:
            usual[kind] = following
    return usual


def _steps(usual: dict[object, object], one: object, other: object) -> int:
    """Return how many requests are left out between two, 0 where the order does not tell."""
    here: object | None = one
    for step in range(FAR):
        here = usual.get(here)
        if here is None:
            return 0
        if here == other:
            return step
    return 0


@observation("missing-requests", "requests are missing from the usual order")
def missing_requests(scene: Scene) -> Finding:
    """Ask for places where the poll goes on further than one step after a pause."""
    if scene.client:
        return Finding("missing-requests", 0.0)  # it knows what it asked
    found = [t for t in turns(scene) if t.missed]
    of = len(turns(scene))
    episodes = [t.episode for t in found]
    return Finding(
        "missing-requests",
        present(len(found), of, 0.002),
        len(found),
        of,
        None,
        tuple(e.index for e in episodes),
        frames_of(episodes),
        f"{sum(t.missed for t in found)} requests are missing" if found else "",
    )


@observation("long-silences", "the line falls silent for longer than the poll does")
def long_silences(scene: Scene) -> Finding:
    """Ask for pauses much longer than the usual one, where all was well before."""
    all_turns = turns(scene)
    found = [t for t in all_turns if t.long and _well_before(scene, t)]
    episodes = [t.episode for t in found]
    longest = max((t.pause for t in found), default=0)
    return Finding(
        "long-silences",
        present(len(found), len(all_turns), 0.012),
        len(found),
        len(all_turns),
        None,
        tuple(e.index for e in episodes),
        frames_of(episodes),
        f"the longest {longest / 1e6:.4g} ms" if found else "",
    )


def _well_before(scene: Scene, turn: Turn) -> bool:
    before = scene.exchanges.episodes[turn.episode.index - 1]
    return before.answer is not None and before.answering is None


@observation("silent-blocks", "the line is silent for as long as several exchanges take")
def silent_blocks(scene: Scene) -> Finding:
    """Ask whether long silences last as long as four exchanges, and as one time-out, or more.

    A single loss costs the client's time-out and no more, as the shortest of them shows.
    """
    spans = sorted(e.next_at - e.began for e in scene.exchanges.episodes if e.next_at != NEVER)
    if len(spans) < 20:
        return Finding("silent-blocks", 0.0)
    typical = spans[len(spans) // 2]
    long = [t for t in turns(scene) if t.long and (t.missed or _well_before(scene, t))]
    shortest = sorted(t.pause for t in long)[len(long) // 8] if len(long) >= FEW else 0
    found = [t for t in long if t.pause > max(4 * typical, ONE_LOSS * shortest)]
    # Any client rests now and then; that it does so again and again is another matter.
    often = present(len(found), len(turns(scene)), 0.006)
    return Finding(
        "silent-blocks",
        min(above(len(found), len(long), 0.25), often),
        len(found),
        len(long),
        0.25 * len(long),
        tuple(t.episode.index for t in found),
    )


@observation("asked-again", "requests are repeated although they were answered well")
def asked_again(scene: Scene) -> Finding:
    """Ask whether the client asks again after a reply that is good as heard here."""
    found = [t.episode for t in turns(scene) if t.again]
    of = len(turns(scene))
    return Finding(
        "asked-again",
        present(len(found), of, 0.001),
        len(found),
        of,
        None,
        tuple(e.index for e in found),
        frames_of(found),
    )


@observation("ignored-in-runs", "replies that are good here have no effect several times in a row")
def ignored_in_runs(scene: Scene) -> Finding:
    """Ask whether the client does not hear good replies in a row: it asks again, or waits."""
    all_turns = turns(scene)
    lost = [t.again or (t.long and _well_before(scene, t)) for t in all_turns]
    share = sum(lost) / len(lost) if lost else 0.0
    behind = [other for one, other in pairwise(lost) if one]
    chance = min(0.9, share * 1.15 + 0.05)
    return Finding(
        "ignored-in-runs", above(sum(behind), len(behind), chance), sum(behind), len(behind)
    )
