"""Requests, one frozen dataclass for each public function code.

Job: hold what a request says. Rule: no byte order and no limits here; the layouts stand in
`kerfbus.bench.wire.layouts`, the limits in `kerfbus.bench.wire.limits`. A request outside the
limits can be made and sent, because a bench must be able to show what a server does with it.

Addresses are those of the PDU, from 0 (MODBUS Application Protocol V1.1b3, 4.4). Numbers are 16
bits where nothing else is said. Section numbers below are of the same document.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, TypeAlias

from kerfbus.bench.wire.codes import FunctionCode

COIL_ON = 0xFF00
COIL_OFF = 0x0000


@dataclass(frozen=True, slots=True)
class _Span:
    """A run of coils, inputs or registers.

    Attributes:
        start: address of the first.
        count: how many.
    """

    start: int
    count: int


@dataclass(frozen=True, slots=True)
class ReadCoils(_Span):
    """Read 1 to 2000 coils (6.1)."""

    function: ClassVar[int] = FunctionCode.READ_COILS


@dataclass(frozen=True, slots=True)
class ReadDiscreteInputs(_Span):
    """Read 1 to 2000 discrete inputs (6.2)."""

    function: ClassVar[int] = FunctionCode.READ_DISCRETE_INPUTS


@dataclass(frozen=True, slots=True)
class ReadHoldingRegisters(_Span):
    """Read 1 to 125 holding registers (6.3)."""

    function: ClassVar[int] = FunctionCode.READ_HOLDING_REGISTERS


@dataclass(frozen=True, slots=True)
class ReadInputRegisters(_Span):
    """Read 1 to 125 input registers (6.4)."""

    function: ClassVar[int] = FunctionCode.READ_INPUT_REGISTERS


@dataclass(frozen=True, slots=True, init=False)
class WriteSingleCoil:
    """Switch one coil (6.5).

    Attributes:
        start: the coil's address.
        raw: the value as it stands in the PDU: FF00 is on, 0000 is off, all others are illegal and
            kept, so that a server can refuse them and a tap can show them.
    """

    start: int
    raw: int
    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_COIL

    def __init__(self, start: int, on: bool = False, *, raw: int | None = None) -> None:
        object.__setattr__(self, "start", start)
        object.__setattr__(self, "raw", (COIL_ON if on else COIL_OFF) if raw is None else raw)

    @classmethod
    def of(cls, start: int, on: bool) -> WriteSingleCoil:
        """Return the request that switches a coil on or off; the same as calling the class."""
        return cls(start, on)

    @property
    def on(self) -> bool:
        """Return whether the value is that for on."""
        return self.raw == COIL_ON


@dataclass(frozen=True, slots=True)
class WriteSingleRegister:
    """Write one holding register (6.6)."""

    start: int
    value: int
    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_REGISTER


@dataclass(frozen=True, slots=True)
class ReadExceptionStatus:
    """Read eight status bits, serial line only (6.7)."""

    function: ClassVar[int] = FunctionCode.READ_EXCEPTION_STATUS


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """Ask for a diagnostic, serial line only (6.8).

    Attributes:
        sub_function: a `DiagnosticSub`, or a reserved number.
        data: an even number of bytes; 0000 for most sub-functions.
    """

    sub_function: int
    data: bytes = b"\x00\x00"
    function: ClassVar[int] = FunctionCode.DIAGNOSTICS


@dataclass(frozen=True, slots=True)
class GetCommEventCounter:
    """Ask for the counter of successful messages, serial line only (6.9)."""

    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_COUNTER


@dataclass(frozen=True, slots=True)
class GetCommEventLog:
    """Ask for the log of the last 64 events, serial line only (6.10)."""

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


@dataclass(frozen=True, slots=True)
class ReportServerId:
    """Ask what the server is, serial line only (6.13)."""

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


@dataclass(frozen=True, slots=True)
class FileData:
    """A run of records of a file with their content.

    Attributes:
        file: number of the file, 1 to FFFF.
        record: number of the first record, 0 to 270F.
        values: the registers.
    """

    file: int
    record: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class WriteFileRecord:
    """Write groups of file records (6.15)."""

    groups: tuple[FileData, ...]
    function: ClassVar[int] = FunctionCode.WRITE_FILE_RECORD


@dataclass(frozen=True, slots=True)
class MaskWriteRegister:
    """Change bits of one holding register (6.16)."""

    start: int
    and_mask: int
    or_mask: int
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


@dataclass(frozen=True, slots=True)
class RawRequest:
    """A request that has no layout here: user-defined, reserved, unassigned, 2B other than 0E.

    One with a public function code can be built too; that is how a malformed request is sent.

    Attributes:
        function: 1 to 127.
        data: what follows the function code.
    """

    function: int
    data: bytes = b""


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
