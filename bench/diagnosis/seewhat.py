"""Observations of what happens to frames: lost, cut, damaged at the head, at the tail, inside."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from kerfbus.bench.diagnosis.episodes import Episode
from kerfbus.bench.diagnosis.evidence import Finding, above, bounded, present
from kerfbus.bench.diagnosis.observation import observation
from kerfbus.bench.diagnosis.pattern import Pattern
from kerfbus.bench.diagnosis.places import Place, chance_of_edge, line_bits, place_of
from kerfbus.bench.diagnosis.scene import Scene, frames_of

REPEATED_CHANCE = 0.06
"""Chance that damage anywhere in a frame is the same as before (chosen, for frames of usual
length: one bit of some two hundred, with room for frames that are hurt often)."""

_Damaged = tuple[Episode, str, Pattern]


def _plain(name: str, found: list[Episode], of: int) -> Finding:
    """Return how strongly some exchanges of `of` say that something happens at all."""
    return Finding(
        name,
        present(len(found), of),
        len(found),
        of,
        episodes=tuple(each.index for each in found),
        frames=frames_of(found),
    )


@observation("unanswered", "requests are followed by silence")
def unanswered(scene: Scene) -> Finding:
    """Ask for good requests behind which nothing is heard."""
    found = [e for e in scene.judged if e.silent and e.asking is None and not e.late]
    return _plain("unanswered", found, len(scene.judged))


def _at(scene: Scene, *places: Place, role: str = "") -> list[_Damaged]:
    return [
        each
        for each in scene.damaged
        if place_of(each[2]) in places and (not role or each[1] == role)
    ]


def _edge(name: str, scene: Scene, place: Place) -> Finding:
    """Return whether damage is at one edge of frames more often than evenly spread damage is."""
    known = [each for each in scene.damaged if place_of(each[2]) is not Place.VALUES]
    found = _at(scene, place)
    chance = sum(chance_of_edge(p) for _, _, p in known) / len(known) if known else 0.1
    episodes = [episode for episode, _, _ in found]
    return Finding(
        name,
        above(len(found), len(known), chance),
        len(found),
        len(known),
        chance * len(known),
        tuple(e.index for e in episodes),
        frames_of(episodes),
    )


@observation("head-hurt", "frames are hurt at their first characters, or have some in front")
def head_hurt(scene: Scene) -> Finding:
    """Ask whether heads are hurt more often than chance has it."""
    return _edge("head-hurt", scene, Place.HEAD)


@observation("tail-hurt", "frames are hurt at their last characters alone")
def tail_hurt(scene: Scene) -> Finding:
    """Ask whether tails are hurt more often than chance has it."""
    return _edge("tail-hurt", scene, Place.TAIL)


def _any(name: str, scene: Scene, *places: Place) -> Finding:
    found = list(dict.fromkeys(e.index for e, _, _ in _at(scene, *places)))
    by_index = {e.index: e for e in scene.judged}
    return _plain(name, [by_index[index] for index in found], len(scene.judged))


@observation("inside-hurt", "single characters inside frames are wrong")
def inside_hurt(scene: Scene) -> Finding:
    """Ask for damage inside frames that leaves them recognisable."""
    return _any("inside-hurt", scene, Place.INSIDE)


@observation("cut", "frames break off, or begin in the middle")
def cut(scene: Scene) -> Finding:
    """Ask for frames of which a good part is missing at one end."""
    return _any("cut", scene, Place.CUT, Place.LATE)


@observation("mostly-incomplete", "damaged frames are right as far as they go, and then missing")
def mostly_incomplete(scene: Scene) -> Finding:
    """Ask whether damage is mostly the loss of a stretch, with the rest of the frame intact."""
    found = [episode for episode, _, pattern in scene.damaged if pattern.incomplete]
    of = len(scene.damaged)
    return Finding(
        "mostly-incomplete",
        above(len(found), of, 0.3),
        len(found),
        of,
        0.3 * of,
        tuple(e.index for e in found),
        frames_of(found),
    )


@observation("garbled", "frames are garbled beyond recognition")
def garbled(scene: Scene) -> Finding:
    """Ask for frames of which next to nothing is right."""
    return _any("garbled", scene, Place.GARBLED)


@observation("requests-hurt", "requests arrive damaged")
def requests_hurt(scene: Scene) -> Finding:
    """Ask for damaged requests, as heard here."""
    found = [e for e in scene.judged if e.asking is not None]
    return _plain("requests-hurt", found, 0 if scene.client else len(scene.judged))


@observation("replies-hurt", "replies arrive damaged")
def replies_hurt(scene: Scene) -> Finding:
    """Ask for damaged replies, as heard here."""
    found = [e for e in scene.judged if e.answering is not None]
    of = [e for e in scene.judged if e.answer is None or not e.answer.outbound]
    return _plain("replies-hurt", found, len(of))


def _single_bits(scene: Scene) -> list[tuple[Episode, str, Pattern, int, int]]:
    """Return damage of one or two bits in a frame that is otherwise right."""
    return [
        (episode, role, pattern, *pattern.flips[0])
        for episode, role, pattern in scene.damaged
        if pattern.aligned and len(pattern.flips) == 1 and pattern.flips[0][1].bit_count() <= 2
    ]


@observation("single-bits", "single bits are wrong in frames that are otherwise right")
def single_bits(scene: Scene) -> Finding:
    """Ask whether a good part of the damaged frames has a single wrong bit or two."""
    found = [each[0] for each in _single_bits(scene)]
    of = len(scene.damaged)
    return Finding(
        "single-bits",
        above(len(found), of, 0.12),
        len(found),
        of,
        0.12 * of,
        tuple(e.index for e in found),
        frames_of(found),
    )


@observation("same-bits", "the same bits of the same frames are wrong again and again")
def same_bits(scene: Scene) -> Finding:
    """Ask whether damage repeats itself to the bit, where the content is the same."""
    signatures: list[tuple[object, ...]] = []
    episodes: list[Episode] = []
    for episode, role, pattern in scene.damaged:
        if pattern.like and pattern.aligned and pattern.flips and not _only_edges(pattern):
            signatures.append((role, episode.request, *pattern.flips[:2]))
            episodes.append(episode)
    seen = Counter(signatures)
    again = [e for e, s in zip(episodes, signatures, strict=True) if seen[s] > 1]
    # The first of each kind cannot be a repetition.
    count = len(signatures) - len(seen)
    of = max(len(signatures) - len({s[:2] for s in signatures}), 0)
    return Finding(
        "same-bits",
        above(count, of, REPEATED_CHANCE),
        count,
        of,
        REPEATED_CHANCE * of,
        tuple(e.index for e in again),
        frames_of(again),
    )


def _only_edges(pattern: Pattern) -> bool:
    return place_of(pattern) in (Place.HEAD, Place.TAIL)


def _edges_before(scene: Scene, value: int, flip: int) -> tuple[int, float]:
    """Return of the data bits wrong how many follow a change of level, and the share by chance."""
    settings = scene.info.settings
    bits = line_bits(value, settings.parity, settings.stop_bits)
    changes = [bits[place] != bits[place - 1] for place in range(1, 9)]
    wrong = [changes[place] for place in range(8) if flip >> place & 1]
    return sum(wrong), len(wrong) * sum(changes) / 8


@observation("after-edges", "the wrong bits follow a change of level on the line")
def after_edges(scene: Scene) -> Finding:
    """Ask whether wrong bits stand behind level changes more often than bits do."""
    count = of = 0
    chance = 0.0
    episodes = []
    for episode, _role, pattern, place, flip in _single_bits(scene):
        due = _content(episode, pattern, place)
        if due is None:
            continue
        hits, by_chance = _edges_before(scene, due ^ flip, flip)
        count, of, chance = count + hits, of + flip.bit_count(), chance + by_chance
        episodes.append(episode)
    return Finding(
        "after-edges",
        above(count, of, chance / of if of else 0.5),
        count,
        of,
        chance,
        tuple(e.index for e in episodes),
        frames_of(episodes),
    )


def _content(episode: Episode, pattern: Pattern, place: int) -> int | None:
    """Return the character that was heard at a place of a damaged frame."""
    piece = episode.torn if pattern is episode.answering else episode.asked_piece
    return piece.data[place] if piece is not None and place < len(piece.data) else None


@observation("tail-to-idle", "what is missing at the tail reads as an idle line")
def tail_to_idle(scene: Scene) -> Finding:
    """Ask whether last characters, where wrong, have ones in place of their last bits."""
    count, episodes = 0, []
    tails = _at(scene, Place.TAIL)
    for episode, _role, pattern in tails:
        if pattern.tail_lost or not pattern.flips:
            continue
        place, flip = pattern.flips[-1]
        heard = _content(episode, pattern, place)
        ones = heard is not None and heard & flip == flip  # every wrong bit was heard as 1
        top = (
            flip.bit_length() == 8
            or heard is None
            or heard >> flip.bit_length() == ((1 << (8 - flip.bit_length())) - 1)
        )
        if ones and top:
            count += 1
            episodes.append(episode)
    of = sum(1 for _, _, p in tails if not p.tail_lost and p.flips)
    return Finding(
        "tail-to-idle",
        above(count, of, 0.3),
        count,
        of,
        0.3 * of,
        tuple(e.index for e in episodes),
        frames_of(episodes),
    )


@observation("long-bursts", "several neighbouring characters are wrong at once")
def long_bursts(scene: Scene) -> Finding:
    """Ask for three or more wrong characters beside one another in a recognisable frame."""
    found = [
        episode
        for episode, _, pattern in scene.damaged
        if pattern.like and _longest_run(pattern.wrong) + abs(pattern.inner) >= 3
    ]
    return _plain("long-bursts", found, len(scene.judged))


def _longest_run(places: Iterable[int]) -> int:
    best = run = 0
    last = -2
    for place in places:
        run = run + 1 if place == last + 1 else 1
        best, last = max(best, run), place
    return best


@observation("overlong", "more characters arrive than the reply has")
def overlong(scene: Scene) -> Finding:
    """Ask for damaged frames that are longer than what was due."""
    found = [
        episode
        for episode, _, p in scene.damaged
        if p.due and p.heard > p.due + 1 and not (p.likeness == 1.0 and p.before <= 2)
    ]
    finding = _plain("overlong", found, len(scene.judged))
    return Finding(
        finding.name,
        bounded(finding.factor),
        finding.count,
        finding.of,
        None,
        finding.episodes,
        finding.frames,
    )
