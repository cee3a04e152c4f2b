"""Traffic for the framer: frames, damage to them, and lines of characters with instants.

Everything is a pure function of a seed, or of what Hypothesis draws. The frames are made here from
the standard's layouts (MODBUS Application Protocol V1.1b3, section 6), not by the code under test.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from random import Random
from typing import NamedTuple

from kerfbus.bench.crc import crc16, with_crc
from kerfbus.bench.framing import Frame, Framer, Piece
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import candidates

SETTINGS = LineSettings()
CHARACTER_NS = SETTINGS.character_ns
T35_NS = SETTINGS.t35_ns
T15_NS = SETTINGS.t15_ns


class Part(NamedTuple):
    """Characters between which nothing is missing.

    Attributes:
        data: the characters.
        good: whether they are an undamaged frame.
    """

    data: bytes
    good: bool


def transaction(random: Random) -> tuple[bytes, bytes]:
    """Return a request and its reply, the usual function codes, now and then an exception."""
    server, start = random.randint(1, 5), random.randrange(2000)
    function = random.choice((3, 3, 3, 4, 1, 6, 16, 2, 5))
    head = bytes((server, function)) + start.to_bytes(2, "big")
    if function in (1, 2):
        count = random.randint(1, 64)
        size = (count + 7) // 8
        request, reply = head + count.to_bytes(2, "big"), bytes((server, function, size))
        reply += random.randbytes(size)
    elif function in (3, 4):
        count = random.randint(1, 20)
        request, reply = head + count.to_bytes(2, "big"), bytes((server, function, 2 * count))
        reply += random.randbytes(2 * count)
    elif function == 16:
        count = random.randint(1, 10)
        reply = head + count.to_bytes(2, "big")
        request = reply + bytes((2 * count,)) + random.randbytes(2 * count)
    else:
        request = reply = head + (random.randbytes(2) if function == 6 else b"\xff\0")
    if random.random() < 0.02:
        reply = bytes((server, function | 0x80, 2))
    return with_crc(request), with_crc(reply)


def traffic(count: int, seed: int) -> list[bytes]:
    """Return `count` frames, requests and replies in turn."""
    random = Random(seed)
    return [frame for _ in range((count + 1) // 2) for frame in transaction(random)][:count]


def flipped(frame: bytes, random: Random) -> bytes:
    """Return a frame with one to three bits changed."""
    damaged = bytearray(frame)
    for _ in range(random.randint(1, 3)):
        damaged[random.randrange(len(damaged))] ^= 1 << random.randrange(8)
    return bytes(damaged)


def truncated(frame: bytes, random: Random) -> bytes:
    """Return a frame of which the end or the beginning is missing."""
    lost = random.randint(1, len(frame) - 1)
    return frame[lost:] if random.random() < 0.3 else frame[:-lost]


def thinned(frame: bytes, random: Random) -> bytes:
    """Return a frame without one of its characters."""
    lost = random.randrange(len(frame))
    return frame[:lost] + frame[lost + 1 :]


def stuffed(frame: bytes, random: Random) -> bytes:
    """Return a frame with strange characters inside."""
    place = random.randint(1, len(frame) - 1)
    return frame[:place] + random.randbytes(random.randint(1, 4)) + frame[place:]


def damage(frames: Sequence[bytes], seed: int, share: float, bursts: float) -> list[Part]:
    """Return a stream with damage of all kinds.

    Args:
        frames: undamaged frames.
        seed: of the damage.
        share: how many of the frames are hit.
        bursts: how many are followed by characters that belong to nobody.
    """
    random = Random(seed)
    parts: list[Part] = []
    kinds = (flipped, flipped, truncated, thinned, stuffed)
    for frame in frames:
        part = Part(frame, True)
        if random.random() < share:
            kind = random.choice((*kinds, None))
            if kind is None and parts and parts[-1].good:
                # Two senders at once: the end of one frame and the beginning of the next are lost.
                before = parts.pop().data
                merged = before[: random.randint(1, len(before))]
                part = Part(merged[:-1] + frame[random.randint(1, len(frame) - 1) :], False)
            elif kind is not None:
                part = Part(kind(frame, random), False)
            if len(part.data) >= 4 and not crc16(part.data):
                part = Part(part.data, True)  # the damage undid itself
        if part.data:
            parts.append(part)
        if random.random() < bursts:
            parts.append(Part(random.randbytes(random.randint(1, 20)), False))
    return parts


def ambiguous(frame: bytes) -> bool:
    """Return whether a shorter frame with a good CRC stands at the start of this one.

    Random content makes one about once in 65,536 frames; no receiver without silences could tell.
    """
    return any(
        0 < candidate.length < len(frame) and not crc16(frame[: candidate.length])
        for candidate in candidates(frame)
    )


def in_chunks(stream: bytes, most: int, seed: int) -> list[bytes]:
    """Return a stream in chunks of 1 to `most` characters."""
    random = Random(seed)
    chunks, start = [], 0
    while start < len(stream):
        size = random.randint(1, most)
        chunks.append(stream[start : start + size])
        start += size
    return chunks


class Character(NamedTuple):
    """A character on the line and when its stop bit ended, ns."""

    value: int
    at: int


def on_the_line(parts: Iterable[bytes], gaps: Iterable[int], begin: int = 0) -> list[Character]:
    """Return characters with exact instants.

    Args:
        parts: characters sent without a gap.
        gaps: the silence before each part, ns.
        begin: when the first silence begins, ns.
    """
    line = []
    for data, gap in zip(parts, gaps, strict=True):
        begin += gap
        for count, value in enumerate(data, 1):
            line.append(Character(value, begin + SETTINGS.characters_ns(count)))
        begin += SETTINGS.characters_ns(len(data))
    return line


def silence_before(line: Sequence[Character], place: int) -> int:
    """Return the silence before a character, ns; what rounding leaves counts as none."""
    if not place:
        return line[0].at - CHARACTER_NS
    gap = line[place].at - line[place - 1].at - CHARACTER_NS
    return gap if abs(gap) > 2 else 0


def bursts(line: Sequence[Character], sizes: Iterator[int]) -> Iterator[tuple[bytes, int]]:
    """Yield the line in chunks that end at the latest where there is a silence."""
    start = 0
    while start < len(line):
        end, most = start + 1, next(sizes)
        while end < len(line) and end - start < most and not silence_before(line, end):
            end += 1
        yield bytes(character.value for character in line[start:end]), line[end - 1].at
        start = end


def decoded(framer: Framer, chunks: Iterable[tuple[bytes, int]]) -> list[Piece]:
    """Return all pieces of a stream, what is held back at its end included."""
    pieces = [piece for data, at in chunks for piece in framer.receive(data, at)]
    return pieces + framer.flush()


def good_frames(pieces: Iterable[Piece]) -> list[bytes]:
    """Return the frames without any error."""
    return [piece.data for piece in pieces if isinstance(piece, Frame) and not piece.errors]


def missing(parts: Sequence[Part], pieces: Sequence[Piece]) -> list[bytes]:
    """Return the undamaged frames that were not found at their very place.

    Raises:
        AssertionError: the pieces are not all characters, each once.
    """
    assert b"".join(piece.data for piece in pieces) == b"".join(part.data for part in parts)
    found = set()
    place = 0
    for piece in pieces:
        if isinstance(piece, Frame) and not piece.errors:
            found.add((place, len(piece.data)))
        place += len(piece.data)
    lost, place = [], 0
    for part in parts:
        if part.good and (place, len(part.data)) not in found:
            lost.append(part.data)
        place += len(part.data)
    return lost
