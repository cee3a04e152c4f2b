"""A register map as a Python module without dependencies: places, enumerations, flags."""

from __future__ import annotations

from collections.abc import Iterator

from kerfbus.bench.mapexport.identifiers import check_distinct, origin, table_number, word
from kerfbus.bench.regmap import Register, RegisterMap

_PLACE = '''
class Place(NamedTuple):
    """Where a register is and how its number is scaled: value = raw * scale + offset."""

    table: int
    """Function code that reads it: 1 coil, 2 discrete, 3 holding, 4 input."""
    address: int
    words: int
    kind: str
    scale: float
    offset: float
    unit: str
    low: float | None
    high: float | None
    access: str
    can_strike_arc: bool
'''


def python_module(register_map: RegisterMap) -> str:
    """Return the module's text.

    Raises:
        UsageError: two names cannot be told apart as identifiers.
    """
    check_distinct(register_map)
    header = register_map.header
    lines = [
        repr(origin(register_map)),
        "",
        "from __future__ import annotations",
        "",
        "from enum import IntEnum, IntFlag",
        "from typing import NamedTuple",
        "",
        f"SERVER = {header.server}",
        f"BAUD = {header.settings.baud}",
        f"FORMAT = {header.settings.format!r}",
        "",
        _PLACE,
        "",
    ]
    for register in register_map.registers:
        lines += _register(register)
    return "\n".join(lines)


def _identifier(name: str) -> str:
    """Return an identifier; one that would begin with a digit gets an N."""
    found = word(name)
    return f"N{found}" if found[0].isdigit() else found


def _register(register: Register) -> Iterator[str]:
    name = _identifier(register.name)
    place = (
        table_number(register.table),
        register.address,
        register.words,
        str(register.type),
        register.scale,
        register.offset,
        register.unit or "",
        register.min,
        register.max,
        register.access,
        register.can_strike_arc,
    )
    yield f"{name} = Place{place!r}"
    if register.description:
        yield repr(register.description)
    for names, kind in ((register.values, "IntEnum"), (register.bits, "IntFlag")):
        if names:
            yield ""
            yield ""
            yield f"class {_class(register.name)}({kind}):"
            for raw, text in names.items():
                yield f"    {_identifier(text)} = {raw if kind == 'IntEnum' else 1 << raw}"
            yield ""
    yield ""


def _class(name: str) -> str:
    """Return a class name."""
    return "".join(part.capitalize() for part in word(name).split("_")) + "Value"
