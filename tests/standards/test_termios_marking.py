"""Marked line errors in a terminal's input.

Sources: POSIX.1-2017 XBD 11.2.2 "Input Modes" (PARMRK, INPCK, IGNPAR, ISTRIP, IGNBRK, BRKINT);
GNU C library manual, "Input Modes"; HP-UX 11i v2 termio(7).
"""

from __future__ import annotations

import pytest

from kerfbus.bench.parmrk import Mark, MarkDecoder, encode

# With PARMRK set and IGNPAR, ISTRIP, IGNBRK, BRKINT clear.
TABLE = [
    ("a good character", "41", "41", ()),
    ("a framing or parity error on 41", "ff 00 41", "41", (Mark(0, 0x41),)),
    ("a good FF (ISTRIP clear)", "ff ff", "ff", ()),
    ("a break (IGNBRK and BRKINT clear)", "ff 00 00", "00", (Mark(0, 0),)),
    ("a framing or parity error on FF", "ff 00 ff", "ff", (Mark(0, 0xFF),)),
    ("a good 00", "00", "00", ()),
    ("a good FF, a good 00", "ff ff 00", "ff 00", ()),
    ("a good FF, an error on 00", "ff ff ff 00 00", "ff 00", (Mark(1, 0),)),
]


@pytest.mark.parametrize(("raw", "characters", "marks"), [row[1:] for row in TABLE])
def test_what_the_driver_delivers_is_understood(
    raw: str, characters: str, marks: tuple[Mark, ...]
) -> None:
    assert MarkDecoder().decode(bytes.fromhex(raw)) == (bytes.fromhex(characters), marks)


@pytest.mark.parametrize(("raw", "characters", "marks"), [row[1:] for row in TABLE])
def test_what_a_driver_would_deliver_is_made(
    raw: str, characters: str, marks: tuple[Mark, ...]
) -> None:
    data = bytes.fromhex(characters)
    assert encode(data, [mark.position for mark in marks]) == bytes.fromhex(raw)
