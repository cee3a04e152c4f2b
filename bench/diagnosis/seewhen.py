"""Observations of when it happens: with the arc, in runs, in blocks, in silence."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from kerfbus.bench.diagnosis.episodes import Episode
from kerfbus.bench.diagnosis.evidence import Finding, above, bounded, present, worse
from kerfbus.bench.diagnosis.observation import observation
from kerfbus.bench.diagnosis.scene import Scene, frames_of

BLOCK = 4
"""Exchanges in a row, all gone wrong, that make a block (chosen)."""


def _arc_counts(scene: Scene, arc: bool) -> tuple[list[Episode], int]:
    pairs = zip(scene.judged, scene.touched, strict=True)
    same = [(e, touched) for e, touched in pairs if e.arc is arc]
    return [e for e, touched in same if touched], len(same)


@observation("worse-with-arc", "it goes wrong more often while the arc is on")
def worse_with_arc(scene: Scene) -> Finding:
    """Ask whether exchanges go wrong more often with the arc on than with it off."""
    on, of_on = _arc_counts(scene, arc=True)
    off, of_off = _arc_counts(scene, arc=False)
    share = len(off) / of_off if of_off else 0.0
    return Finding(
        "worse-with-arc",
        worse(len(on), of_on, len(off), of_off),
        len(on),
        of_on,
        share * of_on if of_off else None,
        tuple(e.index for e in on),
        frames_of(on),
        f"with the arc off {len(off)} of {of_off}" if of_off else "the arc was never seen off",
    )


@observation("hurt-without-arc", "it goes wrong while the arc is off, too")
def hurt_without_arc(scene: Scene) -> Finding:
    """Ask whether exchanges go wrong with the arc off."""
    off, of = _arc_counts(scene, arc=False)
    return Finding(
        "hurt-without-arc",
        present(len(off), of, 0.003),
        len(off),
        of,
        None,
        tuple(e.index for e in off),
        frames_of(off),
    )


def runs(scene: Scene) -> Iterator[list[Episode]]:
    """Yield exchanges in a row that all went wrong."""
    run: list[Episode] = []
    for each in scene.judged:
        if each.hurt:
            run.append(each)
        elif run:
            yield run
            run = []
    if run:
        yield run


@observation("in-runs", "what goes wrong follows upon itself more often than by chance")
def in_runs(scene: Scene) -> Finding:
    """Ask whether an exchange goes wrong more often when the one before did.

    Chance is what exchanges of the same request with the same arc state have.
    """
    rates = scene.rates()
    count, of, chance = 0, 0, 0.0
    episodes = []
    judged = scene.judged
    for one, other in pairwise(judged):
        if one.hurt and other.arc is one.arc:
            of += 1
            count += other.hurt
            chance += rates[other.index]
            if other.hurt:
                episodes.append(other)
    expected = chance / of if of else 0.1
    return Finding(
        "in-runs",
        above(count, of, min(0.95, expected * 1.15 + 0.02)),
        count,
        of,
        chance,
        tuple(e.index for e in episodes),
        frames_of(episodes),
    )


@observation("in-blocks", "whole blocks of exchanges are lost, and little between them")
def in_blocks(scene: Scene) -> Finding:
    """Ask whether what goes wrong lies in long runs in which everything goes wrong."""
    hurt = len(scene.hurt)
    long = [run for run in runs(scene) if len(run) >= BLOCK]
    inside = [each for run in long for each in run]
    rate = hurt / len(scene.judged) if scene.judged else 0.0
    if scene.arc is not None:
        on, of_on = _arc_counts(scene, arc=True)
        rate = max(rate, min(0.9, len(on) / of_on if of_on >= 10 else 0.0))
    chance = min(0.95, BLOCK * rate ** (BLOCK - 1) + 0.02)
    return Finding(
        "in-blocks",
        above(len(inside), hurt, chance),
        len(inside),
        hurt,
        chance * hurt,
        tuple(e.index for e in inside),
        frames_of(inside),
        f"{len(long)} blocks, the longest of {max(map(len, long), default=0)}",
    )


@observation("short-and-long", "short losses stand beside long blocks of them")
def short_and_long(scene: Scene) -> Finding:
    """Ask whether, where whole blocks are lost, single exchanges are lost as well.

    A joint opens for milliseconds as well as for seconds; a load is on for as long as it works.
    """
    every = list(runs(scene)) if in_blocks(scene).factor > 0 else []
    long = [run for run in every if len(run) >= BLOCK]
    short = [run[0] for run in every if len(run) == 1]
    return Finding(
        "short-and-long",
        above(len(short), len(every), 0.15) if len(long) > 1 else 0.0,
        len(short),
        len(every),
        0.15 * len(every),
        tuple(e.index for e in short),
        frames_of(short),
        f"{len(long)} blocks",
    )


@observation("blocks-end-in-reply", "blocks of losses end in the middle of a reply")
def blocks_end_in_reply(scene: Scene) -> Finding:
    """Ask whether losses in a row end with a reply of which the beginning is missing.

    Its server was asked, then, while the listener heard nothing: one direction was well.
    """
    blocks = [run for run in runs(scene) if len(run) > 1]
    found = [
        run[-1]
        for run in blocks
        if (hurt := run[-1].answering) is not None
        and hurt.head_lost > 1
        and not (hurt.tail_lost or hurt.before)
    ]
    return Finding(
        "blocks-end-in-reply",
        present(len(found), len(blocks), 0.01),
        len(found),
        len(blocks),
        None,
        tuple(e.index for e in found),
        frames_of(found),
    )


@observation("lone", "most of what goes wrong stands alone among good exchanges")
def lone(scene: Scene) -> Finding:
    """Ask whether most hurt exchanges have good ones on either side."""
    found = [run[0] for run in runs(scene) if len(run) == 1]
    hurt = len(scene.hurt)
    return Finding(
        "lone",
        above(len(found), hurt, 0.3),
        len(found),
        hurt,
        0.3 * hurt,
        tuple(e.index for e in found),
        frames_of(found),
    )


@observation("strays", "characters arrive while nobody talks")
def strays(scene: Scene) -> Finding:
    """Ask for characters in silence, away from any frame."""
    quiet = [s for s in scene.strays if not (s.due and s.behind < 2 * scene.character)]
    numbers = [s.piece.number for s in quiet if s.piece.number is not None]
    return Finding(
        "strays",
        present(len(quiet), max(len(scene.judged), len(quiet))),
        len(quiet),
        len(scene.judged),
        None,
        frames=tuple(numbers),
    )


@observation("strays-outnumber", "silence is hurt more often than frames are")
def strays_outnumber(scene: Scene) -> Finding:
    """Ask whether strays and hurt heads outnumber damage inside frames."""
    strays_count = len(scene.strays)
    inside = sum(
        1
        for _, _, p in scene.damaged
        if not (p.likeness == 1.0 and (p.before or p.behind)) and (p.wrong or p.inner)
    )
    of = strays_count + inside
    return Finding("strays-outnumber", above(strays_count, of, 0.6), strays_count, of, 0.6 * of)


@observation("breaks", "breaks or zero characters stand in silence")
def breaks(scene: Scene) -> Finding:
    """Ask for strays that are a 00, with or without a break."""
    found = [s for s in scene.strays if 0 in s.piece.data]
    of = len(scene.strays)
    return Finding(
        "breaks",
        bounded(above(len(found), of, 0.25)),
        len(found),
        of,
        0.25 * of,
        frames=tuple(s.piece.number for s in found if s.piece.number is not None),
    )


@observation("strays-with-arc", "characters in silence come while the arc is on")
def strays_with_arc(scene: Scene) -> Finding:
    """Ask whether strays fall into arc times more than time does."""
    if scene.arc is None or not scene.arc.telling:
        return Finding("strays-with-arc", 0.0)
    states = [scene.arc.on(s.piece.start, s.piece.at) for s in scene.strays]
    on, of = sum(1 for s in states if s), sum(1 for s in states if s is not None)
    share = [e.arc for e in scene.judged if e.arc is not None]
    chance = sum(share) / len(share) if share else 0.5
    return Finding("strays-with-arc", above(on, of, min(0.9, chance)), on, of, chance * of)
