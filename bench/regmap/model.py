"""The form of a map file, as pydantic models.

Only the form: which keys there are and what kind of thing each holds. What the values mean together
is `kerfbus.bench.regmap.check`'s business. Unknown keys are errors, and nothing is converted: a
number in quotes is not a number.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, StringConstraints

from kerfbus.bench.regmap.codec import parse_whole
from kerfbus.bench.regmap.register import NAME_FORM
from kerfbus.bench.regmap.registermap import MAX_READ_BITS, MAX_READ_WORDS

Line = Annotated[str, StringConstraints(pattern=r"^[^\x00-\x1f\x7f-\x9f]*$", max_length=500)]
"""One line of text for people: no control characters, which would reach their terminal."""

Key = Annotated[str, StringConstraints(pattern=f"^{NAME_FORM.pattern}$", max_length=60)]
"""What a map, a register, a group or a fact may be called."""

Fact = str | int | float | bool
"""Plain metadata: kept and shown, not interpreted."""


def _names_by_number(given: Any) -> dict[int, str]:
    """Return a table of numbers and names, as ``0 = "off"`` lines make it."""
    if not isinstance(given, dict):
        raise ValueError('needs a table of numbers and names, e.g. { 0 = "off", 1 = "on" }')  # noqa: TRY004 (pydantic takes ValueError for "bad input")
    names: dict[int, str] = {}
    for key, name in given.items():
        number = parse_whole(key)
        if number is None or number < 0:
            raise ValueError(f"{key!r} is not a whole number from 0; write e.g. 3 or 0x03")
        if number in names:
            raise ValueError(f"{number} is there twice")
        if not _is_name(name):
            raise ValueError(f"{key} = {name!r}: needs a name in quotes, without '|' or ','")
        if name in names.values():
            raise ValueError(f"the name {name!r} is there twice")
        names[number] = name
    if not names:
        raise ValueError("is empty; name at least one number")
    return names


def _is_name(name: Any) -> bool:
    """Return whether `name` can be typed as a value: bit names are joined by ``|`` or ``,``."""
    if not isinstance(name, str) or not name or name != name.strip():
        return False
    return name.isprintable() and not set(name) & set("|,")


def _names_or_reference(given: Any) -> dict[int, str] | str:
    """Return the table, or the name of one in ``[enumerations]``."""
    return given if isinstance(given, str) else _names_by_number(given)


def _repeats(given: Any) -> tuple[str, ...]:
    """Return the words that take the place of ``{}`` in name and description."""
    if isinstance(given, int) and not isinstance(given, bool) and 1 <= given <= 1000:
        return tuple(str(number) for number in range(1, given + 1))
    if isinstance(given, list) and given and all(isinstance(word, str) for word in given):
        return tuple(given)
    raise ValueError('needs a count from 1 to 1000 or a list of words, e.g. ["l1", "l2", "l3"]')


def _fact(given: Any) -> Fact:
    """Return a single value."""
    if not isinstance(given, Fact):
        raise ValueError("needs text, a number, true or false")  # noqa: TRY004 (as above)
    if isinstance(given, str) and not given.isprintable():
        raise ValueError(f"has a character that cannot stand here: {given!r}")
    return given


Names = Annotated[dict[int, str], PlainValidator(_names_by_number)]
NamesOrReference = Annotated[dict[int, str] | str, PlainValidator(_names_or_reference)]
Repeats = Annotated[tuple[str, ...], PlainValidator(_repeats)]


class _Form(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class HeaderForm(_Form):
    """The ``[map]`` table."""

    name: Key
    title: Line = ""
    note: Line = ""
    version: int | None = Field(default=None, ge=0)
    server: int = Field(default=1, ge=1, le=247)
    baud: int = 19200
    format: str = "8E1"
    word_order: Literal["big", "little"] = "big"
    max_read_words: int = Field(default=MAX_READ_WORDS, ge=1, le=MAX_READ_WORDS)
    max_read_bits: int = Field(default=MAX_READ_BITS, ge=1, le=MAX_READ_BITS)


class RegisterForm(_Form):
    """One ``[[register]]`` table."""

    name: str
    table: Literal["holding", "input", "coil", "discrete"]
    address: int = Field(ge=0, le=0xFFFF)
    type: Literal["u16", "i16", "u32", "i32", "f32", "string", "bits", "enumeration", "bool"]
    words: int | None = Field(default=None, ge=1, le=123)
    word_order: Literal["big", "little"] | None = None
    scale: float | None = None
    offset: float | None = None
    unit: Line | None = None
    min: float | None = None
    max: float | None = None
    access: Literal["r", "rw", "w"] = "r"
    description: Line = ""
    values: NamesOrReference | None = None
    bits: Names | None = None
    invalid: int | None = None
    group: str = ""
    can_strike_arc: bool = False
    default: Any = None
    repeat: Repeats | None = None
    stride: int | None = Field(default=None, ge=1, le=0xFFFF)


class MapForm(_Form):
    """A whole file."""

    header: HeaderForm = Field(alias="map")
    groups: dict[Key, Line] = {}
    facts: dict[Key, Annotated[Fact, PlainValidator(_fact)]] = {}
    enumerations: dict[Key, Names] = {}
    registers: list[RegisterForm] = Field(alias="register", min_length=1)
