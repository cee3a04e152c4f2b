"""Names for the values in traffic that others make."""

from __future__ import annotations

from kerfbus.bench import wire
from kerfbus.bench.capture import Burst, CaptureInfo
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.interpret import Interpreter
from kerfbus.bench.line import LineSettings
from kerfbus.sim.maps import default_map

LINE = LineSettings()
INFO = CaptureInfo(LINE, "tap", "exact", "virtual")


def rows(*messages: wire.Request | wire.Reply) -> list[Row]:
    """Return the rows of messages heard one after another, 5 ms apart."""
    decoder, at, found = Decoder(INFO), 0, []
    for message in messages:
        frame = wire.adu(1, message)
        at += 5_000_000 + LINE.characters_ns(len(frame))
        found += decoder.feed(Burst(frame, at))
    return found + decoder.finish()


def values(*messages: wire.Request | wire.Reply) -> list[list[tuple[str | None, object]]]:
    interpreter = Interpreter(default_map())
    return [[(each.name, each.value) for each in interpreter.take(row)] for row in rows(*messages)]


def test_a_reply_is_named_by_its_request() -> None:
    assert values(
        wire.ReadInputRegisters(8, 3), wire.ReadInputRegistersReply((600, 600, 1284))
    ) == [
        [],
        [("output_current", 60.0), ("demanded_current", 60.0), ("arc_voltage", 128.4)],
    ]


def test_halves_and_holes_have_no_names() -> None:
    assert values(
        wire.ReadHoldingRegisters(4, 3), wire.ReadHoldingRegistersReply((50, 0, 0x3F80))
    ) == [[], [("voltage_ratio", "50:1")]]


def test_bits_of_both_tables() -> None:
    coils = wire.ReadCoilsReply.padded((True, False, True))
    inputs = wire.ReadDiscreteInputsReply.padded((False, True))
    assert values(wire.ReadCoils(0, 3), coils, wire.ReadDiscreteInputs(0, 2), inputs) == [
        [],
        [("start", True), ("gas_test", False), ("enable", True)],
        [],
        [("start_contact", False), ("ready", True)],
    ]


def test_what_a_write_carries_is_named_once() -> None:
    assert values(
        wire.WriteSingleRegister(0, 450),
        wire.WriteSingleRegisterReply(0, 450),
        wire.WriteMultipleRegisters(0, (500, 520)),
        wire.WriteMultipleRegistersReply(0, 2),
        wire.WriteSingleCoil(2, True),
        wire.WriteSingleCoilReply(2, True),
        wire.WriteMultipleCoils(0, (False, True)),
        wire.WriteMultipleCoilsReply(0, 2),
    ) == [
        [("current_setpoint", 45.0)],
        [],
        [("current_setpoint", 50.0), ("cutting_pressure_setpoint", 5.2)],
        [],
        [("enable", True)],
        [],
        [("start", False), ("gas_test", True)],
        [],
    ]


def test_refusals_and_replies_without_request_say_nothing() -> None:
    assert values(
        wire.ReadInputRegistersReply((1, 2)),
        wire.ReadInputRegisters(10, 1),
        wire.ExceptionReply(4, 2),
    ) == [[], [], []]


def test_a_long_run_keeps_few_requests() -> None:
    interpreter = Interpreter(default_map())
    pair = (wire.ReadInputRegisters(10, 1), wire.ReadInputRegistersReply((7,)))
    found = [interpreter.take(row) for row in rows(*pair * 100)]
    assert [len(each) for each in found] == [0, 1] * 100
    assert len(interpreter._asked) <= 32
