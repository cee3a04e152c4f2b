"""What a request reads, writes and orders, through the register map.

Orders are known by the map's names: a register marked `can_strike_arc` starts (or stops, when it is
written with zero), `clear_fault`, `enable` and the choices of `command` are those of the simulated
supply's map. A map of one's own keeps these names.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import Enum
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.errors import LimitError, WireError
from kerfbus.bench.interpret import TABLES
from kerfbus.bench.regmap import ReadSpan, Register, RegisterMap, Table
from kerfbus.bench.valuetext import with_unit


class Act(Enum):
    """What a request can order, as far as it matters here."""

    START = "start"
    STOP = "stop"
    CLEAR = "clear fault"
    ARM = "arm link"
    ENABLE = "enable"
    DISABLE = "disable"


class Written(NamedTuple):
    """A value in a write.

    Attributes:
        name: of the register; table and address where the map has none.
        value: as a person reads it, with its unit.
        wrong: why the map does not allow it, "" where it does.
    """

    name: str
    value: str
    wrong: str = ""


class Meaning(NamedTuple):
    """What a request is about.

    Attributes:
        reads: names of the registers that it reads, table and addresses where the map has none.
        writes: what it writes.
        acts: what it orders.
        malformed: it does not keep to its format.
    """

    reads: tuple[str, ...] = ()
    writes: tuple[Written, ...] = ()
    acts: frozenset[Act] = frozenset()
    malformed: bool = False

    def __str__(self) -> str:
        """Return it in one line."""
        if self.malformed:
            return "a malformed request"
        parts = []
        if self.writes:
            parts.append(
                "write " + ", ".join(f"{each.name} = {each.value}" for each in self.writes)
            )
        if self.reads:
            more = len(self.reads) - 1
            parts.append(f"read {self.reads[0]}" + (f" and {more} more" if more else ""))
        return "; ".join(parts) or "another function"


_COMMANDS = {
    "clear-fault": Act.CLEAR,
    "arm-link": Act.ARM,
    "disarm-link": Act.STOP,
    "enable": Act.ENABLE,
    "disable": Act.DISABLE,
}


def meaning_of(pdu: bytes, register_map: RegisterMap) -> Meaning:
    """Return what a request is about.

    Args:
        pdu: function code and data.
        register_map: names, limits, who may be written.
    """
    try:
        request = wire.parse_request(pdu)
    except WireError:
        return Meaning(malformed=True)
    writes: list[Written] = []
    acts: set[Act] = set()
    for span, raw in _written(request):
        for name, register, words in _pieces(span, raw, register_map):
            writes.append(_checked(name, register, words))
            acts |= set(_acts(register, words))
    reads = tuple(name for span in _read(request) for name in _names(span, register_map))
    return Meaning(reads, tuple(writes), frozenset(acts))


def _read(request: wire.Request) -> Iterator[ReadSpan]:
    match request:
        case (
            wire.ReadCoils()
            | wire.ReadDiscreteInputs()
            | wire.ReadHoldingRegisters()
            | wire.ReadInputRegisters()
        ):
            yield ReadSpan(TABLES[type(request)], request.start, request.count)
        case wire.ReadWriteMultipleRegisters(read_start=start, read_count=count):
            yield ReadSpan(Table.HOLDING, start, count)


def _written(request: wire.Request) -> Iterator[tuple[ReadSpan, tuple[int, ...]]]:
    match request:
        case wire.WriteSingleRegister(start=start, value=value):
            yield ReadSpan(Table.HOLDING, start, 1), (value,)
        case wire.WriteMultipleRegisters(start=start, values=values):
            yield ReadSpan(Table.HOLDING, start, len(values)), values
        case wire.ReadWriteMultipleRegisters(write_start=start, values=values):
            yield ReadSpan(Table.HOLDING, start, len(values)), values
        case wire.WriteSingleCoil(start=start):
            yield ReadSpan(Table.COIL, start, 1), (int(request.on),)
        case wire.WriteMultipleCoils(start=start, bits=bits):
            yield ReadSpan(Table.COIL, start, len(bits)), tuple(map(int, bits))


def _names(span: ReadSpan, register_map: RegisterMap) -> Iterator[str]:
    found = register_map.covering(span.table, span.start, span.quantity)
    if not found:
        yield f"{span.table}:{span.start}" + (f"+{span.quantity}" if span.quantity > 1 else "")
    for register in found:
        yield register.name


def _pieces(
    span: ReadSpan, raw: Sequence[int], register_map: RegisterMap
) -> Iterator[tuple[str, Register | None, tuple[int, ...]]]:
    """Yield what each register gets; an address without one as itself."""
    place, end = span.start, span.start + span.quantity
    while place < end:
        register = register_map.at(span.table, place)
        stop = place + 1 if register is None else min(register.end, end)
        name = f"{span.table}:{place}" if register is None else register.name
        yield name, register, tuple(raw[place - span.start : stop - span.start])
        place = stop


def _checked(name: str, register: Register | None, words: tuple[int, ...]) -> Written:
    if register is None:
        return Written(name, ", ".join(map(str, words)), "the map has no register there")
    if len(words) != register.words:
        return Written(name, ", ".join(map(str, words)), "")  # part of a text
    value = register.decode(words)
    shown = with_unit(register, value)
    if not register.writable:
        return Written(name, shown, "the map lets it be read only")
    try:
        register.encode(value)
    except LimitError as error:
        return Written(name, shown, str(error))
    return Written(name, shown)


def _acts(register: Register | None, words: tuple[int, ...]) -> Iterator[Act]:
    if register is None or len(words) != register.words:
        return
    on = any(words)
    if register.can_strike_arc:
        yield Act.START if on else Act.STOP
    elif register.name == "enable":
        yield Act.ENABLE if on else Act.DISABLE
    elif register.name == "clear_fault" and on:
        yield Act.CLEAR
    elif register.name == "command":
        act = _COMMANDS.get(str(register.decode(words)))
        if act is not None:
            yield act
