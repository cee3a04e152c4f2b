"""From the entries of a file to a `RegisterMap`, or to everything that is wrong with them.

An entry that passes `kerfbus.bench.regmap.rules` becomes a `Register`, whose codec is then asked
about limits, sentinel and factory value. Last come the rules between registers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

from kerfbus.bench.errors import LimitError, MapError, SettingsError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.regmap.model import HeaderForm, MapForm, RegisterForm
from kerfbus.bench.regmap.numbers import (
    F32_MAX,
    FloatCodec,
    IntegerCodec,
    Quantity,
    as_written,
    show,
)
from kerfbus.bench.regmap.register import Register, Table, Type
from kerfbus.bench.regmap.registermap import MapHeader, RegisterMap
from kerfbus.bench.regmap.rules import ENTRY_RULES, Wrong, expand, names_of, word_count
from kerfbus.bench.regmap.words import to_pattern

_EXACT_STEPS = 2**52
"""Above as many steps from zero a double no longer tells two neighbours apart."""


def build_map(form: MapForm, file: str) -> tuple[RegisterMap | None, list[MapError]]:
    """Return the map, or None and everything that is wrong with it.

    Args:
        form: the file, right in form.
        file: path or name for the messages.
    """
    wrong: list[MapError] = []
    header = _header(form.header, file, wrong)
    registers: list[Register] = []
    for entry in form.registers:
        found = list(chain.from_iterable(rule(entry, form) for rule in ENTRY_RULES))
        if not found:
            made = _registers(entry, form)
            found = list(_codec_rules(made[0]))
            registers += made
        shown = printable(expand(entry)[0][0])
        wrong += [MapError(file, message, shown, field) for field, message in found]
    between = chain(_duplicates(registers), _overlaps(registers))
    wrong += [MapError(file, message, name, field) for name, field, message in between]
    if wrong:
        return None, wrong
    return RegisterMap(
        form.header.name, file, tuple(registers), header, form.groups, form.facts
    ), wrong


def printable(name: str) -> str:
    """Return a name for a message of one line: quoted when it could steer the terminal."""
    return name if name.isprintable() else ascii(name)


def _header(form: HeaderForm, file: str, wrong: list[MapError]) -> MapHeader:
    settings = LineSettings()
    for field, baud, text in (("baud", form.baud, "8E1"), ("format", 19200, form.format)):
        try:
            LineSettings.parse(baud, text)
        except SettingsError as error:
            wrong.append(MapError(file, str(error), "[map]", field))
    if not wrong:
        settings = LineSettings.parse(form.baud, form.format)
    return MapHeader(
        title=form.title,
        note=form.note,
        version="" if form.version is None else str(form.version),
        server=form.server,
        settings=settings,
        max_read_words=form.max_read_words,
        max_read_bits=form.max_read_bits,
    )


def _invalid_pattern(entry: RegisterForm) -> int | None:
    """Return the sentinel as an unsigned pattern; a negative number means two's complement."""
    return None if entry.invalid is None else to_pattern(entry.invalid, 16 * word_count(entry))


def _registers(entry: RegisterForm, form: MapForm) -> list[Register]:
    return [
        Register(
            name=name,
            table=Table(entry.table),
            address=address,
            type=Type(entry.type),
            words=word_count(entry),
            word_order=entry.word_order or form.header.word_order,
            scale=1 if entry.scale is None else _plain(entry.scale),
            offset=0 if entry.offset is None else _plain(entry.offset),
            unit=entry.unit,
            min=None if entry.min is None else _plain(entry.min),
            max=None if entry.max is None else _plain(entry.max),
            access=entry.access,
            description=description,
            values=names_of(entry, form),
            bits=entry.bits or {},
            invalid=_invalid_pattern(entry),
            group=entry.group,
            can_strike_arc=entry.can_strike_arc,
            default=tuple(entry.default) if isinstance(entry.default, list) else entry.default,
        )
        for name, address, description in expand(entry)
    ]


def _plain(number: float) -> float | int:
    """Return a whole number as an int, so that it is shown and printed without a point."""
    return int(number) if number.is_integer() else number


@dataclass(frozen=True, slots=True)
class _Held:
    """What a numeric register can hold."""

    least: float
    most: float


def _codec_rules(register: Register) -> Wrong:
    codec = register.codec
    if isinstance(codec, IntegerCodec):
        yield from _integer_rules(codec)
    elif isinstance(codec, FloatCodec):
        widest = F32_MAX * abs(codec.quantity.scale)
        yield from _held_rules(codec.quantity, _Held(-widest, widest), str(register.type))
    if isinstance(codec, IntegerCodec | FloatCodec) and codec.invalid is not None:
        yield from _sentinel_rules(codec.quantity, codec.meaning_of(codec.invalid))
    if register.default is not None:
        try:
            codec.encode(register.default)
        except LimitError as error:
            yield "default", str(error).removeprefix(f"{register.name}: ")


def _integer_rules(codec: IntegerCodec) -> Wrong:
    quantity = codec.quantity
    least, most = codec.value_range
    kind = f"{'i' if codec.signed else 'u'}{codec.width}"
    if max(abs(as_written(least)), abs(as_written(most))) > _EXACT_STEPS * abs(
        as_written(quantity.scale)
    ):
        yield "offset", "is too large for the scale: neighbouring values could not be told apart"
        return
    before = list(_held_rules(quantity, _Held(least, most), kind))
    yield from before
    low, high = codec.raw_bounds
    if low > high and not before:
        yield "max", f"no step of {show(quantity.scale)} lies between min and max"


def _held_rules(quantity: Quantity, held: _Held, kind: str) -> Wrong:
    for field, limit in (("min", quantity.low), ("max", quantity.high)):
        if limit is not None and not held.least <= limit <= held.most:
            holds = f"{show(held.least)} to {show(held.most, quantity.unit)}"
            given = show(limit, quantity.unit)
            yield field, f"{given} cannot be held by {kind} with this scale and offset: {holds}"


def _sentinel_rules(quantity: Quantity, meaning: float | None) -> Wrong:
    low, high = quantity.low, quantity.high
    if meaning is None or low is None or high is None or not low <= meaning <= high:
        return
    given = show(meaning, quantity.unit)
    yield "invalid", f"means {given}, which is inside the limits, {quantity.allowed}; change either"


def _duplicates(registers: list[Register]) -> Iterator[tuple[str, str, str]]:
    first: dict[str, Register] = {}
    for entry in registers:
        known = first.setdefault(entry.name, entry)
        if known is not entry:
            where = f"{known.table}:{known.address}"
            yield entry.name, "name", f"is there twice, also at {where}; rename one"


def _overlaps(registers: list[Register]) -> Iterator[tuple[str, str, str]]:
    for table in Table:
        before: Register | None = None
        for entry in sorted(
            (entry for entry in registers if entry.table is table), key=lambda one: one.address
        ):
            if before is not None and entry.address < before.end:
                owner = f"{before.name} ({table}:{before.address}+{before.words})"
                yield entry.name, "address", f"{table}:{entry.address} is already part of {owner}"
            if before is None or entry.end > before.end:
                before = entry
