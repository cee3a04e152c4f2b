"""What a transaction says of registers: by name where the map has one, by address where not."""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.access import raw_of
from kerfbus.bench.errors import WireError
from kerfbus.bench.interpret import TABLES
from kerfbus.bench.regmap import ReadSpan, Register, RegisterMap, Table, Value
from kerfbus.bench.transactions import Ending, Transaction
from kerfbus.bench.valuetext import with_unit


class Valued(NamedTuple):
    """A register in a reply.

    Attributes:
        name: of the register, ``table:address`` where the map has none.
        register: None where the map has none.
        raw: words, or bits as 0 and 1.
    """

    name: str
    register: Register | None
    raw: tuple[int, ...]

    @property
    def value(self) -> Value:
        """Return what the words mean; without a register the word itself."""
        return self.raw[0] if self.register is None else self.register.decode(self.raw)

    @property
    def text(self) -> str:
        """Return the value as a person reads it."""
        return with_unit(self.register, self.value)


def values_of(each: Transaction, register_map: RegisterMap) -> list[Valued] | None:
    """Return the registers that a good reply holds, by address; None where it holds none."""
    if each.ending is not Ending.REPLY or each.reply is None:
        return None
    try:
        request = wire.parse_request(each.request[1:-2])
        reply = wire.parse_reply(each.reply.data[1:-2])
    except WireError:
        return None
    span = read_span(request)
    if span is None:
        return None
    raw = raw_of(span, reply)
    if isinstance(reply, wire.ReadWriteMultipleRegistersReply):
        raw = reply.values
    if raw is None or len(raw) != span.quantity:
        return None
    return _named(span, raw, register_map)


def read_span(request: wire.Request) -> ReadSpan | None:
    """Return the registers that a request reads, None for one that reads none."""
    match request:
        case wire.ReadWriteMultipleRegisters(read_start=start, read_count=count):
            return ReadSpan(Table.HOLDING, start, count)
        case (
            wire.ReadCoils(start=start, count=count)
            | wire.ReadDiscreteInputs(start=start, count=count)
            | wire.ReadHoldingRegisters(start=start, count=count)
            | wire.ReadInputRegisters(start=start, count=count)
        ):
            return ReadSpan(TABLES[type(request)], start, count)
    return None


def _named(span: ReadSpan, raw: tuple[int, ...], register_map: RegisterMap) -> list[Valued]:
    """Return each register that lies whole in the span, and each address that is in none."""
    found: list[Valued] = []
    place, end = span.start, span.start + span.quantity
    while place < end:
        register = register_map.at(span.table, place)
        size = 1
        if register is not None and register.address == place and register.end <= end:
            size = register.words
        else:
            register = None
        name = f"{span.table}:{place}" if register is None else register.name
        first = place - span.start
        found.append(Valued(name, register, raw[first : first + size]))
        place += size
    return found


def request_text(frame: bytes) -> str:
    """Return a request in a few words, with the server that it asks."""
    whom = f"server {frame[0]}" if frame[:1] != b"\0" else "all servers"
    return f"{whom}: {meaning(frame, asks=True)}"


def meaning(frame: bytes, *, asks: bool) -> str:
    """Return what a good frame says, in a few words."""
    parse = wire.parse_request if asks else wire.parse_reply
    try:
        return wire.describe(parse(frame[1:-2]))
    except (WireError, IndexError):
        return f"frame {frame.hex()}"
