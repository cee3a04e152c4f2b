"""A register map as IEC 61131-3 structured text: types, constants and conversion functions."""

from __future__ import annotations

from collections.abc import Iterator

from kerfbus.bench.mapexport.identifiers import check_distinct, origin, table_number, word
from kerfbus.bench.regmap import Register, RegisterMap, Type

_READERS = {
    Type.U16: "WORD_TO_UINT(raw0)",
    Type.I16: "WORD_TO_INT(raw0)",
    Type.U32: "DWORD_TO_UDINT({joined})",
    Type.I32: "DWORD_TO_DINT({joined})",
    Type.F32: "DWORD_TO_REAL({joined})",
}
_TO_LREAL = {
    Type.U16: "UINT_TO_LREAL",
    Type.I16: "INT_TO_LREAL",
    Type.U32: "UDINT_TO_LREAL",
    Type.I32: "DINT_TO_LREAL",
    Type.F32: "REAL_TO_LREAL",
}


def structured_text(register_map: RegisterMap) -> str:
    """Return the text.

    The conversion of an F32 register uses DWORD_TO_REAL as a copy of the bits; where a controller
    converts the number instead, its own way to reinterpret bits must take its place.

    Raises:
        UsageError: two names cannot be told apart as identifiers.
    """
    check_distinct(register_map)
    prefix = word(register_map.name)
    lines = [f"(* {_safe(origin(register_map))} *)", ""]
    for register in register_map.registers:
        lines += _enumeration(prefix, register)
    lines += ["VAR_GLOBAL CONSTANT"]
    lines += ["    (* Tables, by the function code that reads them. *)"]
    for number, table in enumerate(("COIL", "DISCRETE", "HOLDING", "INPUT"), 1):
        lines.append(f"    {prefix}_{table} : UINT := {number};")
    lines.append(f"    {prefix}_SERVER : UINT := {register_map.header.server};")
    lines.append(f"    {prefix}_BAUD : UDINT := {register_map.header.settings.baud};")
    for register in register_map.registers:
        lines += _constants(prefix, register)
    lines += ["END_VAR", ""]
    for register in register_map.registers:
        if register.type.numeric and register.readable:
            lines += [*_function(prefix, register), ""]
    return "\n".join(lines)


def _safe(text: str) -> str:
    """Return text that ends no comment."""
    ascii_only = text.encode("ascii", "replace").decode()
    return ascii_only.replace("*)", "* )").replace("(*", "( *")


def _enumeration(prefix: str, register: Register) -> list[str]:
    if not register.values:
        return []
    name = f"{prefix}_{word(register.name)}"
    # Members bear the type's name: many controllers put them all into one name space.
    members = [f"    {name}_{word(text)} := {raw}" for raw, text in register.values.items()]
    return [f"TYPE {name}_VALUE : (", ",\n".join(members), ") UINT; END_TYPE", ""]


def _constants(prefix: str, register: Register) -> Iterator[str]:
    name = f"{prefix}_{word(register.name)}"
    unit = f", {register.unit}" if register.unit else ""
    arc = "; CAN STRIKE AN ARC" if register.can_strike_arc else ""
    yield f"    (* {_safe(f'{register.name}{unit}: {register.description}{arc}')} *)"
    yield f"    {name}_TABLE : UINT := {table_number(register.table)};"
    yield f"    {name}_ADDRESS : UINT := {register.address};"
    yield f"    {name}_WORDS : UINT := {register.words};"
    for number, text in register.bits.items():
        yield f"    {name}_{word(text)} : DWORD := 16#{1 << number:08X};"
    if register.type.numeric and register.writable:
        for what, value in (("MIN", register.min), ("MAX", register.max)):
            if value is not None:
                yield f"    {name}_{what} : LREAL := {_number(value)};"


def _function(prefix: str, register: Register) -> list[str]:
    name = f"{prefix}_{word(register.name)}_READ"
    inputs = ["    raw0 : WORD;"] + (["    raw1 : WORD;"] if register.words == 2 else [])
    high, low = ("raw0", "raw1") if register.word_order == "big" else ("raw1", "raw0")
    joined = f"SHL(WORD_TO_DWORD({high}), 16) OR WORD_TO_DWORD({low})"
    number = f"{_TO_LREAL[register.type]}({_READERS[register.type].format(joined=joined)})"
    return [
        f"FUNCTION {name} : LREAL",
        "VAR_INPUT",
        *inputs,
        "END_VAR",
        f"    {name} := {number} * {_number(register.scale)} + {_number(register.offset)};",
        "END_FUNCTION",
    ]


def _number(value: float) -> str:
    """Return a real literal: the standard wants digits on both sides of the point."""
    text = repr(float(value))
    mantissa, e, exponent = text.partition("e")
    if "." not in mantissa:
        mantissa += ".0"
    return f"{mantissa}E{int(exponent)}" if e else mantissa
