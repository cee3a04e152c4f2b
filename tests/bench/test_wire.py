"""Messages to bytes and back, through the public door."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
import strategies
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench import wire
from kerfbus.bench.crc import crc_good
from kerfbus.bench.errors import KerfbusError, WireError
from kerfbus.bench.wire import layouts
from kerfbus.bench.wire.replies import Reply
from kerfbus.bench.wire.requests import Request

every_request = pytest.mark.parametrize("kind", strategies.REQUESTS, ids=lambda kind: kind.__name__)
every_reply = pytest.mark.parametrize("kind", strategies.REPLIES, ids=lambda kind: kind.__name__)
many = settings(max_examples=250)


def test_strategies_know_every_message() -> None:
    assert set(strategies.REQUESTS) == set(Request.__args__)
    assert set(strategies.REPLIES) == set(Reply.__args__)


@every_request
def test_requests_survive(kind: type) -> None:
    @settings(max_examples=60)
    @given(strategies.REQUESTS[kind])
    def check(request: Any) -> None:
        pdu = wire.build(request)
        assert 1 <= len(pdu) <= wire.MAX_PDU
        assert pdu[0] == request.function
        parsed = wire.parse_request(pdu)
        assert type(parsed) is kind
        assert parsed == request
        assert wire.check_limits(request) is None

    check()


@every_reply
def test_replies_survive(kind: type) -> None:
    @settings(max_examples=60)
    @given(strategies.REPLIES[kind])
    def check(reply: Any) -> None:
        pdu = wire.build(reply)
        assert 1 <= len(pdu) <= wire.MAX_PDU
        parsed = wire.parse_reply(pdu)
        assert type(parsed) is kind
        assert parsed == reply

    check()


@many
@given(strategies.buildable_requests())
def test_requests_outside_the_limits_survive_too(request: Any) -> None:
    try:
        pdu = wire.build(request)
    except WireError:
        # Only groups of files are drawn without regard to the length of a PDU.
        assert isinstance(request, wire.ReadFileRecord | wire.WriteFileRecord)
        return
    assert wire.parse_request(pdu) == request


def parsed_or_refused(
    parse: Callable[[bytes], Any], pdu: bytes
) -> tuple[Any, None] | tuple[None, WireError]:
    try:
        return parse(pdu), None
    except WireError as error:
        return None, error


def check_bytes(pdu: bytes) -> None:
    """Whatever the bytes are: a message that builds to the same bytes, or a WireError."""
    for parse in (wire.parse_request, wire.parse_reply):
        message, refused = parsed_or_refused(parse, pdu)
        if refused is not None:
            assert len(str(refused).splitlines()) == 1
            answered = parse is wire.parse_request and pdu
            assert refused.exception in ((1, 2, 3) if answered else (0,))
            continue
        assert wire.build(message) == pdu
        assert wire.describe(message)
        if parse is wire.parse_request:
            assert wire.check_limits(message) in (None, 1, 2, 3)


@many
@given(st.binary(max_size=260))
def test_any_bytes(pdu: bytes) -> None:
    check_bytes(pdu)


@many
@given(st.sampled_from(list(wire.FunctionCode)), st.binary(max_size=40))
def test_any_bytes_behind_a_public_function_code(code: int, data: bytes) -> None:
    check_bytes(bytes((code,)) + data)


@many
@given(strategies.near_pdus(st.one_of(strategies.requests(), strategies.replies())))
def test_bytes_that_are_nearly_a_message(pdu: bytes) -> None:
    check_bytes(pdu)


@pytest.mark.parametrize("kind", [*strategies.REQUESTS, *strategies.REPLIES], ids=str)
def test_every_cut_and_every_tail_is_refused(kind: type) -> None:
    """No layout takes a part of a message, or more than it, for a message of the same kind."""
    if kind in (wire.RawRequest, wire.RawReply):
        return  # any length is right
    table, parse = (
        (strategies.REQUESTS, wire.parse_request)
        if kind in strategies.REQUESTS
        else (strategies.REPLIES, wire.parse_reply)
    )
    # Words of diagnostic data may be cut off or added; half a word may not.
    step = 2 if kind in (wire.Diagnostics, wire.DiagnosticsReply) else 1

    @settings(max_examples=20)
    @given(table[kind], st.binary(min_size=1, max_size=3))
    def check(message: Any, tail: bytes) -> None:
        pdu = wire.build(message)
        shorter = [pdu[:size] for size in range(max(len(pdu) - 30, 0), len(pdu))]
        for wrong in (*shorter, pdu + tail):
            if step == 2 and len(wrong) >= 3 and len(wrong) % 2:
                continue
            with pytest.raises(WireError):
                parse(wrong)

    check()


def test_messages_are_values() -> None:
    request = wire.ReadCoils(1, 2)
    assert request != wire.ReadDiscreteInputs(1, 2)
    assert hash(request) == hash(wire.ReadCoils(1, 2))
    with pytest.raises(dataclasses.FrozenInstanceError):
        request.start = 3  # type: ignore[misc]
    for kind in (*strategies.REQUESTS, *strategies.REPLIES):
        assert "__dict__" not in dir(kind), kind
    assert {kind.function for kind in strategies.REQUESTS if kind is not wire.RawRequest} == set(
        wire.FunctionCode
    )


@pytest.mark.parametrize("kind", [wire.WriteSingleCoil, wire.WriteSingleCoilReply])
def test_single_coil_keeps_what_it_was(kind: type) -> None:
    assert kind(7, True) == kind(7, raw=0xFF00)
    assert kind(7, False) == kind(7, raw=0)
    assert kind(7, True).on
    assert not kind(7, raw=0x1234).on
    parse = wire.parse_request if kind is wire.WriteSingleCoil else wire.parse_reply
    assert parse(bytes.fromhex("05 00 07 12 34")) == kind(7, raw=0x1234)
    assert dataclasses.replace(kind(7, raw=0x1234), start=8) == kind(8, raw=0x1234)


def test_padding_of_written_coils_is_kept() -> None:
    pdu = bytes.fromhex("0F 00 13 00 0A 02 CD FD")
    request = wire.parse_request(pdu)
    assert isinstance(request, wire.WriteMultipleCoils)
    assert request.bits[8:] == (True, False)
    assert request.padding == 0x3F
    assert wire.build(request) == pdu
    assert wire.check_limits(request) is None


def test_bit_replies_are_filled_to_whole_bytes() -> None:
    reply = wire.ReadCoilsReply.padded([True] * 9)
    assert reply.bits == (True,) * 9 + (False,) * 7
    assert wire.build(reply) == b"\x01\x02\xff\x01"
    with pytest.raises(WireError, match="multiple of 8"):
        wire.build(wire.ReadCoilsReply((True,) * 9))


@pytest.mark.parametrize(
    ("message", "path"),
    [
        (wire.ReadCoils(-1, 1), "start"),
        (wire.ReadCoils(0, 0x10000), "count"),
        (wire.WriteSingleRegister(0, 0x10000), "value"),
        (wire.WriteSingleCoil(0, raw=-1), "raw"),
        (wire.WriteMultipleCoils(0, (True,), padding=0x80), "padding"),
        (wire.WriteMultipleRegisters(0, (1, -1)), "values"),
        (wire.WriteMultipleRegisters(0, (1,) * 124), ""),
        (wire.WriteMultipleCoils(0, (True,) * 1977), ""),
        (wire.MaskWriteRegister(0, 0, 0x10000), "or_mask"),
        (wire.Diagnostics(0, b"\1"), "data"),
        (wire.ReadFileRecord((wire.FileRange(1, 2, 0x10000),)), "groups.count"),
        (wire.WriteFileRecord((wire.FileData(1, 2, (0x10000,)),)), "groups.values"),
        (wire.ReadHoldingRegistersReply(()), "byte_count"),
        (wire.ReadHoldingRegistersReply((0,) * 126), "byte_count"),
        (wire.ReadHoldingRegistersReply((0x10000,)), "values"),
        (wire.ReadCoilsReply(()), "byte_count"),
        (wire.ReadCoilsReply((False,) * 2008), "byte_count"),
        (wire.ReadExceptionStatusReply(256), "status"),
        (wire.GetCommEventLogReply(0, 0, 0, bytes(65)), "byte_count"),
        (wire.ReportServerIdReply(b""), "data"),
        (wire.ReadFileRecordReply(((0,) * 123,)), "groups"),
        (wire.ReadFifoQueueReply((0,) * 32), "byte_count"),
        (
            wire.ReadDeviceIdentificationReply(
                1, 1, False, 0, (wire.IdentificationObject(0, bytes(256)),)
            ),
            "objects.value",
        ),
        (wire.ExceptionReply(3, 256), "code"),
        (wire.ExceptionReply(0, 1), "function"),
        (wire.ExceptionReply(0x80, 1), "function"),
        (wire.RawRequest(0x80, b""), "function"),
        (wire.RawReply(0, b""), "function"),
        (wire.RawReply(65, bytes(253)), ""),
    ],
    ids=lambda value: type(value).__name__ if not isinstance(value, str) else value or "length",
)
def test_what_cannot_be_built_names_its_field(message: Any, path: str) -> None:
    with pytest.raises(WireError) as caught:
        wire.build(message)
    assert caught.value.path == path
    assert caught.value.exception == 0


@pytest.mark.parametrize(
    ("text", "path", "said", "exception"),
    [
        ("", "", "empty", 0),
        ("03 00", "start", "end inside", 3),
        ("03 00 01 00 02 00", "", "follow after", 3),
        ("0F 00 00 00 0A 01 FF", "byte_count", "is 1, must be 2", 3),
        ("10 00 00 00 02 04 00 01", "values", "end inside", 3),
        ("14 08 06 00 01 00 02 00 03 06", "groups.file", "end inside", 3),
        ("14 07 05 00 01 00 02 00 03", "groups.reference_type", "is 5, must be 6", 2),
        ("15 0B 06 00 01 00 02 00 03 00 01 00 02", "groups.values", "end inside", 3),
        ("2B", "mei_type", "end inside", 3),
        ("2B 0E 01", "object_id", "end inside", 3),
    ],
)
def test_malformed_requests_name_field_and_exception(
    text: str, path: str, said: str, exception: int
) -> None:
    with pytest.raises(WireError, match=said) as caught:
        wire.parse_request(bytes.fromhex(text))
    assert (caught.value.path, caught.value.exception) == (path, exception)
    assert isinstance(caught.value, KerfbusError)


@given(st.integers(0, 255), st.one_of(strategies.requests(), strategies.replies()))
def test_frames(address: int, message: Any) -> None:
    frame = wire.adu(address, message)
    assert frame[0] == address
    assert frame[1:-2] == wire.build(message)
    assert crc_good(frame)
    assert len(frame) <= 256


@pytest.mark.parametrize("address", [-1, 256])
def test_address_that_is_no_byte(address: int) -> None:
    with pytest.raises(WireError, match="must be 0 to 255"):
        wire.adu(address, wire.ReadExceptionStatus())


@pytest.mark.parametrize("kind", [*strategies.REQUESTS, *strategies.REPLIES], ids=str)
def test_every_message_has_a_short_text(kind: type) -> None:
    table = strategies.REQUESTS if kind in strategies.REQUESTS else strategies.REPLIES

    @settings(max_examples=15)
    @given(table[kind])
    def check(message: Any) -> None:
        text = wire.describe(message)
        assert text == text.strip()
        assert text.isprintable()
        assert len(text) <= 1000

    check()


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (wire.ReadCoils(19, 1), "read coils 19"),
        (wire.ReadInputRegisters(8, 0), "read input registers none from 8"),
        (wire.WriteSingleCoil(172, True), "write coil 172: on"),
        (wire.WriteSingleCoil(172, raw=1), "write coil 172: illegal value 0001"),
        (wire.WriteSingleRegister(1, 3), "write register 1 = 3"),
        (wire.WriteMultipleCoils(19, (True, False, True)), "write coils 19-21 = 101"),
        (wire.ReadHoldingRegistersReply(tuple(range(10))), "holding registers 0 1 2 3 4 5 6 7 +2"),
        (
            wire.GetCommEventLogReply(0xFFFF, 2, 3, b"\x20"),
            "event log, busy: 2 events, 3 messages, 20",
        ),
        (wire.Diagnostics(0x10), "diagnostics, server NAK count: 00 00"),
        (wire.Diagnostics(0x13), "diagnostics, reserved sub-function 0013: 00 00"),
        (wire.ReadFileRecord((wire.FileRange(4, 1, 2),)), "read file records 4:1-2"),
        (wire.ReportServerIdReply(b"saw\xff"), "server ID 73 61 77 ff"),
        (
            wire.ReadDeviceIdentificationReply(
                1, 1, True, 2, (wire.IdentificationObject(0, b"maker"),)
            ),
            'device identification 00="maker", more from 02',
        ),
        (
            wire.ExceptionReply(3, 0x77),
            "refused: read holding registers, exception 77 not in the standard",
        ),
        (wire.RawRequest(65, b"\1\2"), "user-defined function 65: 01 02"),
    ],
)
def test_texts(message: Any, text: str) -> None:
    assert wire.describe(message) == text


@pytest.mark.parametrize(
    ("code", "name"),
    [
        (0x2B, "encapsulated interface"),
        (0x83, "exception to read holding registers"),
        (9, "reserved function 9"),
        (100, "user-defined function 100"),
        (50, "unassigned function 50"),
    ],
)
def test_names_of_functions(code: int, name: str) -> None:
    assert wire.function_name(code) == name


HOT_USE = """
import sys
from kerfbus.bench import wire
for message in (wire.ReadCoils(0, 8), wire.WriteMultipleRegisters(0, (1, 2)), wire.RawRequest(65)):
    assert wire.parse_request(wire.build(message)) == message
for message in (wire.ReadCoilsReply((True,) * 8), wire.ExceptionReply(3, 2)):
    assert wire.parse_reply(wire.build(message)) == message
assert "construct" not in sys.modules, "the usual codes must not load construct"
wire.parse_request(bytes.fromhex("18 04 DE"))
assert "construct" in sys.modules
"""


def test_construct_is_loaded_only_when_it_is_needed() -> None:
    done = subprocess.run(
        [sys.executable, "-c", HOT_USE], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def test_layouts_can_be_loaded_beforehand() -> None:
    assert wire.load_layouts().parse_request is layouts.parse_request
