"""Requests, one frozen dataclass for each public function code.

Job: hold what a request says. Rule: no byte order and no limits here; the layouts stand in
`kerfbus.bench.wire.layouts`, the limits in `kerfbus.bench.wire.limits`. A request outside the
limits can be made and sent, because a bench must be able to show what a server does with it.

Addresses are those of the PDU, from 0 (MODBUS Application Protocol V1.1b3, 4.4). Numbers are 16
bits where nothing else is said. Section numbers below are of the same document.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Self, TypeAlias

from kerfbus.bench.wire.bases import (
    Diagnostic,
    FileGroups,
    Masks,
    Nothing,
    Raw,
    SingleCoil,
    SingleRegister,
    Span,
)
from kerfbus.bench.wire.codes import FunctionCode


class ReadCoils(Span):
    """Read 1 to 2000 coils (6.1)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_COILS


class ReadDiscreteInputs(Span):
    """Read 1 to 2000 discrete inputs (6.2)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_DISCRETE_INPUTS


class ReadHoldingRegisters(Span):
    """Read 1 to 125 holding registers (6.3)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_HOLDING_REGISTERS


class ReadInputRegisters(Span):
    """Read 1 to 125 input registers (6.4)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_INPUT_REGISTERS


class WriteSingleCoil(SingleCoil):
    """Switch one coil (6.5)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_COIL

    @classmethod
    def of(cls, start: int, on: bool) -> Self:
        """Return the request that switches a coil on or off; the same as calling the class."""
        return cls(start, on)


class WriteSingleRegister(SingleRegister):
    """Write one holding register (6.6)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_REGISTER


class ReadExceptionStatus(Nothing):
    """Read eight status bits, serial line only (6.7)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.READ_EXCEPTION_STATUS


class Diagnostics(Diagnostic):
    """Ask for a diagnostic, serial line only (6.8)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.DIAGNOSTICS


class GetCommEventCounter(Nothing):
    """Ask for the counter of successful messages, serial line only (6.9)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_COUNTER


class GetCommEventLog(Nothing):
    """Ask for the log of the last 64 events, serial line only (6.10)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_LOG


@dataclass(frozen=True, slots=True)
class WriteMultipleCoils:
    """Write 1 to 1968 coils (6.11).

    Attributes:
        start: address of the first.
        bits: their values.
        padding: what stood in the unused bits of the last byte; the standard wants 0 and nobody
            reads it. It is kept so that a request builds to the bytes from which it was parsed.
    """

    start: int
    bits: tuple[bool, ...]
    padding: int = 0
    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_COILS


@dataclass(frozen=True, slots=True)
class WriteMultipleRegisters:
    """Write 1 to 123 holding registers (6.12)."""

    start: int
    values: tuple[int, ...]
    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_REGISTERS


class ReportServerId(Nothing):
    """Ask what the server is, serial line only (6.13)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.REPORT_SERVER_ID


@dataclass(frozen=True, slots=True)
class FileRange:
    """A run of records of a file, to be read.

    Attributes:
        file: number of the file, 1 to FFFF.
        record: number of the first record, 0 to 270F.
        count: how many registers.
    """

    file: int
    record: int
    count: int


@dataclass(frozen=True, slots=True)
class ReadFileRecord:
    """Read groups of file records (6.14)."""

    groups: tuple[FileRange, ...]
    function: ClassVar[int] = FunctionCode.READ_FILE_RECORD


class WriteFileRecord(FileGroups):
    """Write groups of file records (6.15)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.WRITE_FILE_RECORD


class MaskWriteRegister(Masks):
    """Change bits of one holding register (6.16)."""

    __slots__ = ()
    function: ClassVar[int] = FunctionCode.MASK_WRITE_REGISTER

    def apply(self, current: int) -> int:
        """Return what the register becomes: (current AND and) OR (or AND NOT and), 6.16.

        >>> hex(MaskWriteRegister(4, 0xF2, 0x25).apply(0x12))
        '0x17'
        """
        return (current & self.and_mask) | (self.or_mask & ~self.and_mask & 0xFFFF)


@dataclass(frozen=True, slots=True)
class ReadWriteMultipleRegisters:
    """Write 1 to 121 holding registers, then read 1 to 125 (6.17)."""

    read_start: int
    read_count: int
    write_start: int
    values: tuple[int, ...]
    function: ClassVar[int] = FunctionCode.READ_WRITE_MULTIPLE_REGISTERS


@dataclass(frozen=True, slots=True)
class ReadFifoQueue:
    """Read a queue of up to 31 registers without clearing it (6.18).

    Attributes:
        start: address of the queue's pointer.
    """

    start: int
    function: ClassVar[int] = FunctionCode.READ_FIFO_QUEUE


@dataclass(frozen=True, slots=True)
class ReadDeviceIdentification:
    """Read objects that identify the device: 2B/0E (6.21).

    Attributes:
        code: 1 basic, 2 regular, 3 extended (streams), 4 one object.
        object_id: the first object, or the one.
    """

    code: int
    object_id: int
    function: ClassVar[int] = FunctionCode.ENCAPSULATED_INTERFACE


class RawRequest(Raw):
    """A request that has no layout here: user-defined, reserved, unassigned, 2B other than 0E.

    One with a public function code can be built too; that is how a malformed request is sent.
    """

    __slots__ = ()


Request: TypeAlias = (
    ReadCoils
    | ReadDiscreteInputs
    | ReadHoldingRegisters
    | ReadInputRegisters
    | WriteSingleCoil
    | WriteSingleRegister
    | ReadExceptionStatus
    | Diagnostics
    | GetCommEventCounter
    | GetCommEventLog
    | WriteMultipleCoils
    | WriteMultipleRegisters
    | ReportServerId
    | ReadFileRecord
    | WriteFileRecord
    | MaskWriteRegister
    | ReadWriteMultipleRegisters
    | ReadFifoQueue
    | ReadDeviceIdentification
    | RawRequest
)
