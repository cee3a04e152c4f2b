"""Who the supply says it is: device identification (2B/0E) and server id (11).

Sources: MODBUS Application Protocol V1.1b3, 6.21 (categories, stream and individual access, more
follows) and 6.13. The texts are those of the register map and invented like it.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import NamedTuple

from kerfbus.sim.refusal import bad_value, no_address

SERVER_ID = 0x4B
"""Our server id in function 11 (invented)."""
MEI_TYPE = 0x0E
"""Device identification among the encapsulated interfaces (6.21)."""
CONFORMITY = 0x83
"""Extended identification, stream and individual access (6.21)."""
OBJECT_SPACE = 253 - 7
"""Bytes of objects that fit into a PDU behind its seven bytes of header."""


class ReadCode(IntEnum):
    """Access codes of 2B/0E."""

    BASIC = 1
    REGULAR = 2
    EXTENDED = 3
    INDIVIDUAL = 4


_LAST_OF = {ReadCode.BASIC: 0x02, ReadCode.REGULAR: 0x7F, ReadCode.EXTENDED: 0xFF}


class ObjectId(IntEnum):
    """Objects that the supply has; below 80 hex they are the standard's."""

    VENDOR_NAME = 0x00
    PRODUCT_CODE = 0x01
    REVISION = 0x02
    VENDOR_URL = 0x03
    PRODUCT_NAME = 0x04
    MODEL_NAME = 0x05
    USER_APPLICATION_NAME = 0x06
    SERIAL_NUMBER = 0x80
    MAP = 0x81
    OPTIONS = 0x82
    NOTE = 0x83
    KEY_NOTE = 0x84


class Objects(NamedTuple):
    """The objects of one reply.

    Attributes:
        found: id and content.
        next_id: where to go on, 0 when nothing follows.
        more: whether something follows.
    """

    found: tuple[tuple[int, bytes], ...]
    next_id: int = 0
    more: bool = False

    def packed(self) -> bytes:
        """Return what stands in a reply behind the access code."""
        more = 0xFF if self.more else 0x00
        head = bytes((CONFORMITY, more, self.next_id, len(self.found)))
        return head + b"".join(bytes((number, len(text))) + text for number, text in self.found)


def identity_objects(texts: Mapping[str, str]) -> dict[int, bytes]:
    """Return the objects, by id in rising order.

    Args:
        texts: `maker`, `model`, `firmware`, `asset_tag`, `serial_number`, `map`, `options`.
    """
    content = {
        ObjectId.VENDOR_NAME: texts["maker"],
        ObjectId.PRODUCT_CODE: texts["model"],
        ObjectId.REVISION: texts["firmware"],
        ObjectId.VENDOR_URL: "",
        ObjectId.PRODUCT_NAME: "Simulated plasma-cutting supply",
        ObjectId.MODEL_NAME: texts["model"],
        ObjectId.USER_APPLICATION_NAME: texts["asset_tag"],
        ObjectId.SERIAL_NUMBER: texts["serial_number"],
        ObjectId.MAP: texts["map"],
        ObjectId.OPTIONS: texts["options"],
        ObjectId.NOTE: "Everything about this unit is invented: no real unit has these registers.",
        ObjectId.KEY_NOTE: "Orders need the key; a stop never does. This link is no safety device.",
    }
    return {int(number): text.encode("latin-1", "replace") for number, text in content.items()}


def read_objects(objects: Mapping[int, bytes], code: int, object_id: int) -> Objects:
    """Return what a request for `code` and `object_id` gets.

    An unknown object of a stream starts again at the first one; an unknown single one is refused.

    Raises:
        RefusedError: 03 for an unknown code, 02 for an unknown single object.
    """
    if code == ReadCode.INDIVIDUAL:
        if object_id not in objects:
            raise no_address(f"identification: there is no object {object_id:02X}")
        return Objects(((object_id, objects[object_id]),))
    if code not in (ReadCode.BASIC, ReadCode.REGULAR, ReadCode.EXTENDED):
        raise bad_value(f"identification: there is no access code {code}")
    last = _LAST_OF[ReadCode(code)]
    wanted = [number for number in objects if number <= last]
    if object_id in wanted:
        wanted = [number for number in wanted if number >= object_id]
    found: list[tuple[int, bytes]] = []
    space = OBJECT_SPACE
    for number in wanted:
        space -= 2 + len(objects[number])
        if space < 0:
            return Objects(tuple(found), number, more=True)
        found.append((number, objects[number]))
    return Objects(tuple(found))
