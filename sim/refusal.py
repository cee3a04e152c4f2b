"""How the supply says no.

One rule for the exception codes (MODBUS Application Protocol V1.1b3, 7; code 03 is there explicitly
not for a value that the application does not like):

========  ==========================================================================================
02        no such address, or not for that kind of access: holes, writing what is read-only, reading
          what is write-only, writing a part of a number
03        the request itself is malformed: quantity, byte count, the value of a single coil
04        the unit cannot do it as it is: outside the limits, unknown choice or process, no key,
          link not armed, fault latched, cause still there
06        the unit cannot do it now but will when the present activity has ended
========  ==========================================================================================
"""

from __future__ import annotations

from typing import ClassVar

from kerfbus.bench.errors import KerfbusError
from kerfbus.bench.wire import ExceptionCode


class RefusedError(KerfbusError):
    """The supply refuses an act.

    Attributes:
        code: the exception code that a client gets.
    """

    kind: ClassVar[str] = "refused"

    def __init__(self, message: str, code: ExceptionCode) -> None:
        super().__init__(message)
        self.code = code


def no_address(message: str) -> RefusedError:
    """Return the refusal of an address or of the kind of access to it."""
    return RefusedError(message, ExceptionCode.ILLEGAL_DATA_ADDRESS)


def bad_value(message: str) -> RefusedError:
    """Return the refusal of a malformed request."""
    return RefusedError(message, ExceptionCode.ILLEGAL_DATA_VALUE)


def cannot(message: str) -> RefusedError:
    """Return the refusal of an act that the unit cannot do as it is."""
    return RefusedError(message, ExceptionCode.SERVER_DEVICE_FAILURE)


def busy(message: str) -> RefusedError:
    """Return the refusal of an act that will be possible when the present activity has ended."""
    return RefusedError(message, ExceptionCode.SERVER_DEVICE_BUSY)
