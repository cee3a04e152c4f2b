"""One register of a map: where it is, what it means, who may write it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap.codec import (
    ChoiceCodec,
    Codec,
    FlagsCodec,
    SwitchCodec,
    TextCodec,
    Value,
)
from kerfbus.bench.regmap.numbers import FloatCodec, IntegerCodec, Quantity

NAME_FORM = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*", re.ASCII)
"""What a register may be called: nothing that ``=``, ``:`` or ``+`` could be taken for."""


class Table(StrEnum):
    """The four tables of the data model (MODBUS Application Protocol V1.1b3, 4.3)."""

    HOLDING = "holding"  #: words, read and write
    INPUT = "input"  #: words, read only
    COIL = "coil"  #: bits, read and write
    DISCRETE = "discrete"  #: bits, read only

    @property
    def of_bits(self) -> bool:
        """Return whether an address holds one bit rather than one word."""
        return self in (Table.COIL, Table.DISCRETE)

    @property
    def writable(self) -> bool:
        """Return whether the protocol has a request that writes this table."""
        return self in (Table.HOLDING, Table.COIL)


class Type(StrEnum):
    """How raw words become a value."""

    U16 = "u16"
    I16 = "i16"
    U32 = "u32"
    I32 = "i32"
    F32 = "f32"  #: IEEE 754 binary32
    STRING = "string"  #: two Latin-1 characters a word
    BITS = "bits"  #: named bits in one or two words
    ENUMERATION = "enumeration"  #: one word, listed meanings
    BOOL = "bool"  #: a coil or a discrete input

    @property
    def numeric(self) -> bool:
        """Return whether scale, offset and limits have a meaning."""
        return self in (Type.U16, Type.I16, Type.U32, Type.I32, Type.F32)

    @property
    def usual_words(self) -> int | None:
        """Return the length in words (bits for BOOL); None for a string, which must say."""
        return None if self is Type.STRING else 2 if self in _TWO_WORDS else 1


_TWO_WORDS = (Type.U32, Type.I32, Type.F32)
_SIGNED = (Type.I16, Type.I32)


@dataclass(frozen=True, slots=True)
class Register:
    """A named value at an address.

    Attributes:
        name: unique in its map.
        table: table.
        address: PDU address of the first word or bit, from 0.
        type: how words become a value.
        words: length in words; 1 for a coil or a discrete input.
        word_order: ``big`` (high word first) or ``little``.
        scale: value of one raw step.
        offset: value of raw 0.
        unit: unit of value, min and max.
        min: lowest value that may be written, None for what the register can hold.
        max: highest value that may be written.
        access: ``r``, ``rw`` or ``w``.
        description: meaning, for people.
        values: raw value to name, for an enumeration.
        bits: bit number to name, for bits.
        invalid: raw pattern (unsigned) that means "no reading", or None.
        group: which block of the map it belongs to, "" for none.
        can_strike_arc: a write can start an arc; automatic runs on a real port leave it alone.
        default: factory value, None when the map gives none.
    """

    name: str
    table: Table
    address: int
    type: Type
    words: int = 1
    word_order: str = "big"
    scale: float = 1
    offset: float = 0
    unit: str | None = None
    min: float | None = None
    max: float | None = None
    access: str = "r"
    description: str = ""
    values: Mapping[int, str] = field(default_factory=dict, hash=False)
    bits: Mapping[int, str] = field(default_factory=dict, hash=False)
    invalid: int | None = None
    group: str = ""
    can_strike_arc: bool = False
    default: Value = None
    codec: Codec = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "codec", _CODECS[self.type](self))

    @property
    def readable(self) -> bool:
        """Return whether it may be read."""
        return "r" in self.access

    @property
    def writable(self) -> bool:
        """Return whether it may be written."""
        return "w" in self.access

    @property
    def end(self) -> int:
        """Return the address behind its last word or bit."""
        return self.address + self.words

    @property
    def quantity(self) -> Quantity:
        """Return scale, limits and unit together."""
        return Quantity(self.name, self.scale, self.offset, self.min, self.max, self.unit)

    def decode(self, raw: Sequence[int]) -> Value:
        """Return what the raw words (or the bit) mean; None when they say "invalid".

        Limits are not applied: a reading outside them is news, not an error.

        Raises:
            UsageError: `raw` is not as many words (bits) as the register has.
        """
        if len(raw) != self.words:
            raise UsageError(f"{self.name}: has {self.words} words, not {len(raw)}")
        highest = 1 if self.table.of_bits else 0xFFFF
        for word in raw:
            if not 0 <= word <= highest:
                raise UsageError(f"{self.name}: {word} is no raw value; give 0 to {highest}")
        return self.codec.decode(raw)

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return the raw words (or the bit) for `value`.

        A number is rounded to the nearest step of `scale`, halves away from zero, and never past a
        limit. None stands for "invalid" where the map has a sentinel. Whether the register may be
        written at all is not asked here.

        Raises:
            LimitError: outside the limits, not held by the register, or not of its kind.
        """
        return self.codec.encode(value)

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the raw words for what a server measured, held at the limits instead of refused.

        Raises:
            LimitError: `value` is not of the register's kind.
        """
        return self.codec.encode_nearest(value)

    def parse(self, text: str) -> Value:
        """Return the value that a person means by `text`.

        Numbers in decimal or, with ``0x``, in hexadecimal, with or without the unit; names of an
        enumeration; names of bits joined by ``|`` or ``,``; on/off for coils. Limits are left to
        `encode`.

        Raises:
            LimitError: `text` says no value of this kind.
        """
        return self.codec.parse(text)

    def to_json(self) -> dict[str, Any]:
        """Return the register as ``map show --json`` prints it; null where it has no meaning."""
        return {
            "name": self.name,
            "table": str(self.table),
            "address": self.address,
            "type": str(self.type),
            "words": self.words,
            "word_order": self.word_order,
            "scale": self.scale,
            "offset": self.offset,
            "unit": self.unit,
            "min": self.min,
            "max": self.max,
            "access": self.access,
            "description": self.description,
            "values": {str(raw): name for raw, name in self.values.items()} or None,
            "bits": {str(number): name for number, name in self.bits.items()} or None,
            "invalid": self.invalid,
            "group": self.group or None,
            "can_strike_arc": self.can_strike_arc,
            "default": list(self.default) if isinstance(self.default, tuple) else self.default,
        }


def _integer(entry: Register) -> Codec:
    return IntegerCodec(
        entry.quantity,
        width=32 if entry.type in _TWO_WORDS else 16,
        signed=entry.type in _SIGNED,
        high_first=entry.word_order == "big",
        invalid=entry.invalid,
    )


def _float(entry: Register) -> Codec:
    return FloatCodec(entry.quantity, entry.word_order == "big", entry.invalid)


def _flags(entry: Register) -> Codec:
    high_first = entry.word_order == "big"
    return FlagsCodec(entry.name, entry.bits, entry.words, high_first, entry.invalid)


_CODECS: Mapping[Type, Callable[[Register], Codec]] = {
    Type.U16: _integer,
    Type.I16: _integer,
    Type.U32: _integer,
    Type.I32: _integer,
    Type.F32: _float,
    Type.STRING: lambda entry: TextCodec(entry.name, entry.words),
    Type.BITS: _flags,
    Type.ENUMERATION: lambda entry: ChoiceCodec(entry.name, entry.values, entry.invalid),
    Type.BOOL: lambda entry: SwitchCodec(entry.name),
}
