"""Names of a map as identifiers of a programming language."""

from __future__ import annotations

import re
from collections.abc import Iterable

from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap import Register, RegisterMap, Table

_NOT_WORD = re.compile(r"[^A-Za-z0-9]+")
ORIGIN = "Made from register map {name}{version} by `kerfbus map export`; do not edit."


def word(name: str) -> str:
    """Return a name in upper case with underscores.

    >>> [word(each) for each in ("arc_voltage", "self-test", "2nd try", "a.b")]
    ['ARC_VOLTAGE', 'SELF_TEST', '2ND_TRY', 'A_B']
    """
    return _NOT_WORD.sub("_", name).strip("_").upper() or "_"


def origin(register_map: RegisterMap) -> str:
    """Return the line that says where a file comes from."""
    version = register_map.header.version
    return ORIGIN.format(
        name=register_map.name, version=f" version {version}" if version is not None else ""
    )


def check_distinct(register_map: RegisterMap) -> None:
    """Check that names stay different when they become identifiers.

    Raises:
        UsageError: two of them do not.
    """
    _distinct((each.name for each in register_map.registers), "registers")
    for register in register_map.registers:
        names = [*register.values.values(), *register.bits.values()]
        _distinct(names, f"values of {register.name}")


def _distinct(names: Iterable[str], what: str) -> None:
    seen: dict[str, str] = {}
    for name in names:
        other = seen.setdefault(word(name), name)
        if other != name:
            raise UsageError(f"{what} {other!r} and {name!r} would both be called {word(name)}")


def table_number(table: Table) -> int:
    """Return the function code that reads a table: 1 to 4."""
    return {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}[table]


def is_plain(register: Register) -> bool:
    """Return whether a register holds a number, rather than text."""
    return register.type != "string"
