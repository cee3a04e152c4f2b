"""What the values in other people's traffic mean: rows of a decoder in, readings by name out.

A reply to a read says values and not addresses, so the request before it is remembered. What a
write request carries counts as a reading, too: it is what the client wants the unit to hold.
"""

from __future__ import annotations

from kerfbus.bench import wire
from kerfbus.bench.access import READS, Reading, raw_of
from kerfbus.bench.conversation import Role
from kerfbus.bench.decode import Row
from kerfbus.bench.errors import WireError
from kerfbus.bench.regmap import ReadSpan, RegisterMap, Table

TABLES = {request: table for table, request in READS.items()}
"""The table that each read request reads."""
REMEMBERED = 32
"""How many requests are kept; replies later than that find none (the conversation keeps fewer)."""


class Interpreter:
    """Reads along with a line.

    Args:
        register_map: what the registers mean. One map for all servers on the line.
    """

    def __init__(self, register_map: RegisterMap) -> None:
        self._map = register_map
        self._asked: dict[int, ReadSpan] = {}

    def take(self, row: Row) -> list[Reading]:
        """Return the values that a row carries, by name where the map has one.

        Rows without values, damaged frames and replies without their request give none.
        """
        message, frame = row.message, row.frame
        if message is None or frame is None or not row.ok or message.number is None:
            return []
        pdu = frame.data[1:-2]
        try:
            if message.role is Role.REQUEST:
                return self._request(wire.parse_request(pdu), message.number, frame.at)
            if message.role is Role.REPLY and message.pairs_with in self._asked:
                span = self._asked[message.pairs_with]
                return self._named(span, raw_of(span, wire.parse_reply(pdu)), frame.at)
        except WireError:
            return []  # of its own format or of none: it has no values that we know of
        return []

    def _request(self, request: wire.Request, number: int, at: int) -> list[Reading]:
        table = TABLES.get(type(request))
        if table is not None:
            assert isinstance(
                request,
                wire.ReadCoils
                | wire.ReadDiscreteInputs
                | wire.ReadHoldingRegisters
                | wire.ReadInputRegisters,
            )
            self._asked[number] = ReadSpan(table, request.start, request.count)
            while len(self._asked) > REMEMBERED:
                del self._asked[next(iter(self._asked))]
            return []
        match request:
            case wire.WriteSingleRegister(start=start, value=value):
                return self._named(ReadSpan(Table.HOLDING, start, 1), (value,), at)
            case wire.WriteMultipleRegisters(start=start, values=values):
                return self._named(ReadSpan(Table.HOLDING, start, len(values)), values, at)
            case wire.WriteSingleCoil(start=start):
                return self._named(ReadSpan(Table.COIL, start, 1), (int(request.on),), at)
            case wire.WriteMultipleCoils(start=start, bits=bits):
                raw = tuple(map(int, bits))
                return self._named(ReadSpan(Table.COIL, start, len(raw)), raw, at)
        return []

    def _named(self, span: ReadSpan, raw: tuple[int, ...] | None, at: int) -> list[Reading]:
        """Return a reading for each register that lies whole in the span."""
        if raw is None or len(raw) != span.quantity:
            return []
        found = []
        for register in self._map.covering(span.table, span.start, span.quantity):
            first = register.address - span.start
            if first >= 0 and first + register.words <= span.quantity:
                place = ReadSpan(span.table, register.address, register.words)
                found.append(Reading(place, register, raw[first : first + register.words], at))
        return found
