"""What the server does for each function code.

A request arrives parsed; its own values have been checked (exception 03). Handlers raise
`RefusedError` for what comes after that in the standard's order: address (02), then execution (04,
06). Source: MODBUS Application Protocol V1.1b3, 6.1 to 6.21.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.regmap import Table
from kerfbus.sim.device import Device
from kerfbus.sim.diagnostics import Count, Diagnostics
from kerfbus.sim.identity import MEI_TYPE, SERVER_ID, read_objects
from kerfbus.sim.refusal import bad_value
from kerfbus.sim.sequence import Mode

MAX_RECORD_BYTES = 0xF5
"""Most bytes of groups in a reply to 14 hex (6.14)."""
MAX_RECORD = 10_000
"""Records of a file, 0 to 270F hex (6.14)."""


class Context(NamedTuple):
    """What a request is obeyed by.

    Attributes:
        device: the supply and its registers.
        diagnostics: of the serial line; None where there is none (Modbus TCP).
    """

    device: Device
    diagnostics: Diagnostics | None


Answer = wire.Reply | bytes | None
"""A reply, or its PDU, or none. The PDU where it is the request again (6.5, 6.6, 6.15, 6.16) or
comes out of an image as it is."""
Handler = Callable[[Context, Any], Answer]


def _unpack(data: bytes) -> tuple[int, ...]:
    return struct.unpack(f">{len(data) // 2}H", data)


def _read_words(table: Table) -> Handler:
    def handle(context: Context, request: wire.ReadHoldingRegisters) -> bytes:
        data = context.device.read_words(table, request.start, request.count)
        return bytes((request.function, len(data))) + data

    return handle


def _read_bits(table: Table) -> Handler:
    def handle(context: Context, request: wire.ReadCoils) -> bytes:
        data = context.device.read_bits(table, request.start, request.count)
        return bytes((request.function, len(data))) + data

    return handle


def _write_coil(context: Context, request: wire.WriteSingleCoil) -> Answer:
    context.device.write(Table.COIL, request.start, (int(request.on),))
    return wire.build(request)


def _write_coils(context: Context, request: wire.WriteMultipleCoils) -> Answer:
    context.device.write(Table.COIL, request.start, [int(bit) for bit in request.bits])
    return wire.WriteMultipleCoilsReply(request.start, len(request.bits))


def _write_register(context: Context, request: wire.WriteSingleRegister) -> Answer:
    context.device.write(Table.HOLDING, request.start, (request.value,))
    return wire.build(request)


def _write_registers(context: Context, request: wire.WriteMultipleRegisters) -> Answer:
    context.device.write(Table.HOLDING, request.start, request.values)
    return wire.WriteMultipleRegistersReply(request.start, len(request.values))


def _mask_write(context: Context, request: wire.MaskWriteRegister) -> Answer:
    current = _unpack(context.device.read_words(Table.HOLDING, request.start, 1))[0]
    kept, given = current & request.and_mask, request.or_mask & ~request.and_mask & 0xFFFF
    context.device.write(Table.HOLDING, request.start, (kept | given,))
    return wire.build(request)


def _read_write(context: Context, request: wire.ReadWriteMultipleRegisters) -> Answer:
    span = (Table.HOLDING, request.read_start, request.read_count)
    context.device.read_words(*span)  # a read that is refused must not follow a write that was not
    context.device.write(Table.HOLDING, request.write_start, request.values)
    data = context.device.read_words(*span)
    return bytes((request.function, len(data))) + data


def _exception_status(context: Context, _: wire.ReadExceptionStatus) -> Answer:
    return wire.ReadExceptionStatusReply(context.device.exception_status())


def _diagnostics(context: Context, request: wire.Diagnostics) -> Answer:
    assert context.diagnostics is not None
    data = context.diagnostics.answer(request.sub_function, request.data)
    return None if data is None else wire.DiagnosticsReply(request.sub_function, data)


def _event_counter(context: Context, _: wire.GetCommEventCounter) -> Answer:
    assert context.diagnostics is not None
    return wire.GetCommEventCounterReply(0, context.diagnostics.events)


def _event_log(context: Context, _: wire.GetCommEventLog) -> Answer:
    diagnostics = context.diagnostics
    assert diagnostics is not None
    messages = diagnostics.counts[Count.BUS_MESSAGES]
    return wire.GetCommEventLogReply(0, diagnostics.events, messages, diagnostics.log)


def _server_id(context: Context, _: wire.ReportServerId) -> Answer:
    running = context.device.supply.mode is not Mode.OFF
    objects = context.device.identity()
    text = objects[1] + b" " + objects[2]
    return wire.ReportServerIdReply(bytes((SERVER_ID, 0xFF if running else 0)) + text)


def _read_file(context: Context, request: wire.ReadFileRecord) -> Answer:
    if sum(2 + 2 * group.count for group in request.groups) > MAX_RECORD_BYTES:
        raise bad_value("read file record: the reply would not fit into a frame")
    found = [
        _unpack(context.device.read_record(group.file, group.record, group.count))
        for group in request.groups
    ]
    return wire.ReadFileRecordReply(tuple(found))


def _write_file(context: Context, request: wire.WriteFileRecord) -> Answer:
    for group in request.groups:
        context.device.check_record(group.file, group.record, len(group.values))
    for group in request.groups:
        data = struct.pack(f">{len(group.values)}H", *group.values)
        context.device.write_record(group.file, group.record, data)
    return wire.build(request)


def _fifo(context: Context, request: wire.ReadFifoQueue) -> Answer:
    return wire.ReadFifoQueueReply(context.device.fifo(request.start))


def _identification(context: Context, request: wire.ReadDeviceIdentification) -> Answer:
    found = read_objects(context.device.identity(), request.code, request.object_id)
    return bytes((request.function, MEI_TYPE, request.code)) + found.packed()


HANDLERS: Mapping[type, Handler] = MappingProxyType(
    {
        wire.ReadCoils: _read_bits(Table.COIL),
        wire.ReadDiscreteInputs: _read_bits(Table.DISCRETE),
        wire.ReadHoldingRegisters: _read_words(Table.HOLDING),
        wire.ReadInputRegisters: _read_words(Table.INPUT),
        wire.WriteSingleCoil: _write_coil,
        wire.WriteSingleRegister: _write_register,
        wire.ReadExceptionStatus: _exception_status,
        wire.Diagnostics: _diagnostics,
        wire.GetCommEventCounter: _event_counter,
        wire.GetCommEventLog: _event_log,
        wire.WriteMultipleCoils: _write_coils,
        wire.WriteMultipleRegisters: _write_registers,
        wire.ReportServerId: _server_id,
        wire.ReadFileRecord: _read_file,
        wire.WriteFileRecord: _write_file,
        wire.MaskWriteRegister: _mask_write,
        wire.ReadWriteMultipleRegisters: _read_write,
        wire.ReadFifoQueue: _fifo,
        wire.ReadDeviceIdentification: _identification,
    }
)
"""By request."""

SUPPORTED = frozenset(request.function for request in HANDLERS)  # type: ignore[attr-defined]
"""Function codes that the server knows on a serial line."""
SERIAL_ONLY = frozenset({0x07, 0x08, 0x0B, 0x0C, 0x11})
"""Function codes that the standard has on serial lines only (6.7 to 6.10, 6.13)."""
BROADCAST = frozenset({0x05, 0x06, 0x0F, 0x10, 0x15, 0x16})
"""Function codes obeyed as a broadcast: writes (MODBUS over Serial Line V1.02, 2.1)."""
BROADCAST_DIAGNOSTICS = frozenset({0x01, 0x04, 0x0A, 0x14})
"""Sub-functions of 08 obeyed as a broadcast: those that change something in the server. The
standard's text has broadcasts for "writing commands" and does not say whether these are."""
