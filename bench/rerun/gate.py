"""What of a recording may be sent to a port.

On a simulated line everything. On a real one only what reads, unless the run was armed; then also
what writes registers that the map knows whole, with values within their limits, none of which can
strike an arc. What the map cannot judge is never sent: nobody knows what it does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from kerfbus.bench import wire
from kerfbus.bench.client import READS
from kerfbus.bench.crc import crc16
from kerfbus.bench.errors import KerfbusError, WireError
from kerfbus.bench.frames import Frame
from kerfbus.bench.regmap import RegisterMap, Table, Target, plan_write
from kerfbus.bench.shapes import MIN_ADU, Shape, candidates
from kerfbus.bench.transactions import Transaction

READING_DIAGNOSTICS = frozenset((0x00, 0x02, *range(0x0B, 0x13)))
"""Sub-functions of 08 that change nothing: return query data, return the diagnostic register, and
the counters (MODBUS Application Protocol V1.1b3, 6.8)."""


@dataclass(frozen=True, slots=True)
class Gate:
    """Decides what may be sent.

    Attributes:
        register_map: of the unit.
        real: whether there may be hardware at the other end.
        armed: whether writing was allowed for this run.
    """

    register_map: RegisterMap
    real: bool
    armed: bool = False

    def refusal(self, asked: Transaction) -> str:
        """Return in a few words why a recorded request is not sent, "" when it may be."""
        if not asked.intact:
            return "was heard damaged: nobody knows what it asked"
        if not self.real:
            return ""
        function = asked.request[1]
        try:
            request = wire.parse_request(asked.request[1:-2])
        except WireError as error:
            return f"is not of its format: {error}"
        if function in READS or _only_reads(request):
            return ""
        if not self.armed:
            return "writes; add --arm to send it"
        return self._refused_write(request)

    def _refused_write(self, request: wire.Request) -> str:
        target = _target(request)
        if target is None:
            return f"function {request.function:02X} cannot be checked by the map"
        try:
            planned = plan_write(self.register_map, target)
        except KerfbusError as error:
            return str(error)
        if planned.unmapped:
            return "writes registers that the map does not know"
        if planned.can_strike_arc:
            return "can strike an arc; never sent in an automatic run"
        return ""


def without_foreign_requests(
    transactions: Iterable[Transaction],
) -> tuple[list[Transaction], int]:
    """Return recorded transactions as a server may play them on a real line.

    Another client's request, heard behind a reply, would be obeyed by whoever is on that line. Such
    transactions are answered with silence.

    Returns:
        The transactions, and how many of them were silenced.
    """
    found, silenced = [], 0
    for each in transactions:
        if _holds_request(b"".join(chunk.data for chunk in each.heard), each.reply):
            silenced += 1
            found.append(replace(each, heard=()))
        else:
            found.append(each)
    return found, silenced


def _holds_request(data: bytes, reply: Frame | None) -> bool:
    """Return whether characters hold a good request; the reply itself is none."""
    for start in range(len(data) - MIN_ADU + 1):
        for each in candidates(data, start):
            frame = data[start : start + each.length]
            whole = each.length and len(frame) == each.length
            if not (whole and each.shape & Shape.REQUEST) or crc16(frame):
                continue
            if reply is None or frame != reply.data:
                return True
    return False


def _only_reads(request: wire.Request) -> bool:
    return isinstance(request, wire.Diagnostics) and request.sub_function in READING_DIAGNOSTICS


def _target(request: wire.Request) -> Target | None:
    """Return what a request writes in the form that the map judges; None where it cannot."""
    match request:
        case wire.WriteSingleRegister(start=start, value=value):
            return _span(Table.HOLDING, start, (value,))
        case wire.WriteMultipleRegisters(start=start, values=values):
            return _span(Table.HOLDING, start, values)
        case wire.ReadWriteMultipleRegisters(write_start=start, values=values):
            return _span(Table.HOLDING, start, values)
        case wire.WriteSingleCoil(start=start, raw=wire.COIL_ON | wire.COIL_OFF):
            return _span(Table.COIL, start, (int(request.on),))
        case wire.WriteMultipleCoils(start=start, bits=bits):
            return _span(Table.COIL, start, tuple(map(int, bits)))
    return None


def _span(table: Table, start: int, raw: tuple[int, ...]) -> Target:
    return Target(table=table, address=start, value=",".join(map(str, raw)))
