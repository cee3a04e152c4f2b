"""Observations of who else is there: own echo, other clients, second replies, unheard requests."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from itertools import pairwise

from kerfbus.bench.diagnosis.episodes import Episode
from kerfbus.bench.diagnosis.evidence import Finding, bounded, present
from kerfbus.bench.diagnosis.observation import PLAIN, observation
from kerfbus.bench.diagnosis.scene import FEW, NEVER, Scene, frames_of
from kerfbus.bench.diagnosis.seetiming import overlaps, patience, percentile, turnarounds

MOST_INTRUDERS = 0.35
"""Share of the requests that a second client has at most (chosen: more than that is a program)."""
LONGEST_ROUND = 48
"""Requests of the longest program that is recognised (chosen)."""


def _counted(name: str, found: list[Episode], of: int, leak: float = 4e-4) -> Finding:
    return Finding(
        name,
        present(len(found), of, leak),
        len(found),
        of,
        None,
        tuple(e.index for e in found),
        frames_of(found),
    )


@observation("own-echo", "the station hears its own frames again", PLAIN)
def own_echo(scene: Scene) -> Finding:
    """Ask whether what the station sent came back at once."""
    if scene.info.vantage == "tap":
        return Finding("own-echo", 0.0)
    mine = [
        e
        for e in scene.exchanges.episodes
        if e.outbound or (e.answer is not None and e.answer.outbound)
    ]
    found = [e for e in mine if e.echo]
    factor = bounded(len(found) * 1.0 - 1.0) if len(found) > 0.1 * len(mine) else -3.0
    return Finding(
        "own-echo", factor if mine else 0.0, len(found), len(mine), 0.0, frames=frames_of(found)
    )


@observation("foreign-requests", "requests are heard that this client did not send", PLAIN)
def foreign_requests(scene: Scene) -> Finding:
    """Ask a client's capture for requests, and for replies, that are none of its own."""
    if not scene.client:
        return Finding("foreign-requests", 0.0)
    found = [e for e in scene.exchanges.episodes if not e.outbound]
    odd = [e for e in scene.episodes if any(_foreign(p.data, e) for p in e.strange)]
    of = len(scene.exchanges.episodes)
    return _counted("foreign-requests", [*found, *odd], of)


def _foreign(data: bytes, episode: Episode) -> bool:
    asked = episode.request
    return asked is None or data[0] != asked[0] or data[1] & 0x7F != asked[1]


@observation("impatient-requests", "a request comes while the reply to another is still due")
def impatient_requests(scene: Scene) -> Finding:
    """Ask whether requests come sooner than any one client would send them."""
    if scene.client:
        return Finding("impatient-requests", 0.0)
    times = turnarounds(scene)
    limit = patience(scene)
    if not times or limit is None:
        return Finding("impatient-requests", -0.3 if times else 0.0)
    usual = percentile(times, 0.9)
    waits = [e for e in scene.episodes if e.silent and e.next_at != NEVER]
    longest = sorted(e.next_at - e.ended for e in waits)
    typical = percentile(longest, 0.8)
    found = [
        e
        for e in waits
        if e.next_at - e.ended < min(0.5 * typical, usual * 3 + scene.character * 10)
    ]
    talked_over = [e for e in scene.episodes if e.late and overlaps(scene, e)]
    found = list({e.index: e for e in (*found, *talked_over)}.values())
    return _counted("impatient-requests", found, len(scene.episodes))


@observation("asked-out-of-turn", "some requests keep to no turn in an orderly poll")
def asked_out_of_turn(scene: Scene) -> Finding:
    """Ask whether the order of requests becomes regular when a few kinds are left out.

    Left out are the kinds whose place in the order varies most, one by one, up to four.
    """
    if scene.client:
        return Finding("asked-out-of-turn", 0.0)
    asked = [e for e in scene.exchanges.episodes if e.request is not None and not e.unheard]
    order: list[object] = []
    for e in asked:
        kind = (e.request[:6] if e.request else b"", len(e.request or b""))
        if not order or order[-1] != kind:  # a retry keeps its turn
            order.append(kind)
    if len(order) < 8 * FEW:
        return Finding("asked-out-of-turn", 0.0)
    before = max(_regularity(order), _periodicity(order))
    best, intruders = before, 0
    rest = order
    for _ in range(4):
        worst = _least_regular(rest)
        rest = _without(rest, worst)
        if len(order) - len(rest) > MOST_INTRUDERS * len(order) or len(set(rest)) < 2:
            break
        if _regularity(rest) > best:
            best, intruders = _regularity(rest), len(order) - len(rest)
    gain = best - before
    factor = 6 * gain / 0.3 - 1.5 if before < 0.9 and best > 0.85 and intruders >= FEW else -1.5
    return Finding(
        "asked-out-of-turn",
        bounded(min(factor, intruders / 4)),
        intruders,
        len(order),
        note=f"the next request is foreseeable in {before:.0%}, without them in {best:.0%}",
    )


def _follows(order: list[object]) -> dict[object, Counter[object]]:
    found: dict[object, Counter[object]] = defaultdict(Counter)
    for one, other in pairwise(order):
        found[one][other] += 1
    return found


def _regularity(order: list[object]) -> float:
    """Return in what share the commonest follower follows."""
    follows = _follows(order)
    total = max(len(order) - 1, 1)
    return sum(each.most_common(1)[0][1] for each in follows.values()) / total


def _periodicity(order: list[object]) -> float:
    """Return in what share a request is the one that came a whole round before."""
    best = 0.0
    for lag in range(1, min(LONGEST_ROUND, len(order) // 3) + 1):
        same = sum(one == other for one, other in zip(order, order[lag:], strict=False))
        best = max(best, same / (len(order) - lag))
    return best


def _least_regular(order: list[object]) -> object:
    """Return the kind whose predecessors vary most."""
    before = _follows(order[::-1])
    sizes = Counter(order)
    return max(
        before,
        key=lambda kind: (
            (1 - before[kind].most_common(1)[0][1] / max(sizes[kind], 1)) * (sizes[kind] >= FEW)
        ),
    )


def _without(order: list[object], kind: object) -> list[object]:
    rest: list[object] = []
    for each in order:
        if each != kind and (not rest or rest[-1] != each):
            rest.append(each)
    return rest


@observation("second-replies", "a second reply follows upon the first")
def second_replies(scene: Scene) -> Finding:
    """Ask for good frames behind an answer that answer the same request once more."""
    found = [
        e
        for e in scene.judged
        if any(not _foreign(p.data, e) for p in e.strange) and e.answer is not None
    ]
    return _counted("second-replies", found, len(scene.judged))


@observation("rubble-behind-reply", "something follows upon a reply that was complete")
def rubble_behind(scene: Scene) -> Finding:
    """Ask for characters soon behind a good reply, within the time of one more reply."""
    found = {e.index: e for e in scene.judged if e.answering is not None and e.answering.behind}
    by_index = {e.index: e for e in scene.judged}
    begins = [e.began for e in scene.exchanges.episodes]
    for stray in scene.strays:
        if stray.due or stray.behind > 12 * scene.character:
            continue
        owner = by_index.get(bisect_right(begins, stray.piece.start) - 1)
        if owner is not None and owner.answer is not None:
            found[owner.index] = owner
    return _counted("rubble-behind-reply", list(found.values()), len(scene.judged))


@observation("unheard-requests", "replies come to requests that were not heard")
def unheard_requests(scene: Scene) -> Finding:
    """Ask for replies without their request."""
    if scene.client:
        return Finding("unheard-requests", 0.0)
    found = [e for e in scene.exchanges.episodes if e.unheard]
    return _counted("unheard-requests", found, len(scene.exchanges.episodes))


@observation("echo-spoilt", "the own echo differs from what was sent")
def echo_spoilt(scene: Scene) -> Finding:
    """Ask for damage to the station's own echo."""
    found = [e for e in scene.exchanges.episodes if e.echoing is not None]
    of = sum(e.echo for e in scene.exchanges.episodes)
    return _counted("echo-spoilt", found, of)
