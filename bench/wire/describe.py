"""A message in a few words, for a person who reads a log."""

from __future__ import annotations

from kerfbus.bench.wire import replies as a
from kerfbus.bench.wire import requests as q
from kerfbus.bench.wire.codes import exception_name, function_name, sub_function_name

SHOWN = 8
"""How many values are spelled out."""


def describe(message: q.Request | a.Reply) -> str:
    """Return what a request asks or a reply says, on one line, without units or names."""
    return f"{function_name(message.function)} {_detail(message)}".rstrip()


def _list(values: tuple[int, ...] | tuple[bool, ...]) -> str:
    shown = " ".join(str(int(value)) for value in values[:SHOWN])
    return shown if len(values) <= SHOWN else f"{shown} ... ({len(values)})"


def _span(start: int, count: int) -> str:
    return f"{start}" if count == 1 else f"{start} to {start + count - 1}"


def _request(message: q.Request) -> str:
    match message:
        case q.WriteMultipleCoils(start=start, bits=values):
            return f"{_span(start, len(values))} = {_list(values)}"
        case q.WriteMultipleRegisters(start=start, values=values):
            return f"{_span(start, len(values))} = {_list(values)}"
        case q.ReadWriteMultipleRegisters():
            written = _span(message.write_start, len(message.values))
            read = _span(message.read_start, message.read_count)
            return f"{written} = {_list(message.values)}, then read {read}"
        case q.ReadFileRecord(groups=groups):
            return ", ".join(f"file {g.file} record {g.record} x {g.count}" for g in groups)
        case q.WriteFileRecord(groups=groups):
            return ", ".join(f"file {g.file} record {g.record} = {_list(g.values)}" for g in groups)
        case q.ReadDeviceIdentification(code=code, object_id=start):
            return f"device identification code {code} from object {start:02X}"
        case q.ReadFifoQueue(start=start):
            return str(start)
    return ""


def _reply(message: a.Reply) -> str:
    match message:
        case a.ReadCoilsReply(bits=values) | a.ReadDiscreteInputsReply(bits=values):
            return _list(values)
        case (
            a.ReadHoldingRegistersReply(values=values)
            | a.ReadInputRegistersReply(values=values)
            | a.ReadWriteMultipleRegistersReply(values=values)
            | a.ReadFifoQueueReply(values=values)
        ):
            return _list(values)
        case a.ReadExceptionStatusReply(status=status):
            return f"{status:08b}"
        case a.GetCommEventCounterReply(status=status, events=events):
            return f"status {status:04X}, {events} events"
        case a.GetCommEventLogReply():
            return f"{message.events} events, {message.messages} messages, log {message.log.hex()}"
        case a.ReportServerIdReply(data=data):
            return data.hex()
        case a.ReadFileRecordReply(groups=groups):
            return ", ".join(_list(words) for words in groups)
        case a.WriteFileRecordReply(groups=written):
            return ", ".join(f"file {g.file} record {g.record}" for g in written)
        case a.ReadDeviceIdentificationReply(objects=objects):
            return ", ".join(o.value.decode("latin-1") for o in objects)
        case a.ExceptionReply(code=code):
            return f"refused: {exception_name(code)} ({code:02X})"
    return ""


def _detail(message: q.Request | a.Reply) -> str:
    match message:
        case (
            q.ReadCoils(start=start, count=count)
            | q.ReadDiscreteInputs(start=start, count=count)
            | q.ReadHoldingRegisters(start=start, count=count)
            | q.ReadInputRegisters(start=start, count=count)
            | a.WriteMultipleCoilsReply(start=start, count=count)
            | a.WriteMultipleRegistersReply(start=start, count=count)
        ):
            return _span(start, count)
        case q.WriteSingleCoil(start=start, raw=raw) | a.WriteSingleCoilReply(start=start, raw=raw):
            state = {q.ON: "on", q.OFF: "off"}.get(raw, f"{raw:04X}")
            return f"{start} = {state}"
        case (
            q.WriteSingleRegister(start=start, value=value)
            | a.WriteSingleRegisterReply(start=start, value=value)
        ):
            return f"{start} = {value}"
        case (
            q.Diagnostics(sub_function=sub, data=data)
            | a.DiagnosticsReply(sub_function=sub, data=data)
        ):
            return f"{sub_function_name(sub)} {data.hex()}"
        case q.MaskWriteRegister() | a.MaskWriteRegisterReply():
            return f"{message.start} and {message.and_mask:04X} or {message.or_mask:04X}"
        case q.RawRequest(data=data) | a.RawReply(data=data):
            return data.hex()
    return _request(message) if isinstance(message, q.Request) else _reply(message)
