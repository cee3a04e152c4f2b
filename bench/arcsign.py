"""How a register tells that the arc is on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from kerfbus.bench.access import Reading
from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap import ReadSpan, Register, RegisterMap, Value

ON, OFF = "on", "off"


@dataclass(frozen=True, slots=True)
class ArcSign:
    """A register that tells whether the arc is on.

    Attributes:
        register: its place and meaning.
        value: what stands there while the arc is on: a name of the enumeration or of a bit; None
            for anything but zero.
    """

    register: Register
    value: str | None = None

    @property
    def span(self) -> ReadSpan:
        """Return the read that fetches it alone."""
        return ReadSpan(self.register.table, self.register.address, self.register.words)

    def within(self, span: ReadSpan) -> bool:
        """Return whether a read fetches it."""
        own = self.span
        first = own.start - span.start
        return own.table is span.table and 0 <= first <= span.quantity - own.quantity

    def on(self, span: ReadSpan, raw: tuple[int, ...]) -> bool:
        """Return whether the arc is on, out of the words of a read that fetches it."""
        return self._means_on(self.register.decode(span.pick(self.register, raw)))

    def among(self, readings: Iterable[Reading]) -> str | None:
        """Return what readings say of the arc, ``on`` or ``off``; None when they do not say."""
        for reading in readings:
            if reading.register == self.register and reading.value is not None:
                return ON if self._means_on(self.register.decode(reading.raw or ())) else OFF
        return None

    def _means_on(self, found: Value) -> bool:
        if self.value is None:
            return bool(found)
        return self.value in found if isinstance(found, tuple) else str(found) == self.value


def parse_arc_sign(text: str, register_map: RegisterMap) -> ArcSign:
    """Return the sign that ``NAME`` or ``NAME=VALUE`` names.

    Raises:
        UsageError: the map has no such register, it cannot be read, or never holds that value.
    """
    name, equals, value = (part.strip() for part in text.partition("="))
    register = register_map.by_name(name)
    if not register.readable:
        raise UsageError(f"{name}: the map lets it be written only; name one that can be read")
    names = [*register.values.values(), *register.bits.values()]
    if equals and value not in names:
        known = f"give one of {', '.join(names)}" if names else "give its name alone"
        raise UsageError(f"{name} never holds {value!r}; {known}")
    return ArcSign(register, value or None)
