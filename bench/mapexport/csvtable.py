"""A register map as a table for spreadsheets, and the way back.

Columns are the fields of a register, named as in a map's TOML. Lists of values and bits stand in
one cell: ``0=off; 1=on``. Rows may be in any order, columns too; only name, table, address and type
must be there.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from typing import Any

import tomli_w

from kerfbus.bench.errors import MapError
from kerfbus.bench.regmap import Register, RegisterMap, parse_map
from kerfbus.bench.regmap.check import printable
from kerfbus.bench.regmap.codec import parse_whole

COLUMNS = (
    *("name", "table", "address", "type", "words", "word_order", "scale", "offset", "unit"),
    *("min", "max", "access", "group", "values", "bits", "invalid", "can_strike_arc", "default"),
    "description",
)
NEEDED = ("name", "table", "address", "type")
EMPTY, NONE = '""', "none"
"""A factory value that is an empty text, and one of no bits: an empty cell is no value at all."""


def csv_table(register_map: RegisterMap) -> str:
    """Return the text: a line of names, then a line for each register."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")  # RFC 4180
    writer.writeheader()
    for register in register_map.registers:
        writer.writerow(_row(register))
    return out.getvalue()


def _row(register: Register) -> dict[str, str]:
    row = {}
    for column in COLUMNS:
        value: Any = getattr(register, column)
        row[column] = _WRITERS.get(column, _plain)(value)
    if not register.type.numeric:
        row |= {"scale": "", "offset": ""}
    if register.words == register.type.usual_words:
        row["words"] = ""
    if register.words == 1 or register.type == "string":
        row["word_order"] = ""
    return row


def _plain(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    return str(value)


def _names(value: Mapping[int, str]) -> str:
    return "; ".join(f"{number}={name}" for number, name in value.items())


def _default(value: object) -> str:
    if isinstance(value, tuple):
        return "|".join(value) or NONE
    if value == "":
        return EMPTY
    return str(value).lower() if isinstance(value, bool) else _plain(value)


_WRITERS: Mapping[str, Callable[[Any], str]] = {
    "values": _names,
    "bits": _names,
    "can_strike_arc": lambda value: "yes" if value else "",
    "default": _default,
}


def map_from_csv(text: str, name: str, file: str) -> str:
    """Return a table as the TOML of a map, checked.

    Args:
        text: of the table; commas or semicolons or tabs between cells.
        name: of the map.
        file: the table's name, for messages.

    Raises:
        MapError: the table is none, or the map that it makes is wrong; with the line.
    """
    rows = _read(text, file)
    entries = [_entry(row, line, file) for line, row in rows]
    document = {"map": {"name": name}, "register": entries}
    made = tomli_w.dumps(document)
    parse_map(made, file)
    return made


def _read(text: str, file: str) -> list[tuple[int, dict[str, str]]]:
    """Return the rows as (line, cell by column)."""
    text = text.removeprefix("\ufeff")
    first = text.partition("\n")[0]
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        lines = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise MapError(file, f"line {reader.line_num}: {error}; is it a CSV file?") from error
    if not lines:
        raise MapError(file, "is empty; the first line names the columns")
    head = [cell.strip().lower() for cell in lines[0][1]]
    for needed in NEEDED:
        if needed not in head:
            raise MapError(file, f"line 1: has no column {needed!r}; needed: {', '.join(NEEDED)}")
    for column in head:
        if column not in COLUMNS:
            raise MapError(
                file, f"line 1: column {column!r} is not known; {', '.join(COLUMNS)} are"
            )
    if len(set(head)) < len(head):
        raise MapError(file, "line 1: a column is there twice")
    rows = []
    for line, cells in lines[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(head):
            raise MapError(file, f"line {line}: has {len(cells)} cells for {len(head)} columns")
        rows.append((line, dict(zip(head, (cell.strip() for cell in cells), strict=False))))
    return rows


def _entry(row: Mapping[str, str], line: int, file: str) -> dict[str, Any]:
    """Return a row as an entry of a map's TOML."""
    entry: dict[str, Any] = {}
    for column, cell in row.items():
        if not cell:
            continue
        try:
            entry[column] = _READERS.get(column, str)(cell)
        except ValueError as error:
            raise MapError(file, f"line {line}: {error}", _named(row), column) from error
    if "default" in entry:
        try:
            entry["default"] = _default_of(entry["default"], entry.get("type", ""))
        except ValueError as error:
            raise MapError(file, f"line {line}: {error}", _named(row), "default") from error
    return entry


def _named(row: Mapping[str, str]) -> str:
    """Return the name that a row gives, for messages."""
    return printable(row.get("name", ""))


def _whole(cell: str) -> int:
    found = parse_whole(cell)
    if found is None:
        raise ValueError(f"{cell!r} is not a whole number")
    return found


def _real(cell: str) -> float | int:
    found = parse_whole(cell)
    if found is not None:
        return found
    try:
        return float(cell.replace(",", "."))
    except ValueError as error:
        raise ValueError(f"{cell!r} is not a number") from error


def _listed(cell: str) -> dict[str, str]:
    names = {}
    for part in filter(None, (each.strip() for each in cell.split(";"))):
        number, equals, name = part.partition("=")
        if not equals or parse_whole(number.strip()) is None:
            raise ValueError(f"{part!r} is no number=name; write e.g. 0=off; 1=on")
        names[number.strip()] = name.strip()
    return names


def _yes(cell: str) -> bool:
    if cell.lower() in ("yes", "true", "1", "x"):
        return True
    if cell.lower() in ("no", "false", "0"):
        return False
    raise ValueError(f"{cell!r} is neither yes nor no")


_READERS: Mapping[str, Callable[[str], Any]] = {
    "address": _whole,
    "words": _whole,
    "invalid": _whole,
    "scale": _real,
    "offset": _real,
    "min": _real,
    "max": _real,
    "values": _listed,
    "bits": _listed,
    "can_strike_arc": _yes,
}


def _default_of(cell: str, kind: str) -> Any:
    """Return a factory value as TOML has it."""
    if kind == "bool":
        return _yes(cell)
    if kind == "bits":
        return [] if cell == NONE else cell.split("|")
    if kind in ("string", "enumeration"):
        return "" if cell == EMPTY else cell
    return _real(cell)
