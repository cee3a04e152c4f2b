"""Lures: replies that say what is not so, to see whether a controller acts on a bad frame.

While the supply is not ready, the lure says that it is; while the arc burns on the work, the lure
says that it went out with a fault. A frame with a lure is always one that must be discarded
(`kerfbus.sim.qualification.treatment`), so whoever acts as the lure says has read it all the same.

Names are those of the supply's register map; what a map lacks is left out of the lure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from enum import Enum
from types import MappingProxyType

from kerfbus.bench import wire
from kerfbus.bench.errors import LimitError, WireError
from kerfbus.bench.interpret import TABLES
from kerfbus.bench.regmap import Register, RegisterMap, Type

_Reads = (
    wire.ReadCoils,
    wire.ReadDiscreteInputs,
    wire.ReadHoldingRegisters,
    wire.ReadInputRegisters,
)


class Lure(Enum):
    """What a lure says."""

    READY = "ready for a start, no fault"
    ARC_OUT = "the arc is out, and a fault is latched"


_BITS: Mapping[Lure, Mapping[str, bool]] = MappingProxyType(
    {
        Lure.READY: {
            "enabled": True,
            "ready": True,
            "start-present": False,
            "gas-flowing": False,
            "gas-test": False,
            "post-flow": False,
            "fault": False,
        },
        Lure.ARC_OUT: {
            "ready": False,
            "pilot-arc": False,
            "arc-transferred": False,
            "cutting": False,
            "ramping": False,
            "fault": True,
        },
    }
)
"""Bits of the register ``status``."""
_VALUES: Mapping[Lure, Mapping[str, str | bool]] = MappingProxyType(
    {
        Lure.READY: {
            "mode": "idle",
            "fault": "none",
            "ready": True,
            "fault_active": False,
            "gas_test_active": False,
            "gas_flowing": False,
        },
        Lure.ARC_OUT: {
            "mode": "fault",
            "fault": "torch-cover-open",
            "ready": False,
            "arc_transferred": False,
            "cutting": False,
            "fault_active": True,
            "torch_cover_closed": False,
        },
    }
)
"""Other registers and inputs."""
_TELLING = frozenset({"status", "mode", "ready", "arc_transferred"})
"""A reply without any of these lures nobody."""


def lured(lure: Lure, request: bytes, reply: bytes, register_map: RegisterMap) -> bytes | None:
    """Return a reply's PDU changed into the lure; None where the reply cannot hold it.

    Args:
        lure: what it shall say.
        request: the request's PDU.
        reply: the true reply's PDU.
        register_map: where the registers are.
    """
    try:
        asked = wire.parse_request(request)
    except WireError:
        return None
    if not isinstance(asked, _Reads) or reply[0] != request[0]:
        return None
    found = register_map.covering(TABLES[type(asked)], asked.start, asked.count)
    if not any(each.name in _TELLING for each in found):
        return None
    data = bytearray(reply[2:])
    put = _put_bit if isinstance(asked, wire.ReadCoils | wire.ReadDiscreteInputs) else _put_word
    whole = [
        each
        for each in found
        if each.address >= asked.start and each.end <= asked.start + asked.count
    ]
    for register in whole:
        for place, word in _told(lure, register, data, register.address - asked.start):
            put(data, place, word)
    changed = reply[:2] + bytes(data)
    return changed if changed != reply else None


def disguised(lure_reply: bytes, reply: bytes) -> bytes | None:
    """Return a reply to another read, of the same length as it was, with the words of a lure.

    Whoever takes a reply for the one to its present request, without a look at the length, reads
    the lure. None where the lengths are equal, for then nobody could tell, and where less than half
    of the lure has room.

    Args:
        lure_reply: PDU of a lure in words.
        reply: PDU of the other read's true reply.
    """
    words = len(reply) - 2
    telling = 2 * words >= len(lure_reply) - 2
    if len(reply) == len(lure_reply) or reply[0] & 0x80 or not telling:
        return None
    room = len(reply) - 2
    return reply[:2] + lure_reply[2 : 2 + room].ljust(room, b"\0")


def _told(lure: Lure, register: Register, data: bytearray, place: int) -> Iterator[tuple[int, int]]:
    """Yield the words (bits) of a register as the lure has them, by place in the reply."""
    if register.name == "status" and register.type is Type.BITS and register.words == 1:
        word = int.from_bytes(data[2 * place : 2 * place + 2], "big")
        for number, name in register.bits.items():
            if name in _BITS[lure]:
                word = word | 1 << number if _BITS[lure][name] else word & ~(1 << number)
        yield place, word
    elif register.name in _VALUES[lure]:
        try:
            raw = register.encode(_VALUES[lure][register.name])
        except LimitError:  # a map of one's own may have other choices there
            return
        yield from enumerate(raw, place)


_Put = Callable[[bytearray, int, int], None]


def _put_word(data: bytearray, place: int, word: int) -> None:
    data[2 * place : 2 * place + 2] = word.to_bytes(2, "big")


def _put_bit(data: bytearray, place: int, bit: int) -> None:
    mask = 1 << place % 8
    data[place // 8] = data[place // 8] | mask if bit else data[place // 8] & ~mask
