"""Values to registers and back, for everything that is not a number.

A codec is made from one register's entry in the map and knows nothing of tables or addresses. All
codecs keep one law: ``encode(decode(raw)) == raw`` for every raw value that means something (see
each class for what has no meaning), and `decode` never raises, because what a server sends is never
the caller's mistake.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from kerfbus.bench.errors import LimitError
from kerfbus.bench.regmap.words import join_words, split_words

Value: TypeAlias = float | int | str | bool | tuple[str, ...] | None
"""What a register means: a number in its unit, an enumeration's name (the bare number when the map
does not list it), text, on/off, the names of the bits that are set, or None for "invalid"."""

UNNAMED_BIT = re.compile(r"bit(\d{1,2})")
"""How a bit without a name is written, so that no reading is lost: ``bit7``."""


class Codec(Protocol):
    """Meaning of one register's raw words."""

    def decode(self, raw: Sequence[int]) -> Value:
        """Return what the words mean; None when they say "invalid". Never raises."""
        ...

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return the words for `value`.

        Raises:
            LimitError: the map does not allow it, or the register cannot hold it.
        """
        ...

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the words that come nearest to `value`, for a server that shows a reading.

        Raises:
            LimitError: `value` is not of the register's kind.
        """
        ...

    def parse(self, text: str) -> Value:
        """Return the value that a person means by `text`; limits are left to `encode`.

        Raises:
            LimitError: `text` does not say a value of the register's kind.
        """
        ...


def close_match(word: str, known: Iterable[str]) -> str:
    """Return ``; did you mean 'x'?`` for the nearest known word, or nothing."""
    near = difflib.get_close_matches(word, list(known), n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def no_invalid(name: str) -> LimitError:
    """Return the refusal of None for a register without an "invalid" sentinel."""
    return LimitError(f"{name}: the map gives no raw value that means invalid; give a value")


@dataclass(frozen=True, slots=True)
class ChoiceCodec:
    """An enumeration in one word.

    A raw value that the map does not list decodes to the bare number, and is refused by `encode`.

    Attributes:
        name: the register's name, for messages.
        values: raw value to name.
        invalid: raw value that means "invalid", or None.
    """

    name: str
    values: Mapping[int, str]
    invalid: int | None = None

    def decode(self, raw: Sequence[int]) -> Value:
        """Return the listed name, else the number."""
        if raw[0] == self.invalid:
            return None
        return self.values.get(raw[0], raw[0])

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return the word for a listed name or a listed raw number."""
        if value is None:
            if self.invalid is None:
                raise no_invalid(self.name)
            return (self.invalid,)
        if isinstance(value, int) and not isinstance(value, bool) and value in self.values:
            return (value,)
        for number, name in self.values.items():
            if name == value:
                return (number,)
        raise self._unlisted(value)

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the same as `encode`: names have no neighbours."""
        return self.encode(value)

    def parse(self, text: str) -> Value:
        """Return the listed name (in any case), or the name of a listed raw number."""
        wanted = text.strip()
        for name in self.values.values():
            if name.casefold() == wanted.casefold():
                return name
        number = parse_whole(wanted)
        if number is not None and number in self.values:
            return self.values[number]
        raise self._unlisted(wanted)

    def _unlisted(self, value: Value) -> LimitError:
        names = self.values.values()
        near = close_match(value, names) if isinstance(value, str) else ""
        return LimitError(f"{self.name}: {value!r} is not one of {', '.join(names)}{near}")


@dataclass(frozen=True, slots=True)
class FlagsCodec:
    """Named bits in one or two words.

    Attributes:
        name: the register's name, for messages.
        bits: bit number (0 is the least significant) to name.
        words: 1 or 2.
        high_first: word order.
        invalid: pattern that means "invalid", or None.
    """

    name: str
    bits: Mapping[int, str]
    words: int = 1
    high_first: bool = True
    invalid: int | None = None

    def decode(self, raw: Sequence[int]) -> Value:
        """Return the names of the set bits, lowest first; ``bitN`` where the map has no name."""
        pattern = join_words(raw, high_first=self.high_first)
        if pattern == self.invalid:
            return None
        return tuple(
            self.bits.get(number, f"bit{number}")
            for number in range(self.words * 16)
            if pattern >> number & 1
        )

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return the words for names of bits, or for a pattern given as a whole number."""
        if value is None and self.invalid is None:
            raise no_invalid(self.name)
        pattern = self.invalid if value is None else self._pattern(value)
        assert pattern is not None
        if value is not None and pattern == self.invalid:
            raise LimitError(f"{self.name}: {pattern:#06x} means invalid; give other bits")
        return split_words(pattern, self.words, high_first=self.high_first)

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the same as `encode`: bits have no neighbours."""
        return self.encode(value)

    def parse(self, text: str) -> Value:
        """Return the bits named in `text`, joined by ``|`` or ``,``; or those of a number."""
        number = parse_whole(text.strip())
        if number is not None:
            raw = split_words(self._checked(number), self.words, high_first=self.high_first)
            return self.decode(raw)
        words = [word.strip() for word in re.split(r"[|,]", text)]
        names = () if words in ([""], ["none"]) else tuple(words)
        self._pattern(names)
        return names

    def _pattern(self, value: Value) -> int:
        if isinstance(value, int) and not isinstance(value, bool):
            return self._checked(value)
        if isinstance(value, str):
            value = (value,)
        if not isinstance(value, tuple | list | set | frozenset):
            raise LimitError(f"{self.name}: {value!r} is not a list of bit names")
        pattern = 0
        for name in value:
            pattern |= 1 << self._number(name)
        return pattern

    def _checked(self, pattern: int) -> int:
        if not 0 <= pattern < 1 << (self.words * 16):
            raise LimitError(f"{self.name}: {pattern} does not fit into {self.words * 16} bits")
        return pattern

    def _number(self, name: str) -> int:
        for number, known in self.bits.items():
            if known == name:
                return number
        unnamed = UNNAMED_BIT.fullmatch(str(name))
        if unnamed and int(unnamed[1]) < self.words * 16:
            return int(unnamed[1])
        known_names = self.bits.values()
        raise LimitError(
            f"{self.name}: {name!r} is not one of {', '.join(known_names)}"
            + close_match(str(name), known_names)
        )


@dataclass(frozen=True, slots=True)
class TextCodec:
    """Text of two Latin-1 characters a word, the first in the high byte, padded with NUL or space.

    What follows the first NUL, trailing spaces and the kind of padding have no meaning. A control
    character decodes to U+FFFD: what a server sends must not steer the terminal that shows it.

    Attributes:
        name: the register's name, for messages.
        words: length in words.
    """

    name: str
    words: int

    def decode(self, raw: Sequence[int]) -> Value:
        """Return the text without its padding."""
        data = b"".join(word.to_bytes(2, "big") for word in raw)
        text = data.split(b"\0", 1)[0].decode("latin-1").rstrip(" ")
        return "".join("\ufffd" if _is_control(mark) else mark for mark in text)

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return the words for `value`, padded with NUL; trailing spaces count as padding."""
        if not isinstance(value, str):
            raise LimitError(f"{self.name}: {value!r} is not text")
        text = value.rstrip(" ")
        bad = next((mark for mark in text if ord(mark) > 0xFF or _is_control(mark)), None)
        if bad is not None:
            raise LimitError(
                f"{self.name}: {value!r} has {bad!r}; give printable Latin-1 characters"
            )
        if len(text) > 2 * self.words:
            raise LimitError(
                f"{self.name}: {value!r} has {len(text)} characters; give at most {2 * self.words}"
            )
        data = text.encode("latin-1").ljust(2 * self.words, b"\0")
        return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2))

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the words for `value`, cut to what fits."""
        return self.encode(value[: 2 * self.words] if isinstance(value, str) else value)

    def parse(self, text: str) -> Value:
        """Return `text` as it is."""
        return text


@dataclass(frozen=True, slots=True)
class SwitchCodec:
    """A coil or a discrete input.

    Attributes:
        name: the register's name, for messages.
    """

    name: str

    def decode(self, raw: Sequence[int]) -> Value:
        """Return whether the bit is set."""
        return bool(raw[0])

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return (1,) for True or 1 and (0,) for False or 0."""
        if isinstance(value, int) and value in (0, 1):
            return (int(value),)
        raise LimitError(f"{self.name}: {value!r} is neither on nor off")

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the same as `encode`."""
        return self.encode(value)

    def parse(self, text: str) -> Value:
        """Return the state meant by on, off, true, false, 1 or 0."""
        try:
            return _SWITCH_WORDS[text.strip().casefold()]
        except KeyError as error:
            raise LimitError(f"{self.name}: {text!r} is neither on nor off") from error


_SWITCH_WORDS = {"on": True, "true": True, "1": True, "off": False, "false": False, "0": False}


def parse_whole(text: str) -> int | None:
    """Return a whole number written in decimal or, with ``0x``, in hexadecimal; else None.

    >>> parse_whole("0x1F"), parse_whole("-3"), parse_whole("1.5")
    (31, -3, None)
    """
    if re.fullmatch(r"[+-]?\d{1,20}", text, re.ASCII):
        return int(text)
    if re.fullmatch(r"0[xX][0-9a-fA-F]{1,16}", text):
        return int(text, 16)
    return None


def _is_control(mark: str) -> bool:
    return ord(mark) < 0x20 or 0x7F <= ord(mark) < 0xA0
