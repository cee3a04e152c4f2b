"""A register map as a C header: constants, masks, and conversions that need only C99 and libm.

Conversions are those of `kerfbus.bench.regmap`: value = raw * scale + offset, numbers rounded to
the nearest step, halves away from zero, limits checked before anything is written.
"""

from __future__ import annotations

from collections.abc import Iterator

from kerfbus.bench.mapexport.identifiers import check_distinct, origin, table_number, word
from kerfbus.bench.regmap import Register, RegisterMap, Type

_LIMITS = {
    Type.U16: (0, 0xFFFF),
    Type.I16: (-0x8000, 0x7FFF),
    Type.U32: (0, 0xFFFFFFFF),
    Type.I32: (-0x80000000, 0x7FFFFFFF),
}
_WIDE = (Type.U32, Type.I32, Type.F32)


def c_header(register_map: RegisterMap) -> str:
    """Return the header's text.

    Raises:
        UsageError: two names cannot be told apart as identifiers.
    """
    check_distinct(register_map)
    prefix = word(register_map.name)
    guard = f"{prefix}_REGISTERS_H"
    lines = [
        f"/* {_safe(origin(register_map))} */",
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
        "#include <math.h>",
        "#include <stdint.h>",
        "#include <string.h>",
        "",
        "/* Tables, by the function code that reads them. */",
        f"#define {prefix}_COIL 1u",
        f"#define {prefix}_DISCRETE 2u",
        f"#define {prefix}_HOLDING 3u",
        f"#define {prefix}_INPUT 4u",
        "",
        f"#define {prefix}_SERVER {register_map.header.server}u",
        f"#define {prefix}_BAUD {register_map.header.settings.baud}ul",
    ]
    for register in register_map.registers:
        lines += ["", *_constants(prefix, register), *_conversions(prefix, register)]
    return "\n".join([*lines, "", f"#endif /* {guard} */", ""])


def _safe(text: str) -> str:
    """Return text that ends no comment, in characters that any compiler takes."""
    ascii_only = text.encode("ascii", "replace").decode()
    return ascii_only.replace("*/", "* /").replace("/*", "/ *").replace("??", "? ?")


def _constants(prefix: str, register: Register) -> Iterator[str]:
    name = f"{prefix}_{word(register.name)}"
    unit = f", {register.unit}" if register.unit else ""
    arc = "; CAN STRIKE AN ARC" if register.can_strike_arc else ""
    yield f"/* {_safe(f'{register.name}{unit}: {register.description}{arc}')} */"
    yield f"#define {name}_TABLE {table_number(register.table)}u"
    yield f"#define {name}_ADDRESS {register.address}u"
    yield f"#define {name}_WORDS {register.words}u"
    for raw, text in register.values.items():
        yield f"#define {name}_{word(text)} {raw}u"
    for number, text in register.bits.items():
        yield f"#define {name}_{word(text)} (UINT32_C(1) << {number})"


def _conversions(prefix: str, register: Register) -> Iterator[str]:
    name = f"{prefix}_{word(register.name)}".lower()
    if register.type.numeric:
        if register.readable:
            yield from _decode(name, register)
        if register.writable:
            yield from _encode(name, register)
    elif register.type is Type.STRING:
        yield from _text(name, register)
    elif register.type is Type.BITS:
        yield f"static inline uint32_t {name}_bits(const uint16_t *raw)"
        yield f"{{ return {_joined(register)}; }}"


def _joined(register: Register) -> str:
    """Return the raw words as one unsigned number."""
    if register.words == 1:
        return "raw[0]"
    high, low = (0, 1) if register.word_order == "big" else (1, 0)
    return f"(uint32_t)raw[{high}] << 16 | raw[{low}]"


def _decode(name: str, register: Register) -> Iterator[str]:
    yield f"static inline double {name}_value(const uint16_t *raw)"
    yield "{"
    yield f"    uint32_t word = {_joined(register)};"
    if register.invalid is not None:
        yield f"    if (word == UINT32_C({register.invalid:#x}))"
        yield "        return NAN; /* no reading */"
    if register.type is Type.F32:
        yield "    float number;"
        yield "    memcpy(&number, &word, sizeof number);"
    else:
        kind = {Type.I16: "int16_t", Type.I32: "int32_t", Type.U16: "uint16_t"}.get(
            register.type, "uint32_t"
        )
        yield f"    {kind} number = ({kind})word;"
    yield f"    return number * {_number(register.scale)} + {_number(register.offset)};"
    yield "}"


def _encode(name: str, register: Register) -> Iterator[str]:
    low, high = register.min, register.max
    yield "/* Returns 0, or 1 and writes nothing when the value is outside the limits. */"
    yield f"static inline int {name}_raw(double value, uint16_t *raw)"
    yield "{"
    outside = ["isnan(value)"]
    outside += [f"value < {_number(low)}"] if low is not None else []
    outside += [f"value > {_number(high)}"] if high is not None else []
    yield f"    if ({' || '.join(outside)})"
    yield "        return 1;"
    scaled = f"(value - {_number(register.offset)}) / {_number(register.scale)}"
    if register.type is Type.F32:
        yield f"    float number = (float)({scaled});"
        yield "    uint32_t word;"
        yield "    memcpy(&word, &number, sizeof word);"
    else:
        least, most = _LIMITS[register.type]
        yield f"    double number = round({scaled});"
        yield f"    if (number < {least}.0 || number > {most}.0)"
        yield "        return 1;"
        yield "    uint32_t word = (uint32_t)(int64_t)number;"
    if register.words == 1:
        yield "    raw[0] = (uint16_t)word;"
    else:
        high_word, low_word = (0, 1) if register.word_order == "big" else (1, 0)
        yield f"    raw[{high_word}] = (uint16_t)(word >> 16);"
        yield f"    raw[{low_word}] = (uint16_t)word;"
    yield "    return 0;"
    yield "}"


def _text(name: str, register: Register) -> Iterator[str]:
    size = 2 * register.words + 1
    yield f"static inline void {name}_text(const uint16_t *raw, char text[{size}])"
    yield "{"
    yield f"    for (int word = 0; word < {register.words}; word++) {{"
    yield "        text[2 * word] = (char)(raw[word] >> 8);"
    yield "        text[2 * word + 1] = (char)(raw[word] & 0xFF);"
    yield "    }"
    yield f"    text[{size - 1}] = 0;"
    yield "}"


def _number(value: float) -> str:
    """Return a double's literal that gives it back exactly."""
    text = repr(float(value))
    return f"({text})" if text.startswith("-") else text
