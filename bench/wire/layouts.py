"""The layout of every public function code, in construct.

Job: one declaration for each request and reply that both parses and builds. This is the definition;
`kerfbus.bench.wire.fast` repeats a few of them for speed and is held to these by a test.

Source: MODBUS Application Protocol V1.1b3, sections 6.1-6.21 and 7. Numbers are big-endian (4.2).

What a layout checks: lengths, byte counts, reference types and, in replies that do not repeat the
request, the standard's counts. The limits of requests are no part of it: a bench must be able to
send an excessive request and a tap to show it. They stand in `kerfbus.bench.wire.limits`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import (
    Array,
    Construct,
    ExprAdapter,
    GreedyBytes,
    Prefixed,
    Rebuild,
    Struct,
)
from construct import Bytes as Characters
from construct import Terminated as End

from kerfbus.bench.errors import WireError
from kerfbus.bench.wire import bases, replies, requests
from kerfbus.bench.wire.codes import (
    EXCEPTION_BIT,
    MAX_FUNCTION,
    MAX_PDU,
    MEI_DEVICE_IDENTIFICATION,
    PUBLIC,
    REFERENCE_TYPE,
    ExceptionCode,
    FunctionCode,
)
from kerfbus.bench.wire.fields import (
    BYTE,
    LENGTH,
    WORD,
    Checked,
    Filling,
    Implied,
    Message,
    bits_in,
    bits_of,
    constant,
    counted,
    number_of,
    translated,
)


def _pdu(kind: type, *fields: Construct, **changes: Any) -> Message:
    """Return the layout of what follows the function code, to the last character."""
    return Message(kind, *fields, End, **changes)


def _span(kind: type) -> Message:
    return _pdu(kind, "start" / WORD, "count" / WORD)


def _single_coil(kind: type) -> Message:
    return _pdu(kind, "start" / WORD, "raw" / WORD)


def _single_register(kind: type) -> Message:
    return _pdu(kind, "start" / WORD, "value" / WORD)


def _masks(kind: type) -> Message:
    return _pdu(kind, "start" / WORD, "and_mask" / WORD, "or_mask" / WORD)


def _diagnostics(kind: type) -> Message:
    return _pdu(
        kind,
        "sub_function" / WORD,
        "data" / Checked(GreedyBytes, lambda data: len(data) % 2 == 0, "an even number"),
    )


def _bits_reply(kind: type) -> Message:
    count = Rebuild(BYTE, lambda fields: len(fields.bits) // 8)
    return _pdu(
        kind,
        "byte_count" / Checked(count, lambda count: 1 <= count <= 250, "1 to 250"),
        "bits" / bits_in(lambda fields: fields.byte_count),
    )


def _registers_reply(kind: type) -> Message:
    count = Checked(
        counted("values", BYTE, 2),
        lambda count: 2 <= count <= 250 and count % 2 == 0,
        "even and 2 to 250",
    )
    return _pdu(
        kind,
        "byte_count" / count,
        "values" / Array(lambda fields: fields.byte_count // 2, WORD),
    )


def _coils_decoded(fields: Any) -> Mapping[str, Any]:
    number = int.from_bytes(fields.packed, "little")
    return {
        "start": fields.start,
        "bits": bits_of(number, fields.quantity),
        "padding": number >> fields.quantity,
    }


def _coils_encoded(message: requests.WriteMultipleCoils) -> Mapping[str, Any]:
    count = len(message.bits)
    unused = -count % 8
    if message.padding >> unused:
        raise WireError(f"is {message.padding}, there are {unused} unused bits", "padding")
    number = number_of(message.bits) | message.padding << count
    return {
        "start": message.start,
        "bits": message.bits,
        "packed": number.to_bytes((count + unused) // 8, "little"),
    }


_WRITE_COILS = _pdu(
    requests.WriteMultipleCoils,
    "start" / WORD,
    "quantity" / counted("bits"),
    "byte_count" / Implied(BYTE, lambda fields: (fields.quantity + 7) // 8),
    "packed" / Characters(lambda fields: fields.byte_count),
    decode=_coils_decoded,
    encode=_coils_encoded,
)
_WRITE_REGISTERS = _pdu(
    requests.WriteMultipleRegisters,
    "start" / WORD,
    "quantity" / counted("values"),
    "byte_count" / Implied(BYTE, lambda fields: 2 * fields.quantity),
    "values" / Array(lambda fields: fields.quantity, WORD),
)
_READ_WRITE_REGISTERS = _pdu(
    requests.ReadWriteMultipleRegisters,
    "read_start" / WORD,
    "read_count" / WORD,
    "write_start" / WORD,
    "write_count" / counted("values"),
    "byte_count" / Implied(BYTE, lambda fields: 2 * fields.write_count),
    "values" / Array(lambda fields: fields.write_count, WORD),
)

# The exception of another reference type is 02, by figures 24 and 25 as others report them; the
# figures themselves were not read.
_REFERENCE = "reference_type" / constant(REFERENCE_TYPE, ExceptionCode.ILLEGAL_DATA_ADDRESS)
_FILE_RANGE = Message(
    requests.FileRange, _REFERENCE, "file" / WORD, "record" / WORD, "count" / WORD
)
_FILE_DATA = Message(
    bases.FileData,
    _REFERENCE,
    "file" / WORD,
    "record" / WORD,
    "count" / counted("values"),
    "values" / Array(lambda fields: fields.count, WORD),
)

# One group of a 14 reply: its length, the reference type, registers.
_CONTENTS = Prefixed(
    LENGTH,
    ExprAdapter(
        Struct(_REFERENCE, "values" / Filling(WORD)),
        decoder=lambda fields, _context: fields["values"],
        encoder=lambda values, _context: {"values": values},
    ),
)


def _file_groups(kind: type, group: Construct, length: Construct = LENGTH) -> Message:
    return _pdu(kind, "groups" / Prefixed(length, Filling(group)))


_OBJECT = Message(
    replies.IdentificationObject,
    "object_id" / BYTE,
    "value" / Prefixed(LENGTH, GreedyBytes),
)
_MORE = Checked(BYTE, lambda more: more in (0x00, 0xFF), "0 or 255")
_IDENTIFICATION_REPLY = _pdu(
    replies.ReadDeviceIdentificationReply,
    "mei_type" / constant(MEI_DEVICE_IDENTIFICATION),
    "code" / BYTE,
    "conformity" / BYTE,
    "more_follows"
    / ExprAdapter(
        _MORE,
        decoder=lambda more, _context: more == 0xFF,
        encoder=lambda more, _context: 0xFF if more else 0x00,
    ),
    "next_object" / BYTE,
    "number_of_objects" / counted("objects", BYTE),
    "objects" / Array(lambda fields: fields.number_of_objects, _OBJECT),
)
_EVENT_LOG_REPLY = _pdu(
    replies.GetCommEventLogReply,
    "byte_count"
    / Checked(
        Rebuild(BYTE, lambda fields: 6 + len(fields.events)),
        lambda count: 6 <= count <= 70,
        "6 to 70 (64 events)",
    ),
    "status" / WORD,
    "event_count" / WORD,
    "message_count" / WORD,
    "events" / Characters(lambda fields: fields.byte_count - 6),
)
_FIFO_REPLY = _pdu(
    replies.ReadFifoQueueReply,
    "byte_count"
    / Checked(
        Rebuild(WORD, lambda fields: 2 + 2 * len(fields["values"])),
        lambda count: 2 <= count <= 64 and count % 2 == 0,
        "even and 2 to 64 (31 registers)",
    ),
    "fifo_count" / Implied(WORD, lambda fields: fields.byte_count // 2 - 1),
    "values" / Array(lambda fields: fields.fifo_count, WORD),
)

REQUESTS: Mapping[int, Message] = {
    FunctionCode.READ_COILS: _span(requests.ReadCoils),
    FunctionCode.READ_DISCRETE_INPUTS: _span(requests.ReadDiscreteInputs),
    FunctionCode.READ_HOLDING_REGISTERS: _span(requests.ReadHoldingRegisters),
    FunctionCode.READ_INPUT_REGISTERS: _span(requests.ReadInputRegisters),
    FunctionCode.WRITE_SINGLE_COIL: _single_coil(requests.WriteSingleCoil),
    FunctionCode.WRITE_SINGLE_REGISTER: _single_register(requests.WriteSingleRegister),
    FunctionCode.READ_EXCEPTION_STATUS: _pdu(requests.ReadExceptionStatus),
    FunctionCode.DIAGNOSTICS: _diagnostics(requests.Diagnostics),
    FunctionCode.GET_COMM_EVENT_COUNTER: _pdu(requests.GetCommEventCounter),
    FunctionCode.GET_COMM_EVENT_LOG: _pdu(requests.GetCommEventLog),
    FunctionCode.WRITE_MULTIPLE_COILS: _WRITE_COILS,
    FunctionCode.WRITE_MULTIPLE_REGISTERS: _WRITE_REGISTERS,
    FunctionCode.REPORT_SERVER_ID: _pdu(requests.ReportServerId),
    FunctionCode.READ_FILE_RECORD: _file_groups(requests.ReadFileRecord, _FILE_RANGE),
    FunctionCode.WRITE_FILE_RECORD: _file_groups(requests.WriteFileRecord, _FILE_DATA),
    FunctionCode.MASK_WRITE_REGISTER: _masks(requests.MaskWriteRegister),
    FunctionCode.READ_WRITE_MULTIPLE_REGISTERS: _READ_WRITE_REGISTERS,
    FunctionCode.READ_FIFO_QUEUE: _pdu(requests.ReadFifoQueue, "start" / WORD),
    FunctionCode.ENCAPSULATED_INTERFACE: _pdu(
        requests.ReadDeviceIdentification,
        "mei_type" / constant(MEI_DEVICE_IDENTIFICATION),
        "code" / BYTE,
        "object_id" / BYTE,
    ),
}
"""Function code -> layout of a request behind it."""

REPLIES: Mapping[int, Message] = {
    FunctionCode.READ_COILS: _bits_reply(replies.ReadCoilsReply),
    FunctionCode.READ_DISCRETE_INPUTS: _bits_reply(replies.ReadDiscreteInputsReply),
    FunctionCode.READ_HOLDING_REGISTERS: _registers_reply(replies.ReadHoldingRegistersReply),
    FunctionCode.READ_INPUT_REGISTERS: _registers_reply(replies.ReadInputRegistersReply),
    FunctionCode.WRITE_SINGLE_COIL: _single_coil(replies.WriteSingleCoilReply),
    FunctionCode.WRITE_SINGLE_REGISTER: _single_register(replies.WriteSingleRegisterReply),
    FunctionCode.READ_EXCEPTION_STATUS: _pdu(replies.ReadExceptionStatusReply, "status" / BYTE),
    FunctionCode.DIAGNOSTICS: _diagnostics(replies.DiagnosticsReply),
    FunctionCode.GET_COMM_EVENT_COUNTER: _pdu(
        replies.GetCommEventCounterReply, "status" / WORD, "count" / WORD
    ),
    FunctionCode.GET_COMM_EVENT_LOG: _EVENT_LOG_REPLY,
    FunctionCode.WRITE_MULTIPLE_COILS: _span(replies.WriteMultipleCoilsReply),
    FunctionCode.WRITE_MULTIPLE_REGISTERS: _span(replies.WriteMultipleRegistersReply),
    FunctionCode.REPORT_SERVER_ID: _pdu(
        replies.ReportServerIdReply,
        "data" / Prefixed(LENGTH, Checked(GreedyBytes, bool, "1 or more")),
    ),
    FunctionCode.READ_FILE_RECORD: _file_groups(
        replies.ReadFileRecordReply,
        _CONTENTS,
        Checked(LENGTH, lambda length: 2 <= length <= 0xF5, "2 to 245 bytes"),
    ),
    FunctionCode.WRITE_FILE_RECORD: _file_groups(replies.WriteFileRecordReply, _FILE_DATA),
    FunctionCode.MASK_WRITE_REGISTER: _masks(replies.MaskWriteRegisterReply),
    FunctionCode.READ_WRITE_MULTIPLE_REGISTERS: _registers_reply(
        replies.ReadWriteMultipleRegistersReply
    ),
    FunctionCode.READ_FIFO_QUEUE: _FIFO_REPLY,
    FunctionCode.ENCAPSULATED_INTERFACE: _IDENTIFICATION_REPLY,
}
"""Function code -> layout of a normal reply behind it."""

EXCEPTION = Struct("code" / BYTE, End)
"""Layout of an exception reply behind its function code."""

_LAYOUT_OF = {layout.kind: layout for table in (REQUESTS, REPLIES) for layout in table.values()}


def parse_request(pdu: bytes) -> requests.Request:
    """Return what a request says.

    Raises:
        WireError: it keeps to no layout; `exception` is the code that a server answers.
    """
    _check_length(pdu, ExceptionCode.ILLEGAL_DATA_VALUE)
    function, data = pdu[0], pdu[1:]
    if not 1 <= function <= MAX_FUNCTION:
        raise WireError(
            f"is {function}, must be 1 to 127", "function", ExceptionCode.ILLEGAL_FUNCTION
        )
    if _is_raw(function, data):
        return requests.RawRequest(function, data)
    layout = REQUESTS[function]
    message: requests.Request = translated(
        lambda: layout.parse(data), ExceptionCode.ILLEGAL_DATA_VALUE
    )
    return message


def parse_reply(pdu: bytes) -> replies.Reply:
    """Return what a reply says.

    Raises:
        WireError: it keeps to no layout.
    """
    _check_length(pdu)
    function, data = pdu[0], pdu[1:]
    if not function & MAX_FUNCTION:
        raise WireError(f"is {function}, must be 1 to 127 or 129 to 255", "function")
    if function & EXCEPTION_BIT:
        code = translated(lambda: EXCEPTION.parse(data).code, 0)
        return replies.ExceptionReply(function & MAX_FUNCTION, code)
    if _is_raw(function, data):
        return replies.RawReply(function, data)
    layout = REPLIES[function]
    message: replies.Reply = translated(lambda: layout.parse(data), 0)
    return message


def build(message: requests.Request | replies.Reply) -> bytes:
    """Return the PDU of a request or a reply.

    Raises:
        WireError: a value does not fit into its field, or the whole not into a PDU.
    """
    if not 1 <= message.function <= MAX_FUNCTION:
        raise WireError(f"is {message.function}, must be 1 to 127", "function")
    function = message.function
    if isinstance(message, replies.ExceptionReply):
        function |= EXCEPTION_BIT
        data: bytes = translated(lambda: EXCEPTION.build({"code": message.code}), 0)
    elif isinstance(message, requests.RawRequest | replies.RawReply):
        data = message.data
    else:
        layout = _LAYOUT_OF[type(message)]
        data = translated(lambda: layout.build(message), 0)
    pdu = bytes((function,)) + data
    _check_length(pdu)
    return pdu


def _check_length(pdu: bytes, exception: int = 0) -> None:
    if not pdu:
        raise WireError("the PDU is empty, it must begin with a function code")
    if len(pdu) > MAX_PDU:
        raise WireError(
            f"the PDU has {len(pdu)} bytes, at most {MAX_PDU} fit into a frame", "", exception
        )


def _is_raw(function: int, data: bytes) -> bool:
    """Return whether there is no layout for it."""
    if function == FunctionCode.ENCAPSULATED_INTERFACE:
        return data[:1] not in (b"", bytes((MEI_DEVICE_IDENTIFICATION,)))
    return function not in PUBLIC
