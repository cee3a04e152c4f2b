"""What a server answers, as values.

One frozen class for each public function code, named after its request. Bits come in whole bytes,
as on the wire: a reply does not say how many were asked for.

Source: MODBUS Application Protocol V1.1b3, sections 6.1 to 6.21 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from kerfbus.bench.wire.codes import FunctionCode
from kerfbus.bench.wire.requests import ON, FileData


@dataclass(frozen=True, slots=True)
class ReadCoilsReply:
    """01 (6.1): a multiple of eight bits, the lowest address first."""

    function: ClassVar[int] = FunctionCode.READ_COILS
    bits: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class ReadDiscreteInputsReply:
    """02 (6.2): a multiple of eight bits, the lowest address first."""

    function: ClassVar[int] = FunctionCode.READ_DISCRETE_INPUTS
    bits: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class ReadHoldingRegistersReply:
    """03 (6.3)."""

    function: ClassVar[int] = FunctionCode.READ_HOLDING_REGISTERS
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReadInputRegistersReply:
    """04 (6.4)."""

    function: ClassVar[int] = FunctionCode.READ_INPUT_REGISTERS
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class WriteSingleCoilReply:
    """05 (6.5): repeats the request."""

    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_COIL
    start: int
    raw: int

    @property
    def on(self) -> bool:
        """Return whether the coil was set on."""
        return self.raw == ON


@dataclass(frozen=True, slots=True)
class WriteSingleRegisterReply:
    """06 (6.6): repeats the request."""

    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_REGISTER
    start: int
    value: int


@dataclass(frozen=True, slots=True)
class ReadExceptionStatusReply:
    """07 (6.7): eight bits."""

    function: ClassVar[int] = FunctionCode.READ_EXCEPTION_STATUS
    status: int


@dataclass(frozen=True, slots=True)
class DiagnosticsReply:
    """08 (6.8): repeats the sub-function; the data are the request's or what was asked for."""

    function: ClassVar[int] = FunctionCode.DIAGNOSTICS
    sub_function: int
    data: bytes


@dataclass(frozen=True, slots=True)
class GetCommEventCounterReply:
    """0B (6.9): status FFFF while a program command runs, else 0000."""

    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_COUNTER
    status: int
    events: int


@dataclass(frozen=True, slots=True)
class GetCommEventLogReply:
    """0C (6.10): `log` has the most recent event first, at most 64."""

    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_LOG
    status: int
    events: int
    messages: int
    log: bytes


@dataclass(frozen=True, slots=True)
class WriteMultipleCoilsReply:
    """0F (6.11)."""

    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_COILS
    start: int
    count: int


@dataclass(frozen=True, slots=True)
class WriteMultipleRegistersReply:
    """10 (6.12)."""

    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_REGISTERS
    start: int
    count: int


@dataclass(frozen=True, slots=True)
class ReportServerIdReply:
    """11 (6.13): server id, run indicator (00 or FF) and more, in the server's own form."""

    function: ClassVar[int] = FunctionCode.REPORT_SERVER_ID
    data: bytes


@dataclass(frozen=True, slots=True)
class ReadFileRecordReply:
    """14 (6.14): the registers of each group that was asked for."""

    function: ClassVar[int] = FunctionCode.READ_FILE_RECORD
    groups: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class WriteFileRecordReply:
    """15 (6.15): repeats the request."""

    function: ClassVar[int] = FunctionCode.WRITE_FILE_RECORD
    groups: tuple[FileData, ...]


@dataclass(frozen=True, slots=True)
class MaskWriteRegisterReply:
    """16 (6.16): repeats the request."""

    function: ClassVar[int] = FunctionCode.MASK_WRITE_REGISTER
    start: int
    and_mask: int
    or_mask: int


@dataclass(frozen=True, slots=True)
class ReadWriteMultipleRegistersReply:
    """17 (6.17): what was read, after the write."""

    function: ClassVar[int] = FunctionCode.READ_WRITE_MULTIPLE_REGISTERS
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReadFifoQueueReply:
    """18 (6.18): at most 31 registers."""

    function: ClassVar[int] = FunctionCode.READ_FIFO_QUEUE
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class IdentityObject:
    """An object of a device identification."""

    object_id: int
    value: bytes


@dataclass(frozen=True, slots=True)
class ReadDeviceIdentificationReply:
    """2B/0E (6.21): `next_object` says where to go on when `more` follows."""

    function: ClassVar[int] = FunctionCode.ENCAPSULATED_INTERFACE
    code: int
    conformity: int
    more: bool
    next_object: int
    objects: tuple[IdentityObject, ...]


@dataclass(frozen=True, slots=True)
class ExceptionReply:
    """A refusal (section 7). `function` is the refused one, without the top bit."""

    function: int
    code: int


@dataclass(frozen=True, slots=True)
class RawReply:
    """Any other function code, its data as it is."""

    function: int
    data: bytes = b""


Reply = (
    ReadCoilsReply
    | ReadDiscreteInputsReply
    | ReadHoldingRegistersReply
    | ReadInputRegistersReply
    | WriteSingleCoilReply
    | WriteSingleRegisterReply
    | ReadExceptionStatusReply
    | DiagnosticsReply
    | GetCommEventCounterReply
    | GetCommEventLogReply
    | WriteMultipleCoilsReply
    | WriteMultipleRegistersReply
    | ReportServerIdReply
    | ReadFileRecordReply
    | WriteFileRecordReply
    | MaskWriteRegisterReply
    | ReadWriteMultipleRegistersReply
    | ReadFifoQueueReply
    | ReadDeviceIdentificationReply
    | ExceptionReply
    | RawReply
)
