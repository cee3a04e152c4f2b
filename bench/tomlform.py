"""TOML files with a known form: read, check, say what is wrong by file, line and key.

The one place outside `kerfbus.bench.regmap` where pydantic is used: forms are subclasses of `Form`,
and pydantic's findings become `FormError`s in our words. Whoever has a form checks what its values
mean together, and gets the errors for that from `Source.wrong`.
"""

from __future__ import annotations

import reprlib
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Any, Self, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from kerfbus.bench.errors import FormError
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.textfile import MAX_BYTES, read_text
from kerfbus.bench.tomllines import key_lines, line_of

__all__ = ["MAX_BYTES", "Field", "Form", "KeyPath", "Source", "first_of", "read_text"]

_NAMED_BY = ("name", "number", "address")
"""Keys by which an element of an array is called in messages, else by its place."""

KeyPath = tuple[str | int, ...]
F = TypeVar("F", bound="Form")
E = TypeVar("E", bound=FormError)


class Form(BaseModel):
    """A table of a file: unknown keys are errors, and nothing is converted."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def first_of(mistakes: Sequence[E]) -> E:
    """Return the first of some errors; its message says how many more there are."""
    first, more = mistakes[0], len(mistakes) - 1
    if not more:
        return first
    return type(first)(first.file, f"{first.message} (and {more} more)", first.line, first.key)


@dataclass(frozen=True)
class Source:
    """A file's content, and where in it everything stands.

    Attributes:
        file: path or name, for messages.
        text: as it was read.
        error: class of all errors about it.
        raw: what TOML makes of it.
    """

    file: str
    text: str
    error: type[FormError]
    raw: Mapping[str, Any]

    @classmethod
    def parse(cls, text: str, file: str, error: type[FormError]) -> Self:
        """Return the source of a text.

        Raises:
            FormError: of the class `error`: it is not TOML.
        """
        text = text.replace("\r\n", "\n")
        try:
            return cls(file, text, error, tomllib.loads(text))
        except tomllib.TOMLDecodeError as failed:
            raise _syntax(str(failed), text, file, error) from failed
        except RecursionError as failed:
            raise error(file, "is nested too deeply") from failed

    def fill(self, form: type[F]) -> tuple[F | None, list[FormError]]:
        """Return the filled form, or None and everything that is wrong with it."""
        try:
            return form.model_validate(self.raw), []
        except ValidationError as failed:
            details = failed.errors(include_url=False)
            # What is missing may stand there misspelt, and that is what must be told first.
            details.sort(key=lambda detail: detail["type"] == "missing")
            return None, [self._translate(form, detail) for detail in details]

    def wrong(self, path: Sequence[str | int], message: str) -> FormError:
        """Return the error about what stands at `path`."""
        return self.error(self.file, message, line_of(self._lines, path), self.called(path))

    def called(self, path: Sequence[str | int]) -> str:
        """Return how a path is called in messages, e.g. ``supply 2.plant.ambient``."""
        said, value = "", self.raw
        for part in path:
            value = _below(value, part)
            if isinstance(part, str):
                said += f".{part}" if said else part
            else:
                said += f" {_name(value, part)}"
        return said if said.isprintable() else ascii(said)

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:
        return key_lines(self.text)

    def _translate(self, form: type[Form], detail: ErrorDetails) -> FormError:
        """Return pydantic's finding in our words."""
        path = tuple(part for part in detail["loc"] if part != "[key]")
        if detail["type"] == "extra_forbidden":
            known = _keys_at(form, path[:-1])
            return self.wrong(path, "is not a known key" + close_match(str(path[-1]), known))
        make = _MESSAGES.get(detail["type"])
        message = make(detail) if make else f"{detail['msg']}, got {_given(detail)}"
        return self.wrong(path, message)


def _syntax(message: str, text: str, file: str, error: type[FormError]) -> FormError:
    """Return the parser's complaint with its line."""
    what, _, where = message.rpartition(" (at ")
    if where.startswith("end of document"):
        return error(file, f"{what} at the end of the file", text.count("\n") + 1)
    words = where.removesuffix(")").replace(",", "").split()
    line = int(words[1]) if words[:1] == ["line"] else 0
    return error(file, what or message, line)


def _below(value: Any, part: str | int) -> Any:
    """Return what stands under a key or at an index, None when nothing does."""
    if isinstance(value, Mapping):
        return value.get(str(part))
    if isinstance(value, list) and isinstance(part, int) and part < len(value):
        return value[part]
    return None


def _name(value: Any, index: int) -> str:
    """Return how an element of an array is called."""
    for key in _NAMED_BY:
        given = value.get(key) if isinstance(value, Mapping) else None
        if isinstance(given, str | int) and not isinstance(given, bool) and given != "":
            return str(given)
    return str(index + 1)


def _keys_at(form: type[Form], path: Sequence[str | int]) -> list[str]:
    """Return the keys that a form knows at `path`."""
    models = [form]
    for part in path:
        if isinstance(part, str):
            fields = [field for each in models for field in each.model_fields.items()]
            models = [
                model
                for name, field in fields
                if part in (name, field.alias)
                for model in _forms_in(field.annotation)
            ]
    return [field.alias or name for each in models for name, field in each.model_fields.items()]


def _forms_in(annotation: Any) -> list[type[Form]]:
    """Return the forms that an annotation names, e.g. that of a list's elements."""
    if isinstance(annotation, type) and issubclass(annotation, Form):
        return [annotation]
    return [form for each in get_args(annotation) for form in _forms_in(each)]


def _given(detail: ErrorDetails) -> str:
    return reprlib.repr(detail["input"])


def _one_of(detail: ErrorDetails) -> str:
    expected = detail["ctx"]["expected"]
    known = [word.strip("'") for word in expected.replace(" or ", ", ").split(", ")]
    given = detail["input"]
    near = close_match(given, known) if isinstance(given, str) else ""
    return f"{_given(detail)} is not one of {', '.join(known)}{near}"


def _bound(word: str, key: str) -> Callable[[ErrorDetails], str]:
    return lambda detail: f"{_given(detail)} is {word} {detail['ctx'][key]}"


_MESSAGES: Mapping[str, Callable[[ErrorDetails], str]] = MappingProxyType(
    {
        "missing": lambda _: "is missing",
        "literal_error": _one_of,
        "int_type": lambda detail: f"needs a whole number, got {_given(detail)}",
        "float_type": lambda detail: f"needs a number, got {_given(detail)}",
        "finite_number": lambda detail: f"needs a finite number, got {_given(detail)}",
        "string_type": lambda detail: f"needs text in quotes, got {_given(detail)}",
        "bool_type": lambda detail: f"needs true or false, got {_given(detail)}",
        "list_type": lambda detail: (
            f"needs a list (for tables: double brackets), got {_given(detail)}"
        ),
        "dict_type": lambda detail: f"needs a table, got {_given(detail)}",
        "model_type": lambda detail: f"needs a table, got {_given(detail)}",
        "too_short": lambda _: "is empty; give at least one",
        "too_long": lambda detail: f"has more than {detail['ctx']['max_length']} elements",
        "string_too_short": lambda _: "is empty",
        "string_too_long": lambda detail: (
            f"is longer than {detail['ctx']['max_length']} characters"
        ),
        "string_pattern_mismatch": lambda detail: (
            f"has a character that cannot stand here: {_given(detail)}"
        ),
        "greater_than": _bound("not above", "gt"),
        "greater_than_equal": _bound("below", "ge"),
        "less_than_equal": _bound("above", "le"),
        "value_error": lambda detail: str(detail["ctx"]["error"]),
    }
)
"""Our words for pydantic's kinds of error."""
