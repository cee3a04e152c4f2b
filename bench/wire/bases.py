"""What several requests and replies have in common: one frozen dataclass for each set of fields.

A request or reply with these fields is a subclass without fields of its own and `__slots__ = ()`:
still frozen, compared and hashed by class and fields, but made at a hundredth of a dataclass's
cost. There are forty of them, and a command makes them all when it starts.
"""

from __future__ import annotations

from dataclasses import dataclass

COIL_ON = 0xFF00
COIL_OFF = 0x0000


@dataclass(frozen=True, slots=True)
class Nothing:
    """No fields."""


@dataclass(frozen=True, slots=True)
class Span:
    """A run of coils, inputs or registers.

    Attributes:
        start: address of the first.
        count: how many.
    """

    start: int
    count: int


@dataclass(frozen=True, slots=True, init=False)
class SingleCoil:
    """One coil and its state.

    Args:
        start: the coil's address.
        on: the state.
        raw: the state as it stands in the PDU, instead of `on`.

    Attributes:
        start: as given.
        raw: FF00 is on, 0000 is off; all others are illegal (6.5) and kept, so that a server can
            refuse them and a tap can show them.
    """

    start: int
    raw: int

    def __init__(self, start: int, on: bool = False, *, raw: int | None = None) -> None:
        object.__setattr__(self, "start", start)
        object.__setattr__(self, "raw", (COIL_ON if on else COIL_OFF) if raw is None else raw)

    @property
    def on(self) -> bool:
        """Return whether the state is that for on."""
        return self.raw == COIL_ON


@dataclass(frozen=True, slots=True)
class SingleRegister:
    """One register and its value."""

    start: int
    value: int


@dataclass(frozen=True, slots=True)
class Masks:
    """One register and which bits of it stay and which are set (6.16)."""

    start: int
    and_mask: int
    or_mask: int


@dataclass(frozen=True, slots=True)
class Diagnostic:
    """A diagnostic (6.8).

    Attributes:
        sub_function: a `DiagnosticSub`, or a reserved number.
        data: an even number of bytes; 0000 for most sub-functions.
    """

    sub_function: int
    data: bytes = b"\x00\x00"


@dataclass(frozen=True, slots=True)
class Bits:
    """Coils or inputs.

    Attributes:
        bits: as many as the reply's bytes hold, a multiple of 8, at most 2000. The reply does not
            say how many of them were asked for; those after that are padding.
    """

    bits: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Registers:
    """Registers.

    Attributes:
        values: unsigned numbers.
    """

    values: tuple[int, ...]


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
class FileGroups:
    """Groups of file records with their content."""

    groups: tuple[FileData, ...]


@dataclass(frozen=True, slots=True)
class Raw:
    """Function code and data without a layout.

    Attributes:
        function: 1 to 127.
        data: what follows the function code.
    """

    function: int
    data: bytes = b""
