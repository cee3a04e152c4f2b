"""Numbers to registers and back: ``value = raw * scale + offset``.

Scale and offset are taken as the decimals that the map's author wrote, not as the binary fractions
nearest to them, so that raw 3 at scale 0.1 reads 0.3. `encode` rounds to the nearest step, halves
away from zero; what lies outside the limits is refused before it is rounded.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from kerfbus.bench.errors import LimitError
from kerfbus.bench.regmap.codec import Value, no_invalid, parse_whole
from kerfbus.bench.regmap.words import join_words, split_words, to_pattern, to_signed

F32_MAX = (2 - 2**-23) * 2.0**127
"""Largest finite single-precision number (IEEE 754, binary32)."""

_LARGEST_WHOLE = 10**300
"""Whole numbers above it do not go into the double precision that messages are printed with."""

_DECIMAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


def as_written(number: float) -> Fraction:
    """Return the exact fraction of the shortest decimal that names `number`.

    >>> as_written(0.1)
    Fraction(1, 10)
    """
    return Fraction(number) if isinstance(number, int) else Fraction(repr(float(number)))


def show(number: float, unit: str | None = None) -> str:
    """Return a number for a message, with its unit.

    >>> show(20.0, "A"), show(0.05)
    ('20 A', '0.05')
    """
    return f"{number:.10g}" + (f" {unit}" if unit else "")


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a numeric register measures.

    Attributes:
        name: the register's name, for messages.
        scale: value of one raw step, not 0.
        offset: value of raw 0.
        low: lowest value allowed, None for what the register can hold.
        high: highest value allowed, None for what the register can hold.
        unit: unit of value, low and high.
    """

    name: str
    scale: float = 1
    offset: float = 0
    low: float | None = None
    high: float | None = None
    unit: str | None = None

    def within(self, value: Value) -> float | int:
        """Return `value` when it is a number inside the limits.

        Raises:
            LimitError: it is not.
        """
        number = self.number(value)
        if not math.isfinite(number):
            raise LimitError(f"{self.name}: {number} is not a finite number; give {self.allowed}")
        too_low = self.low is not None and number < self.low
        too_high = self.high is not None and number > self.high
        if too_low or too_high:
            raise LimitError(
                f"{self.name}: {show(number, self.unit)} is outside the limits; give {self.allowed}"
            )
        return number

    def number(self, value: Value) -> float | int:
        """Return `value` when it is a number, infinity included.

        Raises:
            LimitError: it is none, or not-a-number, or a whole number beyond every register.
        """
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise LimitError(f"{self.name}: {value!r} is not a number; give {self.allowed}")
        if isinstance(value, int) and abs(value) > _LARGEST_WHOLE:
            raise LimitError(f"{self.name}: the number is too large; give {self.allowed}")
        if math.isnan(value):
            raise LimitError(f"{self.name}: {value} is not a number; give {self.allowed}")
        return value

    @property
    def allowed(self) -> str:
        """Return the limits in words, e.g. ``20 to 125 A``."""
        if self.low is None:
            return f"at most {show(self.high, self.unit)}" if self.high is not None else "a number"
        if self.high is None:
            return f"at least {show(self.low, self.unit)}"
        return f"{show(self.low)} to {show(self.high, self.unit)}"

    def parse(self, text: str) -> float | int:
        """Return the number in `text`, which may end in the unit.

        Raises:
            LimitError: it is not a number.
        """
        wanted = text.strip()
        if self.unit and wanted.endswith(self.unit):
            wanted = wanted.removesuffix(self.unit).rstrip()
        whole = parse_whole(wanted)
        if whole is not None:
            return whole
        if len(wanted) <= 40 and _DECIMAL.fullmatch(wanted):
            return float(wanted)
        hint = ""
        if re.fullmatch(r"[+-]?\d+,\d+", wanted, re.ASCII):
            hint = f"; write {wanted.replace(',', '.')} with a point"
        raise LimitError(f"{self.name}: {text!r} is not a number{hint}")


@dataclass(frozen=True, slots=True)
class IntegerCodec:
    """A whole number of 16 or 32 bits, scaled.

    Attributes:
        quantity: scale, limits, unit.
        width: 16 or 32 bits.
        signed: two's complement.
        high_first: word order.
        invalid: bit pattern that means "invalid", or None.
    """

    quantity: Quantity
    width: int
    signed: bool = False
    high_first: bool = True
    invalid: int | None = None
    _ratio: tuple[int, int, int] = field(init=False, repr=False, compare=False)
    _bounds: tuple[int, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        scale, offset = as_written(self.quantity.scale), as_written(self.quantity.offset)
        # value = (raw * n + m) / d with whole n, m, d: one correctly rounded division.
        d = math.lcm(scale.denominator, offset.denominator)
        object.__setattr__(self, "_ratio", (int(scale * d), int(offset * d), d))
        object.__setattr__(self, "_bounds", self._allowed_raw())

    @property
    def raw_range(self) -> tuple[int, int]:
        """Return the lowest and the highest raw number that the width can hold."""
        if self.signed:
            return -(1 << (self.width - 1)), (1 << (self.width - 1)) - 1
        return 0, (1 << self.width) - 1

    @property
    def raw_bounds(self) -> tuple[int, int]:
        """Return the raw numbers inside the limits; the first is larger when there is none."""
        return self._bounds

    @property
    def value_range(self) -> tuple[float, float]:
        """Return the lowest and the highest value that the width can hold."""
        ends = [self.value(raw) for raw in self.raw_range]
        return min(ends), max(ends)

    def value(self, raw: int) -> float | int:
        """Return what a raw number means; a whole number when scale and offset are whole."""
        n, m, d = self._ratio
        return raw * n + m if d == 1 else (raw * n + m) / d

    def meaning_of(self, pattern: int) -> float | int:
        """Return what a bit pattern would mean if it were not the "invalid" one."""
        return self.value(to_signed(pattern, self.width) if self.signed else pattern)

    def decode(self, raw: Sequence[int]) -> Value:
        """Return the value, None for the "invalid" pattern. Limits are not checked."""
        pattern = join_words(raw, high_first=self.high_first)
        return None if pattern == self.invalid else self.meaning_of(pattern)

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return the words of the step nearest to `value`, halves away from zero."""
        if value is None:
            return self._invalid_words()
        number = self.quantity.within(value)
        n, m, d = self._ratio
        raw = _nearest((as_written(number) * d - m) / n)
        low, high = self._bounds
        if self.quantity.low is not None:  # a limit between two steps: round to the inner one
            raw = max(raw, low) if n > 0 else min(raw, high)
        if self.quantity.high is not None:
            raw = min(raw, high) if n > 0 else max(raw, low)
        if not low <= raw <= high:
            least, most = self.value_range
            raise LimitError(
                f"{self.quantity.name}: {show(number, self.quantity.unit)} does not fit the "
                f"register; it holds {show(least)} to {show(most, self.quantity.unit)}"
            )
        return self._words(raw, number)

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the words of the allowed step nearest to `value`; never the "invalid" pattern.

        Binary arithmetic, because a server does this for every reading: a value half-way between
        two steps may go to either.
        """
        if value is None:
            return self._invalid_words()
        number = self.quantity.number(value)
        low, high = self._bounds
        exact = (number - self.quantity.offset) / self.quantity.scale
        raw = low if exact <= low else high if exact >= high else math.floor(exact + 0.5)
        if self.invalid is not None and to_pattern(raw, self.width) == self.invalid:
            raw += 1 if raw == low else -1
        return split_words(
            to_pattern(raw, self.width), self.width // 16, high_first=self.high_first
        )

    def parse(self, text: str) -> Value:
        """Return the number in `text`."""
        return self.quantity.parse(text)

    def _words(self, raw: int, number: float) -> tuple[int, ...]:
        pattern = to_pattern(raw, self.width)
        if pattern == self.invalid:
            raise LimitError(
                f"{self.quantity.name}: {show(number, self.quantity.unit)} is the raw value "
                f"{pattern:#x}, which means invalid; give another value"
            )
        return split_words(pattern, self.width // 16, high_first=self.high_first)

    def _invalid_words(self) -> tuple[int, ...]:
        if self.invalid is None:
            raise no_invalid(self.quantity.name)
        return split_words(self.invalid, self.width // 16, high_first=self.high_first)

    def _allowed_raw(self) -> tuple[int, int]:
        n, m, d = self._ratio
        low, high = self.raw_range
        least, most = self.quantity.low, self.quantity.high
        if n < 0:  # a falling scale turns the limits round
            least, most = most, least
        if least is not None:
            low = max(low, math.ceil((as_written(least) * d - m) / n))
        if most is not None:
            high = min(high, math.floor((as_written(most) * d - m) / n))
        return low, high


@dataclass(frozen=True, slots=True)
class FloatCodec:
    """A single-precision number (IEEE 754, binary32) in two words.

    A pattern that is not a finite number decodes to None, as does the "invalid" pattern; those
    patterns and, when the offset is not 0, the digits that the offset swallows have no inverse.

    Attributes:
        quantity: scale, limits, unit.
        high_first: word order.
        invalid: bit pattern that means "invalid", or None.
    """

    quantity: Quantity
    high_first: bool = True
    invalid: int | None = None

    def decode(self, raw: Sequence[int]) -> Value:
        """Return the decimal of fewest digits that encodes to the same words."""
        pattern = join_words(raw, high_first=self.high_first)
        return None if pattern == self.invalid else self.meaning_of(pattern)

    def meaning_of(self, pattern: int) -> float | None:
        """Return what a bit pattern would mean if it were not the "invalid" one."""
        number = struct.unpack(">f", pattern.to_bytes(4, "big"))[0]
        if not math.isfinite(number):
            return None
        value: float = number * self.quantity.scale
        if self.quantity.offset:
            value += self.quantity.offset
        for digits in range(6, 12):  # 9 always do when there is neither scale nor offset
            short = float(f"{value:.{digits}g}")
            if self._pattern(short) == pattern:
                return short
        return value

    def encode(self, value: Value) -> tuple[int, ...]:
        """Return the words of the single-precision number nearest to `value`."""
        if value is None:
            return self._invalid_words()
        number = self.quantity.within(value)
        pattern = self._pattern(number)
        if pattern is None:
            raise LimitError(
                f"{self.quantity.name}: {show(number, self.quantity.unit)} does not fit a "
                "single-precision number"
            )
        if pattern == self.invalid:
            raise LimitError(
                f"{self.quantity.name}: {pattern:#x} means invalid; give another value"
            )
        return split_words(pattern, 2, high_first=self.high_first)

    def encode_nearest(self, value: Value) -> tuple[int, ...]:
        """Return the words of the allowed number nearest to `value`."""
        if value is None:
            return self._invalid_words()
        number = self.quantity.number(value)
        widest = F32_MAX * abs(self.quantity.scale)
        low = -widest if self.quantity.low is None else self.quantity.low
        high = widest if self.quantity.high is None else self.quantity.high
        return self.encode(max(low, min(high, number)))

    def parse(self, text: str) -> Value:
        """Return the number in `text`."""
        return self.quantity.parse(text)

    def _pattern(self, value: float) -> int | None:
        """Return the bits of `value`, None when it is too large."""
        try:
            data = struct.pack(">f", (value - self.quantity.offset) / self.quantity.scale)
        except OverflowError:
            return None
        return int.from_bytes(data, "big")

    def _invalid_words(self) -> tuple[int, ...]:
        if self.invalid is None:
            raise no_invalid(self.quantity.name)
        return split_words(self.invalid, 2, high_first=self.high_first)


def _nearest(exact: Fraction) -> int:
    """Return the nearest whole number, halves away from zero."""
    half = Fraction(1, 2)
    return math.floor(exact + half) if exact >= 0 else math.ceil(exact - half)
