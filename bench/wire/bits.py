"""Coils and discrete inputs packed into bytes, the lowest address in the lowest bit (6.1)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

_BITS = tuple(tuple(bool(byte >> bit & 1) for bit in range(8)) for byte in range(256))


def pack(bits: Sequence[bool]) -> bytes:
    """Return as many bytes as it takes; what is left of the last one is 0."""
    value = 0
    for place, bit in enumerate(bits):
        if bit:
            value |= 1 << place
    return value.to_bytes((len(bits) + 7) // 8, "little")


def unpack(data: bytes) -> tuple[bool, ...]:
    """Return eight bits for each byte."""
    return tuple(chain.from_iterable(_BITS[byte] for byte in data))
