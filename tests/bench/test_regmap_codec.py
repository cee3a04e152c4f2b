"""Values to registers and back."""

from __future__ import annotations

import math
import struct
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from map_strategies import choices, flags, floats, integers, raw_words
from pymodbus.client.mixin import ModbusClientMixin

from kerfbus.bench.errors import LimitError, UsageError
from kerfbus.bench.regmap import Register, Table, Type
from kerfbus.bench.regmap.numbers import FloatCodec, IntegerCodec
from kerfbus.bench.regmap.words import join_words


def register(kind: str = "u16", **fields: Any) -> Register:
    """Make a register without the boilerplate."""
    table = Table.COIL if kind == "bool" else Table.HOLDING
    words = fields.pop("words", Type(kind).usual_words)
    return Register("x", table, 0, Type(kind), words=words, **fields)


MODES = {0: "off", 2: "idle", 9: "cutting"}
FLAGS = {0: "ready", 3: "fault", 17: "late"}

EXACT: list[tuple[Register, tuple[int, ...], Any]] = [
    (register("u16"), (65535,), 65535),
    (register("i16"), (0xFFFE,), -2),
    (register("u16", scale=0.1), (3,), 0.3),
    (register("u16", scale=0.1), (1250,), 125.0),
    (register("u16", scale=0.01), (520,), 5.2),
    (register("i16", scale=0.1, offset=-40), (0xFFFF,), -40.1),
    (register("u16", scale=-1, offset=100), (30,), 70),
    (register("u32"), (0x0001, 0x0002), 65538),
    (register("u32", word_order="little"), (0x0001, 0x0002), 131073),
    (register("i32"), (0xFFFF, 0xFFFF), -1),
    (register("i32", word_order="little", scale=0.5), (0xFFFE, 0xFFFF), -1.0),
    (register("f32"), (0x3F80, 0x0000), 1.0),
    (register("f32"), (0x3DCC, 0xCCCD), 0.1),
    (register("f32", word_order="little"), (0xCCCD, 0x3DCC), 0.1),
    (register("f32"), (0x8000, 0x0000), -0.0),
    (register("string", words=3), (0x4142, 0x4300, 0), "ABC"),
    (register("string", words=1), (0xB543,), "µC"),
    (register("bits", bits=FLAGS, words=2), (0x0002, 0x0009), ("ready", "fault", "late")),
    (register("bits", bits=FLAGS), (0x0010,), ("bit4",)),
    (register("bits", bits=FLAGS), (0,), ()),
    (register("enumeration", values=MODES), (9,), "cutting"),
    (register("bool"), (1,), True),
    (register("bool"), (0,), False),
]


@pytest.mark.parametrize(("entry", "raw", "value"), EXACT)
def test_known_values_both_ways(entry: Register, raw: tuple[int, ...], value: Any) -> None:
    decoded = entry.decode(raw)
    assert (decoded, type(decoded)) == (value, type(value))
    assert math.copysign(1, decoded) == math.copysign(1, value) if value == 0 else True
    assert entry.encode(value) == raw
    assert entry.encode_nearest(value) == raw


@given(integers().flatmap(lambda entry: st.tuples(st.just(entry), raw_words(entry))))
def test_every_whole_number_comes_back(drawn: tuple[Register, tuple[int, ...]]) -> None:
    entry, raw = drawn
    value = entry.decode(raw)
    low, high = entry.min, entry.max
    if value is not None and low is not None and high is not None and not low <= value <= high:
        with pytest.raises(LimitError, match="outside the limits"):
            entry.encode(value)
        return
    assert entry.encode(value) == raw
    assert entry.encode_nearest(value) == raw


@given(integers(), st.fractions(0, 1))
def test_encoding_takes_the_nearest_step_inside_the_limits(entry: Register, at: Fraction) -> None:
    codec = entry.codec
    assert isinstance(codec, IntegerCodec)
    low, high = codec.raw_bounds
    ends = sorted(Fraction(repr(float(codec.value(raw)))) for raw in (low, high))
    value = float(ends[0] + (ends[1] - ends[0]) * at)
    assume(entry.min is None or entry.min <= value <= entry.max)  # type: ignore[operator]
    try:
        raw = entry.encode(value)
    except LimitError as error:
        assert "means invalid" in str(error)  # noqa: PT017
        return
    step = abs(Fraction(repr(entry.scale)))
    exact = Fraction(repr(value))
    found = entry.decode(raw)
    assert isinstance(found, int | float)
    inner = [Fraction(repr(float(codec.value(each)))) for each in (low, high)]
    at_a_limit = Fraction(repr(float(found))) in inner
    distance = abs(Fraction(repr(float(found))) - exact)
    slack = abs(exact) / 2**50  # one double on the way
    assert distance <= (step if at_a_limit else step / 2) + slack


@given(integers(), st.floats(allow_nan=False))
def test_a_server_shows_the_nearest_that_it_can(entry: Register, value: float) -> None:
    raw = entry.encode_nearest(value)
    shown = entry.decode(raw)
    assert isinstance(shown, int | float)  # never the sentinel
    low = -math.inf if entry.min is None else entry.min
    high = math.inf if entry.max is None else entry.max
    assert low <= shown <= high
    codec = entry.codec
    assert isinstance(codec, IntegerCodec)
    least, most = sorted(float(codec.value(raw)) for raw in codec.raw_bounds)
    wanted = min(max(value, least), most)
    sentinel_step = 1 if entry.invalid is not None else 0
    steps = (0.5 + sentinel_step) * abs(entry.scale)
    assert abs(shown - wanted) <= steps * (1 + 1e-9) + abs(wanted) * 1e-12


def test_a_server_never_shows_the_sentinel_for_a_value() -> None:
    entry = register("u16", invalid=0xFFFF)
    assert entry.encode_nearest(1e9) == (0xFFFE,)
    assert register("i16", invalid=0x8000).encode_nearest(-1e9) == (0x8001,)
    assert entry.encode_nearest(None) == (0xFFFF,)


@given(floats().flatmap(lambda entry: st.tuples(st.just(entry), raw_words(entry))))
def test_every_single_precision_number_comes_back(drawn: tuple[Register, Any]) -> None:
    entry, raw = drawn
    value = entry.decode(raw)
    if value is None:
        pattern = join_words(raw, high_first=entry.word_order == "big")
        infinite_or_nan = pattern >> 23 & 0xFF == 0xFF
        assert infinite_or_nan or pattern == entry.invalid
        return
    assert entry.encode(value) == raw
    assert entry.encode_nearest(value) == raw


@given(st.floats(width=32, allow_nan=False, allow_infinity=False, allow_subnormal=False))
def test_single_precision_has_the_fewest_digits_as_numpy_finds_them(number: float) -> None:
    raw = struct.unpack(">2H", struct.pack(">f", number))
    assert register("f32").decode(raw) == float(str(np.float32(number)))


@given(st.floats(-1e6, 1e6))
def test_an_offset_costs_a_float_no_more_than_its_own_rounding(number: float) -> None:
    entry = register("f32", offset=273.15)
    shown = entry.decode(entry.encode(number))
    assert shown == pytest.approx(number, rel=2**-23, abs=(abs(number) + 300) * 2**-23)


@given(flags().flatmap(lambda entry: st.tuples(st.just(entry), raw_words(entry))))
def test_all_bits_come_back_named_or_not(drawn: tuple[Register, tuple[int, ...]]) -> None:
    entry, raw = drawn
    assert entry.encode(entry.decode(raw)) == raw


@given(choices(), st.integers(0, 0xFFFF))
def test_listed_choices_come_back_and_others_are_refused(entry: Register, raw: int) -> None:
    for listed, name in entry.values.items():
        assert entry.decode((listed,)) == name
        assert entry.encode(name) == entry.encode(listed) == (listed,)
    if raw not in entry.values:
        assert entry.decode((raw,)) == raw
        with pytest.raises(LimitError, match="is not one of choice-"):
            entry.encode(raw)


PRINTABLE = st.characters(min_codepoint=0x20, max_codepoint=0xFF, blacklist_categories=["Cc"])


@given(st.text(PRINTABLE, max_size=10))
def test_text_comes_back_without_its_padding(text: str) -> None:
    raw = register("string", words=5).encode(text)
    assert len(raw) == 5
    assert register("string", words=5).decode(raw) == text.rstrip(" ")


@given(st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4))
def test_text_of_a_server_never_steers_the_terminal(raw: list[int]) -> None:
    text = register("string", words=4).decode(raw)
    assert isinstance(text, str)
    assert not any(ord(mark) < 0x20 or 0x7F <= ord(mark) < 0xA0 for mark in text)


def test_text_ends_at_the_first_nul() -> None:
    assert register("string", words=3).decode((0x4100, 0x4243, 0x4445)) == "A"
    assert register("string", words=2).decode((0x4120, 0x2020)) == "A"


KINDS = {"u16": "UINT16", "i16": "INT16", "u32": "UINT32", "i32": "INT32"}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("order", ["big", "little"])
@given(data=st.data())
@settings(max_examples=40)
def test_whole_numbers_agree_with_pymodbus(kind: str, order: str, data: st.DataObject) -> None:
    width = 16 if kind.endswith("16") else 32
    low = -(1 << (width - 1)) if kind[0] == "i" else 0
    number = data.draw(st.integers(low, low + (1 << width) - 1))
    theirs = ModbusClientMixin.convert_to_registers(
        number,
        ModbusClientMixin.DATATYPE[KINDS[kind]],
        order,  # type: ignore[arg-type]
    )
    assert list(register(kind, word_order=order).encode(number)) == theirs


@pytest.mark.parametrize("order", ["big", "little"])
@given(number=st.floats(width=32, allow_nan=False, allow_infinity=False))
@settings(max_examples=60)
def test_single_precision_agrees_with_pymodbus(order: str, number: float) -> None:
    theirs = ModbusClientMixin.convert_to_registers(
        number,
        ModbusClientMixin.DATATYPE.FLOAT32,
        order,  # type: ignore[arg-type]
    )
    assert list(register("f32", word_order=order).encode(number)) == theirs


def test_halves_go_away_from_zero() -> None:
    entry = register("i16", scale=0.1)
    assert entry.encode(0.05) == (1,)
    assert entry.encode(-0.05) == (0xFFFF,)
    assert entry.encode(0.04999) == (0,)
    assert register("u16", scale=0.1).encode(60.25) == (603,)  # binary 60.25 * 10 is exact too
    assert register("u16", scale=0.01).encode(1.005) == (101,)  # 1.00499... in binary


def test_a_limit_between_two_steps_rounds_to_the_inner_one() -> None:
    entry = register("u16", scale=0.5, min=0.7, max=9.8)
    assert entry.decode(entry.encode(0.7)) == 1.0
    assert entry.decode(entry.encode(9.8)) == 9.5
    falling = register("u16", scale=-0.5, offset=20, min=0.7, max=9.8)
    assert falling.decode(falling.encode(0.7)) == 1.0
    assert falling.decode(falling.encode(9.8)) == 9.5


CURRENT = register("u16", scale=0.1, min=20, max=125, unit="A")

REFUSED: list[tuple[Register, Any, str]] = [
    (CURRENT, 125.04, "x: 125.04 A is outside the limits; give 20 to 125 A"),
    (CURRENT, 19.99, "x: 19.99 A is outside the limits; give 20 to 125 A"),
    (CURRENT, math.nan, "x: nan is not a number; give 20 to 125 A"),
    (CURRENT, math.inf, "x: inf is not a finite number; give 20 to 125 A"),
    (CURRENT, "60", "x: '60' is not a number; give 20 to 125 A"),
    (CURRENT, True, "x: True is not a number; give 20 to 125 A"),
    (CURRENT, None, "x: the map gives no raw value that means invalid; give a value"),
    (CURRENT, 10**400, "x: the number is too large; give 20 to 125 A"),
    (register(min=5), 4, "x: 4 is outside the limits; give at least 5"),
    (register(max=5), 6, "x: 6 is outside the limits; give at most 5"),
    (register(), 65536, "x: 65536 does not fit the register; it holds 0 to 65535"),
    (register(), -1, "x: -1 does not fit the register; it holds 0 to 65535"),
    (register(min=5), 70000, "x: 70000 does not fit the register; it holds 0 to 65535"),
    (register(invalid=0xFFFF), 65535, "x: 65535 is the raw value 0xffff, which means invalid"),
    (register("f32"), 1e39, "x: 1e+39 does not fit a single-precision number"),
    (register("f32"), math.nan, "x: nan is not a number; give a number"),
    (register("f32", invalid=0x3F800000), 1.0, "x: 0x3f800000 means invalid"),
    (register("f32"), None, "x: the map gives no raw value that means invalid"),
    (register("enumeration", values=MODES), "idel", "is not one of off, idle, cutting; did you"),
    (register("enumeration", values=MODES), 3, "x: 3 is not one of off, idle, cutting"),
    (register("enumeration", values=MODES), True, "x: True is not one of"),
    (register("enumeration", values=MODES), None, "x: the map gives no raw value"),
    (register("bits", bits=FLAGS), ("redy",), "x: 'redy' is not one of ready, fault, late; did"),
    (register("bits", bits=FLAGS), ("bit16",), "x: 'bit16' is not one of"),
    (register("bits", bits=FLAGS), 0x10000, "x: 65536 does not fit into 16 bits"),
    (register("bits", bits=FLAGS, invalid=0x8000), 0x8000, "x: 0x8000 means invalid"),
    (register("bits", bits=FLAGS), 1.5, "x: 1.5 is not a list of bit names"),
    (register("bits", bits=FLAGS), None, "x: the map gives no raw value"),
    (register("string", words=2), "ABCDE", "x: 'ABCDE' has 5 characters; give at most 4"),
    (register("string", words=2), "Ω", "x: 'Ω' has 'Ω'; give printable Latin-1 characters"),
    (register("string", words=2), "A\n", "has '\\\\n'; give printable"),
    (register("string", words=2), "A\x9b", "give printable"),
    (register("string", words=2), 5, "x: 5 is not text"),
    (register("bool"), 2, "x: 2 is neither on nor off"),
    (register("bool"), "on", "x: 'on' is neither on nor off"),
    (register("bool"), None, "x: None is neither on nor off"),
]


@pytest.mark.parametrize(("entry", "value", "message"), REFUSED)
def test_refusals_say_what_is_allowed(entry: Register, value: Any, message: str) -> None:
    with pytest.raises(LimitError, match=message.replace("+", r"\+")):
        entry.encode(value)


@pytest.mark.parametrize(
    ("entry", "text", "value"),
    [
        (CURRENT, "63.5", 63.5),
        (CURRENT, " 63.5 A", 63.5),
        (CURRENT, "0x3C", 60),
        (CURRENT, "+6e1", 60.0),
        (register("i16"), "-7", -7),
        (register("enumeration", values=MODES), "Idle", "idle"),
        (register("enumeration", values=MODES), "2", "idle"),
        (register("enumeration", values={3: "9600", 9600: "other"}), "9600", "9600"),
        (register("bits", bits=FLAGS), "ready|fault", ("ready", "fault")),
        (register("bits", bits=FLAGS), "ready, bit5", ("ready", "bit5")),
        (register("bits", bits=FLAGS), "0x21", ("ready", "bit5")),
        (register("bits", bits=FLAGS), "none", ()),
        (register("string", words=2), "A b", "A b"),
        (register("bool"), "ON", True),
        (register("bool"), "0", False),
    ],
)
def test_text_is_read_by_the_type(entry: Register, text: str, value: Any) -> None:
    assert entry.parse(text) == value


@pytest.mark.parametrize(
    ("entry", "text", "message"),
    [
        (CURRENT, "63,5", "x: '63,5' is not a number; write 63.5 with a point"),
        (CURRENT, "nan", "x: 'nan' is not a number"),
        (CURRENT, "1_000", "is not a number"),
        (CURRENT, "63.5 V", "is not a number"),
        (CURRENT, "9" * 5000, "is not a number"),
        (CURRENT, "٣", "is not a number"),
        (register("enumeration", values=MODES), "5", "x: '5' is not one of off, idle, cutting"),
        (register("bits", bits=FLAGS), "ready|", "x: '' is not one of"),
        (register("bits", bits=FLAGS), "-1", "x: -1 does not fit into 16 bits"),
        (register("bool"), "maybe", "x: 'maybe' is neither on nor off"),
    ],
)
def test_text_that_says_no_value(entry: Register, text: str, message: str) -> None:
    with pytest.raises(LimitError, match=message):
        entry.parse(text)


def test_invalid_goes_both_ways() -> None:
    for kind, invalid, raw in (
        ("u16", 0xFFFF, (0xFFFF,)),
        ("i16", 0x8000, (0x8000,)),
        ("u32", 0xFFFFFFFF, (0xFFFF, 0xFFFF)),
        ("f32", 0x7FC00000, (0x7FC0, 0)),
    ):
        entry = register(kind, invalid=invalid)
        assert entry.decode(raw) is None
        assert entry.encode(None) == entry.encode_nearest(None) == raw
    assert register("f32").decode((0x7F80, 0)) is None  # infinity is no reading
    entry = register("enumeration", values=MODES, invalid=0xFFFF)
    assert entry.decode((0xFFFF,)) is None
    assert entry.encode(None) == (0xFFFF,)
    entry = register("bits", bits=FLAGS, invalid=0xFFFF)
    assert entry.decode((0xFFFF,)) is None
    assert entry.encode(None) == (0xFFFF,)


def test_raw_words_of_another_length_or_size_are_the_callers_mistake() -> None:
    with pytest.raises(UsageError, match="has 2 words, not 1"):
        register("u32").decode((1,))
    with pytest.raises(UsageError, match="65536 is no raw value"):
        register().decode((65536,))
    with pytest.raises(UsageError, match="2 is no raw value; give 0 to 1"):
        register("bool").decode((2,))


def test_a_server_holds_a_float_at_its_limits() -> None:
    entry = register("f32", min=0.5, max=2)
    assert entry.decode(entry.encode_nearest(9)) == 2
    assert entry.decode(entry.encode_nearest(-9)) == 0.5
    assert isinstance(register("f32").codec, FloatCodec)
    assert register("f32").encode_nearest(1e300) == (0x7F7F, 0xFFFF)
