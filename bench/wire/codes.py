"""The numbers of the application protocol that have names: functions, sub-functions, exceptions.

Source: MODBUS Application Protocol V1.1b3, section 5 (function codes), 6.8.1 (sub-functions of
diagnostics), 6.21 (device identification), 7 (exception codes) and Annex A (reserved codes).
"""

from __future__ import annotations

from enum import IntEnum

EXCEPTION_BIT = 0x80
"""What a server adds to the function code of a request that it refuses (section 7)."""
MAX_FUNCTION = 0x7F
"""Function codes are 1 to 127 (section 4.1)."""
MAX_PDU = 253
"""256 characters of a serial frame without address and CRC (section 4.1)."""
USER_DEFINED = frozenset((*range(65, 73), *range(100, 111)))
"""Function codes whose layout is the user's (section 5)."""
RESERVED = frozenset((9, 10, 13, 14, 41, 42, 90, 91, 125, 126, 127))
"""Function codes that old products took and that stay unavailable (Annex A)."""
MEI_DEVICE_IDENTIFICATION = 0x0E
"""The one interface type of function 2B that has a layout of its own here (6.21)."""
REFERENCE_TYPE = 6
"""The only reference type of file records (6.14, 6.15)."""


class FunctionCode(IntEnum):
    """The public function codes (section 5)."""

    READ_COILS = 0x01
    READ_DISCRETE_INPUTS = 0x02
    READ_HOLDING_REGISTERS = 0x03
    READ_INPUT_REGISTERS = 0x04
    WRITE_SINGLE_COIL = 0x05
    WRITE_SINGLE_REGISTER = 0x06
    READ_EXCEPTION_STATUS = 0x07
    DIAGNOSTICS = 0x08
    GET_COMM_EVENT_COUNTER = 0x0B
    GET_COMM_EVENT_LOG = 0x0C
    WRITE_MULTIPLE_COILS = 0x0F
    WRITE_MULTIPLE_REGISTERS = 0x10
    REPORT_SERVER_ID = 0x11
    READ_FILE_RECORD = 0x14
    WRITE_FILE_RECORD = 0x15
    MASK_WRITE_REGISTER = 0x16
    READ_WRITE_MULTIPLE_REGISTERS = 0x17
    READ_FIFO_QUEUE = 0x18
    ENCAPSULATED_INTERFACE = 0x2B


PUBLIC = frozenset(int(code) for code in FunctionCode)
"""The public function codes as plain numbers."""


class DiagnosticSub(IntEnum):
    """Sub-functions of function 08 (6.8.1); all others are reserved."""

    RETURN_QUERY_DATA = 0x00
    RESTART_COMMUNICATIONS = 0x01
    """Data FF00 also clears the event log. The only way out of listen-only mode."""
    RETURN_DIAGNOSTIC_REGISTER = 0x02
    CHANGE_ASCII_DELIMITER = 0x03
    FORCE_LISTEN_ONLY = 0x04
    """Has no reply."""
    CLEAR_COUNTERS = 0x0A
    BUS_MESSAGE_COUNT = 0x0B
    BUS_COMMUNICATION_ERROR_COUNT = 0x0C
    BUS_EXCEPTION_ERROR_COUNT = 0x0D
    SERVER_MESSAGE_COUNT = 0x0E
    SERVER_NO_RESPONSE_COUNT = 0x0F
    SERVER_NAK_COUNT = 0x10
    SERVER_BUSY_COUNT = 0x11
    BUS_CHARACTER_OVERRUN_COUNT = 0x12
    CLEAR_OVERRUN = 0x14

    @property
    def text(self) -> str:
        """Return the name for a person."""
        return self.name.lower().replace("_", " ").replace("nak", "NAK").replace("ascii", "ASCII")


class ExceptionCode(IntEnum):
    """Why a server refuses (section 7)."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    """The request itself is malformed; never a register's value that the application dislikes."""
    SERVER_DEVICE_FAILURE = 0x04
    ACKNOWLEDGE = 0x05
    SERVER_DEVICE_BUSY = 0x06
    NEGATIVE_ACKNOWLEDGE = 0x07
    """Not in the table of V1.1b3; the event log of function 0C (6.10) still speaks of it."""
    MEMORY_PARITY_ERROR = 0x08
    GATEWAY_PATH_UNAVAILABLE = 0x0A
    GATEWAY_TARGET_FAILED = 0x0B

    @property
    def text(self) -> str:
        """Return the name for a person."""
        return _EXCEPTION_TEXTS.get(self, self.name.lower().replace("_", " "))


_EXCEPTION_TEXTS = {
    ExceptionCode.GATEWAY_TARGET_FAILED: "gateway target device failed to respond",
}

_FUNCTION_TEXTS = {
    FunctionCode.READ_EXCEPTION_STATUS: "read exception status",
    FunctionCode.GET_COMM_EVENT_COUNTER: "get communication event counter",
    FunctionCode.GET_COMM_EVENT_LOG: "get communication event log",
    FunctionCode.REPORT_SERVER_ID: "report server ID",
    FunctionCode.READ_WRITE_MULTIPLE_REGISTERS: "read and write multiple registers",
    FunctionCode.READ_FIFO_QUEUE: "read FIFO queue",
}


def function_name(code: int) -> str:
    """Return what a function code is called, for a person.

    Args:
        code: 0 to 255; from 128 on it is that of an exception reply.

    >>> function_name(3), function_name(0x83), function_name(65)
    ('read holding registers', 'exception to read holding registers', 'user-defined function 65')
    """
    if code > EXCEPTION_BIT:
        return f"exception to {function_name(code & MAX_FUNCTION)}"
    if code in PUBLIC:
        function = FunctionCode(code)
        return _FUNCTION_TEXTS.get(function, function.name.lower().replace("_", " "))
    if code in USER_DEFINED:
        return f"user-defined function {code}"
    return f"{'reserved' if code in RESERVED else 'unassigned'} function {code}"


def exception_name(code: int) -> str:
    """Return what an exception code means, for a person.

    >>> exception_name(2), exception_name(0x77)
    ('illegal data address', 'not in the standard')
    """
    try:
        return ExceptionCode(code).text
    except ValueError:
        return "not in the standard"
