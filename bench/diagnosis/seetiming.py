"""Observations of times: turnaround, late replies, gaps inside frames, heads that come too soon."""

from __future__ import annotations

from functools import lru_cache

from kerfbus.bench.diagnosis.episodes import Episode
from kerfbus.bench.diagnosis.evidence import Finding, above, bounded, present, worse
from kerfbus.bench.diagnosis.observation import PLAIN, observation
from kerfbus.bench.diagnosis.places import Place, place_of
from kerfbus.bench.diagnosis.scene import NEVER, Scene, frames_of

NEAR_TIMEOUT = 0.45
"""Share of the client's patience beyond which an answer is slow (chosen)."""


@lru_cache(maxsize=8)
def patience(scene: Scene) -> int | None:
    """Return how long the client waits for an answer, ns; None where it never had to give up."""
    waits = sorted(e.next_at - e.ended for e in scene.episodes if e.silent and e.next_at != NEVER)
    if len(waits) < 2:
        return None
    return waits[len(waits) // 4]


def turnarounds(scene: Scene) -> list[int]:
    """Return the turnaround times of good answers, in order of size."""
    found = [e.turnaround for e in scene.judged if e.answer is not None and not e.answering]
    return sorted(each for each in found if each is not None)


def percentile(ordered: list[int], share: float) -> int:
    """Return the value that this share of an ordered list does not exceed."""
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


@observation("late-replies", "replies arrive after the client has given up")
def late_replies(scene: Scene) -> Finding:
    """Ask for answers to requests that were given up, and not just talked over."""
    found = [e for e in scene.judged if (e.late and not overlaps(scene, e)) or _too_soon(scene, e)]
    return Finding(
        "late-replies",
        present(len(found), len(scene.judged)),
        len(found),
        len(scene.judged),
        None,
        tuple(e.index for e in found),
        frames_of(found),
    )


def overlaps(scene: Scene, episode: Episode) -> bool:
    """Return whether a request came while the reply to the last one was still due.

    No client gives up sooner than its servers mostly answer: this one did not ask before.
    """
    times = turnarounds(scene)
    before = scene.exchanges.episodes[episode.index - 1] if episode.index else None
    if scene.client or before is None or len(times) < 20 or not before.silent:
        return False
    return episode.began - before.ended < percentile(times, 0.9) - scene.info.uncertainty_ns


def _too_soon(scene: Scene, episode: Episode) -> bool:
    """Return whether an answer came sooner than any server answers: it is one to the last try."""
    turnaround = episode.turnaround
    if episode.answer is None or turnaround is None or episode.answer.outbound or not scene.exact:
        return False
    before = scene.exchanges.episodes[episode.index - 1] if episode.index else None
    waited = before is not None and before.silent and before.server == episode.server
    return waited and turnaround < scene.character


@observation("slow-answers", "answers come near the time-out, far later than a server needs")
def slow_answers(scene: Scene) -> Finding:
    """Ask for answers that take a good part of the client's patience."""
    limit = patience(scene)
    times = turnarounds(scene)
    if limit is None or not times:
        return Finding("slow-answers", -0.5 if times else 0.0, 0, len(times))
    typical = percentile(times, 0.1)
    slow = [
        e
        for e in scene.judged
        if e.answer is not None
        and e.turnaround is not None
        and e.turnaround > max(NEAR_TIMEOUT * limit, 2 * typical if len(times) > 20 else 0)
    ]
    return Finding(
        "slow-answers",
        present(len(slow), len(times)),
        len(slow),
        len(times),
        None,
        tuple(e.index for e in slow),
        frames_of(slow),
        f"the client waits about {limit / 1e6:.3g} ms",
    )


@observation("wide-turnaround", "turnaround times spread widely")
def wide_turnaround(scene: Scene) -> Finding:
    """Ask whether one answer in twenty takes five times as long as the quicker half."""
    times = turnarounds(scene)
    if len(times) < 20:
        return Finding("wide-turnaround", 0.0, 0, len(times))
    middle = max(percentile(times, 0.5), scene.character)
    long = [each for each in times if each > 5 * middle + scene.info.uncertainty_ns]
    return Finding("wide-turnaround", present(len(long), len(times), 0.01), len(long), len(times))


def _lump(scene: Scene) -> int:
    settings = scene.info.settings
    return settings.t15_ns + settings.bit_ns + (0 if scene.exact else scene.info.uncertainty_ns)


@observation(
    "split-frames", "good frames have silences inside that no character can explain", PLAIN
)
def split_frames(scene: Scene) -> Finding:
    """Ask for good frames with more than 1.5 characters of silence inside, the host's delay aside.

    Source of the 1.5: MODBUS over Serial Line V1.02, 2.5.1.1.
    """
    limit = _lump(scene)
    found = [piece for piece, gap in scene.exchanges.split if gap > limit]
    longest = max((gap for _, gap in scene.exchanges.split), default=0)
    return Finding(
        "split-frames",
        present(len(found), scene.exchanges.good, 0.0001),
        len(found),
        scene.exchanges.good,
        None,
        frames=tuple(p.number for p in found if p.number is not None),
        note=f"longest silence {longest / 1e6:.3g} ms" if found else "",
    )


@observation("heads-when-quick", "heads are hurt where the next talker comes soon")
def heads_when_quick(scene: Scene) -> Finding:
    """Ask whether head damage goes with a short silence before the frame."""
    good: list[int] = []
    bad: list[tuple[int, Episode]] = []
    character = scene.character
    for e in scene.judged:
        heard = e.answer or e.torn
        if heard is None or heard.outbound or e.unheard:
            continue
        gap = heard.start - e.ended
        if e.answering is None:
            good.append(gap)
        elif place_of(e.answering) in (Place.HEAD, Place.LATE):
            lost = e.answering.head_lost - e.answering.before
            bad.append((gap - lost * character, e))
    return _sooner("heads-when-quick", good, bad)


@observation("request-heads-when-quick", "heads of requests are hurt where they follow soon")
def request_heads_when_quick(scene: Scene) -> Finding:
    """Ask whether damage to the heads of requests goes with a short silence before them."""
    good: list[int] = []
    bad: list[tuple[int, Episode]] = []
    for one, other in zip(scene.episodes, scene.episodes[1:], strict=False):
        piece = other.asked_piece
        heard = one.answer or one.torn
        if piece is None or piece.outbound or heard is None:
            continue
        gap = piece.start - heard.at
        if other.asking is None:
            good.append(gap)
        elif place_of(other.asking) in (Place.HEAD, Place.LATE):
            lost = other.asking.head_lost - other.asking.before
            bad.append((gap - lost * scene.character, other))
    return _sooner("request-heads-when-quick", good, bad)


def _sooner(name: str, good: list[int], bad: list[tuple[int, Episode]]) -> Finding:
    """Return whether what is bad came after shorter silences than what is good."""
    if len(good) < FEW_GOOD or not bad:
        return Finding(name, 0.0, 0, len(bad))
    middle = sorted(good)[len(good) // 2]
    quick = [e for gap, e in bad if gap <= middle]
    factor = worse(len(quick), len(good) / 2, len(bad) - len(quick), len(good) / 2)
    return Finding(
        name,
        bounded(factor),
        len(quick),
        len(bad),
        len(bad) / 2,
        tuple(e.index for e in quick),
        frames_of(quick),
    )


FEW_GOOD = 10
"""Good frames that are needed to say what is soon (chosen)."""


@observation("heads-lose-one-way", "only one side's frames are hurt at the head")
def heads_one_way(scene: Scene) -> Finding:
    """Ask whether head damage is of requests alone, or of replies alone."""
    asked = [e for e in scene.judged if e.asking and place_of(e.asking) is Place.HEAD]
    answered = [e for e in scene.judged if e.answering and place_of(e.answering) is Place.HEAD]
    of = len(asked) + len(answered)
    most = max(len(asked), len(answered))
    factor = 0.0 if scene.client else above(most, of, 0.65)
    return Finding("heads-lose-one-way", factor, most, of, 0.65 * of)
