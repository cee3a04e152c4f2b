"""Numbers of the application protocol: function codes, sub-functions, exception codes.

Source: MODBUS Application Protocol V1.1b3, sections 5, 6.8.1, 6.21 and 7, and Annex A.
"""

from __future__ import annotations

from enum import IntEnum


class FunctionCode(IntEnum):
    """Public function codes (section 5.1)."""

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


MEI_READ_DEVICE_IDENTIFICATION = 0x0E
"""The MEI type of 2B that RTU servers know (section 6.21)."""


class DiagnosticSub(IntEnum):
    """Sub-functions of 08 (section 6.8.1)."""

    RETURN_QUERY_DATA = 0x00
    RESTART_COMMUNICATIONS = 0x01
    RETURN_DIAGNOSTIC_REGISTER = 0x02
    CHANGE_ASCII_DELIMITER = 0x03
    FORCE_LISTEN_ONLY = 0x04
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


class ExceptionCode(IntEnum):
    """Exception codes (section 7)."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    SERVER_DEVICE_FAILURE = 0x04
    ACKNOWLEDGE = 0x05
    SERVER_DEVICE_BUSY = 0x06
    NEGATIVE_ACKNOWLEDGE = 0x07
    """Not in the table of V1.1b3; the event log (6.10) still refers to it."""
    MEMORY_PARITY_ERROR = 0x08
    GATEWAY_PATH_UNAVAILABLE = 0x0A
    GATEWAY_TARGET_FAILED = 0x0B

    @property
    def text(self) -> str:
        """Return the code's name in words."""
        return self.name.replace("_", " ").lower()


def function_name(code: int) -> str:
    """Return what a function code does, in words; the top bit of an exception is ignored."""
    try:
        return FunctionCode(code & 0x7F).name.replace("_", " ").lower()
    except ValueError:
        return f"function {code & 0x7F:02X}"


def sub_function_name(code: int) -> str:
    """Return what a diagnostic sub-function does, in words."""
    try:
        return DiagnosticSub(code).name.replace("_", " ").lower()
    except ValueError:
        return f"sub-function {code:04X}"


def exception_name(code: int) -> str:
    """Return an exception code's name in words."""
    try:
        return ExceptionCode(code).text
    except ValueError:
        return f"exception {code:02X}"
