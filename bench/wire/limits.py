"""What a server checks of a well-formed request before it looks at its own addresses.

Source: MODBUS Application Protocol V1.1b3: the limits of sections 6.1-6.21 and the order of the
checks in figures 11-16, 21, 22 and 27: function code (01), quantity or value (03), address (02),
execution (04). For 05 the value comes before the address (figure 15). For 16 and 18 the figures are
ambiguous; nothing of theirs is checked here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from kerfbus.bench.wire.bases import COIL_OFF, COIL_ON, FileData
from kerfbus.bench.wire.codes import DiagnosticSub, ExceptionCode
from kerfbus.bench.wire.requests import (
    Diagnostics,
    FileRange,
    ReadCoils,
    ReadDeviceIdentification,
    ReadDiscreteInputs,
    ReadFileRecord,
    ReadHoldingRegisters,
    ReadInputRegisters,
    ReadWriteMultipleRegisters,
    Request,
    WriteFileRecord,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
)

MAX_BITS_READ = 2000
"""Functions 01 and 02 (6.1, 6.2)."""
MAX_REGISTERS_READ = 125
"""Functions 03, 04 and 17 (6.3, 6.4, 6.17)."""
MAX_BITS_WRITTEN = 1968
"""Function 0F (6.11)."""
MAX_REGISTERS_WRITTEN = 123
"""Function 10 (6.12)."""
MAX_REGISTERS_WRITTEN_AND_READ = 121
"""The written part of function 17 (6.17)."""
MAX_FIFO = 31
"""Registers of a queue, function 18 (6.18)."""
MAX_EVENTS = 64
"""Events of a log, function 0C (6.10)."""
FILE_READ_BYTES = range(0x07, 0xF5 + 1)
"""Byte count of function 14 (6.14), and the most that its reply may have."""
FILE_WRITE_BYTES = range(0x09, 0xFB + 1)
"""Data length of function 15 (6.15); figure 25 says otherwise and is wrong."""
MAX_RECORD = 0x270F
"""Records of a file are numbered from 0 (6.14, 6.15)."""

_VALUE = ExceptionCode.ILLEGAL_DATA_VALUE
_ADDRESS = ExceptionCode.ILLEGAL_DATA_ADDRESS
_SUB_FUNCTIONS = frozenset(int(sub) for sub in DiagnosticSub)
_RESTART_DATA = (b"\x00\x00", b"\xff\x00")


def check_limits(request: Request) -> ExceptionCode | None:
    """Return with what a server must refuse a request whatever its addresses are, or None.

    That is 03 for quantities and values. Besides: 01 for a sub-function of 08 that the standard
    reserves (figure 18 checks it with the function code), 02 for file and record numbers that no
    file can have. Whether the server knows the function at all is the caller's to check before.

    >>> check_limits(ReadHoldingRegisters(0, 125)), check_limits(ReadHoldingRegisters(0, 126))
    (None, <ExceptionCode.ILLEGAL_DATA_VALUE: 3>)
    """
    check = _CHECKS.get(type(request))
    return check(request) if check is not None else None


def _count(most: int) -> Callable[[Any], ExceptionCode | None]:
    """Return a check of a quantity that is read."""
    return lambda request: None if 1 <= request.count <= most else _VALUE


def _coil(request: WriteSingleCoil) -> ExceptionCode | None:
    return None if request.raw in (COIL_ON, COIL_OFF) else _VALUE


def _coils(request: WriteMultipleCoils) -> ExceptionCode | None:
    return None if 1 <= len(request.bits) <= MAX_BITS_WRITTEN else _VALUE


def _registers(request: WriteMultipleRegisters) -> ExceptionCode | None:
    return None if 1 <= len(request.values) <= MAX_REGISTERS_WRITTEN else _VALUE


def _read_write(request: ReadWriteMultipleRegisters) -> ExceptionCode | None:
    good = (
        1 <= request.read_count <= MAX_REGISTERS_READ
        and 1 <= len(request.values) <= MAX_REGISTERS_WRITTEN_AND_READ
    )
    return None if good else _VALUE


def _diagnostics(request: Diagnostics) -> ExceptionCode | None:
    """Check sub-function, then data (6.8.1)."""
    sub, data = request.sub_function, request.data
    if sub not in _SUB_FUNCTIONS:
        return ExceptionCode.ILLEGAL_FUNCTION
    if sub == DiagnosticSub.RETURN_QUERY_DATA:
        good = len(data) >= 2
    elif sub == DiagnosticSub.RESTART_COMMUNICATIONS:
        good = data in _RESTART_DATA
    elif sub == DiagnosticSub.CHANGE_ASCII_DELIMITER:
        good = len(data) == 2 and data[1] == 0
    else:
        good = data == b"\x00\x00"
    return None if good else _VALUE


def _read_file(request: ReadFileRecord) -> ExceptionCode | None:
    groups = request.groups
    # The reply has a length and a type for each group and must fit too (6.14). No exception is
    # named for it; 03 is chosen, because the quantity is what is wrong.
    reply_bytes = sum(2 + 2 * group.count for group in groups)
    if 7 * len(groups) not in FILE_READ_BYTES or reply_bytes not in range(max(FILE_READ_BYTES) + 1):
        return _VALUE
    return _file_addresses(groups)


def _write_file(request: WriteFileRecord) -> ExceptionCode | None:
    groups = request.groups
    if sum(7 + 2 * len(group.values) for group in groups) not in FILE_WRITE_BYTES:
        return _VALUE
    return _file_addresses(groups)


def _file_addresses(groups: tuple[FileRange, ...] | tuple[FileData, ...]) -> ExceptionCode | None:
    good = all(group.file >= 1 and group.record <= MAX_RECORD for group in groups)
    return None if good else _ADDRESS


def _identification(request: ReadDeviceIdentification) -> ExceptionCode | None:
    return None if 1 <= request.code <= 4 else _VALUE


_CHECKS: Mapping[type, Callable[[Any], ExceptionCode | None]] = {
    ReadCoils: _count(MAX_BITS_READ),
    ReadDiscreteInputs: _count(MAX_BITS_READ),
    ReadHoldingRegisters: _count(MAX_REGISTERS_READ),
    ReadInputRegisters: _count(MAX_REGISTERS_READ),
    WriteSingleCoil: _coil,
    WriteMultipleCoils: _coils,
    WriteMultipleRegisters: _registers,
    ReadWriteMultipleRegisters: _read_write,
    Diagnostics: _diagnostics,
    ReadFileRecord: _read_file,
    WriteFileRecord: _write_file,
    ReadDeviceIdentification: _identification,
}
