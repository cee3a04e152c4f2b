"""What a client asks, as values.

One frozen class for each public function code, with the fields of the standard. Fields are checked
for what their place on the wire can hold, by the formats, when a request is built. Whether a server
would accept them is `check_limits`' question: a client must be able to send what a server refuses.

Source: MODBUS Application Protocol V1.1b3, sections 6.1 to 6.21.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from kerfbus.bench.wire.codes import ExceptionCode, FunctionCode

ON, OFF = 0xFF00, 0x0000
"""The two values of a single coil (6.5)."""
FILE_REFERENCE = 6
"""The only reference type of file records (6.14)."""


@dataclass(frozen=True, slots=True)
class ReadCoils:
    """01 (6.1): `count` coils from address `start`."""

    function: ClassVar[int] = FunctionCode.READ_COILS
    start: int
    count: int


@dataclass(frozen=True, slots=True)
class ReadDiscreteInputs:
    """02 (6.2): `count` discrete inputs from address `start`."""

    function: ClassVar[int] = FunctionCode.READ_DISCRETE_INPUTS
    start: int
    count: int


@dataclass(frozen=True, slots=True)
class ReadHoldingRegisters:
    """03 (6.3): `count` holding registers from address `start`."""

    function: ClassVar[int] = FunctionCode.READ_HOLDING_REGISTERS
    start: int
    count: int


@dataclass(frozen=True, slots=True)
class ReadInputRegisters:
    """04 (6.4): `count` input registers from address `start`."""

    function: ClassVar[int] = FunctionCode.READ_INPUT_REGISTERS
    start: int
    count: int


@dataclass(frozen=True, slots=True)
class WriteSingleCoil:
    """05 (6.5): one coil. `raw` is FF00 or 0000; anything else is refused by a server."""

    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_COIL
    start: int
    raw: int

    @classmethod
    def of(cls, start: int, on: bool) -> WriteSingleCoil:
        """Return the request that sets a coil on or off."""
        return cls(start, ON if on else OFF)

    @property
    def on(self) -> bool:
        """Return whether the coil is set on."""
        return self.raw == ON


@dataclass(frozen=True, slots=True)
class WriteSingleRegister:
    """06 (6.6): one holding register."""

    function: ClassVar[int] = FunctionCode.WRITE_SINGLE_REGISTER
    start: int
    value: int


@dataclass(frozen=True, slots=True)
class ReadExceptionStatus:
    """07 (6.7): eight status bits."""

    function: ClassVar[int] = FunctionCode.READ_EXCEPTION_STATUS


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """08 (6.8): a sub-function with its data, whole words (one word for all but 0000)."""

    function: ClassVar[int] = FunctionCode.DIAGNOSTICS
    sub_function: int
    data: bytes = b"\0\0"


@dataclass(frozen=True, slots=True)
class GetCommEventCounter:
    """0B (6.9): status word and event count."""

    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_COUNTER


@dataclass(frozen=True, slots=True)
class GetCommEventLog:
    """0C (6.10): status, counts and up to 64 events."""

    function: ClassVar[int] = FunctionCode.GET_COMM_EVENT_LOG


@dataclass(frozen=True, slots=True)
class WriteMultipleCoils:
    """0F (6.11): coils from address `start`."""

    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_COILS
    start: int
    bits: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class WriteMultipleRegisters:
    """10 (6.12): holding registers from address `start`."""

    function: ClassVar[int] = FunctionCode.WRITE_MULTIPLE_REGISTERS
    start: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReportServerId:
    """11 (6.13): a description of the server, in its own form."""

    function: ClassVar[int] = FunctionCode.REPORT_SERVER_ID


@dataclass(frozen=True, slots=True)
class FileRange:
    """`count` registers of a file from a record on."""

    file: int
    record: int
    count: int


@dataclass(frozen=True, slots=True)
class FileData:
    """Registers to write into a file from a record on."""

    file: int
    record: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReadFileRecord:
    """14 (6.14): parts of files."""

    function: ClassVar[int] = FunctionCode.READ_FILE_RECORD
    groups: tuple[FileRange, ...]


@dataclass(frozen=True, slots=True)
class WriteFileRecord:
    """15 (6.15): parts of files."""

    function: ClassVar[int] = FunctionCode.WRITE_FILE_RECORD
    groups: tuple[FileData, ...]


@dataclass(frozen=True, slots=True)
class MaskWriteRegister:
    """16 (6.16): result = (current AND and_mask) OR (or_mask AND NOT and_mask)."""

    function: ClassVar[int] = FunctionCode.MASK_WRITE_REGISTER
    start: int
    and_mask: int
    or_mask: int

    def apply(self, current: int) -> int:
        """Return what the register becomes."""
        return (current & self.and_mask) | (self.or_mask & ~self.and_mask & 0xFFFF)


@dataclass(frozen=True, slots=True)
class ReadWriteMultipleRegisters:
    """17 (6.17): the write comes before the read."""

    function: ClassVar[int] = FunctionCode.READ_WRITE_MULTIPLE_REGISTERS
    read_start: int
    read_count: int
    write_start: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReadFifoQueue:
    """18 (6.18): the queue at address `start`; reading does not clear it."""

    function: ClassVar[int] = FunctionCode.READ_FIFO_QUEUE
    start: int


@dataclass(frozen=True, slots=True)
class ReadDeviceIdentification:
    """2B/0E (6.21): objects from `object_id` on (code 1 to 3) or that one (code 4)."""

    function: ClassVar[int] = FunctionCode.ENCAPSULATED_INTERFACE
    code: int
    object_id: int = 0


@dataclass(frozen=True, slots=True)
class RawRequest:
    """Any other function code, its data as it is."""

    function: int
    data: bytes = b""


Request = (
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

MAX_READ_BITS, MAX_READ_WORDS = 2000, 125
MAX_WRITE_BITS, MAX_WRITE_WORDS = 1968, 123
MAX_EXCHANGE_WORDS = 121
MAX_RECORD = 0x270F


def check_limits(request: Request) -> ExceptionCode | None:
    """Return the exception with which a server refuses the request's own values, None for none.

    These are the checks that come before any address is looked at: quantity, the two values of a
    coil, the form of file references, the identification code. An application's limits on the value
    of a register are not among them (section 7, code 03).

    Source: the state diagrams of sections 6.1 to 6.21.
    """
    return None if _acceptable(request) else ExceptionCode.ILLEGAL_DATA_VALUE


def _acceptable(request: Request) -> bool:
    match request:
        case ReadCoils(count=count) | ReadDiscreteInputs(count=count):
            return 1 <= count <= MAX_READ_BITS
        case ReadHoldingRegisters(count=count) | ReadInputRegisters(count=count):
            return 1 <= count <= MAX_READ_WORDS
        case WriteSingleCoil(raw=raw):
            return raw in (ON, OFF)
        case WriteMultipleCoils(bits=bits):
            return 1 <= len(bits) <= MAX_WRITE_BITS
        case WriteMultipleRegisters(values=values):
            return 1 <= len(values) <= MAX_WRITE_WORDS
        case ReadWriteMultipleRegisters(read_count=count, values=values):
            return 1 <= count <= MAX_READ_WORDS and 1 <= len(values) <= MAX_EXCHANGE_WORDS
        case ReadFileRecord(groups=groups) | WriteFileRecord(groups=groups):
            return bool(groups) and all(g.file >= 1 and g.record <= MAX_RECORD for g in groups)
        case ReadDeviceIdentification(code=code):
            return 1 <= code <= 4
        case _:
            return True
