"""The same characters with the same times give the same frames, however they come."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import cycle, pairwise

import pytest
from framing_corpus import (
    CHARACTER_NS,
    FRAMES,
    GAPS_NS,
    SETTINGS,
    T35_NS,
    Character,
    bursts,
    chunk_sizes,
    decoded,
    exact_lines,
    good_frames,
    on_the_line,
    silence_before,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.framing import Frame, FrameError, Framer, Piece

ROUNDING_NS = 60
"""An instant inside a chunk is computed back from its end."""


def same(one: Sequence[Piece], other: Sequence[Piece]) -> None:
    """Check that two decodings are the same but for the rounding of instants."""

    def content(pieces: Iterable[Piece]) -> list[tuple[object, ...]]:
        return [(type(p), p.data, p.errors, getattr(p, "shapes", None)) for p in pieces]

    assert content(one) == content(other)
    for a, b in zip(one, other, strict=True):
        assert abs(a.at - b.at) <= ROUNDING_NS
        assert (a.gap_before_ns is None) == (b.gap_before_ns is None)
        assert abs((a.gap_before_ns or 0) - (b.gap_before_ns or 0)) <= ROUNDING_NS


def all_there(line: Sequence[Character], pieces: Sequence[Piece]) -> None:
    """Check that each character is in one piece and that instants never go back."""
    assert b"".join(piece.data for piece in pieces) == bytes(c.value for c in line)
    assert all(a.at <= b.at for a, b in pairwise(pieces))
    assert all(piece.data for piece in pieces)


def whole(line: Sequence[Character]) -> list[Piece]:
    """Return what comes out when chunks end only where they must."""
    return decoded(Framer(SETTINGS, "exact"), bursts(line, cycle((10_000,))))


@given(exact_lines(), chunk_sizes())
@settings(max_examples=150, deadline=None)
def test_exact_times(line: list[Character], sizes: list[int]) -> None:
    pieces = decoded(Framer(SETTINGS, "exact"), bursts(line, cycle(sizes)))
    all_there(line, pieces)
    same(pieces, whole(line))


@given(exact_lines())
@settings(max_examples=60, deadline=None)
def test_exact_times_character_by_character(line: list[Character]) -> None:
    same(decoded(Framer(SETTINGS, "exact"), bursts(line, cycle((1,)))), whole(line))


@given(exact_lines(), chunk_sizes(), st.lists(st.floats(0, 1), min_size=1, max_size=6))
@settings(max_examples=150, deadline=None)
def test_a_tick_is_a_silence_and_nothing_else(
    line: list[Character], sizes: list[int], moments: list[float]
) -> None:
    """Ticks, at the deadline or at any time before the next character ends, change nothing."""
    framer = Framer(SETTINGS, "exact")
    pieces: list[Piece] = []
    moment = cycle(moments)
    last = None
    place = 0
    for data, at in bursts(line, cycle(sizes)):
        first = line[place].at
        if last is not None:
            for _ in range(2):
                pieces += framer.tick(last + int(next(moment) * (first - last - ROUNDING_NS)))
            due = framer.deadline
            if due is not None and due < first - ROUNDING_NS:
                pieces += framer.tick(due)
        pieces += framer.receive(data, at)
        last, place = at, place + len(data)
    all_there(line, pieces := pieces + framer.flush())
    same(pieces, whole(line))


@given(exact_lines(), chunk_sizes())
@settings(max_examples=100, deadline=None)
def test_no_times_at_all(line: list[Character], sizes: list[int]) -> None:
    stream = bytes(character.value for character in line)
    pieces = decoded(Framer(SETTINGS), ((part, 0) for part in cut(stream, cycle(sizes))))
    all_there(line, pieces)
    assert pieces == decoded(Framer(SETTINGS), [(stream, 0)])


def cut(stream: bytes, sizes: Iterator[int]) -> Iterator[bytes]:
    while stream:
        size = next(sizes)
        yield stream[:size]
        stream = stream[size:]


@given(exact_lines(), st.integers(0, 10**18))
@settings(max_examples=60, deadline=None)
def test_when_the_clock_began_does_not_matter(line: list[Character], begin: int) -> None:
    later = [Character(value, at + begin) for value, at in line]
    moved = [piece._replace(at=piece.at - begin) for piece in whole(later)]
    assert moved == whole(line)


def lumps(
    line: Sequence[Character], sizes: Iterator[int], delays: Iterator[float], uncertainty_ns: int
) -> Iterator[tuple[bytes, int, int]]:
    """Yield a line as a host gets it: in lumps, no character later than the uncertainty.

    Yields:
        Characters, the host's stamp, and where they begin.
    """
    start, stamp = 0, 0
    while start < len(line):
        latest = line[start].at + uncertainty_ns
        end, most = start + 1, next(sizes)
        while end < len(line) and end - start < most and line[end].at <= latest:
            end += 1
        stamp = max(stamp, line[end - 1].at)
        stamp += int(next(delays) * max(0, latest - stamp))
        yield bytes(character.value for character in line[start:end]), stamp, start
        start = end


# The 00 of a broadcast can be the last character of the frame before it, where no silence is sure.
NO_BROADCASTS = [frame for frame in FRAMES if frame[0]]
GOOD_LINES = st.lists(
    st.tuples(
        st.sampled_from(NO_BROADCASTS), st.sampled_from([gap for gap in GAPS_NS if gap >= T35_NS])
    ),
    min_size=1,
    max_size=12,
)
DELAYS = st.lists(st.floats(0, 1), min_size=1, max_size=6)


@given(GOOD_LINES, chunk_sizes(), DELAYS, st.integers(0, 20_000_000), st.booleans())
@settings(max_examples=150, deadline=None)
def test_a_host_that_is_honest_about_its_delay_loses_nothing(
    parts: list[tuple[bytes, int]],
    sizes: list[int],
    delays: list[float],
    uncertainty_ns: int,
    ticking: bool,
) -> None:
    """Whatever the lumps, all frames come out, and no gap is seen that was not there."""
    line = on_the_line(*zip(*parts, strict=True))
    framer = Framer(SETTINGS, "host", uncertainty_ns)
    pieces: list[Piece] = []
    for data, stamp, _ in lumps(line, cycle(sizes), cycle(delays), uncertainty_ns):
        due = framer.deadline
        if ticking and due is not None and due < stamp:
            pieces += framer.tick(due)
        pieces += framer.receive(data, stamp)
    all_there(line, pieces := pieces + framer.flush())
    assert good_frames(pieces) == [frame for frame, _ in parts]


@pytest.mark.parametrize("uncertainty_ns", [0, 1_000_000, 16_000_000])
def test_a_silence_must_be_longer_than_the_hosts_uncertainty(uncertainty_ns: int) -> None:
    """The two halves of a frame, as far apart as the delay alone may make them."""
    frame = FRAMES[1]
    head, tail = frame[:4], frame[4:]
    seen = T35_NS + uncertainty_ns - CHARACTER_NS
    framer = Framer(SETTINGS, "host", uncertainty_ns)
    pieces = framer.receive(head, 10**9)
    end = 10**9 + seen + SETTINGS.characters_ns(len(tail))
    pieces += framer.receive(tail, end)
    (only,) = pieces
    assert isinstance(only, Frame)
    # Without uncertainty this gap of more than 1.5 characters is certain; with it, it is not.
    assert only.errors == (FrameError.GAP if seen > SETTINGS.t15_ns + uncertainty_ns + 10**5 else 0)


def test_silence_before_is_what_the_line_has() -> None:
    line = on_the_line([b"ab", b"c"], [7 * CHARACTER_NS, T35_NS])
    assert [silence_before(line, place) for place in range(3)] == [7 * CHARACTER_NS, 0, T35_NS]
