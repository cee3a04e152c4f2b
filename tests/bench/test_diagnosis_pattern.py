"""What happened to a frame that is known: the pattern, to the bit."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.crc import with_crc
from kerfbus.bench.diagnosis.pattern import Due, Pattern, compare
from kerfbus.bench.diagnosis.places import Place, place_of

FRAME = with_crc(bytes.fromhex("03040802580208 03e80003".replace(" ", "")))
SURE = Due(FRAME, bytes([1]) * len(FRAME))
WILD = Due(FRAME, bytes([1] * 7 + [0, 0] + [1] * 2 + [0, 0]))
"""The third register and the CRC are not known."""


def with_flip(data: bytes, place: int, flip: int) -> bytes:
    return data[:place] + bytes((data[place] ^ flip,)) + data[place + 1 :]


@pytest.mark.parametrize(
    ("heard", "expected", "place"),
    [
        (with_flip(FRAME, 4, 8), Pattern(13, 13, wrong=(4,), flips=((4, 8),)), Place.INSIDE),
        (with_flip(FRAME, 0, 1), Pattern(13, 13, wrong=(0,), flips=((0, 1),)), Place.HEAD),
        (with_flip(FRAME, 12, 0x80), Pattern(13, 13, wrong=(12,), flips=((12, 128),)), Place.TAIL),
        (b"\xff" + FRAME, Pattern(13, 14, before=1), Place.HEAD),
        (FRAME[1:], Pattern(13, 12, head_lost=1), Place.HEAD),
        (FRAME[5:], Pattern(13, 8, head_lost=5), Place.LATE),
        (FRAME[:-1], Pattern(13, 12, tail_lost=1), Place.TAIL),
        (FRAME[:7], Pattern(13, 7, tail_lost=6), Place.CUT),
        (FRAME + b"\x00", Pattern(13, 14, behind=1), Place.TAIL),
        (FRAME[:5] + FRAME[6:], Pattern(13, 12, inner=-1, wrong=(5,)), Place.INSIDE),
        (FRAME[:5] + b"\xaa" + FRAME[5:], Pattern(13, 14, inner=1), Place.INSIDE),
        (bytes(each ^ 0xFF for each in FRAME), None, Place.GARBLED),
    ],
)
def test_known_frame(heard: bytes, expected: Pattern | None, place: Place) -> None:
    found = compare(heard, SURE)
    assert place_of(found) is place
    if expected is not None:
        assert found._replace(likeness=0.0) == expected


def test_the_crc_finds_a_bit_in_a_value_that_nobody_knows() -> None:
    moved = with_crc(with_flip(FRAME[:-2], 8, 0x03))  # the value itself has moved on
    found = compare(with_flip(moved, 7, 0x10), WILD)
    assert found.flips == ((7, 0x10),)


def test_the_crc_finds_a_bit_beside_a_known_one() -> None:
    moved = with_crc(with_flip(FRAME[:-2], 8, 0x03))
    found = compare(with_flip(with_flip(moved, 4, 0x01), 8, 0x40), WILD)
    assert found.flips == ((4, 0x01), (8, 0x40))


@given(st.integers(0, len(FRAME) - 1), st.integers(1, 255))
@settings(max_examples=80, deadline=None)
def test_any_wrong_character_of_a_known_frame_is_found(place: int, flip: int) -> None:
    assert compare(with_flip(FRAME, place, flip), SURE).flips == ((place, flip),)


@given(st.binary(min_size=1, max_size=40), st.binary(min_size=4, max_size=40))
@settings(max_examples=80, deadline=None)
def test_any_two_stretches_can_be_compared(heard: bytes, due: bytes) -> None:
    found = compare(heard, Due(due, bytes([1]) * len(due)))
    assert (found.due, found.heard) == (len(due), len(heard))
    assert 0 <= found.likeness <= 1
    assert place_of(found) in Place
