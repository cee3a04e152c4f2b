"""Traffic for the framer: frames, damage to them, and lines of characters with instants.

Everything is a pure function of a seed, or of what Hypothesis draws. The frames are made here from
the standard's layouts (MODBUS Application Protocol V1.1b3, section 6), not by the code under test.

An *exact* line is one where each character bears the instant at which it ended; it may be cut into
chunks anywhere, but a silence must fall between two chunks. A *host* hands characters over late and
in lumps.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from random import Random
from typing import NamedTuple

from hypothesis import strategies as st

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


FRAMES = [
    *traffic(40, 3),
    *(
        with_crc(bytes.fromhex(pdu))
        for pdu in (
            "11 07",
            "11 07 6D",
            "11 0B",
            "11 0B FF FF 01 08",
            "11 0C 08 00 00 01 08 01 21 20 00",
            "11 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF",
            "11 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF",
            "11 18 04 DE",
            "11 18 00 06 00 02 01 B8 12 84",
            "11 2B 0E 01 00",
            "11 2B 0E 01 01 00 00 02 00 02 41 42 01 01 43",
            "00 06 00 01 00 03",
            "FA 06 00 01 00 03",
            "11 81 02",
        )
    ),
]
"""Frames of all layouts, a broadcast, a reserved address."""
USER_FRAMES = [
    with_crc(bytes.fromhex(pdu)) for pdu in ("11 41", "11 64 01 02 03", "11 5A 01 02", "11 80 02")
]
"""Two user-defined function codes, a reserved one, the exception of no function: no layout tells
their length."""
GAPS_NS = (
    0,
    T15_NS // 2,
    T15_NS + CHARACTER_NS // 2,
    T35_NS - CHARACTER_NS // 2,
    T35_NS,
    T35_NS,
    5 * T35_NS,
    60 * T35_NS,
)
"""Silences on both sides of each limit; the last is too long for a torn frame."""


@st.composite
def pieces_of_line(draw: st.DrawFn) -> bytes:
    """Draw a frame, whole or damaged, or characters that belong to nobody."""
    kind = draw(st.integers(0, 9))
    if kind == 0:
        return draw(st.binary(min_size=1, max_size=30))
    if kind == 1:
        return draw(st.sampled_from((b"\0", b"\xff"))) * draw(st.integers(1, 30))
    if kind == 2:
        return draw(st.sampled_from(USER_FRAMES))
    frame = draw(st.sampled_from(FRAMES))
    if kind == 3:
        place = draw(st.integers(0, len(frame) - 1))
        return frame[:place] + bytes((draw(st.integers(0, 255)),)) + frame[place + 1 :]
    if kind == 4:
        return frame[: draw(st.integers(1, len(frame)))]
    if kind == 5:
        return frame[draw(st.integers(0, len(frame) - 1)) :]
    return frame


@st.composite
def exact_lines(draw: st.DrawFn, gaps: Sequence[int] = GAPS_NS) -> list[Character]:
    """Draw up to twelve pieces of line and the silence before each."""
    parts = draw(st.lists(pieces_of_line(), min_size=1, max_size=12))
    silences = draw(st.lists(st.sampled_from(gaps), min_size=len(parts), max_size=len(parts)))
    return on_the_line(parts, silences)


def chunk_sizes() -> st.SearchStrategy[list[int]]:
    """Draw sizes of chunks, to be used again and again."""
    return st.lists(st.integers(1, 40), min_size=1, max_size=8)
