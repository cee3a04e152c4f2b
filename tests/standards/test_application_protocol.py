"""MODBUS Application Protocol V1.1b3: worked examples, limits, order of checks, codes."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from standards.worked_examples import EXAMPLES, REFUSALS, SEEN_FRAMES, SERVER, Example, Refusal
from strategies import WORDS
from supplies import Bench

from kerfbus.bench import wire
from kerfbus.bench.crc import crc_good
from kerfbus.bench.errors import WireError
from kerfbus.bench.wire import DiagnosticSub, ExceptionCode, FunctionCode, layouts
from kerfbus.bench.wire.codes import RESERVED, USER_DEFINED

VALUE = ExceptionCode.ILLEGAL_DATA_VALUE
ADDRESS = ExceptionCode.ILLEGAL_DATA_ADDRESS
by_section = pytest.mark.parametrize("example", EXAMPLES, ids=lambda each: each.label)


@by_section
def test_example_requests(example: Example) -> None:
    assert wire.parse_request(example.request_pdu) == example.request
    assert wire.build(example.request) == example.request_pdu
    assert layouts.parse_request(example.request_pdu) == example.request
    assert layouts.build(example.request) == example.request_pdu
    assert wire.check_limits(example.request) is None


@by_section
def test_example_replies(example: Example) -> None:
    if example.reply is None:
        assert example.section == "6.13", "no bytes are printed there only"
        return
    assert wire.parse_reply(example.reply_pdu) == example.reply
    assert wire.build(example.reply) == example.reply_pdu
    assert layouts.parse_reply(example.reply_pdu) == example.reply
    assert layouts.build(example.reply) == example.reply_pdu


@by_section
def test_example_frames(example: Example) -> None:
    assert wire.adu(SERVER, example.request) == example.request_frame
    assert crc_good(example.request_frame)
    if example.reply is not None:
        assert wire.adu(SERVER, example.reply) == example.reply_frame
        assert crc_good(example.reply_frame)


def test_examples_cover_every_public_function() -> None:
    assert {example.request.function for example in EXAMPLES} == set(FunctionCode)


@pytest.mark.parametrize("frame", SEEN_FRAMES, ids=lambda frame: frame.hex(" "))
def test_frames_seen_elsewhere(frame: bytes) -> None:
    """Frames of unrelated public sources, CRC included; each is what its layout says it is."""
    assert crc_good(frame)
    told = []
    for parse in (wire.parse_request, wire.parse_reply):
        try:
            message = parse(frame[1:-2])
        except WireError:
            continue
        told.append(message)
        assert wire.adu(frame[0], message) == frame
    assert told


def test_a_frame_of_another_address_has_another_crc() -> None:
    """A public source pairs this CRC with address 01; it belongs to address 11."""
    assert not crc_good(bytes.fromhex("01 01 00 13 00 25 0E 84"))


def test_numbers_are_big_endian() -> None:
    """4.2: 1234 is sent as 12 34."""
    assert wire.build(wire.WriteSingleRegister(0, 0x1234))[-2:] == b"\x12\x34"


def test_mask_write_formula() -> None:
    """6.16: 12, F2 and 25 give 17 (hexadecimal)."""
    assert wire.MaskWriteRegister(4, 0xF2, 0x25).apply(0x12) == 0x17


@given(WORDS, WORDS)
def test_mask_write_with_one_mask_alone(current: int, mask: int) -> None:
    """6.16: an OR mask of 0 is a plain AND; an AND mask of 0 gives the OR mask."""
    assert wire.MaskWriteRegister(0, mask, 0).apply(current) == current & mask
    assert wire.MaskWriteRegister(0, 0, mask).apply(current) == mask


def _span(function: int, count: int) -> bytes:
    return struct.pack(">BHH", function, 0, count)


def _coils(count: int) -> bytes:
    size = (count + 7) // 8
    return struct.pack(">BHHB", 0x0F, 0, count, size) + bytes(size)


def _registers(count: int) -> bytes:
    return struct.pack(">BHHB", 0x10, 0, count, 2 * count) + bytes(2 * count)


def _read_write(read: int, write: int) -> bytes:
    head = struct.pack(">BHHHHB", 0x17, 0, read, 0, write, 2 * write)
    return head + bytes(2 * write)


def _read_files(groups: int, record: int = 0, count: int = 1, file: int = 1) -> bytes:
    group = struct.pack(">BHHH", 6, file, record, count)
    return bytes((0x14, 7 * groups)) + group * groups


def _write_file(count: int, record: int = 0, file: int = 1) -> bytes:
    group = struct.pack(">BHHH", 6, file, record, count) + bytes(2 * count)
    return bytes((0x15, len(group))) + group


LIMITS = [
    # section, request, exception
    *(
        (section, _span(code, count), exception)
        for code, section, most in (
            (1, "6.1", 2000), (2, "6.2", 2000), (3, "6.3", 125), (4, "6.4", 125),
        )
        for count, exception in (
            (0, VALUE), (1, None), (most, None), (most + 1, VALUE), (0xFFFF, VALUE),
        )
    ),
    *(
        ("6.5", struct.pack(">BHH", 5, 0, value), exception)
        for value, exception in (
            (0x0000, None), (0xFF00, None), (0x0001, VALUE), (0x00FF, VALUE), (0xFF01, VALUE),
            (0xFFFF, VALUE),
        )
    ),
    ("6.6", struct.pack(">BHH", 6, 0, 0), None),
    ("6.6", struct.pack(">BHH", 6, 0xFFFF, 0xFFFF), None),
    ("6.11", _coils(0), VALUE),
    ("6.11", _coils(1), None),
    ("6.11", _coils(1968), None),
    ("6.11", _coils(1969), VALUE),
    ("6.12", _registers(0), VALUE),
    ("6.12", _registers(1), None),
    ("6.12", _registers(123), None),
    ("6.12", _registers(124), VALUE),
    ("6.14", _read_files(0), VALUE),
    ("6.14", _read_files(1), None),
    ("6.14", _read_files(35), None),
    ("6.14", _read_files(36), VALUE),
    ("6.14", _read_files(1, count=121), None),
    ("6.14", _read_files(1, count=122), VALUE),
    ("6.14", _read_files(1, record=0x270F), None),
    ("6.14", _read_files(1, record=0x2710), ADDRESS),
    ("6.14", _read_files(1, file=0), ADDRESS),
    ("6.14", _read_files(1, file=0xFFFF), None),
    ("6.15", bytes.fromhex("15 00"), VALUE),
    ("6.15", _write_file(0), VALUE),
    ("6.15", _write_file(1), None),
    ("6.15", _write_file(122), None),
    ("6.15", _write_file(123), VALUE),
    ("6.15", _write_file(1, record=0x2710), ADDRESS),
    ("6.15", _write_file(1, file=0), ADDRESS),
    ("6.16", struct.pack(">BHHH", 0x16, 0, 0, 0xFFFF), None),
    ("6.17", _read_write(0, 1), VALUE),
    ("6.17", _read_write(1, 0), VALUE),
    ("6.17", _read_write(1, 1), None),
    ("6.17", _read_write(125, 121), None),
    ("6.17", _read_write(126, 121), VALUE),
    ("6.17", _read_write(125, 122), VALUE),
    ("6.18", struct.pack(">BH", 0x18, 0xFFFF), None),
    *(
        ("6.21", bytes((0x2B, 0x0E, code, 0xFF)), None if 1 <= code <= 4 else VALUE)
        for code in (0, 1, 2, 3, 4, 5, 0xFF)
    ),
]  # fmt: skip


def wire_refusal(pdu: bytes) -> int | None:
    """Return with what the wire formats alone refuse a request."""
    try:
        request = wire.parse_request(pdu)
    except WireError as error:
        return error.exception
    if isinstance(request, wire.RawRequest):
        return ExceptionCode.ILLEGAL_FUNCTION
    return wire.check_limits(request)


@pytest.mark.parametrize(
    ("section", "pdu", "exception"), LIMITS, ids=[f"{s}-{p[:8].hex()}" for s, p, _ in LIMITS]
)
def test_limits_of_requests(section: str, pdu: bytes, exception: int | None) -> None:
    assert wire_refusal(pdu) == exception


@pytest.mark.parametrize(
    ("section", "pdu", "good"),
    [
        ("6.1", bytes((1, 0)), False),
        ("6.1", bytes((1, 250)) + bytes(250), True),
        ("6.1", bytes((1, 251)) + bytes(251), False),
        ("6.3", bytes((3, 0)), False),
        ("6.3", bytes((3, 1, 0)), False),
        ("6.3", bytes((3, 3, 0, 0)), False),
        ("6.3", bytes((3, 3, 0, 0, 0)), False),
        ("6.3", bytes((3, 250)) + bytes(250), True),
        ("6.10", bytes((0x0C, 6)) + bytes(6), True),
        ("6.10", bytes((0x0C, 5)) + bytes(5), False),
        ("6.10", bytes((0x0C, 70)) + bytes(70), True),
        ("6.10", bytes((0x0C, 71)) + bytes(71), False),
        ("6.14", bytes((0x14, 244, 243, 6)) + bytes(242), True),
        ("6.14", bytes((0x14, 246, 245, 6)) + bytes(244), False),
        ("6.14", bytes((0x14, 245, 242, 6)) + bytes(241) + b"\1\6", False),  # half a register
        ("6.14", bytes((0x14, 6, 3, 5, 0, 0, 1, 6)), False),  # reference type 5
        ("6.17", bytes((0x17, 250)) + bytes(250), True),
        ("6.17", bytes((0x17, 0)), False),
        ("6.17", bytes((0x17, 3, 0, 0)), False),
        ("6.18", struct.pack(">BHH", 0x18, 2, 0), True),
        ("6.18", struct.pack(">BHH", 0x18, 64, 31) + bytes(62), True),
        ("6.18", struct.pack(">BHH", 0x18, 66, 32) + bytes(64), False),
        ("6.18", struct.pack(">BHH", 0x18, 6, 1) + bytes(4), False),
        ("6.18", bytes((0x18, 6, 0, 2, 1, 0xB8, 0x12, 0x84)), False),  # a count of one byte
        ("6.21", bytes.fromhex("2B 0E 01 01 FF 05 00"), True),
        ("6.21", bytes.fromhex("2B 0E 01 01 01 05 00"), False),
        ("6.21", bytes.fromhex("2B 0E 01 01 00 00 03"), False),
    ],
    ids=lambda value: value[:8].hex() if isinstance(value, bytes) else str(value),
)
def test_limits_of_replies(section: str, pdu: bytes, good: bool) -> None:
    if good:
        assert wire.build(wire.parse_reply(pdu)) == pdu
    else:
        with pytest.raises(WireError):
            wire.parse_reply(pdu)


def test_more_to_write_into_files_than_fits() -> None:
    """6.15: a data length of FB fills a PDU, so what is beyond it can only be asked beforehand."""
    fits = wire.WriteFileRecord((wire.FileData(1, 0, (0,) * 122),))
    assert wire.check_limits(fits) is None
    assert len(wire.build(fits)) == 253
    assert wire.check_limits(wire.WriteFileRecord((wire.FileData(1, 0, (0,) * 123),))) == VALUE


def test_longest_pdu() -> None:
    """4.1: 253 characters."""
    assert len(wire.build(wire.RawRequest(65, bytes(252)))) == 253
    for build in (wire.build, layouts.build):
        with pytest.raises(WireError, match="253"):
            build(wire.RawRequest(65, bytes(253)))
    for parse in (wire.parse_request, wire.parse_reply, layouts.parse_request):
        with pytest.raises(WireError, match="254 bytes"):
            parse(bytes((65,)) + bytes(253))


@pytest.mark.parametrize("size", [0, 2, 3, 0xFF])
@pytest.mark.parametrize("head", ["0F 0000 0008", "10 0000 0002", "17 0000 0001 0000 0002"])
def test_byte_count_that_does_not_fit_is_exception_03(head: str, size: int) -> None:
    """6.11, 6.12 and 6.17: the byte count follows from the quantity, whatever is behind it."""
    for behind in (1, 4, size):
        with pytest.raises(WireError) as caught:
            wire.parse_request(bytes.fromhex(head) + bytes((size,)) + bytes(behind))
        if len(head) + behind < 253:
            assert caught.value.path == "byte_count"
        assert caught.value.exception == VALUE


@pytest.mark.parametrize("case", REFUSALS, ids=lambda each: f"{each.source}-{each.pdu[:5].hex()}")
def test_order_of_checks(case: Refusal) -> None:
    """Figures 11-16, 21, 22, 27: whatever comes before the address is decided by the formats.

    What they let pass is then refused for its address, or answered: that is the server's part.
    """
    before_address = None if case.exception in (None, ADDRESS) else case.exception
    assert wire_refusal(case.pdu) == before_address


@pytest.mark.parametrize(
    "case",
    [case for case in REFUSALS if case.certain],
    ids=lambda each: f"{each.source}-{each.pdu[:5].hex()}",
)
def test_order_of_checks_by_the_simulated_supply(case: Refusal) -> None:
    """The same to the end: its registers end at 99 and FFFF is in none of its tables."""
    answer = Bench().pdu(case.pdu)
    assert answer is not None
    reply = wire.parse_reply(answer)
    if case.exception is None:
        assert not isinstance(reply, wire.ExceptionReply)
    else:
        assert reply == wire.ExceptionReply(case.pdu[0], case.exception)


def test_ambiguous_orders_are_marked() -> None:
    """Figures 26 and 28 can be read in two ways; nothing may be asserted from them."""
    assert {case.pdu[0] for case in REFUSALS if not case.certain} == {0x16, 0x18}


def test_ranges_of_codes() -> None:
    """Section 5 and annex A."""
    assert {*range(65, 73), *range(100, 111)} == USER_DEFINED
    assert {9, 10, 13, 14, 41, 42, 90, 91, 125, 126, 127} == RESERVED
    public = {*range(0x01, 0x09), 0x0B, 0x0C, *range(0x0F, 0x12), *range(0x14, 0x19), 0x2B}
    assert public == set(FunctionCode)


@pytest.mark.parametrize("code", [*range(1, 128)])
def test_what_is_not_public_passes_as_it_is(code: int) -> None:
    """Section 5 and annex A: user-defined and reserved codes have no layout."""
    pdu = bytes((code, 1, 2, 3))
    if code in set(FunctionCode):
        return
    assert wire.parse_request(pdu) == wire.RawRequest(code, b"\1\2\3")
    assert wire.parse_reply(pdu) == wire.RawReply(code, b"\1\2\3")
    kind = "user-defined" if code in USER_DEFINED else "reserved" if code in RESERVED else "unassig"
    assert wire.function_name(code).startswith(kind)


@pytest.mark.parametrize("mei", [0x0D, 0x00, 0x0F, 0xFF])
def test_other_encapsulated_interfaces_pass_as_they_are(mei: int) -> None:
    """6.19, 6.20 and annex A: 2B/0D and reserved types."""
    pdu = bytes((0x2B, mei, 0x01, 0x02))
    assert wire.parse_request(pdu) == wire.RawRequest(0x2B, pdu[1:])
    assert wire.parse_reply(pdu) == wire.RawReply(0x2B, pdu[1:])
    assert wire.build(wire.RawRequest(0x2B, pdu[1:])) == pdu


@pytest.mark.parametrize("code", [0, *range(0x80, 0x100)])
def test_function_codes_that_no_request_has(code: int) -> None:
    """4.1: 1 to 127; 128 to 255 mark exceptions."""
    with pytest.raises(WireError) as caught:
        wire.parse_request(bytes((code, 0)))
    assert caught.value.exception == ExceptionCode.ILLEGAL_FUNCTION


@pytest.mark.parametrize("function", range(1, 128))
def test_exception_replies(function: int) -> None:
    """Section 7: the function code with its top bit set, and one code."""
    pdu = bytes((function | 0x80, 0x04))
    assert wire.parse_reply(pdu) == wire.ExceptionReply(function, 4)
    assert wire.build(wire.ExceptionReply(function, 4)) == pdu
    for damaged in (pdu[:1], pdu + b"\0"):
        with pytest.raises(WireError):
            wire.parse_reply(damaged)


def test_exception_codes() -> None:
    """Section 7, the table; 07 is missing there, and 6.10 speaks of it all the same."""
    assert set(ExceptionCode) == {1, 2, 3, 4, 5, 6, 7, 8, 0x0A, 0x0B}
    assert ExceptionCode(2).text == "illegal data address"


DATA_OF_SUB_FUNCTIONS = [
    # 6.8.1: sub-function, data that are good, data that are not
    (0x00, ["0000", "A537", "A537 0102 0304"], [""]),
    (0x01, ["0000", "FF00"], ["FFFF", "0001", "FF00 0000"]),
    (0x02, ["0000"], ["0001"]),
    (0x03, ["0A00", "FF00"], ["0A01"]),
    (0x04, ["0000"], ["0001"]),
    *((sub, ["0000"], ["0001", "0000 0000", ""]) for sub in (*range(0x0A, 0x13), 0x14)),
]


@pytest.mark.parametrize(("sub", "good", "bad"), DATA_OF_SUB_FUNCTIONS)
def test_data_of_diagnostics(sub: int, good: list[str], bad: list[str]) -> None:
    for data in good:
        pdu = struct.pack(">BH", 8, sub) + bytes.fromhex(data)
        assert wire.parse_request(pdu) == wire.Diagnostics(sub, pdu[3:])
        assert wire.build(wire.parse_request(pdu)) == pdu
        assert wire_refusal(pdu) is None
    for data in bad:
        assert wire_refusal(struct.pack(">BH", 8, sub) + bytes.fromhex(data)) == VALUE


def test_sub_functions() -> None:
    """6.8.1: 05 to 09, 13 and from 15 on are reserved."""
    assert set(DiagnosticSub) == {sub for sub, _, _ in DATA_OF_SUB_FUNCTIONS}
    for sub in (*range(0x05, 0x0A), 0x13, 0x15, 0xFFFF):
        assert wire_refusal(struct.pack(">BHH", 8, sub, 0)) == ExceptionCode.ILLEGAL_FUNCTION


def test_half_a_word_of_diagnostic_data_is_malformed() -> None:
    """6.8: N x 2 bytes."""
    assert wire_refusal(bytes.fromhex("08 00 00 A5 37 01")) == VALUE
