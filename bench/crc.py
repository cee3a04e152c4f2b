"""CRC-16 of RTU frames.

Parameters: width 16, polynomial 8005 (reflected A001), preset FFFF, no final XOR, sent low byte
first. Source: MODBUS over Serial Line V1.02, 6.2.2. The computation is fastcrc's.
"""

from __future__ import annotations

from fastcrc import crc16 as _crc16

crc16 = _crc16.modbus
"""``crc16(data: bytes) -> int``. Over a whole frame with its CRC the result is 0 (the residue)."""


def with_crc(data: bytes) -> bytes:
    """Return `data` followed by its CRC, low byte first."""
    return data + crc16(data).to_bytes(2, "little")


def crc_good(frame: bytes) -> bool:
    """Return whether `frame` is long enough to hold one (4 characters) and its CRC fits."""
    return len(frame) >= 4 and crc16(frame) == 0
