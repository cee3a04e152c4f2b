"""Replies, one frozen dataclass for each public function code, and exceptions.

Job: hold what a reply says. Rule: no byte order here; the layouts stand in
`kerfbus.bench.wire.layouts`. Section numbers are of the MODBUS Application Protocol V1.1b3.

A reply that repeats its request (05, 06, 08, 0F, 10, 15, 16) is as lenient as the request: whoever
compares the two finds what is wrong. In all other replies the standard's counts are part of the
layout, because nothing behind the parser could check them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar, Self, TypeAlias

from kerfbus.bench.wire.bases import (
    Bits,
    Diagnostic,
    FileGroups,
    Masks,
    Raw,
    Registers,
    SingleCoil,
    SingleRegister,
    Span,
)
from kerfbus.bench.wire.codes import FunctionCode


class _WholeBytes(Bits):
    """Bits of a reply."""

    __slots__ = ()

    @classmethod
    def padded(cls, bits: Iterable[bool]) -> Self:
        """Return a reply with `bits`, filled with False to whole bytes."""
        given = tuple(bits)
        return cls(given + (False,) * (-len(given) % 8))


class ReadCoilsReply(_WholeBytes):
    """Coils, in whole bytes (6.1)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_COILS


class ReadDiscreteInputsReply(_WholeBytes):
    """Discrete inputs, in whole bytes (6.2)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_DISCRETE_INPUTS


class ReadHoldingRegistersReply(Registers):
    """1 to 125 holding registers (6.3)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_HOLDING_REGISTERS


class ReadInputRegistersReply(Registers):
    """1 to 125 input registers (6.4)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_INPUT_REGISTERS


class WriteSingleCoilReply(SingleCoil):
    """The request, repeated (6.5)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_COIL


class WriteSingleRegisterReply(SingleRegister):
    """The request, repeated (6.6)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_REGISTER


@dataclass(frozen=True, slots=True)
class ReadExceptionStatusReply:
    """Eight status bits whose meaning is the device's (6.7).

    Attributes:
        status: 0 to 255.
    """

    status: int
    function: ClassVar[int] = FunctionCode.READ_EXCEPTION_STATUS


class DiagnosticsReply(Diagnostic):
    """The sub-function, repeated, with what it gives (6.8)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.DIAGNOSTICS


@dataclass(frozen=True, slots=True)
class GetCommEventCounterReply:
    """The counter of successful messages (6.9).

    Attributes:
        status: FFFF while a program command is being worked on, else 0000.
        count: how many events.
    """

    status: int
    count: int
    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_COUNTER


@dataclass(frozen=True, slots=True)
class GetCommEventLogReply:
    """The log of events (6.10).

    Attributes:
        status: FFFF while a program command is being worked on, else 0000.
        event_count: as function 0B gives it.
        message_count: as diagnostic sub-function 0B gives it.
        events: 0 to 64 event bytes, the latest first.
    """

    status: int
    event_count: int
    message_count: int
    events: bytes
    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_LOG


class WriteMultipleCoilsReply(Span):
    """Which coils were written (6.11)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_COILS


class WriteMultipleRegistersReply(Span):
    """Which registers were written (6.12)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_REGISTERS


@dataclass(frozen=True, slots=True)
class ReportServerIdReply:
    """What the server is (6.13).

    Attributes:
        data: server ID, run indicator (FF is on, 00 is off) and further data, at least one byte.
            How long the ID is, only the device's manual tells.
    """

    data: bytes
    function: ClassVar[int] = FunctionCode.REPORT_SERVER_ID


@dataclass(frozen=True, slots=True)
class ReadFileRecordReply:
    """File records (6.14).

    Attributes:
        groups: the registers of each group that was asked for, at least one group.
    """

    groups: tuple[tuple[int, ...], ...]
    function: ClassVar[int] = FunctionCode.READ_FILE_RECORD


class WriteFileRecordReply(FileGroups):
    """The request, repeated (6.15)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_FILE_RECORD


class MaskWriteRegisterReply(Masks):
    """The request, repeated (6.16)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.MASK_WRITE_REGISTER


class ReadWriteMultipleRegistersReply(Registers):
    """The 1 to 125 registers that were read (6.17)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_WRITE_MULTIPLE_REGISTERS


class ReadFifoQueueReply(Registers):
    """The 0 to 31 registers of a queue, oldest first (6.18)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_FIFO_QUEUE


@dataclass(frozen=True, slots=True)
class IdentificationObject:
    """One object of a device's identification.

    Attributes:
        object_id: 0 vendor, 1 product code, 2 revision, 3 address in the web, 4 product, 5 model,
            6 application; from 80 on the device's own.
        value: its text or data.
    """

    object_id: int
    value: bytes


@dataclass(frozen=True, slots=True)
class ReadDeviceIdentificationReply:
    """Objects that identify the device: 2B/0E (6.21).

    Attributes:
        code: as in the request.
        conformity: 01, 02, 03, or 81, 82, 83 when single objects can be asked for too.
        more_follows: whether another request is needed for the rest.
        next_object: with which object that one begins.
        objects: those of this reply.
    """

    code: int
    conformity: int
    more_follows: bool
    next_object: int
    objects: tuple[IdentificationObject, ...]
    function: ClassVar[int] = FunctionCode.ENCAPSULATED_INTERFACE


@dataclass(frozen=True, slots=True)
class ExceptionReply:
    """A refusal (section 7).

    Attributes:
        function: that of the request, 1 to 127.
        code: an `ExceptionCode`, or a number that the standard does not know.
    """

    function: int
    code: int


class RawReply(Raw):
    """A reply that has no layout here: user-defined, reserved, unassigned, 2B other than 0E.

    One with a public function code can be built too; that is how a malformed reply is sent.
    """

    __slots__ = ()


Reply: TypeAlias = (
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
