"""What happened to a frame of which it is known what it was to be, to the bit where possible.

Job: lay the characters that were heard over those that were due, and say which are wrong, missing
or too many. Values that nobody knows are wild: there the CRC tells what it can. It must not know
why anything happened.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from kerfbus.bench.crc import crc16

FAR = 24
"""Shifts that are tried one by one; beyond, only head and tail are tried (chosen)."""
SOLVED = 64
"""Longest frame in which a single wrong character is looked for by its CRC (chosen)."""
LIKENESS = 0.4
"""Share of the characters due that must be found for an alignment to be believed (chosen)."""


PIECE = 0.6
"""Share of the characters heard that must be right for a piece of a frame to be known (chosen)."""


class Due(NamedTuple):
    """A frame that was due.

    Attributes:
        data: what it was to be.
        known: for each character, whether that is known; the others are guesses.
    """

    data: bytes
    known: bytes

    @property
    def certain(self) -> bool:
        """Return whether every character is known."""
        return all(self.known)


class Pattern(NamedTuple):
    """How heard characters differ from those due.

    Attributes:
        due: how many were due.
        heard: how many were heard.
        before: heard in front of the first one due.
        head_lost: of the first ones due, how many were not heard.
        tail_lost: of the last ones due, how many were not heard.
        behind: heard behind the last one due.
        inner: heard more (or fewer, below 0) in the middle than were due.
        wrong: places, among those due, of characters that are known to be wrong.
        flips: (place, bits that differ) where exactly known.
        likeness: share of the characters due that were heard right, 0 to 1.
    """

    due: int
    heard: int
    before: int = 0
    head_lost: int = 0
    tail_lost: int = 0
    behind: int = 0
    inner: int = 0
    wrong: tuple[int, ...] = ()
    flips: tuple[tuple[int, int], ...] = ()
    likeness: float = 0.0

    @property
    def like(self) -> bool:
        """Return whether the frame that was due is recognised, be it a short piece of it."""
        right = self.likeness * self.due
        return self.likeness >= LIKENESS or (right >= 3 and right >= PIECE * self.heard)

    @property
    def incomplete(self) -> bool:
        """Return whether a good part is missing and what is there is right."""
        missing = self.head_lost + self.tail_lost - min(self.inner, 0)
        return self.like and missing > 2 and len(self.wrong) <= 1 + max(-self.inner, 0)

    @property
    def aligned(self) -> bool:
        """Return whether there are as many characters as were due, each at its place."""
        return not (self.before or self.head_lost or self.tail_lost or self.behind or self.inner)


@lru_cache(maxsize=SOLVED)
def _single(distance: int) -> dict[int, int]:
    """Return the residue that each wrong character leaves, this far from the end of a frame.

    By linearity of the CRC: the residue of a frame with an error is that of the error alone, with
    the preset cancelled.
    """
    blank = crc16(bytes(distance + 1))
    return {
        crc16(bytes((flip,)) + bytes(distance)) ^ blank: flip  # one flip for each residue
        for flip in range(1, 256)
    }


def _solve(data: bytes, places: list[int]) -> tuple[int, int] | None:
    """Return the one change of one character, at one of `places`, that makes the CRC fit.

    None when there is none, or when there are several that change as few bits.
    """
    if len(data) > SOLVED:
        return None
    residue = crc16(data)
    found = []
    for place in places:
        flip = _single(len(data) - 1 - place).get(residue)
        if flip is not None:
            found.append((flip.bit_count(), place, flip))
    found.sort()
    if not found or (len(found) > 1 and found[0][0] == found[1][0]):
        return None
    return found[0][1], found[0][2]


def _in_place(heard: bytes, due: Due) -> Pattern:
    """Compare frames of one length, place by place."""
    flips = [
        (place, got ^ want)
        for place, (got, want, known) in enumerate(zip(heard, due.data, due.known, strict=True))
        if known and got != want
    ]
    wild = [place for place, known in enumerate(due.known) if not known]
    if wild:
        mended = bytearray(heard)
        for place, flip in flips:
            mended[place] ^= flip
        if crc16(bytes(mended)):
            solved = _solve(bytes(mended), wild)
            if solved is not None:
                flips.append(solved)
    flips.sort()
    known = len(due.data) - len(wild)
    right = known - sum(1 for place, _ in flips if due.known[place])
    return Pattern(
        len(due.data),
        len(heard),
        wrong=tuple(place for place, _ in flips),
        flips=tuple(flips),
        likeness=right / known if known else 0.0,
    )


def _matches(heard: bytes, due: Due, shift: int) -> tuple[int, int]:
    """Return how many known characters are right and wrong with heard[i] at place i - shift."""
    right = wrong = 0
    for place in range(max(0, -shift), min(len(due.data), len(heard) - shift)):
        if due.known[place]:
            if heard[place + shift] == due.data[place]:
                right += 1
            else:
                wrong += 1
    return right, wrong


def _shifts(heard: int, due: int) -> list[int]:
    near = range(max(-FAR, 1 - due), min(FAR, heard - 1) + 1)
    ends = {heard - due, 0}
    return sorted({*near, *ends}, key=abs)


def _shifted(heard: bytes, due: Due) -> Pattern:
    """Lay what was heard over what was due as one stretch."""
    best, at = (-1.0, 0), 0
    for shift in _shifts(len(heard), len(due.data)):
        right, wrong = _matches(heard, due, shift)
        if (right - wrong / 2, right) > best:
            best, at = (right - wrong / 2, right), shift
    first, last = max(0, -at), min(len(due.data), len(heard) - at)
    flips = tuple(
        (place, heard[place + at] ^ due.data[place])
        for place in range(first, last)
        if due.known[place] and heard[place + at] != due.data[place]
    )
    known = sum(due.known) or 1
    return Pattern(
        len(due.data),
        len(heard),
        before=max(0, at),
        head_lost=max(0, -at),
        tail_lost=max(0, len(due.data) - last),
        behind=max(0, len(heard) - at - len(due.data)),
        wrong=tuple(place for place, _ in flips),
        flips=flips,
        likeness=best[1] / known,
    )


def _anchored(heard: bytes, due: Due) -> Pattern | None:
    """Lay the head of what was heard over the head due and its tail over the tail due."""
    more = len(heard) - len(due.data)
    shorter = min(len(heard), len(due.data))
    head = tail = right = 0
    while head < shorter and (not due.known[head] or heard[head] == due.data[head]):
        right += due.known[head]
        head += 1
    while tail < shorter - head:
        place = len(due.data) - 1 - tail
        if due.known[place] and heard[place + more] != due.data[place]:
            break
        right += due.known[place]
        tail += 1
    if not head or not tail:
        return None
    return Pattern(
        len(due.data),
        len(heard),
        inner=more,
        wrong=tuple(range(head, len(due.data) - tail)),
        likeness=right / (sum(due.known) or 1),
    )


@lru_cache(maxsize=4096)
def compare(heard: bytes, due: Due) -> Pattern:
    """Return how what was heard differs from what was due.

    >>> due = Due(bytes.fromhex("010300000002c40b"), bytes([1] * 8))
    >>> compare(bytes.fromhex("010300000002c40f"), due).flips
    ((7, 4),)
    >>> pattern = compare(bytes.fromhex("ff010300000002c4"), due)
    >>> pattern.before, pattern.tail_lost, pattern.wrong
    (1, 1, ())
    """
    if len(heard) == len(due.data):
        plain = _in_place(heard, due)
        if plain.likeness >= 0.5:
            return plain
        moved = _shifted(heard, due)
        return moved if moved.likeness > plain.likeness + 0.2 else plain
    moved = _shifted(heard, due)
    anchored = _anchored(heard, due)
    if anchored is not None and anchored.likeness > moved.likeness:
        return anchored
    return moved
