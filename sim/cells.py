"""Packers: values of the supply to raw bytes, one for each register of its map.

A bench decodes and encodes with care for a person (`kerfbus.bench.regmap`); a server packs the same
few readings many thousand times a second. A packer is the quick form of `Register.encode_nearest`
for what the supply hands over: numbers in the map's unit, codes of choices, masks of bits, texts,
None for "no reading".
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from math import floor
from struct import Struct, pack

from kerfbus.bench.regmap import Register, Type
from kerfbus.bench.regmap.numbers import IntegerCodec
from kerfbus.bench.regmap.words import split_words, to_pattern

Cell = float | int | str | bool | None
"""A value as the supply hands it over."""
Packer = Callable[[Cell], bytes]
"""Makes the bytes of a register out of its value: two a word, one a bit."""
Writer = Callable[[bytearray, int, Cell], None]
"""Puts what a packer makes into an image, at an offset."""

_WORD = Struct(">H").pack
_WORD_INTO, _DOUBLE_INTO = Struct(">H").pack_into, Struct(">I").pack_into
_SINGLE_INTO = Struct(">f").pack_into
_SINGLE = Struct(">f").pack


def packer(register: Register) -> Packer:
    """Return the packer of a register."""
    codec, count = register.codec, register.words
    high_first, numeric = register.word_order == "big", register.type.numeric
    if register.type is Type.BOOL:
        return lambda value: b"\1" if value else b"\0"
    if isinstance(codec, IntegerCodec):
        return _number(register, codec)
    if register.type is Type.F32 and register.invalid is None:
        return _single(register)
    if register.type is Type.ENUMERATION or (register.type is Type.BITS and count == 1):
        return lambda value: _WORD(int(value or 0))
    if register.type is Type.BITS:
        return lambda value: pack(
            f">{count}H", *split_words(int(value or 0), count, high_first=high_first)
        )
    return lambda value: pack(
        f">{count}H", *codec.encode_nearest("" if value is None and not numeric else value)
    )


def writer(register: Register) -> Writer:
    """Return the writer of a register: its packer, at a third of the cost where it is a number.

    Assigning to a slice of an image costs more than all the rest, so what is usual is written out.
    """
    codec, pack_cell, size = register.codec, packer(register), 2 * register.words
    if register.type is Type.BOOL:
        size = 1
    elif isinstance(codec, IntegerCodec) and _is_plain(register, codec):
        return _number_writer(register, codec, pack_cell)
    elif register.type is Type.F32 and register.invalid is None and register.word_order == "big":
        return _single_writer(register, pack_cell)

    def write(image: bytearray, at: int, value: Cell) -> None:
        image[at : at + size] = pack_cell(value)

    return write


def _is_plain(register: Register, codec: IntegerCodec) -> bool:
    """Return whether a number within limits is its raw word: no sign, swap or "invalid" there."""
    low, high = codec.raw_bounds
    swap = codec.width == 32 and not codec.high_first
    never = -1 if register.invalid is None else to_pattern(register.invalid, codec.width)
    return low >= 0 and not swap and not low <= never <= high


def _number_writer(register: Register, codec: IntegerCodec, pack_cell: Packer) -> Writer:
    gain, offset = 1 / register.scale, 0.5 - register.offset / register.scale
    low, high = codec.raw_bounds
    into, size = (_WORD_INTO, 2) if codec.width == 16 else (_DOUBLE_INTO, 4)

    def write(image: bytearray, at: int, value: Cell) -> None:
        if value is not None:
            raw = floor(value * gain + offset)  # type: ignore[operator]
            if low <= raw <= high:  # nearly always
                into(image, at, raw)
                return
        image[at : at + size] = pack_cell(value)

    return write


def _single_writer(register: Register, pack_cell: Packer) -> Writer:
    low = float("-inf") if register.min is None else register.min
    high = float("inf") if register.max is None else register.max
    gain, offset = 1 / register.scale, register.offset

    def write(image: bytearray, at: int, value: Cell) -> None:
        if type(value) is float and low <= value <= high:
            _SINGLE_INTO(image, at, (value - offset) * gain)
        else:
            image[at : at + 4] = pack_cell(value)

    return write


def _number(register: Register, codec: IntegerCodec) -> Packer:
    """Return the packer of a whole number, held at its limits and off the "invalid" pattern."""
    gain, offset = 1 / register.scale, 0.5 - register.offset / register.scale
    low, high = codec.raw_bounds
    width = codec.width
    never = None if register.invalid is None else to_pattern(register.invalid, width)
    swap = width == 32 and not codec.high_first
    build = Struct(">H" if width == 16 else ">I").pack
    mask = (1 << width) - 1
    quick = _is_plain(register, codec)

    def put(value: Cell) -> bytes:
        if value is None:
            word = never or 0
        else:
            raw = floor(value * gain + offset)  # type: ignore[operator]
            if quick and low <= raw <= high:  # nearly always
                return build(raw)
            raw = low if raw < low else high if raw > high else raw
            word = raw & mask
            if word == never:
                word = (raw + (1 if raw == low else -1)) & mask
        data = build(word)
        return data[2:] + data[:2] if swap else data

    return put


def _single(register: Register) -> Packer:
    """Return the packer of a single-precision number, held at its limits."""
    low = float("-inf") if register.min is None else register.min
    high = float("inf") if register.max is None else register.max
    gain, offset = 1 / register.scale, register.offset
    swap = register.word_order == "little"

    def put(value: Cell) -> bytes:
        held = float(value or 0)
        if not low <= held <= high:
            held = max(low, min(high, held))
        data = _SINGLE((held - offset) * gain)
        return data[2:] + data[:2] if swap else data

    return put


def mask_of(register: Register | None, names: Set[str]) -> int:
    """Return the mask of the bits called `names`; what the map lacks has no bit."""
    if register is None:
        return 0
    return sum(1 << number for number, name in register.bits.items() if name in names)


def names_of(facts: Mapping[str, bool]) -> frozenset[str]:
    """Return the names of the facts that hold."""
    return frozenset(name for name, holds in facts.items() if holds)
