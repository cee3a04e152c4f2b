"""Blocks of a pcapng file: build them, cut bytes into them, walk their options.

Job: the container, not what is in it. Rule: bytes go in, blocks come out; nothing here opens a
file. It must not know what a capture of a serial line is (that is `kerfbus.bench.capturerecords`).

Source: draft-ietf-opsawg-pcapng, 3.1 (blocks), 3.5 (options), 3.6 (byte order, alignment, strings),
4.1 (Section Header Block), 4.2 (Interface Description Block), 4.3 (Enhanced Packet Block). What is
written is little-endian; either order is read.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from typing import Literal, NamedTuple

SECTION = 0x0A0D0D0A
INTERFACE = 1
PACKET = 6
SECTION_BYTES = b"\n\r\r\n"
"""How every pcapng file begins: a block type that reads the same in either byte order (4.1)."""

OPT_END = 0
OPT_COMMENT = 1
SHB_USERAPPL = 4
IF_NAME = 2
IF_DESCRIPTION = 3
IF_SPEED = 8
IF_TSRESOL = 9
IF_TSOFFSET = 14
EPB_FLAGS = 2
LOOK = 1 << 18
"""Bytes that tell a block that was cut off from one with a damaged length."""
MAX_OPTION = 0xFFFF
"""Longest value of an option in bytes: its length has 16 bits (3.5)."""

SECTION_OPTIONS_AT = 24
INTERFACE_OPTIONS_AT = 16
PACKET_DATA_AT = 28

Order = Literal["<", ">"]
"""Byte order, as the struct module writes it."""
ORDERS: tuple[Order, Order] = ("<", ">")

_MAGIC = 0x1A2B3C4D
_WORD = {order: struct.Struct(f"{order}I") for order in ORDERS}
_TWO_WORDS = {order: struct.Struct(f"{order}II") for order in ORDERS}
_OPTION = {order: struct.Struct(f"{order}HH") for order in ORDERS}
_PACKET_HEAD = struct.Struct("<III")
packed_pair = _TWO_WORDS["<"].pack
"""Packs two 32-bit words, such as the high and the low half of a time stamp."""
_SHORTEST_KNOWN = {SECTION: 28, INTERFACE: 20, PACKET: 32}
_SHORTEST = 12


class DamageError(Exception):
    """The bytes are not what the draft says; whoever knows the file's name translates this.

    Attributes:
        offset: where the damaged block begins, counted from the start of the file.
        reason: what is wrong, as a clause.
    """

    def __init__(self, offset: int, reason: str) -> None:
        super().__init__(f"damaged at byte {offset}: {reason}")
        self.offset = offset
        self.reason = reason


class Block(NamedTuple):
    """A whole block, left in the buffer that holds it.

    Attributes:
        kind: block type.
        offset: where it begins in the file.
        order: byte order of its section.
        data: the buffer.
        start: where the block begins in the buffer.
        end: one past its last byte there.
    """

    kind: int
    offset: int
    order: Order
    data: bytes
    start: int
    end: int


def padded(size: int) -> int:
    """Return `size` rounded up to a multiple of four (3.6.2)."""
    return (size + 3) & ~3


def text(value: bytes) -> str:
    """Return a string of an option: up to the first zero, invalid UTF-8 replaced (3.5, 3.6.3)."""
    return value.split(b"\0", 1)[0].decode("utf-8", "replace")


# Building


def option(code: int, value: bytes) -> bytes:
    """Return an option. `value` is at most `MAX_OPTION` bytes."""
    return _OPTION["<"].pack(code, len(value)) + value.ljust(padded(len(value)), b"\0")


def option_list(options: Iterable[tuple[int, bytes]]) -> bytes:
    """Return options with the end mark behind them; nothing at all when there are none."""
    body = b"".join(option(code, value) for code, value in options)
    return body and body + option(OPT_END, b"")


def block(kind: int, body: bytes) -> bytes:
    """Return a block; the length of `body` is a multiple of four."""
    length = _WORD["<"].pack(len(body) + _SHORTEST)
    return _WORD["<"].pack(kind) + length + body + length


def section_header(options: Iterable[tuple[int, bytes]] = ()) -> bytes:
    """Return a Section Header Block of version 1.0 and unknown section length."""
    head = struct.pack("<IHHq", _MAGIC, 1, 0, -1)
    return block(SECTION, head + option_list(options))


def interface_description(link_type: int, options: Iterable[tuple[int, bytes]] = ()) -> bytes:
    """Return an Interface Description Block without a limit on the packet length."""
    head = struct.pack("<HHI", link_type, 0, 0)
    return block(INTERFACE, head + option_list(options))


def packet_frame(interface: int, size: int, options: bytes) -> tuple[bytes, bytes, bytes]:
    """Return what stands in an Enhanced Packet Block before, between and behind time and data.

    It depends on the size alone, so a writer may keep it for the sizes that recur.

    Args:
        interface: number of the interface in its section.
        size: of the data.
        options: what `option_list` gave.
    """
    pad = padded(size) - size
    length = PACKET_DATA_AT + size + pad + len(options) + 4
    before = _PACKET_HEAD.pack(PACKET, length, interface)
    return before, packed_pair(size, size), bytes(pad) + options + _WORD["<"].pack(length)


def enhanced_packet(interface: int, ticks: int, data: bytes, options: bytes = b"") -> bytes:
    """Return an Enhanced Packet Block.

    Args:
        interface: number of the interface in its section.
        ticks: time stamp, in the interface's unit, 0 to 2**64 - 1.
        data: the packet.
        options: what `option_list` gave.
    """
    before, between, behind = packet_frame(interface, len(data), options)
    return before + packed_pair(ticks >> 32, ticks & 0xFFFFFFFF) + between + data + behind


# Reading


def word(found: Block, at: int) -> int:
    """Return the 32-bit word at `at`, counted from the block's start."""
    return int(_WORD[found.order].unpack_from(found.data, found.start + at)[0])


def options_of(found: Block, at: int) -> Iterator[tuple[int, bytes]]:
    """Yield the code and value of each option from `at`, counted from the block's start (3.5).

    Raises:
        DamageError: an option is longer than its block.
    """
    here, end = found.start + at, found.end - 4
    head = _OPTION[found.order]
    while here + 4 <= end:
        code, size = head.unpack_from(found.data, here)
        if code == OPT_END:
            return
        here += 4
        if here + size > end:
            raise DamageError(found.offset, f"option {code} is longer than its block")
        yield code, found.data[here : here + size]
        here += padded(size)


def whole_blocks(data: bytes, size: int) -> int:
    """Return how many of the first `size` bytes of blocks that we built make whole blocks."""
    end = 0
    while end + _SHORTEST <= size:
        length: int = _WORD["<"].unpack_from(data, end + 4)[0]
        if end + length > size:
            break
        end += length
    return end


def block_at(data: bytes, start: int, base: int, order: Order) -> Block | None:
    """Return the block that begins at `data[start]`, None when it is not all there.

    Args:
        data: a buffer.
        start: where in it.
        base: where the buffer begins in the file.
        order: byte order of the section so far; a Section Header Block has its own.

    Raises:
        DamageError: no block can begin so, or the length at its end is another one.
    """
    if len(data) - start < _SHORTEST:
        return None
    if data.startswith(SECTION_BYTES, start):
        order = _section_order(data, start, base)
    kind, length = _TWO_WORDS[order].unpack_from(data, start)
    if length % 4 or length < _SHORTEST_KNOWN.get(kind, _SHORTEST):
        raise DamageError(base + start, f"a block of type {kind} cannot be {length} bytes long")
    end = start + length
    if end > len(data):
        return None
    repeated = _WORD[order].unpack_from(data, end - 4)[0]
    if repeated != length:
        raise DamageError(
            base + start, f"the block's length is {length} at its head and {repeated} at its end"
        )
    return Block(kind, base + start, order, data, start, end)


def _section_order(data: bytes, start: int, base: int) -> Order:
    """Return the byte order that a Section Header Block states (4.1)."""
    for order in ORDERS:
        if _WORD[order].unpack_from(data, start + 8)[0] == _MAGIC:
            return order
    raise DamageError(base + start, "a section header without the byte-order magic")


def missing(data: bytes, start: int, order: Order) -> int:
    """Return how many bytes the block that begins at `data[start]` lacks, as far as one can see."""
    held = len(data) - start
    if held < _SHORTEST:
        return _SHORTEST - held
    if data.startswith(SECTION_BYTES, start):
        order = _section_order(data, start, 0)
    length: int = _WORD[order].unpack_from(data, start + 4)[0]
    return max(0, length - held)


def check_cut(data: bytes, start: int, base: int, order: Order) -> None:
    """Raise when what is left at the end of a file is not merely a block that was cut off.

    A damaged length that points past the end of the file looks like a block that was cut off. Its
    options give it away: they end, or the repeated length stands, where the true end is. A block of
    an unknown type gives no such hint and passes for cut off. No more than `LOOK` bytes matter.

    Raises:
        DamageError: what is there contradicts the block's length.
    """
    head, offset = data[start : start + LOOK], base + start
    if len(head) < _SHORTEST:
        return
    if head.startswith(SECTION_BYTES):
        order = _section_order(head, 0, offset)
    kind, length = _TWO_WORDS[order].unpack_from(head)
    at = {SECTION: SECTION_OPTIONS_AT, INTERFACE: INTERFACE_OPTIONS_AT}.get(kind)
    if kind == PACKET and len(head) >= PACKET_DATA_AT:
        at = PACKET_DATA_AT + padded(_WORD[order].unpack_from(head, 20)[0])
        if at + 4 > length:
            raise DamageError(offset, f"{length} bytes are too short for the packet in the block")
    while at is not None and at + 4 <= len(head):
        code, size = _OPTION[order].unpack_from(head, at)
        if _WORD[order].unpack_from(head, at)[0] == at + 4:
            raise DamageError(offset, f"the block's length is {length} but it ends after {at + 4}")
        if code == OPT_END:
            if at + 8 != length:
                raise DamageError(offset, f"the block's length is {length}, its options end before")
            return
        at += 4 + padded(size)


class BlockCutter:
    """Cuts bytes that arrive in pieces into blocks.

    After `DamageError` it stays where it was and raises again.

    Attributes:
        order: byte order of the section so far.
    """

    def __init__(self) -> None:
        self.order: Order = "<"
        self._data = b""
        self._start = 0
        self._base = 0

    @property
    def offset(self) -> int:
        """Return where the last whole block ended, counted from the start of the file."""
        return self._base + self._start

    @property
    def held(self) -> int:
        """Return the number of bytes behind `offset` that make no whole block yet."""
        return len(self._data) - self._start

    @property
    def missing(self) -> int:
        """Return how many bytes the next block lacks, as far as one can see."""
        return missing(self._data, self._start, self.order)

    def check_cut(self) -> None:
        """Raise `DamageError` when what is held is not merely a block that was cut off."""
        check_cut(self._data, self._start, self._base, self.order)

    def feed(self, data: bytes) -> None:
        """Append what was read from the file."""
        self._base += self._start
        self._data = self._data[self._start :] + data
        self._start = 0

    def forget(self) -> None:
        """Drop the bytes that make no whole block yet."""
        self._data = self._data[: self._start]

    def next(self) -> Block | None:
        """Return the next whole block, None when more bytes are needed.

        Raises:
            DamageError: what comes next is no block.
        """
        found = block_at(self._data, self._start, self._base, self.order)
        if found is not None:
            self._start = found.end
            self.order = found.order
        return found
