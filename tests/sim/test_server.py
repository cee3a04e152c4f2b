"""The server: what it refuses and how, when it is silent, what it answers to each function."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import settings as examples
from hypothesis import strategies as st
from supplies import KEY, MS, Bench, S

from kerfbus.bench import wire
from kerfbus.bench.crc import with_crc
from kerfbus.bench.framing import FrameError
from kerfbus.bench.wire import ExceptionCode
from kerfbus.sim.diagnostics import Count
from kerfbus.sim.faults import Fault
from kerfbus.sim.functions import HANDLERS, SERIAL_ONLY, SUPPORTED, Context
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.refusal import RefusedError
from kerfbus.sim.sequence import Mode

MAP = default_map()
FUNCTION, ADDRESS, VALUE = (
    ExceptionCode.ILLEGAL_FUNCTION,
    ExceptionCode.ILLEGAL_DATA_ADDRESS,
    ExceptionCode.ILLEGAL_DATA_VALUE,
)
FAILURE, BUSY = ExceptionCode.SERVER_DEVICE_FAILURE, ExceptionCode.SERVER_DEVICE_BUSY


def at(name: str) -> int:
    return MAP.by_name(name).address


def write(name: str, *raw: int) -> wire.WriteMultipleRegisters:
    return wire.WriteMultipleRegisters(at(name), raw)


@pytest.fixture
def bench() -> Bench:
    return Bench()


# --- silence -------------------------------------------------------------------------------------


@given(st.integers(1, 255).filter(lambda address: address != 1), st.sampled_from(sorted(SUPPORTED)))
@examples(max_examples=40, deadline=None)
def test_foreign_addresses_get_no_answer(address: int, function: int) -> None:
    bench = Bench()
    assert bench.pdu(bytes((function, 0, 0, 0, 1)), address) is None
    assert bench.server.diagnostics.counts[Count.SERVER_MESSAGES] == 0


@given(st.data())
@examples(max_examples=60, deadline=None)
def test_damaged_frames_get_no_answer_and_do_nothing(data: st.DataObject) -> None:
    bench = Bench()
    bench.make_idle()
    good = with_crc(bytes((1,)) + wire.build(wire.WriteSingleRegister(0, 700)))
    place = data.draw(st.integers(0, len(good) * 8 - 1))
    bad = bytearray(good)
    bad[place // 8] ^= 1 << place % 8
    assert bench.server.handle(bytes(bad), bench.now) is None
    assert bench.words(0) == (600,)


@pytest.mark.parametrize("length", range(4))
def test_short_frames_get_no_answer(bench: Bench, length: int) -> None:
    assert bench.server.handle(with_crc(b"")[:length], 0) is None
    assert bench.server.diagnostics.counts[Count.BUS_ERRORS] == 1


@pytest.mark.parametrize("error", [error for error in FrameError if error is not FrameError.CRC])
def test_frames_with_line_errors_get_no_answer(bench: Bench, error: FrameError) -> None:
    pdu = wire.build(wire.WriteSingleRegister(0, 700))
    assert bench.pdu(pdu, errors=error) is None
    assert bench.words(0) == (600,)


@pytest.mark.parametrize("function", [0, 0x80, 0x83, 0xFF])
def test_what_is_no_function_code_gets_no_answer(bench: Bench, function: int) -> None:
    assert bench.pdu(bytes((function, 0, 0, 0, 1))) is None


# --- broadcast -----------------------------------------------------------------------------------


def test_broadcast_writes_are_obeyed_without_an_answer(bench: Bench) -> None:
    requests: list[wire.Request] = [
        wire.WriteSingleRegister(0, 610),
        wire.WriteMultipleRegisters(1, (530, 410)),
        wire.MaskWriteRegister(at("ramp_down_time"), 0, 200),
        wire.WriteMultipleCoils(at("panel_lock"), (True,)),
        wire.WriteFileRecord((wire.FileData(2, 3, (7, 8)),)),
    ]
    for request in requests:
        assert bench.ask(request, address=0) is None
    assert bench.words(0, 3) == (610, 530, 410)
    assert bench.words(at("ramp_down_time")) == (200,)
    assert bench.supply.settings.panel_lock is True
    assert bench.done(wire.ReadFileRecord((wire.FileRange(2, 3, 2),))) == (
        wire.ReadFileRecordReply(((7, 8),))
    )
    counts = bench.server.diagnostics.counts
    assert counts[Count.NO_RESPONSES] == len(requests)


def test_a_broadcast_that_is_refused_counts_and_changes_nothing(bench: Bench) -> None:
    assert bench.ask(wire.WriteSingleRegister(0, 9999), address=0) is None
    assert bench.words(0) == (600,)
    assert bench.server.diagnostics.counts[Count.EXCEPTIONS] == 1


def test_broadcast_reads_are_passed_over(bench: Bench) -> None:
    for request in (wire.ReadHoldingRegisters(0, 1), wire.ReadHoldingRegisters(9, 1)):
        assert bench.ask(request, address=0) is None
    assert bench.server.diagnostics.counts[Count.EXCEPTIONS] == 0


def test_all_servers_obey_a_broadcast() -> None:
    benches = [Bench(), Bench()]
    frame = wire.adu(0, wire.WriteSingleRegister(0, 800))
    for bench in benches:
        assert bench.server.handle(frame, MS) is None
        assert bench.words(0) == (800,)


def test_a_broadcast_stop_stops(bench: Bench) -> None:
    bench.make_startable()
    bench.done(bench.start())
    bench.keep_alive(2 * S)
    assert bench.supply.mode is Mode.CUTTING
    assert bench.ask(bench.coil("start", False), address=0) is None
    assert bench.supply.mode is Mode.RAMP_DOWN


# --- order of refusals ---------------------------------------------------------------------------


def test_unknown_functions(bench: Bench) -> None:
    for function in set(range(1, 128)) - SUPPORTED:
        assert bench.pdu(bytes((function, 0, 0))) == bytes((function | 0x80, FUNCTION))
    assert bench.pdu(b"\x2b\x0d\x00\x00") == bytes((0xAB, FUNCTION))


# Both faults at once: a quantity that is wrong (03) at an address that is none (02).
HOLE = 60000


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        (wire.ReadHoldingRegisters(HOLE, 126), VALUE),
        (wire.ReadHoldingRegisters(HOLE, 0), VALUE),
        (wire.ReadInputRegisters(HOLE, 126), VALUE),
        (wire.ReadCoils(HOLE, 2001), VALUE),
        (wire.ReadDiscreteInputs(HOLE, 0), VALUE),
        (wire.ReadHoldingRegisters(HOLE, 1), ADDRESS),
        (wire.ReadInputRegisters(HOLE, 1), ADDRESS),
        (wire.ReadCoils(HOLE, 1), ADDRESS),
        (wire.ReadDiscreteInputs(HOLE, 1), ADDRESS),
        (wire.ReadHoldingRegisters(0xFFFF, 2), ADDRESS),
        (wire.WriteSingleRegister(HOLE, 0xFFFF), ADDRESS),
        (wire.WriteMultipleRegisters(HOLE, (0xFFFF,)), ADDRESS),
        (wire.WriteMultipleCoils(HOLE, (True,)), ADDRESS),
        (wire.MaskWriteRegister(HOLE, 0, 0), ADDRESS),
        (wire.ReadWriteMultipleRegisters(HOLE, 1, 0, (600,)), ADDRESS),
        (wire.ReadWriteMultipleRegisters(0, 1, HOLE, (600,)), ADDRESS),
        (wire.ReadWriteMultipleRegisters(HOLE, 126, HOLE, (600,)), VALUE),
        (wire.ReadFifoQueue(HOLE), ADDRESS),
        (wire.ReadFileRecord((wire.FileRange(3, 0, 1),)), ADDRESS),
        (wire.ReadFileRecord((wire.FileRange(1, 79, 2),)), ADDRESS),
        (wire.WriteFileRecord((wire.FileData(1, 0, (0,)),)), ADDRESS),
        (wire.WriteFileRecord((wire.FileData(2, 64, (0,)),)), ADDRESS),
        (wire.ReadDeviceIdentification(5, 0), VALUE),
        (wire.ReadDeviceIdentification(4, 0x70), ADDRESS),
        (wire.WriteSingleRegister(0, 9999), FAILURE),
    ],
    ids=str,
)
def test_which_refusal_comes_first(bench: Bench, request_: Any, code: int) -> None:
    assert bench.refused(request_) == code


@pytest.mark.parametrize(
    "pdu",
    [
        "05 0000 1234",  # a coil is FF00 or 0000 (6.5), checked before its address
        "05 EA60 0001",
        "0F 0000 0002 02 0300",  # byte count
        "0F 0000 07B1 00",
        "10 0000 0002 02 0258",  # byte count
        "10 0000 0000 00",
        "10 0000 007C F8" + "00" * 248,
        "03 0000",
        "14 06 06 0001 0000 00",
    ],
)
def test_malformed_requests_get_03(bench: Bench, pdu: str) -> None:
    data = bytes.fromhex(pdu)
    assert bench.pdu(data) == bytes((data[0] | 0x80, VALUE))


def test_the_worked_range_case(bench: Bench) -> None:
    # MODBUS Application Protocol V1.1b3, 7, code 02: the last registers may be read, one more not.
    last = max(r.end for r in MAP.registers if r.table == "input" and r.address < 48)
    assert len(bench.words(last - 4, 4, table="input")) == 4
    assert bench.refused(wire.ReadInputRegisters(last - 4, 5)) == ADDRESS


# --- access --------------------------------------------------------------------------------------


def test_every_readable_register_can_be_read_and_makes_sense(bench: Bench) -> None:
    bench.make_idle()
    for register in MAP.registers:
        kind = {
            "coil": wire.ReadCoils,
            "discrete": wire.ReadDiscreteInputs,
            "holding": wire.ReadHoldingRegisters,
            "input": wire.ReadInputRegisters,
        }[register.table]
        request = kind(register.address, register.words)
        if not register.readable:
            assert bench.refused(request) == ADDRESS, register.name
            continue
        reply = bench.done(request)
        raw = reply.bits[:1] if register.table.of_bits else reply.values
        value = register.decode([int(each) for each in raw])
        assert value is not None or register.invalid is not None, register.name
        if register.values:
            assert isinstance(value, str), register.name


def test_what_is_read_only_cannot_be_written(bench: Bench) -> None:
    for register in MAP.registers:
        if register.table != "holding" or register.writable:
            continue
        assert bench.refused(wire.WriteSingleRegister(register.address, 0)) == ADDRESS


def test_every_writable_number_is_held_to_its_limits(bench: Bench) -> None:
    checked = 0
    for register in MAP.registers:
        if not register.writable or not register.type.numeric or register.words != 1:
            continue
        low, high = register.codec.raw_bounds
        if register.name == "process":
            high = max(shipped_processes().by_number)
        elif register.name == "command_key":
            continue
        for raw in (low, high):
            bench.done(wire.WriteSingleRegister(register.address, raw))
            assert bench.words(register.address) == (raw,), register.name
        if register.name == "process":
            bench.done(wire.WriteSingleRegister(register.address, 0))
        for raw in (low - 1, high + 1):
            if 0 <= raw <= 0xFFFF:
                assert bench.refused(wire.WriteSingleRegister(register.address, raw)) == FAILURE
        checked += 1
    assert checked >= 15


def test_every_choice_is_held_to_its_list(bench: Bench) -> None:
    for register in MAP.registers:
        if register.table == "holding" and register.writable and register.values:
            wrong = max(register.values) + 1
            assert bench.refused(wire.WriteSingleRegister(register.address, wrong)) == FAILURE


def test_a_number_of_two_words_is_written_whole(bench: Bench) -> None:
    trim = MAP.by_name("voltage_trim")
    raw = trim.encode(1.05)
    assert bench.refused(wire.WriteSingleRegister(trim.address, raw[0])) == ADDRESS
    assert bench.refused(wire.WriteMultipleRegisters(trim.address, raw[:1])) == ADDRESS
    bench.done(wire.WriteMultipleRegisters(trim.address, raw))
    assert bench.words(trim.address, 2) == raw
    nan = (0x7FC0, 0)
    assert bench.refused(wire.WriteMultipleRegisters(trim.address, nan)) == FAILURE


def test_a_text_may_be_written_in_part(bench: Bench) -> None:
    tag = MAP.by_name("asset_tag")
    bench.done(wire.WriteMultipleRegisters(tag.address, tag.encode("TABLE 12")))
    bench.done(wire.WriteSingleRegister(tag.address + 3, 0x3334))
    assert bench.server.device.value("asset_tag") == "TABLE 34"
    assert bench.refused(wire.WriteSingleRegister(tag.address, 0x0741)) == FAILURE


def test_a_request_is_obeyed_as_a_whole_or_not_at_all(bench: Bench) -> None:
    assert bench.refused(wire.WriteMultipleRegisters(0, (700, 500, 9999))) == FAILURE
    assert bench.words(0, 3) == (600, 520, 400)
    assert bench.refused(wire.WriteMultipleRegisters(3, (0, 50, 0))) == ADDRESS
    request = wire.ReadWriteMultipleRegisters(HOLE, 1, 0, (700,))
    assert bench.refused(request) == ADDRESS
    files = (wire.FileData(2, 0, (1,)), wire.FileData(1, 0, (1,)))
    assert bench.refused(wire.WriteFileRecord(files)) == ADDRESS
    assert bench.done(wire.ReadFileRecord((wire.FileRange(2, 0, 1),))) == (
        wire.ReadFileRecordReply(((0,),))
    )
    assert bench.words(0) == (600,)


@given(st.integers(0, 0xFFFF), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=6))
@examples(max_examples=150, deadline=None)
def test_a_refused_write_changes_nothing(start: int, values: list[int]) -> None:
    bench = Bench()
    before = [bench.words(0, 5), bench.words(32, 11), bench.words(72), bench.words(96, 4)]
    reply = bench.ask(wire.WriteMultipleRegisters(start % 140, tuple(values)))
    after = [bench.words(0, 5), bench.words(32, 11), bench.words(72), bench.words(96, 4)]
    if isinstance(reply, wire.ExceptionReply):
        assert after == before
        assert reply.code in (ADDRESS, FAILURE, BUSY)


# --- what the supply refuses ---------------------------------------------------------------------


def test_an_order_needs_the_key(bench: Bench) -> None:
    assert bench.refused(write("command", Order.STORE_SETTINGS)) == FAILURE
    assert bench.refused(write("command_key", 0x1111, Order.STORE_SETTINGS)) == FAILURE
    bench.done(bench.order(Order.STORE_SETTINGS))


def test_a_key_is_good_for_one_order_and_two_seconds(bench: Bench) -> None:
    bench.done(write("command_key", COMMAND_KEY))
    bench.wait(1990 * MS)
    bench.done(write("command", Order.STORE_SETTINGS))
    assert bench.refused(write("command", Order.STORE_SETTINGS)) == FAILURE
    bench.done(write("command_key", COMMAND_KEY))
    bench.wait(2001 * MS)
    assert bench.refused(write("command", Order.STORE_SETTINGS)) == FAILURE
    bench.done(write("command_key", COMMAND_KEY))
    bench.done(write("command_key", 1))
    assert bench.refused(write("command", Order.STORE_SETTINGS)) == FAILURE


def test_a_refused_order_leaves_the_key(bench: Bench) -> None:
    bench.done(write("command_key", COMMAND_KEY))
    assert bench.refused(write("command", Order.SELF_TEST)) == FAILURE
    bench.done(write("command", Order.STORE_SETTINGS))


def test_a_start_needs_key_permission_and_an_armed_link(bench: Bench) -> None:
    bench.make_idle()
    assert bench.refused(bench.start()) == FAILURE  # start_source is the contact
    bench.done(write("start_source", 1))
    assert bench.refused(bench.start()) == FAILURE  # not armed
    bench.done(bench.order(Order.ARM_LINK))
    assert bench.refused(write("arc_command", 1)) == FAILURE  # no key
    assert bench.refused(bench.coil("start", True)) == FAILURE
    assert bench.supply.mode is Mode.IDLE
    bench.done(write("command_key", COMMAND_KEY))
    bench.done(bench.coil("start", True))
    assert bench.supply.mode is Mode.PRE_FLOW
    assert bench.done(wire.ReadCoils(0, 1)).bits[0] is True


def test_an_order_and_a_start_do_not_share_a_key(bench: Bench) -> None:
    bench.make_startable()
    request = wire.WriteMultipleRegisters(KEY, (COMMAND_KEY, Order.ARM_LINK, 1))
    assert bench.refused(request) == FAILURE
    assert bench.supply.mode is Mode.IDLE


def test_a_stop_needs_nothing(bench: Bench) -> None:
    for stop in (bench.coil("start", False), write("arc_command", 0)):
        fresh = Bench()
        fresh.make_startable()
        fresh.done(fresh.start())
        fresh.keep_alive(2 * S)
        assert fresh.supply.mode is Mode.CUTTING
        fresh.done(stop)
        assert fresh.supply.mode is Mode.RAMP_DOWN
        fresh.done(stop)


def test_a_stop_ends_a_start_by_the_contact(bench: Bench) -> None:
    bench.make_idle()
    bench.supply.surround(bench.now, start_contact=True)
    bench.wait(2 * S)
    assert bench.supply.mode is Mode.CUTTING
    bench.done(write("arc_command", 0))
    bench.wait(30 * S)
    assert bench.supply.mode is Mode.IDLE


def test_what_cannot_be_done_while_busy_gets_06(bench: Bench) -> None:
    bench.make_startable()
    bench.done(bench.start())
    bench.keep_alive(2 * S)
    refusals = [
        bench.refused(write("process", 155)),
        bench.refused(write("start_source", 0)),
        bench.refused(bench.order(Order.SELF_TEST)),
        bench.refused(bench.order(Order.GAS_TEST_ON)),
        bench.refused(bench.order(Order.FACTORY_SETTINGS)),
        bench.refused(bench.order(Order.APPLY_LINK_SETTINGS)),
        bench.refused(bench.coil("gas_test", True)),
        bench.refused(wire.WriteMultipleRegisters(at("command_key"), (COMMAND_KEY, 0, 0, 1))),
    ]
    assert set(refusals[:-1]) == {BUSY}
    # The last one also holds a stop, which wins over nothing when the whole request is refused.
    assert refusals[-1] == BUSY
    assert bench.supply.mode is Mode.CUTTING
    bench.done(write("process", 0))  # as it is: no change, no refusal
    bench.done(write("current_setpoint", 700))


def test_a_start_that_is_there_already_may_be_repeated(bench: Bench) -> None:
    bench.make_startable()
    bench.done(bench.start())
    bench.done(write("arc_command", 1))
    assert bench.supply.tally.starts == 1


def test_a_fault_is_cleared_by_a_separate_act(bench: Bench) -> None:
    bench.make_idle()
    bench.supply.surround(bench.now, torch_cover_closed=False)
    assert bench.refused(bench.coil("clear_fault", True)) == FAILURE  # still open
    bench.supply.surround(bench.now, torch_cover_closed=True, start_contact=True)
    assert bench.refused(bench.order(Order.CLEAR_FAULT)) == FAILURE  # a start is present
    bench.supply.surround(bench.now, start_contact=False)
    bench.done(bench.coil("clear_fault", False))
    assert bench.supply.fault is Fault.TORCH_COVER_OPEN
    bench.done(bench.coil("clear_fault", True))
    assert bench.supply.fault is Fault.NONE
    assert bench.supply.mode is Mode.IDLE


def test_the_link_is_not_armed_while_off_or_faulty(bench: Bench) -> None:
    assert bench.refused(bench.order(Order.ARM_LINK)) == FAILURE
    bench.make_idle()
    bench.supply.surround(bench.now, fan_ok=False)
    assert bench.refused(bench.order(Order.ARM_LINK)) == FAILURE


def test_the_watchdog_over_the_link(bench: Bench) -> None:
    bench.make_startable()
    bench.done(bench.start())
    bench.keep_alive(5 * S)
    assert bench.supply.mode is Mode.CUTTING
    bench.wait(1500 * MS)
    assert bench.supply.mode is Mode.FAULT
    assert bench.server.device.value("fault") == "watchdog"
    assert bench.server.device.value("watchdog_tripped") is True
    assert bench.refused(bench.start()) == FAILURE
    bench.done(bench.coil("clear_fault", True))
    assert bench.refused(bench.start()) == FAILURE  # the link is not armed any more


def test_foreign_frames_do_not_feed_the_watchdog(bench: Bench) -> None:
    bench.make_startable()
    bench.done(bench.start())
    for _ in range(20):
        bench.wait(100 * MS)
        bench.ask(wire.ReadInputRegisters(0, 1), address=9)
        bench.server.handle(b"\x01\x04\x00\x00\x00\x01\x00\x00", bench.now)
    assert bench.supply.fault is Fault.WATCHDOG


def test_high_frequency_needs_its_option(bench: Bench) -> None:
    assert bench.refused(write("ignition_method", 1)) == FAILURE


def test_the_interlocks_follow_the_pressures_between_events(bench: Bench) -> None:
    bench.make_idle()
    flow_ok = 1 << next(n for n, name in MAP.by_name("interlocks").bits.items() if "flow-" in name)
    bench.supply.surround(bench.now, start_contact=True)
    revision = bench.supply.revision
    seen = []
    for _ in range(8):
        bench.wait(20 * MS)
        seen.append(bool(bench.words(at("interlocks"), table="input")[0] & flow_ok))
    assert bench.supply.revision == revision  # nothing but time has passed
    assert seen == sorted(seen)
    assert set(seen) == {False, True}


# --- processes and limits ------------------------------------------------------------------------


def test_a_process_sets_the_set_points_and_their_limits(bench: Bench) -> None:
    bench.done(write("process", 156))
    assert bench.words(0, 4) == (850, 540, 420, 156)
    low, high = bench.words(64, 2, table="input")
    assert low < 850 < high
    bench.done(write("current_setpoint", high))
    assert bench.refused(write("current_setpoint", high + 1)) == FAILURE
    assert bench.refused(write("current_setpoint", low - 1)) == FAILURE
    bench.done(write("process", 0))
    bench.done(write("current_setpoint", 200))
    assert bench.words(64, 2, table="input") == (200, 1250)


def test_set_points_given_with_a_process_stand_above_it(bench: Bench) -> None:
    bench.done(wire.WriteMultipleRegisters(0, (800, 500, 400, 156)))
    assert bench.words(0, 4) == (800, 500, 400, 156)


def test_a_process_that_is_not_in_the_table(bench: Bench) -> None:
    assert bench.refused(write("process", 999)) == FAILURE


def test_the_divided_voltage_follows_its_ratio(bench: Bench) -> None:
    bench.make_idle()
    bench.supply.surround(bench.now, start_contact=True)
    bench.wait(3 * S)
    for ratio in (50, 16, 100):
        bench.done(write("voltage_ratio", ratio))
        arc, divided = bench.words(10, 2, table="input")
        assert divided / 1000 == pytest.approx(arc / 10 / ratio, abs=0.005)
    assert bench.refused(write("voltage_ratio", 25)) == FAILURE


# --- the other functions -------------------------------------------------------------------------


def test_replies_to_writes_repeat_the_request(bench: Bench) -> None:
    for text in (
        "06 0000 02BC",
        "05 0004 FF00",
        "16 0028 0000 0064",
        "15 09 06 0002 0000 0001 ABCD",
    ):
        assert bench.pdu(bytes.fromhex(text)) == bytes.fromhex(text)
    assert bench.pdu(bytes.fromhex("10 0000 0002 04 0258 0208")) == bytes.fromhex("10 0000 0002")
    assert bench.pdu(bytes.fromhex("0F 0003 0002 01 02")) == bytes.fromhex("0F 0003 0002")


def test_mask_write(bench: Bench) -> None:
    # (current AND and) OR (or AND NOT and); ramp_down_time is 100 = 0064 hex.
    place = at("ramp_down_time")
    bench.done(wire.MaskWriteRegister(place, 0xFFF0, 0x000A))
    assert bench.words(place) == (0x006A,)
    assert bench.refused(wire.MaskWriteRegister(place, 0, 0x7FFF)) == FAILURE
    assert bench.refused(wire.MaskWriteRegister(KEY, 0, 0)) == ADDRESS  # cannot be read


def test_read_write_writes_first(bench: Bench) -> None:
    reply = bench.done(wire.ReadWriteMultipleRegisters(0, 2, 0, (650,)))
    assert reply == wire.ReadWriteMultipleRegistersReply((650, 520))


def test_bits_are_packed_from_the_lowest(bench: Bench) -> None:
    bench.make_idle()
    bench.supply.surround(bench.now, torch_cover_closed=False)
    pdu = bench.pdu(wire.build(wire.ReadDiscreteInputs(0, 9)))
    assert pdu is not None
    bits = int.from_bytes(pdu[2:], "little")
    assert pdu[:2] == b"\x02\x02"
    assert bits == 1 << 7 | 0 << 8  # a fault is latched, nothing else
    pdu = bench.pdu(wire.build(wire.ReadDiscreteInputs(16, 9)))
    assert pdu is not None
    assert int.from_bytes(pdu[2:], "little") == 0b1_1111_0110


def test_exception_status_is_the_first_eight_inputs(bench: Bench) -> None:
    bench.make_idle()
    assert bench.pdu(b"\x07") == b"\x07\x02"
    bench.supply.surround(bench.now, start_contact=True)
    bench.wait(3 * S)
    assert bench.pdu(b"\x07") == bytes((7, 1 | 8 | 16 | 32))


def test_server_id(bench: Bench) -> None:
    pdu = bench.pdu(b"\x11")
    assert pdu is not None
    assert pdu[2:4] == b"\x4b\x00"
    bench.make_idle()
    pdu = bench.pdu(b"\x11")
    assert pdu is not None
    assert (pdu[1], pdu[3]) == (len(pdu) - 2, 0xFF)
    assert pdu[4:].startswith(b"BENCH-125")


def fail(bench: Bench, count: int) -> None:
    for _ in range(count):
        bench.supply.surround(bench.now, fan_ok=False)
        bench.supply.surround(bench.now, fan_ok=True)
        bench.supply.clear_fault()


def test_the_fault_log_in_its_three_forms(bench: Bench) -> None:
    bench.make_idle()
    fail(bench, 2)
    bench.supply.surround(bench.now, torch_cover_closed=False)
    assert bench.done(wire.ReadFifoQueue(1024)) == wire.ReadFifoQueueReply((30, 41, 41))
    assert bench.done(wire.ReadFifoQueue(1024)) == wire.ReadFifoQueueReply((30, 41, 41))
    assert bench.words(1024) == (3,)
    groups = (wire.FileRange(1, 0, 8), wire.FileRange(1, 16, 8), wire.FileRange(1, 24, 8))
    reply = bench.done(wire.ReadFileRecord(groups))
    assert isinstance(reply, wire.ReadFileRecordReply)
    assert reply.groups[0] == bench.words(264, 8, table="input")
    assert reply.groups[0][:2] == (30, Mode.IDLE)
    assert reply.groups[1][0] == 41
    assert reply.groups[2] == (0,) * 8
    bench.done(bench.order(Order.CLEAR_FAULT_LOG))
    assert bench.done(wire.ReadFifoQueue(1024)) == wire.ReadFifoQueueReply(())


def test_a_file_reply_that_would_not_fit(bench: Bench) -> None:
    groups = tuple(wire.FileRange(1, 0, 40) for _ in range(4))
    assert bench.refused(wire.ReadFileRecord(groups)) == VALUE


def objects_of(bench: Bench, code: int, object_id: int = 0) -> wire.ReadDeviceIdentificationReply:
    reply = bench.done(wire.ReadDeviceIdentification(code, object_id))
    assert isinstance(reply, wire.ReadDeviceIdentificationReply)
    return reply


@pytest.mark.parametrize(("code", "last"), [(1, 0x02), (2, 0x06), (3, 0x84)])
def test_identification_streams_more_follows_included(bench: Bench, code: int, last: int) -> None:
    found: dict[int, bytes] = {}
    start, replies = 0, 0
    while True:
        reply = objects_of(bench, code, start)
        assert reply.conformity == 0x83
        found |= {each.object_id: each.value for each in reply.objects}
        replies += 1
        if not reply.more_follows:
            break
        assert reply.next_object not in found
        start = reply.next_object
    assert min(found) == 0
    assert max(found) == last
    assert found[1] == b"BENCH-125"
    assert (replies > 1) is (code == 3)
    for number, value in found.items():
        single = objects_of(bench, 4, number)
        assert [(each.object_id, each.value) for each in single.objects] == [(number, value)]


def test_an_unknown_object_of_a_stream_starts_again(bench: Bench) -> None:
    assert objects_of(bench, 1, 0x77).objects == objects_of(bench, 1, 0).objects


# --- link settings -------------------------------------------------------------------------------


def test_link_settings_wait_for_their_order(bench: Bench) -> None:
    bench.done(wire.WriteMultipleRegisters(96, (7, 3, 2)))
    assert bench.words(768, 3, table="input") == (1, 4, 0)
    assert bench.server.device.value("settings_pending") is True
    reply = bench.server.handle(wire.adu(1, bench.order(Order.APPLY_LINK_SETTINGS)), bench.now)
    assert reply is not None
    assert reply[0] == 1  # still from the old address
    assert bench.server.address == 7
    assert str(bench.server.settings) == "9600 8N2"
    assert bench.words(768, 3, table="input") == (7, 3, 2)
    assert bench.server.device.value("settings_pending") is False
    assert bench.ask(wire.ReadInputRegisters(0, 1), address=1) is None


def test_the_link_counters_are_registers_too(bench: Bench) -> None:
    bench.ask(wire.ReadInputRegisters(0, 1), address=5)
    bench.refused(wire.ReadInputRegisters(HOLE, 1))
    bench.server.handle(b"\x01\x04\x00", 0)
    messages, errors, exceptions, own, silent = bench.words(776, 5, table="input")
    assert (messages, errors, exceptions, own, silent) == (3, 1, 1, 2, 0)
    bench.done(bench.order(Order.CLEAR_LINK_COUNTERS))
    assert bench.words(776, 5, table="input") == (1, 0, 0, 1, 0)


# --- Modbus TCP ----------------------------------------------------------------------------------


def test_serial_line_functions_are_refused_over_tcp(bench: Bench) -> None:
    for function in SERIAL_ONLY:
        pdu = bytes((function, 0, 0, 0, 0))
        assert bench.server.handle_tcp(pdu, 0) == bytes((function | 0x80, FUNCTION))
    assert bench.server.handle_tcp(bytes.fromhex("03 0000 0001"), 0) == bytes.fromhex("03 02 0258")
    assert bench.server.diagnostics.counts[Count.SERVER_MESSAGES] == 0


# --- the short way -------------------------------------------------------------------------------


@given(st.sampled_from([3, 4]), st.integers(0, 0xFFFF), st.integers(0, 200))
@examples(max_examples=200, deadline=None)
def test_reads_on_the_short_way_are_those_on_the_long_one(
    function: int, start: int, count: int
) -> None:
    bench = Bench()
    kind = wire.ReadHoldingRegisters if function == 3 else wire.ReadInputRegisters
    request = kind(start % 300, count)
    refused = wire.check_limits(request)
    if refused is None:
        try:
            expected = HANDLERS[kind](Context(bench.server.device, None), request)
        except RefusedError as error:
            refused = error.code
    if refused is not None:
        expected = bytes((function | 0x80, refused))
    assert bench.server.handle_tcp(wire.build(request), 0) == expected


# --- the short way -------------------------------------------------------------------------------


class Forgetful(dict[bytes, object]):
    """Keeps nothing, so that every request takes the long way."""

    def __setitem__(self, frame: bytes, read: object) -> None:
        pass


POLLS = (wire.ReadInputRegisters(0, 10), wire.ReadHoldingRegisters(0, 4))
COUNTERS = wire.ReadInputRegisters(at("bus_messages"), 6)
OTHERS = (
    COUNTERS,
    wire.ReadInputRegisters(0, 126),
    wire.ReadInputRegisters(9000, 1),
    wire.ReadCoils(0, 2),
    wire.WriteSingleRegister(0, 700),
    wire.WriteSingleRegister(0, 9),
    write("command_key", COMMAND_KEY, int(Order.ARM_LINK)),
    write("command_key", COMMAND_KEY, int(Order.CLEAR_LINK_COUNTERS)),
    write("address_setting", 2),
    write("command_key", COMMAND_KEY, int(Order.APPLY_LINK_SETTINGS)),
    wire.Diagnostics(0x01, b"\0\0"),
    wire.Diagnostics(0x04, b"\0\0"),
    wire.Diagnostics(0x0A, b"\0\0"),
    wire.Diagnostics(0x0B, b"\0\0"),
    wire.GetCommEventLog(),
)


CLEARED = wire.RawRequest(0x41, b"by hand")
"""Stands for somebody who clears the counters without a request."""
MOVED: list[tuple[int, wire.Request, int, int]] = [
    (1, POLLS[0], 0, 40),
    (1, write("address_setting", 2), 0, 40),
    (1, write("command_key", COMMAND_KEY, int(Order.APPLY_LINK_SETTINGS)), 0, 40),
    (1, POLLS[0], 0, 40),
    (2, POLLS[0], 0, 40),
]


@example(asked=MOVED)
@example(asked=[(1, POLLS[0], 0, 40), (1, CLEARED, 0, 40), (1, POLLS[0], 0, 40)])
@given(
    asked=st.lists(
        st.tuples(
            st.sampled_from([1, 1, 1, 2, 0]),
            st.sampled_from(POLLS) | st.sampled_from((*OTHERS, CLEARED)),
            st.sampled_from([0, 0, 0, 0, int(FrameError.PARITY)]),
            st.sampled_from([40, 40, 3000]),
        ),
        min_size=4,
        max_size=30,
    )
)
@examples(max_examples=60, deadline=None)
def test_a_read_that_was_answered_before_is_answered_alike(
    asked: list[tuple[int, wire.Request, int, int]],
) -> None:
    quick, long = Bench(), Bench()
    long.server._reads = Forgetful()  # type: ignore[assignment]
    seen, now = [], 0
    for address, request, errors, pause in asked:
        now += pause * MS
        frame = wire.adu(address, request)
        for bench in (quick, long):
            found = bench.server.diagnostics
            if request is CLEARED:
                found.clear_counters()
                continue
            reply = bench.server.handle(frame, now, errors)
            seen.append((reply, list(found.counts), found.events, found.log, found.listen_only))
        assert seen[-1:] == seen[-2:-1]


def test_reads_are_remembered(bench: Bench) -> None:
    frame = wire.adu(1, POLLS[0])
    bench.server.handle(frame, 0)
    assert set(bench.server._reads) == {frame}
    bench.server.handle(wire.adu(1, wire.ReadInputRegisters(9000, 1)), 0)
    assert set(bench.server._reads) == {frame}
