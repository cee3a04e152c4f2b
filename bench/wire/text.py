"""A message in a few words, for a line on the screen."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from kerfbus.bench.wire import replies, requests
from kerfbus.bench.wire.bases import COIL_OFF, COIL_ON
from kerfbus.bench.wire.codes import DiagnosticSub, exception_name, function_name
from kerfbus.bench.wire.replies import Reply
from kerfbus.bench.wire.requests import Request

SHOWN = 8
"""How many registers, groups or objects are spelled out before the rest is only counted."""
SHOWN_BITS = 32
SHOWN_BYTES = 16
_BUSY = 0xFFFF


def describe(message: Request | Reply) -> str:
    """Return a message in a few words. Addresses are those of the PDU, from 0; registers decimal.

    >>> describe(requests.ReadHoldingRegisters(107, 3))
    'read holding registers 107-109'
    >>> describe(replies.ReadHoldingRegistersReply((555, 0, 100)))
    'holding registers 555 0 100'
    >>> describe(replies.ExceptionReply(3, 2))
    'refused: read holding registers, exception 02 illegal data address'
    """
    return _TEXTS[type(message)](message)


def span_text(start: int, count: int) -> str:
    """Return addresses as a person writes them: "5", "5-9", "none from 5"."""
    if count < 1:
        return f"none from {start}"
    return str(start) if count == 1 else f"{start}-{start + count - 1}"


def _words(values: Iterable[Any], shown: int = SHOWN) -> str:
    """Return the first values and how many more there are."""
    texts = [str(value) for value in values]
    more = f" +{len(texts) - shown}" if len(texts) > shown else ""
    return (" ".join(texts[:shown]) or "none") + more


def _bits(bits: tuple[bool, ...]) -> str:
    """Return bits in groups of eight, the lowest address first."""
    digits = "".join("1" if bit else "0" for bit in bits[:SHOWN_BITS])
    more = f" +{len(bits) - SHOWN_BITS}" if len(bits) > SHOWN_BITS else ""
    return (" ".join(digits[at : at + 8] for at in range(0, len(digits), 8)) or "none") + more


def _hex(data: bytes) -> str:
    more = f" +{len(data) - SHOWN_BYTES}" if len(data) > SHOWN_BYTES else ""
    return (data[:SHOWN_BYTES].hex(" ") or "nothing") + more


def _printable(data: bytes) -> str:
    """Return text in quotes when it is text, else in hexadecimal."""
    shown = data[: 2 * SHOWN_BYTES]
    if data and all(0x20 <= byte < 0x7F for byte in shown):
        return f'"{shown.decode("ascii")}"' + ("..." if len(data) > len(shown) else "")
    return _hex(data)


def _name(message: Request | Reply) -> str:
    return function_name(message.function)


def _read(message: Any) -> str:
    return f"{_name(message)} {span_text(message.start, message.count)}"


def _what(noun: str) -> Callable[[Any], str]:
    return lambda reply: f"{noun} {_words(reply.values)}"


def _bits_of(noun: str) -> Callable[[Any], str]:
    return lambda reply: f"{noun} {_bits(reply.bits)}"


def _coil(done: str) -> Callable[[Any], str]:
    def text(message: Any) -> str:
        legal = message.raw in (COIL_ON, COIL_OFF)
        state = ("on" if message.on else "off") if legal else f"illegal value {message.raw:04X}"
        return f"{done} coil {message.start}: {state}"

    return text


def _written(noun: str) -> Callable[[Any], str]:
    return lambda reply: f"wrote {noun} {span_text(reply.start, reply.count)}"


def _sub_function(sub: int) -> str:
    try:
        return DiagnosticSub(sub).text
    except ValueError:
        return f"reserved sub-function {sub:04X}"


def _diagnostics(message: Any) -> str:
    return f"diagnostics, {_sub_function(message.sub_function)}: {_hex(message.data)}"


def _mask(done: str) -> Callable[[Any], str]:
    return lambda message: (
        f"{done} register {message.start}: and {message.and_mask:04X} or {message.or_mask:04X}"
    )


def _state(status: int) -> str:
    return {_BUSY: "busy", 0: "ready"}.get(status, f"status {status:04X}")


def _event_log(reply: replies.GetCommEventLogReply) -> str:
    return (
        f"event log, {_state(reply.status)}: {reply.event_count} events, "
        f"{reply.message_count} messages, {_hex(reply.events)}"
    )


def _file_write(done: str) -> Callable[[Any], str]:
    return lambda message: (
        f"{done} file records "
        + _words(
            f"{group.file}:{span_text(group.record, len(group.values))}" for group in message.groups
        )
    )


def _read_write(message: requests.ReadWriteMultipleRegisters) -> str:
    written = span_text(message.write_start, len(message.values))
    read = span_text(message.read_start, message.read_count)
    return f"write registers {written} = {_words(message.values)}, read {read}"


def _identification(reply: replies.ReadDeviceIdentificationReply) -> str:
    objects = _words(f"{each.object_id:02X}={_printable(each.value)}" for each in reply.objects)
    more = f", more from {reply.next_object:02X}" if reply.more_follows else ""
    return f"device identification {objects}{more}"


def _raw(message: Any) -> str:
    return f"{_name(message)}: {_hex(message.data)}"


_TEXTS: Mapping[type, Callable[[Any], str]] = {
    requests.ReadCoils: _read,
    requests.ReadDiscreteInputs: _read,
    requests.ReadHoldingRegisters: _read,
    requests.ReadInputRegisters: _read,
    requests.WriteSingleCoil: _coil("write"),
    requests.WriteSingleRegister: lambda m: f"write register {m.start} = {m.value}",
    requests.ReadExceptionStatus: _name,
    requests.Diagnostics: _diagnostics,
    requests.GetCommEventCounter: _name,
    requests.GetCommEventLog: _name,
    requests.WriteMultipleCoils: lambda m: (
        f"write coils {span_text(m.start, len(m.bits))} = {_bits(m.bits)}"
    ),
    requests.WriteMultipleRegisters: lambda m: (
        f"write registers {span_text(m.start, len(m.values))} = {_words(m.values)}"
    ),
    requests.ReportServerId: _name,
    requests.ReadFileRecord: lambda m: (
        "read file records "
        + _words(f"{each.file}:{span_text(each.record, each.count)}" for each in m.groups)
    ),
    requests.WriteFileRecord: _file_write("write"),
    requests.MaskWriteRegister: _mask("change"),
    requests.ReadWriteMultipleRegisters: _read_write,
    requests.ReadFifoQueue: lambda m: f"read FIFO queue {m.start}",
    requests.ReadDeviceIdentification: lambda m: (
        f"read device identification, code {m.code:02X} from object {m.object_id:02X}"
    ),
    requests.RawRequest: _raw,
    replies.ReadCoilsReply: _bits_of("coils"),
    replies.ReadDiscreteInputsReply: _bits_of("discrete inputs"),
    replies.ReadHoldingRegistersReply: _what("holding registers"),
    replies.ReadInputRegistersReply: _what("input registers"),
    replies.WriteSingleCoilReply: _coil("wrote"),
    replies.WriteSingleRegisterReply: lambda m: f"wrote register {m.start} = {m.value}",
    replies.ReadExceptionStatusReply: lambda m: f"exception status {m.status:08b}",
    replies.DiagnosticsReply: _diagnostics,
    replies.GetCommEventCounterReply: lambda m: (
        f"event counter, {_state(m.status)}: {m.count} events"
    ),
    replies.GetCommEventLogReply: _event_log,
    replies.WriteMultipleCoilsReply: _written("coils"),
    replies.WriteMultipleRegistersReply: _written("registers"),
    replies.ReportServerIdReply: lambda m: f"server ID {_printable(m.data)}",
    replies.ReadFileRecordReply: lambda m: (
        "file records "
        + ", ".join(_words(group) for group in m.groups[:SHOWN])
        + (f" +{len(m.groups) - SHOWN} groups" if len(m.groups) > SHOWN else "")
    ),
    replies.WriteFileRecordReply: _file_write("wrote"),
    replies.MaskWriteRegisterReply: _mask("changed"),
    replies.ReadWriteMultipleRegistersReply: _what("registers"),
    replies.ReadFifoQueueReply: _what("FIFO queue"),
    replies.ReadDeviceIdentificationReply: _identification,
    replies.ExceptionReply: lambda m: (
        f"refused: {_name(m)}, exception {m.code:02X} {exception_name(m.code)}"
    ),
    replies.RawReply: _raw,
}
