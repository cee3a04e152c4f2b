"""Registers to bit patterns and back.

A register is 16 bits, high byte first on the wire (MODBUS Application Protocol V1.1b3, 4.2). The
standard does not say in which order the two words of a 32-bit value come, so the map does.
"""

from __future__ import annotations

from collections.abc import Sequence

WORD_BITS = 16
WORD_MASK = 0xFFFF


def join_words(raw: Sequence[int], *, high_first: bool = True) -> int:
    """Return the unsigned pattern that the words make.

    >>> hex(join_words([0x1234, 0x5678], high_first=False))
    '0x56781234'
    """
    pattern = 0
    for word in raw if high_first else reversed(raw):
        pattern = pattern << WORD_BITS | word
    return pattern


def split_words(pattern: int, count: int, *, high_first: bool = True) -> tuple[int, ...]:
    """Return the `count` words of an unsigned pattern; the inverse of `join_words`.

    >>> split_words(0x12345678, 2)
    (4660, 22136)
    """
    shifts = range(0, count * WORD_BITS, WORD_BITS)
    low_first = tuple(pattern >> shift & WORD_MASK for shift in shifts)
    return low_first[::-1] if high_first else low_first


def to_signed(pattern: int, width: int) -> int:
    """Return what `width` bits mean in two's complement.

    >>> to_signed(0xFFFE, 16)
    -2
    """
    return pattern - (1 << width) if pattern >> (width - 1) else pattern


def to_pattern(number: int, width: int) -> int:
    """Return the bits of a number in two's complement; the inverse of `to_signed`.

    >>> hex(to_pattern(-2, 16))
    '0xfffe'
    """
    return number & ((1 << width) - 1)
