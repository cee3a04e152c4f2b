"""The tree of errors, by who is at fault.

A damaged frame on the wire is an event, never an exception. What is raised is the caller's mistake
(`UsageError` and below), a port (`PortError`) or a file (`MapError`, `CaptureError`). Every message
is one line that says what, where and what to do; `kind` is the slug that ``--json`` prints.
"""

from __future__ import annotations

from typing import ClassVar


class KerfbusError(Exception):
    """Base of all errors that this package raises on purpose.

    Attributes:
        kind: slug for machine-readable output.
    """

    kind: ClassVar[str] = "error"


class UsageError(KerfbusError, ValueError):
    """The caller asked for something that cannot be."""

    kind = "usage"


class SettingsError(UsageError):
    """Line settings, a server address or a port string are not of their form."""

    kind = "settings"


class LimitError(UsageError):
    """A value is outside what the register map allows; no byte was sent."""

    kind = "limit"


class NotArmedError(UsageError):
    """A write to a real port was asked for without arming it; no byte was sent."""

    kind = "not-armed"


class WireError(KerfbusError, ValueError):
    """A PDU cannot be built or parsed.

    Attributes:
        path: the field where it went wrong, outermost first, joined by dots.
        exception: the exception code with which a server answers such a request, 0 when there is
            nothing to answer.
    """

    kind = "wire"

    def __init__(self, message: str, path: str = "", exception: int = 0) -> None:
        super().__init__(f"{path}: {message}" if path else message)
        self.path = path
        self.exception = exception


class PortError(KerfbusError, OSError):
    """A port cannot be opened or used.

    Attributes:
        port: the port string.
    """

    kind = "port"

    def __init__(self, port: str, message: str) -> None:
        super().__init__(f"{port}: {message}")
        self.port = port

    def __str__(self) -> str:
        """Return the message alone; OSError would add an errno form."""
        return str(self.args[0])


class PortMissingError(PortError):
    """There is no such port."""

    kind = "port-missing"


class PortBusyError(PortError):
    """Another program holds the port."""

    kind = "port-busy"


class PortDeniedError(PortError):
    """The user may not open the port."""

    kind = "port-denied"


class NotAPortError(PortError):
    """The path exists but is not a serial port."""

    kind = "not-a-port"


class PortLostError(PortError, ConnectionError):
    """The port went away while it was in use (unplugged, peer closed, hang-up)."""

    kind = "port-lost"


class RecordingEndedError(PortLostError):
    """A recording that is played as a port is at its end; nothing is wrong with it."""

    kind = "recording-ended"


class MapError(KerfbusError, ValueError):
    """A register map is wrong.

    Attributes:
        file: the map's path or name.
        register: the register's name, "" when the file as a whole is meant.
        field: the field, "" when the register as a whole is meant.
    """

    kind = "map"

    def __init__(self, file: str, message: str, register: str = "", field: str = "") -> None:
        where = ": ".join(part for part in (file, register, field) if part)
        super().__init__(f"{where}: {message}")
        self.file = file
        self.register = register
        self.field = field


class FormError(KerfbusError, ValueError):
    """A TOML file other than a register map is wrong.

    Attributes:
        file: its path or name.
        line: where, from 1; 0 when the file as a whole is meant.
        key: of what, e.g. ``supply 2.plant.ambient``; "" when the file as a whole is meant.
        message: what is wrong, without the place.
    """

    kind = "form"

    def __init__(self, file: str, message: str, line: int = 0, key: str = "") -> None:
        where = ": ".join(part for part in (file, f"line {line}" if line else "", key) if part)
        super().__init__(f"{where}: {message}")
        self.file = file
        self.line = line
        self.key = key
        self.message = message


class ProcessError(FormError):
    """A table of processes is wrong."""

    kind = "process"


class ScenarioError(FormError):
    """A scenario is wrong."""

    kind = "scenario"


class ExpectationError(FormError):
    """A file of what a capture must decode to is wrong."""

    kind = "expectation"


class PlanError(FormError):
    """An acceptance plan is wrong."""

    kind = "plan"


class AnswersError(FormError):
    """A file with a person's answers is wrong."""

    kind = "answers"


class StateError(FormError):
    """The state of an acceptance run cannot be read, or belongs to another one."""

    kind = "state"


class CaptureError(KerfbusError, ValueError):
    """A capture cannot be read or written.

    Attributes:
        file: the capture's path.
        offset: byte offset of the damage, None when the file as a whole is meant.
    """

    kind = "capture"

    def __init__(self, file: str, message: str, offset: int | None = None) -> None:
        super().__init__(f"{file}: {message}")
        self.file = file
        self.offset = offset
