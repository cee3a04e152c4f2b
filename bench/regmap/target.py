"""What a person names on a command line: ``NAME``, ``NAME=VALUE``, ``TABLE:ADDRESS+COUNT``.

``holding:100`` is ``holding:100+1``; ``holding:100=1,2,3`` gives raw words and ``coil:8=on,off``
bits. Addresses are PDU addresses, from 0, decimal or ``0x``.

`plan_write` is the one gate between a person's value and the wire: nothing that it returns is
against the map.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isclose

from kerfbus.bench.errors import LimitError, UsageError
from kerfbus.bench.regmap.codec import Value, parse_whole
from kerfbus.bench.regmap.register import NAME_FORM, Register, Table
from kerfbus.bench.regmap.registermap import MAX_READ_BITS, MAX_READ_WORDS, RegisterMap

MAX_WRITE_WORDS = 123
"""Most registers one write may carry (MODBUS Application Protocol V1.1b3, 6.12)."""
MAX_WRITE_BITS = 1968
"""Most coils one write may carry (6.11)."""

_SPAN = re.compile(r"([A-Za-z]+):([0-9A-Za-z]+)(?:\+([0-9A-Za-z]+))?")
_FORMS = "give NAME, NAME=VALUE, TABLE:ADDRESS+COUNT or TABLE:ADDRESS=VALUE"


@dataclass(frozen=True, slots=True)
class Target:
    """What is to be read or written.

    Attributes:
        name: a register's name, None for a span of addresses.
        table: the span's table, None for a name.
        address: the span's first address.
        count: how many addresses, 1 when not said.
        value: the text behind ``=``, None for a read.
    """

    name: str | None = None
    table: Table | None = None
    address: int = 0
    count: int = 1
    value: str | None = None


@dataclass(frozen=True, slots=True)
class PlannedWrite:
    """A write that the map allows.

    Attributes:
        table: holding or coil.
        address: first address.
        raw: words, or bits as 0 and 1.
        registers: the registers it sets, by address; empty for addresses the map does not know.
        unmapped: how many of the addresses the map does not know.
        rounded_from: the number that was asked for, when the register's steps cannot show it.
    """

    table: Table
    address: int
    raw: tuple[int, ...]
    registers: tuple[Register, ...]
    unmapped: int
    rounded_from: float | None = None

    @property
    def can_strike_arc(self) -> bool:
        """Return whether an arc can be the result, which of an unknown address nobody can deny."""
        return self.unmapped > 0 or any(entry.can_strike_arc for entry in self.registers)


def parse_target(text: str) -> Target:
    """Return what `text` names.

    >>> parse_target("holding:100+3").count
    3
    >>> parse_target("current_setpoint=63.5").value
    '63.5'

    Raises:
        UsageError: it is of none of the forms, or outside what one request can ask for.
    """
    left, equals, value = text.partition("=")
    left = left.strip()
    asked = value.strip() if equals else None
    if asked == "":
        raise UsageError(f"{text!r}: no value behind '='; give one, e.g. NAME=1")
    if NAME_FORM.fullmatch(left):
        return Target(name=left, value=asked)
    span = _SPAN.fullmatch(left)
    if span is None:
        raise UsageError(f"{text!r} names nothing to read or write; {_FORMS}")
    return _parse_span(text, span, asked)


def _parse_span(text: str, span: re.Match[str], value: str | None) -> Target:
    try:
        table = Table(span[1].lower())
    except ValueError as error:
        raise UsageError(
            f"{text!r}: {span[1]!r} is no table; tables are {', '.join(Table)}"
        ) from error
    address, count = parse_whole(span[2]), parse_whole(span[3] or "1")
    if address is None or not 0 <= address <= 0xFFFF:
        raise UsageError(f"{text!r}: {span[2]!r} is no address; give 0 to 65535, decimal or 0x")
    if value is not None and span[3]:
        raise UsageError(f"{text!r}: give either a count to read or values to write, not both")
    most = MAX_READ_BITS if table.of_bits else MAX_READ_WORDS
    if count is None or not 1 <= count <= most:
        raise UsageError(f"{text!r}: {span[3]!r} is no count; one read takes 1 to {most}")
    if address + count > 0x10000:
        raise UsageError(f"{text!r}: goes past the last address, 65535")
    return Target(table=table, address=address, count=count, value=value)


def parse_value(register: Register, text: str) -> Value:
    """Return the value that `text` means for `register`, limits checked.

    Raises:
        LimitError: it is not of the register's kind, or outside what the map allows.
    """
    value = register.parse(text)
    register.encode(value)
    return value


def plan_write(register_map: RegisterMap, target: Target) -> PlannedWrite:
    """Return the write that `target` asks for, when the map allows it.

    A span of raw values is held to the map as well: each register in it must be writable, covered
    whole, and given a raw value that means something within its limits.

    Raises:
        LimitError: the map does not allow it.
        UsageError: no value, an unknown name, or a table that cannot be written.
    """
    if target.value is None:
        raise UsageError(f"{target.name or target.table}: no value to write; give NAME=VALUE")
    if target.name is not None:
        entry = register_map.by_name(target.name)
        _check_writable(entry)
        value = entry.parse(target.value)
        raw = entry.encode(value)
        rounded = _rounded_from(value, entry.decode(raw))
        return PlannedWrite(entry.table, entry.address, raw, (entry,), 0, rounded)
    assert target.table is not None
    return _plan_span(register_map, target.table, target.address, target.value)


def _rounded_from(asked: Value, sent: Value) -> float | None:
    """Return the number asked for when what is sent is another, by more than a float32 loses."""
    if isinstance(asked, bool) or not isinstance(asked, int | float):
        return None
    if not isinstance(sent, int | float) or isclose(asked, sent, rel_tol=1e-6):
        return None
    return float(asked)


def _plan_span(register_map: RegisterMap, table: Table, address: int, text: str) -> PlannedWrite:
    where = f"{table}:{address}"
    if not table.writable:
        raise UsageError(f"{where}: {table} registers can only be read; write holding or coil")
    raw = tuple(_raw_value(table, where, part.strip()) for part in text.split(","))
    most = MAX_WRITE_BITS if table.of_bits else MAX_WRITE_WORDS
    if len(raw) > most:
        raise UsageError(f"{where}: {len(raw)} values; one write takes at most {most}")
    if address + len(raw) > 0x10000:
        raise UsageError(f"{where}: {len(raw)} values go past the last address, 65535")
    entries = register_map.covering(table, address, len(raw))
    for entry in entries:
        _check_writable(entry)
        first = entry.address - address
        if first < 0 or entry.end > address + len(raw):
            raise LimitError(
                f"{where}: would write part of {entry.name}, which is "
                f"{table}:{entry.address}+{entry.words}; write all of it or use its name"
            )
        words = raw[first : first + entry.words]
        # Raw words are held to the limits by what they mean.
        entry.encode(entry.decode(words))
    known = sum(entry.words for entry in entries)
    return PlannedWrite(table, address, raw, entries, len(raw) - known)


def _raw_value(table: Table, where: str, text: str) -> int:
    if table.of_bits:
        state = {"on": 1, "true": 1, "1": 1, "off": 0, "false": 0, "0": 0}.get(text.casefold())
        if state is None:
            raise UsageError(f"{where}: {text!r} is neither on nor off")
        return state
    number = parse_whole(text)
    if number is None or not -0x8000 <= number <= 0xFFFF:
        raise UsageError(f"{where}: {text!r} is no raw value; give 0 to 65535, decimal or 0x")
    return number & 0xFFFF


def _check_writable(entry: Register) -> None:
    if not entry.writable:
        raise LimitError(f"{entry.name}: the map lets it be read only, not written")
