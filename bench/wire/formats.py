"""Every wire format, declared in construct.

The declarations are the reference: `kerfbus.bench.wire.fast` is a shortcut for some of them. Each
format is that of a PDU, function code first. Errors of construct end here: they become `WireError`
with the path of the field.

Source: MODBUS Application Protocol V1.1b3, sections 6.1 to 6.21 and 7. Where a table and its figure
disagree the table is taken: data length of 15 from 09 to FB (6.15).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from construct import (
    Array,
    Byte,
    Bytes,
    Check,
    Const,
    Construct,
    ConstructError,
    ExprValidator,
    FocusedSeq,
    GreedyBytes,
    GreedyRange,
    Int16ub,
    Mapping,
    Prefixed,
    Rebuild,
    Struct,
    Terminated,
    len_,
    this,
)

from kerfbus.bench.errors import WireError
from kerfbus.bench.wire import bits
from kerfbus.bench.wire import replies as a
from kerfbus.bench.wire import requests as q
from kerfbus.bench.wire.codes import MEI_READ_DEVICE_IDENTIFICATION

MAX_PDU = 253
"""4.1: 256 characters of a serial frame less address and CRC."""
Message = q.Request | a.Reply
Fields = dict[str, Any]


class Format(NamedTuple):
    """A wire format and the class that it fills.

    Attributes:
        struct: the declaration, without the function code.
        to_message: makes the value from the parsed fields.
        to_fields: makes the fields from the value.
    """

    struct: Construct[Any, Any]
    to_message: Callable[[Any], Message]
    to_fields: Callable[[Any], Fields]


def _plain(kind: Callable[..., Message], **fields: Construct[Any, Any]) -> Format:
    """Return a format whose fields are those of the class."""
    struct = Struct(*(name / kind_ for name, kind_ in fields.items()), Terminated)
    return Format(
        struct,
        lambda found: kind(*(found[name] for name in fields)),
        lambda message: {name: getattr(message, name) for name in fields},
    )


def _bits_reply(kind: Callable[..., Message]) -> Format:
    return Format(
        Struct("packed" / Prefixed(Byte, GreedyBytes), Terminated),
        lambda found: kind(bits.unpack(found.packed)),
        lambda message: {"packed": _whole_bytes(message.bits)},
    )


def _whole_bytes(values: tuple[bool, ...]) -> bytes:
    if len(values) % 8:
        raise WireError(f"{len(values)} bits: a reply holds whole bytes, fill up with 0", "bits")
    return bits.pack(values)


def _counted_words(size: Construct[Any, Any]) -> Construct[Any, Any]:
    """Words behind their length in bytes."""
    return Prefixed(size, FocusedSeq("words", "words" / GreedyRange(Int16ub), Terminated))


def _words_reply(kind: Callable[..., Message]) -> Format:
    return Format(
        Struct("values" / _counted_words(Byte), Terminated),
        lambda found: kind(tuple(found["values"])),
        lambda message: {"values": list(message.values)},
    )


def _coils_to_write(found: Any) -> Message:
    return q.WriteMultipleCoils(found.start, bits.unpack(found.packed)[: found.count])


_WRITE_COILS = Format(
    Struct(
        "start" / Int16ub,
        "count" / Int16ub,
        "size" / Rebuild(Byte, len_(this.packed)),
        "size fits" / Check(this.size == (this.count + 7) // 8),
        "packed" / Bytes(this.size),
        Terminated,
    ),
    _coils_to_write,
    lambda m: {"start": m.start, "count": len(m.bits), "packed": bits.pack(m.bits)},
)
_WRITE_WORDS = Format(
    Struct(
        "start" / Int16ub,
        "count" / Rebuild(Int16ub, len_(this["values"])),
        "size" / Rebuild(Byte, 2 * len_(this["values"])),
        "size fits" / Check(this.size == 2 * this.count),
        "values" / Array(this.count, Int16ub),
        Terminated,
    ),
    lambda found: q.WriteMultipleRegisters(found.start, tuple(found["values"])),
    lambda m: {"start": m.start, "values": list(m.values)},
)
_READ_WRITE = Format(
    Struct(
        "read_start" / Int16ub,
        "read_count" / Int16ub,
        "write_start" / Int16ub,
        "count" / Rebuild(Int16ub, len_(this["values"])),
        "size" / Rebuild(Byte, 2 * len_(this["values"])),
        "size fits" / Check(this.size == 2 * this.count),
        "values" / Array(this.count, Int16ub),
        Terminated,
    ),
    lambda f: q.ReadWriteMultipleRegisters(
        f.read_start, f.read_count, f.write_start, tuple(f["values"])
    ),
    lambda m: {
        "read_start": m.read_start,
        "read_count": m.read_count,
        "write_start": m.write_start,
        "values": list(m.values),
    },
)
# 6.8: the data are N words; one word for every sub-function but 0000.
_DIAGNOSTICS = Struct(
    "sub_function" / Int16ub,
    "data" / GreedyBytes,
    "whole words" / Check(lambda found: len(found.data) % 2 == 0 and len(found.data) > 0),
)


def _diagnostics(kind: Callable[..., Message]) -> Format:
    return Format(
        _DIAGNOSTICS,
        lambda found: kind(found.sub_function, found.data),
        lambda message: {"sub_function": message.sub_function, "data": message.data},
    )


_RANGE = Struct(
    "reference" / Const(q.FILE_REFERENCE, Byte),
    "file" / Int16ub,
    "record" / Int16ub,
    "count" / Int16ub,
)
_DATA = Struct(
    "reference" / Const(q.FILE_REFERENCE, Byte),
    "file" / Int16ub,
    "record" / Int16ub,
    "count" / Rebuild(Int16ub, len_(this["values"])),
    "values" / Array(this.count, Int16ub),
)
# The length of a group of a reply counts the reference type with the words.
_GROUP = Prefixed(
    Byte,
    FocusedSeq(
        "words",
        "reference" / Const(q.FILE_REFERENCE, Byte),
        "words" / GreedyRange(Int16ub),
        Terminated,
    ),
)


def _groups(item: Construct[Any, Any], least: int, most: int) -> Construct[Any, Any]:
    """Groups behind their length in bytes, which is `least` to `most`."""
    size = ExprValidator(Byte, lambda found, _: least <= found <= most)
    groups = Prefixed(size, FocusedSeq("items", "items" / GreedyRange(item), Terminated))
    return Struct("groups" / groups, Terminated)


def _file_data(kind: Callable[..., Message]) -> Format:
    return Format(
        _groups(_DATA, 0x09, 0xFB),
        lambda found: kind(
            tuple(q.FileData(g.file, g.record, tuple(g["values"])) for g in found.groups)
        ),
        lambda message: {
            "groups": [
                {"file": g.file, "record": g.record, "values": list(g.values)}
                for g in message.groups
            ]
        },
    )


_READ_FILES = Format(
    _groups(_RANGE, 0x07, 0xF5),
    lambda found: q.ReadFileRecord(
        tuple(q.FileRange(g.file, g.record, g.count) for g in found.groups)
    ),
    lambda message: {
        "groups": [{"file": g.file, "record": g.record, "count": g.count} for g in message.groups]
    },
)
_READ_FILES_REPLY = Format(
    _groups(_GROUP, 0x02, 0xF5),
    lambda found: a.ReadFileRecordReply(tuple(tuple(words) for words in found.groups)),
    lambda message: {"groups": [list(words) for words in message.groups]},
)
_FIFO_REPLY = Format(
    Struct(
        "size" / Rebuild(Int16ub, 2 + 2 * len_(this["values"])),
        "count" / Rebuild(Int16ub, len_(this["values"])),
        "size fits" / Check(this.size == 2 + 2 * this.count),
        "at most 31" / Check(this.count <= 31),
        "values" / Array(this.count, Int16ub),
        Terminated,
    ),
    lambda found: a.ReadFifoQueueReply(tuple(found["values"])),
    lambda message: {"values": list(message.values)},
)
_EVENT_LOG_REPLY = Format(
    Struct(
        "body"
        / Prefixed(
            Byte,
            Struct(
                "status" / Int16ub,
                "events" / Int16ub,
                "messages" / Int16ub,
                "log" / GreedyBytes,
                "at most 64" / Check(len_(this.log) <= 64),
            ),
        ),
        Terminated,
    ),
    lambda f: a.GetCommEventLogReply(f.body.status, f.body.events, f.body.messages, f.body.log),
    lambda m: {
        "body": {
            "status": m.status,
            "events": m.events,
            "messages": m.messages,
            "log": m.log,
        }
    },
)
_MEI = Const(MEI_READ_DEVICE_IDENTIFICATION, Byte)
_IDENTIFICATION = Format(
    Struct("mei" / _MEI, "code" / Byte, "object_id" / Byte, Terminated),
    lambda found: q.ReadDeviceIdentification(found.code, found.object_id),
    lambda message: {"code": message.code, "object_id": message.object_id},
)
_IDENTIFICATION_REPLY = Format(
    Struct(
        "mei" / _MEI,
        "code" / Byte,
        "conformity" / Byte,
        "more" / Mapping(Byte, {False: 0x00, True: 0xFF}),
        "next_object" / Byte,
        "count" / Rebuild(Byte, len_(this.objects)),
        "objects"
        / Array(this.count, Struct("object_id" / Byte, "value" / Prefixed(Byte, GreedyBytes))),
        Terminated,
    ),
    lambda f: a.ReadDeviceIdentificationReply(
        f.code,
        f.conformity,
        f.more,
        f.next_object,
        tuple(a.IdentityObject(o.object_id, o.value) for o in f.objects),
    ),
    lambda m: {
        "code": m.code,
        "conformity": m.conformity,
        "more": m.more,
        "next_object": m.next_object,
        "objects": [{"object_id": o.object_id, "value": o.value} for o in m.objects],
    },
)
_COUNTED = {"start": Int16ub, "count": Int16ub}
_MASK = {"start": Int16ub, "and_mask": Int16ub, "or_mask": Int16ub}
_SERVER_ID_REPLY = Format(
    Struct("data" / Prefixed(Byte, GreedyBytes), Terminated),
    lambda found: a.ReportServerIdReply(found.data),
    lambda message: {"data": message.data},
)

REQUESTS: dict[int, Format] = {
    0x01: _plain(q.ReadCoils, **_COUNTED),
    0x02: _plain(q.ReadDiscreteInputs, **_COUNTED),
    0x03: _plain(q.ReadHoldingRegisters, **_COUNTED),
    0x04: _plain(q.ReadInputRegisters, **_COUNTED),
    0x05: _plain(q.WriteSingleCoil, start=Int16ub, raw=Int16ub),
    0x06: _plain(q.WriteSingleRegister, start=Int16ub, value=Int16ub),
    0x07: _plain(q.ReadExceptionStatus),
    0x08: _diagnostics(q.Diagnostics),
    0x0B: _plain(q.GetCommEventCounter),
    0x0C: _plain(q.GetCommEventLog),
    0x0F: _WRITE_COILS,
    0x10: _WRITE_WORDS,
    0x11: _plain(q.ReportServerId),
    0x14: _READ_FILES,
    0x15: _file_data(q.WriteFileRecord),
    0x16: _plain(q.MaskWriteRegister, **_MASK),
    0x17: _READ_WRITE,
    0x18: _plain(q.ReadFifoQueue, start=Int16ub),
    0x2B: _IDENTIFICATION,
}
REPLIES: dict[int, Format] = {
    0x01: _bits_reply(a.ReadCoilsReply),
    0x02: _bits_reply(a.ReadDiscreteInputsReply),
    0x03: _words_reply(a.ReadHoldingRegistersReply),
    0x04: _words_reply(a.ReadInputRegistersReply),
    0x05: _plain(a.WriteSingleCoilReply, start=Int16ub, raw=Int16ub),
    0x06: _plain(a.WriteSingleRegisterReply, start=Int16ub, value=Int16ub),
    0x07: _plain(a.ReadExceptionStatusReply, status=Byte),
    0x08: _diagnostics(a.DiagnosticsReply),
    0x0B: _plain(a.GetCommEventCounterReply, status=Int16ub, events=Int16ub),
    0x0C: _EVENT_LOG_REPLY,
    0x0F: _plain(a.WriteMultipleCoilsReply, **_COUNTED),
    0x10: _plain(a.WriteMultipleRegistersReply, **_COUNTED),
    0x11: _SERVER_ID_REPLY,
    0x14: _READ_FILES_REPLY,
    0x15: _file_data(a.WriteFileRecordReply),
    0x16: _plain(a.MaskWriteRegisterReply, **_MASK),
    0x17: _words_reply(a.ReadWriteMultipleRegistersReply),
    0x18: _FIFO_REPLY,
    0x2B: _IDENTIFICATION_REPLY,
}
EXCEPTION = _plain(a.ExceptionReply, code=Byte)


def _format(table: dict[int, Format], pdu: bytes) -> Format | None:
    """Return the format of a PDU, None for a function code or interface type without one."""
    if pdu[0] == 0x2B and pdu[1:2] != bytes((MEI_READ_DEVICE_IDENTIFICATION,)):
        return None
    return table.get(pdu[0])


def _check(pdu: bytes) -> None:
    if not pdu or not pdu[0] & 0x7F:
        raise WireError("no function code: it is 1 to 127", "function")
    if len(pdu) > MAX_PDU:
        raise WireError(f"{len(pdu)} characters: a PDU has at most {MAX_PDU}")


def _parse(form: Format, pdu: bytes) -> Any:
    try:
        return form.struct.parse(pdu[1:])
    except ConstructError as error:
        raise _translate(error, pdu[0]) from error


def parse_request(pdu: bytes) -> q.Request:
    """Return the request in a PDU.

    Raises:
        WireError: it does not keep to its format.
    """
    _check(pdu)
    if pdu[0] & 0x80:
        raise WireError(f"{pdu[0]:02X}: codes from 80 mark exceptions, not requests", "function")
    form = _format(REQUESTS, pdu)
    if form is None:
        return q.RawRequest(pdu[0], pdu[1:])
    return form.to_message(_parse(form, pdu))  # type: ignore[return-value]


def parse_reply(pdu: bytes) -> a.Reply:
    """Return the reply in a PDU.

    Raises:
        WireError: it does not keep to its format.
    """
    _check(pdu)
    if pdu[0] & 0x80:
        return a.ExceptionReply(pdu[0] & 0x7F, _parse(EXCEPTION, pdu).code)
    form = _format(REPLIES, pdu)
    if form is None:
        return a.RawReply(pdu[0], pdu[1:])
    return form.to_message(_parse(form, pdu))  # type: ignore[return-value]


def build(message: Message) -> bytes:
    """Return the PDU of a request or reply.

    Raises:
        WireError: a field does not fit into its place, or the PDU gets too long.
    """
    function = message.function
    if not 1 <= function <= 0x7F:
        raise WireError(f"{function}: function codes are 1 to 127", "function")
    if isinstance(message, q.RawRequest | a.RawReply):
        pdu = bytes((function,)) + message.data
    else:
        pdu = _build(message, function)
    _check(pdu)
    return pdu


def _build(message: Message, function: int) -> bytes:
    first = function
    if isinstance(message, a.ExceptionReply):
        form, first = EXCEPTION, function | 0x80
    else:
        form = (REQUESTS if isinstance(message, q.Request) else REPLIES)[function]
    try:
        body: bytes = form.struct.build(form.to_fields(message))
    except ConstructError as error:
        raise _translate(error, function) from error
    except (TypeError, ValueError, OverflowError) as error:
        raise WireError(str(error), f"function {function:02X}") from error
    return bytes((first,)) + body


def _translate(error: ConstructError, function: int) -> WireError:
    """Return construct's error as ours: first line, without its own path."""
    path = (error.path or "").replace("(parsing)", "").replace("(building)", "")
    fields = ".".join(part.strip() for part in path.split("->") if part.strip())
    lines = [line.strip() for line in str(error).splitlines()]
    reason = next((line for line in lines if line and not line.startswith("Error in path")), "")
    reason = reason.split(" (parsing)")[0].split(" (building)")[0] or type(error).__name__
    return WireError(reason, ".".join(filter(None, (f"function {function:02X}", fields))))
