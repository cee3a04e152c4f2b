"""Rules for one entry of a map, beyond its form.

Every rule is a function that yields (field, message) for what is wrong with the entry; the table
`ENTRY_RULES` lists them all. They do not build anything, so each can be read alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TypeAlias

from kerfbus.bench.regmap.codec import UNNAMED_BIT, close_match
from kerfbus.bench.regmap.model import MapForm, RegisterForm
from kerfbus.bench.regmap.numbers import show
from kerfbus.bench.regmap.register import NAME_FORM, Table, Type
from kerfbus.bench.regmap.words import to_pattern

Wrong: TypeAlias = Iterator[tuple[str, str]]
"""Pairs of field and message."""

_MAGNITUDES = (1e-12, 1e12)
"""Scales outside this range are slips of the pen."""
_NUMBERS = (Type.U16, Type.I16, Type.U32, Type.I32, Type.F32)
_APPLIES: Mapping[str, tuple[Type, ...]] = {
    "scale": _NUMBERS,
    "offset": _NUMBERS,
    "min": _NUMBERS,
    "max": _NUMBERS,
    "unit": (*_NUMBERS, Type.ENUMERATION),
    "values": (Type.ENUMERATION,),
    "bits": (Type.BITS,),
    "invalid": (*_NUMBERS, Type.ENUMERATION, Type.BITS),
    "word_order": (Type.U32, Type.I32, Type.F32, Type.BITS),
}
"""Which types a field has a meaning for."""


def expand(entry: RegisterForm) -> list[tuple[str, int, str]]:
    """Return name, address and description of each register that an entry stands for."""
    if entry.repeat is None:
        return [(entry.name, entry.address, entry.description)]
    return [
        (
            entry.name.replace("{}", word),
            entry.address + index * (entry.stride or 0),
            entry.description.replace("{}", word.replace("_", " ")),
        )
        for index, word in enumerate(entry.repeat)
    ]


def names_of(entry: RegisterForm, form: MapForm) -> Mapping[int, str]:
    """Return the names of an enumeration, written at the register or shared."""
    if isinstance(entry.values, str):
        return form.enumerations.get(entry.values, {})
    return entry.values or {}


def word_count(entry: RegisterForm) -> int:
    """Return the length in words (bits for a coil), said or usual; 1 for want of better."""
    return entry.words or Type(entry.type).usual_words or 1


def _name_rule(entry: RegisterForm, form: MapForm) -> Wrong:
    del form
    for name, _, _ in expand(entry):
        if not NAME_FORM.fullmatch(name) or len(name) > 60:
            yield (
                "name",
                f"{name!r} is no name; give a letter, then letters, digits, _, . or -",
            )
            return
    if entry.repeat is None:
        if entry.stride is not None:
            yield "stride", "means nothing without repeat; add repeat or take it out"
    elif "{}" not in entry.name:
        yield "name", "is repeated and would be there twice; put {} where the word belongs"
    elif entry.stride is None and len(entry.repeat) > 1:
        yield "stride", "is missing; say how many addresses lie from one to the next"


def _type_rule(entry: RegisterForm, form: MapForm) -> Wrong:
    kind, table = Type(entry.type), Table(entry.table)
    if table.of_bits != (kind is Type.BOOL):
        fits = "bool" if table.of_bits else "any type but bool"
        yield "type", f"{kind} is impossible in the table {table}; it takes {fits}"
    for field, types in _APPLIES.items():
        if getattr(entry, field) is not None and kind not in types:
            yield field, f"means nothing for type {kind}; take it out"
    if kind is Type.BITS and entry.bits is None:
        yield "bits", 'is missing; name the bits, e.g. { 0 = "ready" }'
    if kind is Type.ENUMERATION and entry.values is None:
        yield "values", 'is missing; name the values, e.g. { 0 = "off", 1 = "on" }'
    if isinstance(entry.values, str) and entry.values not in form.enumerations:
        near = close_match(entry.values, form.enumerations)
        yield "values", f"there is no [enumerations.{entry.values}]{near}"


def _words_rule(entry: RegisterForm, form: MapForm) -> Wrong:
    del form
    kind = Type(entry.type)
    usual = kind.usual_words
    if entry.words is None:
        if usual is None:
            yield "words", "is missing; a string needs its length in words (two characters each)"
    elif kind is Type.BITS:
        if entry.words > 2:
            yield "words", f"{entry.words} is too many for bits; give 1 or 2"
    elif usual is not None and entry.words != usual:
        yield "words", f"{entry.words} is impossible for {kind}, which has {usual}; take it out"


def _place_rule(entry: RegisterForm, form: MapForm) -> Wrong:
    table, words = Table(entry.table), word_count(entry)
    last = expand(entry)[-1][1]
    if last + words > 0x10000:
        yield "address", f"{last} + {words} words goes past the last address, 65535"
    if "w" in entry.access and not table.writable:
        yield "access", f"{entry.access} is impossible: the table {table} can only be read; use r"
    if entry.can_strike_arc and "w" not in entry.access:
        yield "can_strike_arc", "is impossible for a register that cannot be written"
    most = form.header.max_read_bits if table.of_bits else form.header.max_read_words
    if words > most:
        yield "words", f"{words} is more than one read gives by [map]; it gives {most}"
    if form.groups and entry.group and entry.group not in form.groups:
        near = close_match(entry.group, form.groups)
        yield "group", f"{entry.group!r} is not in [groups]{near}"


def _names_rule(entry: RegisterForm, form: MapForm) -> Wrong:
    for number in names_of(entry, form):
        if number > 0xFFFF:
            yield "values", f"{number} does not fit into a word; give 0 to 65535"
    for number, name in (entry.bits or {}).items():
        if number >= 16 * word_count(entry):
            yield "bits", f"there is no bit {number} in {word_count(entry)} word(s)"
        if UNNAMED_BIT.fullmatch(name) and name != f"bit{number}":
            yield "bits", f"{name!r} is how bit {name[3:]} is written without a name; rename it"


def _scale_rule(entry: RegisterForm, form: MapForm) -> Wrong:
    del form
    smallest, largest = _MAGNITUDES
    if entry.scale == 0:
        yield "scale", "0 makes every value the same; give the value of one raw step"
    elif entry.scale is not None and not smallest <= abs(entry.scale) <= largest:
        yield "scale", f"{entry.scale:g} is out of all measure; give {smallest:g} to {largest:g}"
    if entry.offset is not None and abs(entry.offset) > largest:
        yield "offset", f"{entry.offset:g} is out of all measure; give at most {largest:g}"
    if entry.min is not None and entry.max is not None and entry.min > entry.max:
        yield "min", f"{show(entry.min)} is above max, {show(entry.max)}; exchange them"


def _invalid_rule(entry: RegisterForm, form: MapForm) -> Wrong:
    if entry.invalid is None:
        return
    kind, width = Type(entry.type), 16 * word_count(entry)
    lowest = -(1 << (width - 1)) if kind in (Type.I16, Type.I32) else 0
    if not lowest <= entry.invalid < 1 << width:
        allowed = f"{lowest} to {2**width - 1}"
        yield "invalid", f"{entry.invalid} is no raw value of {kind}; give {allowed}"
        return
    pattern = to_pattern(entry.invalid, width)
    known = names_of(entry, form)
    if kind is Type.ENUMERATION and pattern in known:
        yield "invalid", f"{pattern} is also the value {known[pattern]!r}; take one away"
    named = sum(1 << number for number in entry.bits or {})
    if kind is Type.BITS and pattern & ~named == 0:
        yield "invalid", f"{pattern:#x} is also a true reading: all its bits have names"


ENTRY_RULES: tuple[Callable[[RegisterForm, MapForm], Wrong], ...] = (
    _name_rule,
    _type_rule,
    _words_rule,
    _place_rule,
    _names_rule,
    _scale_rule,
    _invalid_rule,
)
