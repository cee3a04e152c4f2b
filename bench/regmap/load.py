"""Map files: read, check, say what is wrong.

The one place where TOML and pydantic errors become `MapError`, each with file, register and field.
"""

from __future__ import annotations

import reprlib
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from kerfbus.bench.errors import MapError
from kerfbus.bench.regmap.check import build_map, printable
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.regmap.model import HeaderForm, MapForm, RegisterForm
from kerfbus.bench.regmap.registermap import RegisterMap
from kerfbus.bench.textfile import read_text

_TOP = tuple(str(field.alias or name) for name, field in MapForm.model_fields.items())
_KEYS: Mapping[str, tuple[str, ...]] = {
    "map": tuple(HeaderForm.model_fields),
    "register": tuple(RegisterForm.model_fields),
}


def load_map(path: str | Path) -> RegisterMap:
    """Return the map in the file at `path`.

    Raises:
        MapError: the file cannot be read, or is wrong. The first thing wrong is told, and how many
            more there are; `check_map` gives them all.
    """
    return parse_map(_read(path), str(path))


def parse_map(text: str, file: str) -> RegisterMap:
    """Return the map in `text`; `file` is its name in messages.

    Raises:
        MapError: as `load_map`.
    """
    register_map, wrong = _check(text, file)
    if register_map is None:
        first = wrong[0]
        if len(wrong) == 1:
            raise first
        message = str(first).removeprefix(f"{file}: ")
        raise MapError(file, f"{message} (and {len(wrong) - 1} more; `map check` lists them)")
    return register_map


def check_map(path: str | Path) -> list[MapError]:
    """Return everything that is wrong with the file at `path`; nothing when the map is good.

    Raises:
        MapError: the file cannot be read at all.
    """
    return _check(_read(path), str(path))[1]


def _read(path: str | Path) -> str:
    return read_text(path, _file_error)


def _file_error(file: str, message: str, line: int) -> MapError:
    return MapError(file, f"line {line}: {message}" if line else message)


def _check(text: str, file: str) -> tuple[RegisterMap | None, list[MapError]]:
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return None, [MapError(file, _syntax(str(error), text))]
    except RecursionError as error:
        raise MapError(file, "is nested too deeply: this is no register map") from error
    try:
        form = MapForm.model_validate(raw)
    except ValidationError as error:
        details = error.errors(include_url=False)
        return None, [_translate(file, raw, detail) for detail in details]
    return build_map(form, file)


def _syntax(message: str, text: str) -> str:
    """Return the parser's message with the line in front."""
    what, _, where = message.rpartition(" (at ")
    where = where.removesuffix(")")
    if where == "end of document":
        where = f"line {text.count(chr(10)) + 1}, end of file"
    return f"{where}: {what}" if what else message


def _translate(file: str, raw: Mapping[str, Any], detail: ErrorDetails) -> MapError:
    """Return pydantic's finding with our words and with the register's name."""
    head, *rest = [printable(str(part)) for part in detail["loc"] if part != "[key]"]
    if head == "register" and rest:
        register, rest = _called(raw, int(rest[0])), rest[1:]
    elif head == "register":
        register = "[[register]]"
    else:
        register = f"[{head}]"
    field = ".".join(rest)
    if detail["type"] == "extra_forbidden":
        if not rest:
            register, field = "", head
        known = _KEYS.get(head, ()) if rest else _TOP
        return MapError(file, "is not a known key" + close_match(field, known), register, field)
    return MapError(file, _message(detail), register, field)


def _called(raw: Mapping[str, Any], index: int) -> str:
    """Return the name of the register at `index`, or which one it is when it has none."""
    entry = raw["register"][index]
    name = entry.get("name") if isinstance(entry, dict) else None
    return printable(name) if isinstance(name, str) and name else f"register {index + 1}"


def _message(detail: ErrorDetails) -> str:
    make = _MESSAGES.get(detail["type"])
    return make(detail) if make else f"{detail['msg']}, got {_given(detail)}"


def _given(detail: ErrorDetails) -> str:
    return reprlib.repr(detail["input"])


def _one_of(detail: ErrorDetails) -> str:
    expected = detail["ctx"]["expected"]
    known = [word.strip("'") for word in expected.replace(" or ", ", ").split(", ")]
    given = detail["input"]
    near = close_match(given, known) if isinstance(given, str) else ""
    return f"{_given(detail)} is not one of {', '.join(known)}{near}"


_MESSAGES: Mapping[str, Callable[[ErrorDetails], str]] = {
    "missing": lambda _: "is missing",
    "literal_error": _one_of,
    "int_type": lambda detail: f"needs a whole number, got {_given(detail)}",
    "float_type": lambda detail: f"needs a number, got {_given(detail)}",
    "finite_number": lambda detail: f"needs a finite number, got {_given(detail)}",
    "string_type": lambda detail: f"needs text in quotes, got {_given(detail)}",
    "bool_type": lambda detail: f"needs true or false, got {_given(detail)}",
    "list_type": lambda _: "needs [[register]] with double brackets",
    "too_short": lambda _: "names no register; add at least one",
    "dict_type": lambda detail: f"needs a table, got {_given(detail)}",
    "model_type": lambda detail: f"needs a table, got {_given(detail)}",
    "string_too_long": lambda detail: f"is longer than {detail['ctx']['max_length']} characters",
    "string_pattern_mismatch": lambda detail: (
        f"has a character that cannot stand here: {_given(detail)}"
    ),
    "greater_than_equal": lambda detail: f"{_given(detail)} is below {detail['ctx']['ge']}",
    "less_than_equal": lambda detail: f"{_given(detail)} is above {detail['ctx']['le']}",
    "value_error": lambda detail: str(detail["ctx"]["error"]),
}
"""Our words for pydantic's kinds of error."""
