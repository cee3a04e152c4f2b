"""Every PDU against pymodbus 3.16: requests and replies, encoded by both and decoded by both.

A case holds how pymodbus' object is made from a message of ours and how a message is read from its
object. Each test draws messages that the standard allows (`strategies`) and compares both ways.

What pymodbus cannot do or does otherwise, each measured by a test at the end:

- function 14, request: the number of registers of a group is halved when it is decoded, and an odd
  one is refused, because the class takes it for a number of bytes;
- function 0F: bits that fill up the last byte are lost, and 1969 to 2000 coils pass;
- function 11, reply: the last byte is taken for the run indicator and all but FF for "off";
- functions 0B and 0C, reply: a status other than 0000 and FFFF is read as "busy";
- function 2B/0E, reply: objects stand in a mapping, so that their order is lost when a number comes
  twice; a "more follows" that does not exist is kept;
- function 2B with another interface type, reserved, user-defined and unassigned codes: not decoded;
- characters after the end and byte counts that do not fit are accepted in most PDUs.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu import bit_message as b
from pymodbus.pdu import file_message as f
from pymodbus.pdu import mei_message as m
from pymodbus.pdu import other_message as o
from pymodbus.pdu import register_message as r
from strategies import REPLIES, REQUESTS

from kerfbus.bench import wire
from kerfbus.bench.errors import WireError

SERVER, CLIENT = DecodePDU(is_server=True), DecodePDU(is_server=False)


class Case(NamedTuple):
    """How messages of one class go to pymodbus and back.

    Attributes:
        kind: our class.
        make: our message -> pymodbus' object.
        read: pymodbus' object -> our message.
        alike: any message -> one that both understand alike; the others are measured below.
    """

    kind: type[Any]
    make: Callable[[Any], ModbusPDU]
    read: Callable[[Any], Any]
    alike: Callable[[Any], Any] = lambda message: message


def span(kind: type[Any], theirs: Any) -> Case:
    return Case(
        kind,
        lambda x: theirs(address=x.start, count=x.count),
        lambda x: kind(x.address, x.count),
    )


def bits_reply(kind: type[Any], theirs: Any) -> Case:
    return Case(kind, lambda x: theirs(bits=list(x.bits)), lambda x: kind(tuple(x.bits)))


def registers_reply(kind: type[Any], theirs: Any) -> Case:
    return Case(
        kind, lambda x: theirs(registers=list(x.values)), lambda x: kind(tuple(x.registers))
    )


def empty(kind: type[Any], theirs: Any) -> Case:
    return Case(kind, lambda _: theirs(), lambda _: kind())


def single_coil(kind: type[Any], theirs: Any) -> Case:
    return Case(
        kind,
        lambda x: theirs(address=x.start, bits=[x.on]),
        lambda x: kind(x.address, x.bits[0]),
    )


def single_register(kind: type[Any], theirs: Any) -> Case:
    return Case(
        kind,
        lambda x: theirs(address=x.start, registers=[x.value]),
        lambda x: kind(x.address, x.registers[0]),
    )


def masks(kind: type[Any], theirs: Any) -> Case:
    return Case(
        kind,
        lambda x: theirs(x.start, x.and_mask, x.or_mask),
        lambda x: kind(x.address, x.and_mask, x.or_mask),
    )


def words_of(data: bytes) -> tuple[int, ...]:
    return struct.unpack(f">{len(data) // 2}H", data)


def bytes_of(words: tuple[int, ...]) -> bytes:
    return struct.pack(f">{len(words)}H", *words)


def diagnostics(kind: type[Any], place: int) -> Case:
    def make(message: Any) -> ModbusPDU:
        theirs = DecodePDU.pdu_sub_table[8][message.sub_function][place]()
        theirs.message = message.data
        return theirs

    def read(theirs: Any) -> Any:
        data = theirs.message
        if isinstance(data, int):
            data = (data,)
        if isinstance(data, tuple):
            data = bytes_of(data)
        return kind(theirs.sub_function_code, data)

    return Case(kind, make, read)


def file_data(kind: type[Any], theirs: Any) -> Case:
    return Case(
        kind,
        lambda x: theirs([f.FileRecord(g.file, g.record, bytes_of(g.values)) for g in x.groups]),
        lambda x: kind(
            tuple(
                wire.FileData(g.file_number, g.record_number, words_of(g.record_data))
                for g in x.records
            )
        ),
    )


def make_identification(x: wire.ReadDeviceIdentificationReply) -> ModbusPDU:
    theirs = m.ReadDeviceInformationResponse(
        x.code, {each.object_id: each.value for each in x.objects}
    )
    theirs.conformity = x.conformity
    theirs.more_follows = 0xFF if x.more_follows else 0x00  # type: ignore[assignment]
    theirs.next_object_id = x.next_object
    return theirs


def read_identification(x: Any) -> wire.ReadDeviceIdentificationReply:
    objects = tuple(wire.IdentificationObject(*each) for each in x.information.items())
    return wire.ReadDeviceIdentificationReply(
        x.read_code, x.conformity, x.more_follows == 0xFF, x.next_object_id, objects
    )


def read_status(theirs: Any) -> int:
    return 0x0000 if theirs.status else 0xFFFF


REQUEST_CASES = [
    span(wire.ReadCoils, b.ReadCoilsRequest),
    span(wire.ReadDiscreteInputs, b.ReadDiscreteInputsRequest),
    span(wire.ReadHoldingRegisters, r.ReadHoldingRegistersRequest),
    span(wire.ReadInputRegisters, r.ReadInputRegistersRequest),
    single_coil(wire.WriteSingleCoil, b.WriteSingleCoilRequest),
    single_register(wire.WriteSingleRegister, r.WriteSingleRegisterRequest),
    empty(wire.ReadExceptionStatus, o.ReadExceptionStatusRequest),
    diagnostics(wire.Diagnostics, 0),
    empty(wire.GetCommEventCounter, o.GetCommEventCounterRequest),
    empty(wire.GetCommEventLog, o.GetCommEventLogRequest),
    Case(
        wire.WriteMultipleCoils,
        lambda x: b.WriteMultipleCoilsRequest(x.start, list(x.bits)),
        lambda x: wire.WriteMultipleCoils(x.address, tuple(x.bits)),
        lambda message: replace(message, padding=0),
    ),
    Case(
        wire.WriteMultipleRegisters,
        lambda x: r.WriteMultipleRegistersRequest(address=x.start, registers=list(x.values)),
        lambda x: wire.WriteMultipleRegisters(x.address, tuple(x.registers)),
    ),
    empty(wire.ReportServerId, o.ReportDeviceIdRequest),
    Case(
        wire.ReadFileRecord,
        lambda x: f.ReadFileRecordRequest(
            [f.FileRecord(g.file, g.record, record_length=2 * g.count) for g in x.groups]
        ),
        # The number is halved once too often: see the first test at the end.
        lambda x: wire.ReadFileRecord(
            tuple(
                wire.FileRange(g.file_number, g.record_number, 2 * g.record_length)
                for g in x.records
            )
        ),
        lambda message: wire.ReadFileRecord(
            tuple(replace(group, count=group.count // 2 * 2) for group in message.groups)
        ),
    ),
    file_data(wire.WriteFileRecord, f.WriteFileRecordRequest),
    masks(wire.MaskWriteRegister, r.MaskWriteRegisterRequest),
    Case(
        wire.ReadWriteMultipleRegisters,
        lambda x: r.ReadWriteMultipleRegistersRequest(
            x.read_start, x.read_count, x.write_start, list(x.values)
        ),
        lambda x: wire.ReadWriteMultipleRegisters(
            x.read_address, x.read_count, x.write_address, tuple(x.write_registers)
        ),
    ),
    Case(
        wire.ReadFifoQueue,
        lambda x: f.ReadFifoQueueRequest(x.start),
        lambda x: wire.ReadFifoQueue(x.address),
    ),
    Case(
        wire.ReadDeviceIdentification,
        lambda x: m.ReadDeviceInformationRequest(x.code, x.object_id),
        lambda x: wire.ReadDeviceIdentification(x.read_code, x.object_id),
    ),
]
REPLY_CASES = [
    bits_reply(wire.ReadCoilsReply, b.ReadCoilsResponse),
    bits_reply(wire.ReadDiscreteInputsReply, b.ReadDiscreteInputsResponse),
    registers_reply(wire.ReadHoldingRegistersReply, r.ReadHoldingRegistersResponse),
    registers_reply(wire.ReadInputRegistersReply, r.ReadInputRegistersResponse),
    single_coil(wire.WriteSingleCoilReply, b.WriteSingleCoilResponse),
    single_register(wire.WriteSingleRegisterReply, r.WriteSingleRegisterResponse),
    Case(
        wire.ReadExceptionStatusReply,
        lambda x: o.ReadExceptionStatusResponse(status=x.status),
        lambda x: wire.ReadExceptionStatusReply(x.status),
    ),
    diagnostics(wire.DiagnosticsReply, 1),
    Case(
        wire.GetCommEventCounterReply,
        lambda x: o.GetCommEventCounterResponse(status=x.status == 0, count=x.count),
        lambda x: wire.GetCommEventCounterReply(read_status(x), x.count),
    ),
    Case(
        wire.GetCommEventLogReply,
        lambda x: o.GetCommEventLogResponse(
            x.status == 0, x.message_count, x.event_count, list(x.events)
        ),
        lambda x: wire.GetCommEventLogReply(
            read_status(x), x.event_count, x.message_count, bytes(x.events)
        ),
    ),
    span(wire.WriteMultipleCoilsReply, b.WriteMultipleCoilsResponse),
    span(wire.WriteMultipleRegistersReply, r.WriteMultipleRegistersResponse),
    Case(
        wire.ReportServerIdReply,
        lambda x: o.ReportDeviceIdResponse(x.data[:-1], x.data[-1] == 0xFF),
        lambda x: wire.ReportServerIdReply(x.identifier + (b"\xff" if x.status else b"\x00")),
        lambda message: wire.ReportServerIdReply(
            message.data[:-1] + (b"\xff" if message.data[-1] & 1 else b"\x00")
        ),
    ),
    Case(
        wire.ReadFileRecordReply,
        lambda x: f.ReadFileRecordResponse(
            [f.FileRecord(record_data=bytes_of(group)) for group in x.groups]
        ),
        lambda x: wire.ReadFileRecordReply(tuple(words_of(g.record_data) for g in x.records)),
    ),
    file_data(wire.WriteFileRecordReply, f.WriteFileRecordResponse),
    masks(wire.MaskWriteRegisterReply, r.MaskWriteRegisterResponse),
    registers_reply(wire.ReadWriteMultipleRegistersReply, r.ReadWriteMultipleRegistersResponse),
    Case(
        wire.ReadFifoQueueReply,
        lambda x: f.ReadFifoQueueResponse(list(x.values)),
        lambda x: wire.ReadFifoQueueReply(tuple(x.values)),
    ),
    Case(
        wire.ReadDeviceIdentificationReply,
        make_identification,
        read_identification,
        lambda message: replace(
            message, objects=tuple({each.object_id: each for each in message.objects}.values())
        ),
    ),
    Case(
        wire.ExceptionReply,
        lambda x: ExceptionResponse(x.function, x.code),
        lambda x: wire.ExceptionReply(x.function_code & 0x7F, x.exception_code),
    ),
]


def theirs_encoded(pdu: ModbusPDU) -> bytes:
    return bytes((pdu.function_code,)) + pdu.encode()


def test_every_class_has_a_case_that_is_no_raw_one() -> None:
    requests = {case.kind for case in REQUEST_CASES}
    assert requests == set(get_args(wire.Request)) - {wire.RawRequest}
    replies = {case.kind for case in REPLY_CASES}
    assert replies == set(get_args(wire.Reply)) - {wire.RawReply}
    assert set(SERVER.pdu_table) == {kind.function for kind in requests}, "all that pymodbus knows"


@pytest.mark.parametrize("case", REQUEST_CASES, ids=lambda case: case.kind.__name__)
@given(data=st.data())
@settings(max_examples=40)
def test_requests(case: Case, data: st.DataObject) -> None:
    message = case.alike(data.draw(REQUESTS[case.kind]))
    pdu = wire.build(message)
    assert theirs_encoded(case.make(message)) == pdu
    theirs = SERVER.decode(pdu)
    assert theirs is not None
    assert case.read(theirs) == message == wire.parse_request(theirs_encoded(case.make(message)))


@pytest.mark.parametrize("case", REPLY_CASES, ids=lambda case: case.kind.__name__)
@given(data=st.data())
@settings(max_examples=40)
def test_replies(case: Case, data: st.DataObject) -> None:
    message = case.alike(data.draw(REPLIES[case.kind]))
    pdu = wire.build(message)
    assert theirs_encoded(case.make(message)) == pdu
    theirs = CLIENT.decode(pdu)
    assert theirs is not None
    assert case.read(theirs) == message == wire.parse_reply(theirs_encoded(case.make(message)))


def decoded_request(text: str) -> Any:
    return SERVER.decode(bytes.fromhex(text))


def decoded_reply(text: str) -> Any:
    return CLIENT.decode(bytes.fromhex(text))


def test_pymodbus_halves_the_count_of_file_reads() -> None:
    """6.14: the example asks for two registers of each file."""
    theirs = decoded_request("14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 02")
    assert [record.record_length for record in theirs.records] == [1, 1]
    assert decoded_request("14 07 06 00 04 00 01 00 03") is None, "an odd number of registers"
    ours = wire.parse_request(bytes.fromhex("14 07 06 00 04 00 01 00 03"))
    assert ours == wire.ReadFileRecord((wire.FileRange(4, 1, 3),))


def test_pymodbus_loses_what_fills_up_coils_and_lets_too_many_pass() -> None:
    theirs = decoded_request("0F 00 13 00 01 01 FF")
    assert theirs_encoded(theirs) == bytes.fromhex("0F 00 13 00 01 01 01")
    ours = wire.parse_request(bytes.fromhex("0F 00 13 00 01 01 FF"))
    assert ours == wire.WriteMultipleCoils(0x13, (True,), padding=0x7F)
    too_many = wire.build(wire.WriteMultipleCoils(0, (True,) * 1969))
    assert SERVER.decode(too_many).count == 1969  # type: ignore[union-attr]
    assert wire.check_limits(wire.parse_request(too_many)) == wire.ExceptionCode.ILLEGAL_DATA_VALUE


def test_pymodbus_takes_the_last_byte_of_a_server_id_for_the_run_indicator() -> None:
    theirs = decoded_reply("11 04 41 FF 42 43")
    assert (theirs.identifier, theirs.status) == (b"A\xffB", False)
    assert theirs_encoded(theirs) == bytes.fromhex("11 04 41 FF 42 00")
    assert wire.parse_reply(bytes.fromhex("11 04 41 FF 42 43")).data == b"A\xffBC"  # type: ignore[union-attr]


@pytest.mark.parametrize("pdu", ["0B 12 34 01 08", "0C 06 12 34 01 08 01 21"])
def test_pymodbus_knows_two_states_only(pdu: str) -> None:
    assert theirs_encoded(decoded_reply(pdu)) != bytes.fromhex(pdu)
    assert wire.build(wire.parse_reply(bytes.fromhex(pdu))) == bytes.fromhex(pdu)


def test_pymodbus_loses_the_order_of_objects_and_keeps_what_cannot_be() -> None:
    twice = "2B 0E 01 01 00 00 03 80 01 41 81 01 42 80 01 43"
    theirs = decoded_reply(twice)
    assert theirs.information == {0x80: [b"A", b"C"], 0x81: b"B"}
    assert theirs_encoded(theirs) != bytes.fromhex(twice)
    assert wire.build(wire.parse_reply(bytes.fromhex(twice))) == bytes.fromhex(twice)
    assert decoded_reply("2B 0E 01 01 07 00 00").more_follows == 7
    with pytest.raises(WireError, match="more_follows"):
        wire.parse_reply(bytes.fromhex("2B 0E 01 01 07 00 00"))


@given(REQUESTS[wire.RawRequest])
@settings(max_examples=40)
def test_pymodbus_does_not_know_the_rest(message: wire.RawRequest) -> None:
    """It keeps the interface type of 2B and drops what follows; of other codes it keeps nothing."""
    pdu = wire.build(message)
    theirs = SERVER.decode(pdu)
    if message.function == 0x2B:
        assert theirs is not None
        assert theirs_encoded(theirs) == b"\x2b"
    else:
        assert theirs is None
    assert wire.parse_request(pdu) == message


@pytest.mark.parametrize(
    ("decoder", "parse", "pdu"),
    [
        (SERVER, wire.parse_request, "03 00 6B 00 03 FF"),
        (SERVER, wire.parse_request, "07 FF"),
        (SERVER, wire.parse_request, "10 00 01 00 02 03 00 0A 01 02"),
        (SERVER, wire.parse_request, "10 00 01 00 03 04 00 0A 01 02"),
        (SERVER, wire.parse_request, "14 07 05 00 04 00 01 00 02"),
        (CLIENT, wire.parse_reply, "01 04 CD 6B 05"),
        (CLIENT, wire.parse_reply, "03 06 02 2B 00 00 00 64 FF"),
        (CLIENT, wire.parse_reply, "18 00 08 00 02 01 B8 12 84"),
        (CLIENT, wire.parse_reply, "81 02 FF"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_pymodbus_accepts_lengths_that_do_not_fit(
    decoder: DecodePDU, parse: Callable[[bytes], Any], pdu: str
) -> None:
    assert decoder.decode(bytes.fromhex(pdu)) is not None
    with pytest.raises(WireError):
        parse(bytes.fromhex(pdu))
