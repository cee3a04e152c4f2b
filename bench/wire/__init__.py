"""PDUs and frames as values: the public door of the wire formats.

`parse_request`, `parse_reply` and `build` take the short path for the function codes of nearly all
traffic and the declared formats for everything else and for everything that is wrong. construct is
loaded with the first PDU that needs it: it would double the time in which a command starts.

Source: MODBUS Application Protocol V1.1b3; MODBUS over Serial Line V1.02, 2.5.1 for the frame.
"""

from __future__ import annotations

from importlib import import_module
from typing import Protocol, cast

from kerfbus.bench.crc import with_crc
from kerfbus.bench.errors import WireError
from kerfbus.bench.wire import fast
from kerfbus.bench.wire.codes import (
    DiagnosticSub,
    ExceptionCode,
    FunctionCode,
    exception_name,
    function_name,
    sub_function_name,
)
from kerfbus.bench.wire.describe import describe
from kerfbus.bench.wire.replies import (
    DiagnosticsReply,
    ExceptionReply,
    GetCommEventCounterReply,
    GetCommEventLogReply,
    IdentityObject,
    MaskWriteRegisterReply,
    RawReply,
    ReadCoilsReply,
    ReadDeviceIdentificationReply,
    ReadDiscreteInputsReply,
    ReadExceptionStatusReply,
    ReadFifoQueueReply,
    ReadFileRecordReply,
    ReadHoldingRegistersReply,
    ReadInputRegistersReply,
    ReadWriteMultipleRegistersReply,
    Reply,
    ReportServerIdReply,
    WriteFileRecordReply,
    WriteMultipleCoilsReply,
    WriteMultipleRegistersReply,
    WriteSingleCoilReply,
    WriteSingleRegisterReply,
)
from kerfbus.bench.wire.requests import (
    Diagnostics,
    FileData,
    FileRange,
    GetCommEventCounter,
    GetCommEventLog,
    MaskWriteRegister,
    RawRequest,
    ReadCoils,
    ReadDeviceIdentification,
    ReadDiscreteInputs,
    ReadExceptionStatus,
    ReadFifoQueue,
    ReadFileRecord,
    ReadHoldingRegisters,
    ReadInputRegisters,
    ReadWriteMultipleRegisters,
    ReportServerId,
    Request,
    WriteFileRecord,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
    check_limits,
)

__all__ = [
    "DiagnosticSub",
    "Diagnostics",
    "DiagnosticsReply",
    "ExceptionCode",
    "ExceptionReply",
    "FileData",
    "FileRange",
    "FunctionCode",
    "GetCommEventCounter",
    "GetCommEventCounterReply",
    "GetCommEventLog",
    "GetCommEventLogReply",
    "IdentityObject",
    "MaskWriteRegister",
    "MaskWriteRegisterReply",
    "RawReply",
    "RawRequest",
    "ReadCoils",
    "ReadCoilsReply",
    "ReadDeviceIdentification",
    "ReadDeviceIdentificationReply",
    "ReadDiscreteInputs",
    "ReadDiscreteInputsReply",
    "ReadExceptionStatus",
    "ReadExceptionStatusReply",
    "ReadFifoQueue",
    "ReadFifoQueueReply",
    "ReadFileRecord",
    "ReadFileRecordReply",
    "ReadHoldingRegisters",
    "ReadHoldingRegistersReply",
    "ReadInputRegisters",
    "ReadInputRegistersReply",
    "ReadWriteMultipleRegisters",
    "ReadWriteMultipleRegistersReply",
    "Reply",
    "ReportServerId",
    "ReportServerIdReply",
    "Request",
    "WireError",
    "WriteFileRecord",
    "WriteFileRecordReply",
    "WriteMultipleCoils",
    "WriteMultipleCoilsReply",
    "WriteMultipleRegisters",
    "WriteMultipleRegistersReply",
    "WriteSingleCoil",
    "WriteSingleCoilReply",
    "WriteSingleRegister",
    "WriteSingleRegisterReply",
    "adu",
    "build",
    "check_limits",
    "describe",
    "exception_name",
    "function_name",
    "parse_reply",
    "parse_request",
    "sub_function_name",
]


def parse_request(pdu: bytes) -> Request:
    """Return the request in a PDU; function codes without a format come as `RawRequest`.

    Raises:
        WireError: the PDU does not keep to its format.
    """
    found = fast.parse_request(pdu)
    return found if found is not None else _declared().parse_request(pdu)


def parse_reply(pdu: bytes) -> Reply:
    """Return the reply in a PDU; function codes without a format come as `RawReply`.

    Raises:
        WireError: the PDU does not keep to its format.
    """
    found = fast.parse_reply(pdu)
    return found if found is not None else _declared().parse_reply(pdu)


def build(message: Request | Reply) -> bytes:
    """Return the PDU of a request or reply.

    Raises:
        WireError: a field does not fit into its place, or the PDU gets longer than 253.
    """
    pdu = fast.build(message)
    if pdu is None or len(pdu) > 253:
        return _declared().build(message)
    return pdu


def adu(address: int, message: Request | Reply) -> bytes:
    """Return the frame of a message: address, PDU, CRC.

    Raises:
        WireError: the address is no byte, or as for `build`.
    """
    if not 0 <= address <= 255:
        raise WireError(f"{address}: an address is one byte", "address")
    return with_crc(bytes((address,)) + build(message))


class _Declared(Protocol):
    def parse_request(self, pdu: bytes) -> Request: ...
    def parse_reply(self, pdu: bytes) -> Reply: ...
    def build(self, message: Request | Reply) -> bytes: ...


def _declared() -> _Declared:
    # Loaded here, not above: see the module's text.
    return cast("_Declared", import_module("kerfbus.bench.wire.formats"))
