"""The quick packers against the map's own codecs."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from kerfbus.bench.regmap import Register, Table, Type
from kerfbus.sim.cells import Cell, mask_of, names_of, packer, writer
from kerfbus.sim.maps import default_map

MAP = default_map()
NUMBERS = [each for each in MAP.registers if each.type.numeric]


def words(data: bytes) -> tuple[int, ...]:
    return struct.unpack(f">{len(data) // 2}H", data)


@given(st.sampled_from(NUMBERS), st.floats(-1e6, 1e6, allow_nan=False))
@examples(max_examples=400, deadline=None)
def test_numbers_come_as_the_codec_packs_them(register: Register, value: float) -> None:
    packed, exact = words(packer(register)(value)), register.encode_nearest(value)
    if packed != exact:  # half-way between two steps either neighbour is right
        one, two = register.decode(packed), register.decode(exact)
        assert isinstance(one, float | int)
        assert isinstance(two, float | int)
        step = 1e-4 if register.type is Type.F32 else abs(register.scale)
        assert abs(one - two) <= step * 1.000001
        assert abs((value - one) - (two - value)) <= step * 0.01


CELLS = st.floats(-1e10, 1e10, allow_nan=False) | st.floats(0, 200) | st.integers(-9, 2**33)
ODD = (
    Register("lu", Table.INPUT, 0, Type.U32, words=2, word_order="little"),
    Register("lf", Table.INPUT, 0, Type.F32, words=2, word_order="little"),
    Register("ii", Table.INPUT, 0, Type.I32, words=2, invalid=0x80000000),
    Register("uo", Table.INPUT, 0, Type.U16, scale=0.1, offset=-40.0, invalid=7),
    Register("fo", Table.INPUT, 0, Type.F32, words=2, scale=0.5, offset=3.0, min=-2.0, max=90.0),
)


@given(st.sampled_from([*NUMBERS, *ODD]), CELLS | st.none() | st.booleans(), st.integers(0, 3))
@examples(max_examples=600, deadline=None)
def test_a_writer_puts_what_the_packer_makes(register: Register, value: Cell, at: int) -> None:
    image = bytearray(b"\x5a" * (8 + 2 * register.words))
    expected = bytearray(image)
    expected[2 * at : 2 * (at + register.words)] = packer(register)(value)
    writer(register)(image, 2 * at, value)
    assert image == expected


OTHERS = [each for each in MAP.registers if not each.type.numeric and each.type is not Type.STRING]


@given(st.sampled_from(OTHERS), st.integers(0, 255) | st.booleans() | st.none())
@examples(max_examples=100, deadline=None)
def test_a_writer_of_bits_and_choices_does_too(register: Register, value: Cell) -> None:
    packed = packer(register)(value)
    image = bytearray(len(packed) + 1)
    writer(register)(image, 0, value)
    assert image == packed + b"\0"


@pytest.mark.parametrize("register", NUMBERS, ids=lambda register: register.name)
def test_numbers_are_held_at_their_limits(register: Register) -> None:
    pack = packer(register)
    for value in (-1e9, 1e9):
        assert words(pack(value)) == register.encode_nearest(value)
    if register.invalid is not None:
        assert words(pack(None)) == register.encode(None)


def test_a_reading_is_never_taken_for_invalid() -> None:
    low = Register("t", Table.INPUT, 0, Type.I16, scale=0.1, invalid=0x8000)
    assert words(packer(low)(-1e6)) == (0x8001,)
    high = Register("p", Table.INPUT, 0, Type.U16, invalid=0xFFFF)
    assert words(packer(high)(1e6)) == (0xFFFE,)


def test_word_order_is_the_registers() -> None:
    for order, expected in (("big", (1, 2)), ("little", (2, 1))):
        register = Register("n", Table.INPUT, 0, Type.U32, words=2, word_order=order)
        assert words(packer(register)(0x10002)) == expected
        bits = Register("b", Table.INPUT, 0, Type.BITS, words=2, word_order=order, bits={0: "x"})
        assert words(packer(bits)(0x10002)) == expected
        single = Register("f", Table.INPUT, 0, Type.F32, words=2, word_order=order)
        assert words(packer(single)(1.5)) == single.encode(1.5)


def test_texts_choices_and_switches() -> None:
    tag = MAP.by_name("asset_tag")
    assert words(packer(tag)("TABLE 1")) == tag.encode("TABLE 1")
    mode = MAP.by_name("mode")
    assert words(packer(mode)(9)) == mode.encode("cutting")
    assert packer(MAP.by_name("ready"))(True) == b"\x01"
    assert packer(MAP.by_name("ready"))(None) == b"\x00"


def test_masks_by_name() -> None:
    status = MAP.by_name("status")
    assert mask_of(status, {"enabled", "fault", "no such bit"}) == 1 | 1 << 10
    assert mask_of(None, {"enabled"}) == 0
    assert names_of({"a": True, "b": False}) == {"a"}
