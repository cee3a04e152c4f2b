"""CRC-16 of RTU frames: its definition, published figures, what it detects and what it does not."""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbus.bench.crc import crc16, crc_good, with_crc

# Undetected patterns of exactly 4 wrong bits in a frame of so many bytes, CRC included. Computed
# from the generator by exhaustion, once with this method and once without.
UNDETECTED_FOURS = {
    4: 24,
    8: 364,
    16: 2320,
    32: 14995,
    64: 144217,
    128: 1609836,
    256: 22881912,
}
LONGEST = 256


def shifted(register: int, byte: int) -> list[int]:
    """Return the register after each of the 8 shifts (Serial Line V1.02, 6.2.2, steps 2 to 6)."""
    register ^= byte
    steps = []
    for _ in range(8):
        register = register >> 1 ^ (0xA001 if register & 1 else 0)
        steps.append(register)
    return steps


def by_definition(data: bytes) -> int:
    register = 0xFFFF
    for byte in data:
        register = shifted(register, byte)[-1]
    return register


def syndromes(length: int) -> np.ndarray:
    """Return what one wrong bit makes of the CRC over a whole frame, for each bit as sent."""
    clean = crc16(bytes(length))
    found = []
    for place in range(8 * length):
        frame = bytearray(length)
        frame[place >> 3] = 1 << (place & 7)  # the lowest bit of a character goes first (2.5.1)
        found.append(crc16(bytes(frame)) ^ clean)
    return np.array(found, dtype=np.uint16)


def pair_histogram(marks: np.ndarray) -> np.ndarray:
    """Return how many pairs of wrong bits leave each remainder."""
    counts = np.zeros(1 << 16, dtype=np.int64)
    for place in range(len(marks) - 1):
        counts += np.bincount(marks[place] ^ marks[place + 1 :], minlength=1 << 16)
    return counts


def test_check_value() -> None:
    """Catalogue of parametrised CRC algorithms, CRC-16/MODBUS: check 4B37, residue 0."""
    assert crc16(b"123456789") == 0x4B37
    assert crc16(with_crc(b"123456789")) == 0


def test_of_nothing_is_the_preset() -> None:
    """Serial Line V1.02, 6.2.2: the register is preset to FFFF; nothing shifts it."""
    assert crc16(b"") == 0xFFFF


def test_worked_example_and_its_trace() -> None:
    """Serial Line V1.02, 6.2.2, page 41: message 02 07, sent 41 12."""
    after_first = shifted(0xFFFF, 0x02)[-1]
    assert after_first == 0x813E
    assert after_first ^ 0x07 == 0x8139
    assert shifted(after_first, 0x07)[-1] == 0x1241
    assert crc16(b"\x02") == 0x813E
    assert crc16(b"\x02\x07") == 0x1241
    assert with_crc(b"\x02\x07") == bytes.fromhex("02 07 41 12")


@given(st.binary(max_size=300))
def test_equals_the_definition(data: bytes) -> None:
    """Serial Line V1.02, 6.2.2: shift right, XOR with A001 when a 1 falls out."""
    assert crc16(data) == by_definition(data)


@given(st.binary(min_size=2, max_size=254))
def test_frame_with_its_crc_is_good_and_swapped_is_not(body: bytes) -> None:
    """Serial Line V1.02, 6.2.2: low byte first."""
    frame = with_crc(body)
    assert crc_good(frame)
    low, high = frame[-2:]
    assert (low == high) == crc_good(frame[:-2] + bytes((high, low)))


@pytest.mark.parametrize("frame", [b"", b"\xff\xff", b"\x01" + with_crc(b"\x01")[1:]])
def test_too_short_for_a_frame(frame: bytes) -> None:
    """Serial Line V1.02, 2.5.1: address, function code and CRC are 4 characters."""
    assert not crc_good(frame)


def test_every_error_of_up_to_three_bits_is_detected() -> None:
    """HD = 4, by exhaustion: all 43,744 such errors of a frame of 8 bytes."""
    good = int.from_bytes(with_crc(bytes.fromhex("11 03 00 6B 00 03")), "little")
    tried = 0
    for wrong in (1, 2, 3):
        for places in combinations(range(64), wrong):
            error = sum(1 << place for place in places)
            assert not crc_good((good ^ error).to_bytes(8, "little"))
            tried += 1
    assert tried == comb(64, 1) + comb(64, 2) + comb(64, 3)


@pytest.mark.parametrize("length", [4, 8, 16, 32, 64, 128, LONGEST])
def test_hamming_distance_is_four_at_every_length(length: int) -> None:
    """HD = 4 up to 32751 bits of data (Koopman, good HD=4 polynomials, 16 bits; proved)."""
    marks = syndromes(length)
    assert marks.all(), "one wrong bit"
    assert len(np.unique(marks)) == len(marks), "two wrong bits"
    # Three: no remainder of a pair is that of a single bit. The parity of x + 1 says the same.
    assert not pair_histogram(marks)[marks].any(), "three wrong bits"


@pytest.mark.parametrize(("length", "count"), UNDETECTED_FOURS.items())
def test_exact_number_of_undetected_errors_of_four_bits(length: int, count: int) -> None:
    """Four bits go undetected when two pairs leave the same remainder: three ways to pair them."""
    pairs = pair_histogram(syndromes(length))
    assert pairs[0] == 0
    assert int((pairs * (pairs - 1) // 2).sum()) == 3 * count


def test_undetected_errors_are_indeed_undetected() -> None:
    """The 364 of an 8-byte frame, each tried on a real one."""
    marks = syndromes(8).tolist()
    by_remainder: dict[int, list[tuple[int, int]]] = {}
    for first, second in combinations(range(64), 2):
        by_remainder.setdefault(marks[first] ^ marks[second], []).append((first, second))
    found = {
        tuple(sorted(one + other))
        for pairs in by_remainder.values()
        for one, other in combinations(pairs, 2)
    }
    good = int.from_bytes(with_crc(bytes.fromhex("11 03 00 6B 00 03")), "little")
    fooled = [sum(1 << place for place in places) for places in found]
    assert len(fooled) == 364
    assert all(crc_good((good ^ error).to_bytes(8, "little")) for error in fooled)


def test_every_burst_of_up_to_sixteen_bits_is_detected() -> None:
    """Any 16 neighbouring bits leave independent remainders, so no combination cancels."""
    marks = [int(mark) for mark in syndromes(LONGEST)]
    for start in range(len(marks) - 15):
        basis: list[int] = []
        for mark in marks[start : start + 16]:
            left = mark
            for reduced in basis:
                left = min(left, left ^ reduced)
            assert left, f"a burst from bit {start} would pass"
            basis.append(left)


def test_distance_falls_to_two_beyond_32767_bits() -> None:
    """The order of x^15 + x + 1 is 32767: two errors that far apart cancel (proved)."""
    frame = bytearray(with_crc(bytes(4095)))
    for place in (0, 32767):
        frame[place >> 3] ^= 1 << (place & 7)
    assert crc_good(bytes(frame))
    frame[32766 >> 3] ^= 0b11 << 6  # one bit nearer
    assert not crc_good(bytes(frame))


@given(st.binary(min_size=2, max_size=64), st.data())
def test_every_error_of_an_odd_number_of_bits_is_detected(body: bytes, data: st.DataObject) -> None:
    """The generator has the factor x + 1."""
    frame = with_crc(body)
    bits = st.integers(0, 8 * len(frame) - 1)
    places = data.draw(st.sets(bits, min_size=1, max_size=15).filter(lambda found: len(found) % 2))
    error = sum(1 << place for place in places)
    damaged = int.from_bytes(frame, "little") ^ error
    assert not crc_good(damaged.to_bytes(len(frame), "little"))
