"""Values as a person reads them: number and unit, names of states."""

from __future__ import annotations

import math

from kerfbus.bench.access import Reading
from kerfbus.bench.regmap import Register, Type, Value


def decimals(register: Register) -> int | None:
    """Return how many decimals a register's scale is worth, None for as many as there are."""
    if register.type is Type.F32:
        return None
    if register.scale >= 1 and register.scale == int(register.scale):
        return 0
    digits = max(0, math.ceil(-math.log10(abs(register.scale)) - 1e-9))
    return digits if math.isclose(abs(register.scale), 10.0**-digits) else None


def shown(register: Register | None, value: Value | tuple[int, ...]) -> str:
    """Return a value without its unit."""
    match value:
        case None:
            return "no reading"
        case bool():
            return "on" if value else "off"
        case tuple():
            return ", ".join(map(str, value)) or "none"
        case str():
            text = register is not None and register.type is Type.STRING
            return repr(value) if text else value
    digits = decimals(register) if register is not None else 0
    return f"{value:.6g}" if digits is None else f"{value:.{digits}f}"


def with_unit(register: Register | None, value: Value | tuple[int, ...]) -> str:
    """Return a value with its unit."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    unit = register.unit if register is not None and number else None
    return shown(register, value) + (f" {unit}" if unit else "")


def place(reading: Reading) -> str:
    """Return the name, or the addresses where there is none."""
    span = reading.span
    return reading.name or f"{span.table}:{span.start}" + (
        f"+{span.quantity}" if span.quantity > 1 else ""
    )
