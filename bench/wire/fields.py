"""The kinds of field that layouts are made of, and the border to construct.

Job: what construct lacks for this protocol (counts that follow from other fields, bounds, bits in
bytes, frozen dataclasses) and the one place where its errors become `WireError`. Rule: construct is
imported in this package only, and late: `kerfbus.bench.wire.messages` asks for it when a message
first needs it, because construct takes as long to import as all the rest.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from construct import (
    Adapter,
    Bytes,
    Construct,
    ConstructError,
    FormatField,
    FormatFieldError,
    ListContainer,
    Rebuild,
    StreamError,
    Struct,
    Subconstruct,
    TerminatedError,
)
from construct.core import stream_iseof

from kerfbus.bench.errors import WireError

Values = Mapping[str, Any]
Result = TypeVar("Result")


class RefusedError(ConstructError):  # type: ignore[misc]  # construct has no types
    """A field has a value that the layout does not allow.

    Attributes:
        text: what is wrong, without the path.
        exception: the exception code that a server answers, 0 for the usual one.
    """

    def __init__(self, text: str, path: str, exception: int = 0) -> None:
        super().__init__(text, path)
        self.text = text
        self.exception = exception


class Number(FormatField):  # type: ignore[misc]
    """An unsigned big-endian number that says what it can be when it is something else.

    Args:
        size: how many bytes.
        unit: what the number counts, for the message.
    """

    def __init__(self, size: int, unit: str = "") -> None:
        super().__init__(">", {1: "B", 2: "H"}[size])
        self.must = f"must be 0 to {(1 << 8 * size) - 1}"
        self.unit = unit and f" {unit}"

    def _build(self, obj: Any, stream: Any, context: Any, path: str) -> Any:
        try:
            return super()._build(obj, stream, context, path)
        except FormatFieldError as error:
            raise RefusedError(f"is {obj}{self.unit}, {self.must}", path) from error


BYTE = Number(1)
WORD = Number(2)
LENGTH = Number(1, "bytes")
"""How many bytes follow."""


class Implied(Subconstruct):  # type: ignore[misc]
    """A number that follows from other fields: computed when building, compared when parsing.

    Args:
        field: how the number is written.
        rule: fields so far -> the number.
        exception: the exception code for another number, 0 for the usual one.
    """

    def __init__(self, field: Construct, rule: Callable[[Any], int], exception: int = 0) -> None:
        super().__init__(field)
        self.rule = rule
        self.exception = exception
        self.flagbuildnone = True

    def _parse(self, stream: Any, context: Any, path: str) -> int:
        found: int = self.subcon._parsereport(stream, context, path)
        wanted = self.rule(context)
        if found != wanted:
            raise RefusedError(f"is {found}, must be {wanted}", path, self.exception)
        return found

    def _build(self, _obj: Any, stream: Any, context: Any, path: str) -> int:
        built: int = self.subcon._build(self.rule(context), stream, context, path)
        return built


class Checked(Subconstruct):  # type: ignore[misc]
    """A value that must pass a test, both ways.

    Args:
        field: how the value is written.
        passes: the test.
        must: what the value must be, for the message.
    """

    def __init__(self, field: Construct, passes: Callable[[Any], bool], must: str) -> None:
        super().__init__(field)
        self.passes = passes
        self.must = must

    def _parse(self, stream: Any, context: Any, path: str) -> Any:
        return self._good(self.subcon._parsereport(stream, context, path), path)

    def _build(self, obj: Any, stream: Any, context: Any, path: str) -> Any:
        return self._good(self.subcon._build(obj, stream, context, path), path)

    def _good(self, value: Any, path: str) -> Any:
        if self.passes(value):
            return value
        shown = f"is {len(value)} bytes" if isinstance(value, bytes) else f"is {value}"
        raise RefusedError(f"{shown}, must be {self.must}", path)


class Filling(Subconstruct):  # type: ignore[misc]
    """As many of one field as the characters hold; one that is cut short is an error."""

    def _parse(self, stream: Any, context: Any, path: str) -> tuple[Any, ...]:
        found = []
        while not stream_iseof(stream):
            found.append(self.subcon._parsereport(stream, context, path))
        return tuple(found)

    def _build(self, obj: Any, stream: Any, context: Any, path: str) -> Any:
        for each in obj:
            self.subcon._build(each, stream, context, path)
        return obj


class Bits(Adapter):  # type: ignore[misc]
    """Booleans in whole bytes, the first in the lowest bit (MODBUS Application Protocol, 6.1)."""

    def _decode(self, obj: bytes, _context: Any, _path: str) -> tuple[bool, ...]:
        return bits_of(int.from_bytes(obj, "little"), 8 * len(obj))

    def _encode(self, obj: tuple[bool, ...], _context: Any, path: str) -> bytes:
        if len(obj) % 8:
            raise RefusedError(f"is {len(obj)} bits, must be a multiple of 8", path)
        return number_of(obj).to_bytes(len(obj) // 8, "little")


class Message(Adapter):  # type: ignore[misc]
    """A frozen dataclass whose attributes are fields of one layout.

    Args:
        kind: the dataclass.
        fields: the layout. Those that are no attributes must be able to build without a value.
        decode: fields -> attributes, where the two differ.
        encode: dataclass -> fields, where the two differ.
    """

    def __init__(
        self,
        kind: type,
        *fields: Construct,
        decode: Callable[[Any], Values] | None = None,
        encode: Callable[[Any], Values] | None = None,
    ) -> None:
        super().__init__(Struct(*fields))
        self.kind = kind
        self.names = tuple(field.name for field in dataclasses.fields(kind))
        self.decode = decode or self._attributes
        self.encode = encode or self._fields

    def _attributes(self, found: Any) -> Values:
        return {name: _frozen(found[name]) for name in self.names}

    def _fields(self, message: Any) -> Values:
        return {name: getattr(message, name) for name in self.names}

    def _decode(self, obj: Any, _context: Any, _path: str) -> Any:
        return self.kind(**self.decode(obj))

    def _encode(self, obj: Any, _context: Any, _path: str) -> Values:
        return self.encode(obj)


def _frozen(value: Any) -> Any:
    return tuple(value) if isinstance(value, ListContainer) else value


def bits_of(number: int, count: int) -> tuple[bool, ...]:
    """Return the `count` lowest bits of `number`, lowest first."""
    return tuple(bool(number >> place & 1) for place in range(count))


def number_of(bits: tuple[bool, ...]) -> int:
    """Return the number whose bits these are, lowest first."""
    return sum(1 << place for place, bit in enumerate(bits) if bit)


def counted(name: str, field: Construct = WORD, per_item: int = 1) -> Construct:
    """Return a count of the items of the attribute `name`, times `per_item`."""
    return Rebuild(field, lambda fields: len(fields[name]) * per_item)


def bits_in(count: Callable[[Any], int]) -> Construct:
    """Return bits in as many bytes as `count` tells."""
    return Bits(Bytes(count))


def constant(number: int, exception: int = 0) -> Construct:
    """Return a byte that always has one value."""
    return Implied(BYTE, lambda _fields: number, exception)


def translated(act: Callable[[], Result], exception: int) -> Result:
    """Do something with construct and turn its errors into ours.

    Args:
        act: what to do.
        exception: the exception code that answers a failure, 0 for none.

    Raises:
        WireError: construct refuses the bytes or the message.
    """
    try:
        return act()
    except ConstructError as error:
        raise WireError(
            _text(error), _path(error), exception and (getattr(error, "exception", 0) or exception)
        ) from error


def _text(error: ConstructError) -> str:
    """Return in one line what construct complains about."""
    if isinstance(error, RefusedError):
        return error.text
    if isinstance(error, TerminatedError):
        return "characters follow after the last field"
    if isinstance(error, StreamError):
        return "the characters end inside this field"
    return str(error).splitlines()[-1]


def _path(error: ConstructError) -> str:
    """Return the fields on the way to the error; construct begins with "(parsing)"."""
    _, *fields = (error.path or "").split(" -> ")
    return ".".join(fields)
