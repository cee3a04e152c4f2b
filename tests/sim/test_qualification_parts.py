"""What requests mean, what lures say, and that every bad frame can be known for one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kerfbus.bench import wire
from kerfbus.bench.crc import crc16, with_crc
from kerfbus.bench.errors import UsageError
from kerfbus.bench.framing import Frame
from kerfbus.bench.line import LineSettings
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.shapes import Shape, expected_reply_length
from kerfbus.sim.maps import default_map
from kerfbus.sim.qualification.director import Director
from kerfbus.sim.qualification.intervention import Dealt, Intervention
from kerfbus.sim.qualification.lure import Lure, disguised, lured
from kerfbus.sim.qualification.meaning import Act, meaning_of
from kerfbus.sim.qualification.record import Record
from kerfbus.sim.qualification.schedule import PLANS, Situation, Span, Trial, plan_named, trials_of
from kerfbus.sim.qualification.treatment import LURING, Treatment, bad_frame
from kerfbus.sim.qualification.unit import make_unit
from kerfbus.sim.sequence import Event, Mode

MAP = default_map()
NS = 1_000_000_000
STATUS = wire.ReadInputRegisters(0, 8)
KEY = 0x4B46


def moved(by: int) -> RegisterMap:
    """Return the default map with every register of words somewhere else."""
    registers = tuple(
        each if each.table.of_bits else replace(each, address=each.address + by)
        for each in MAP.registers
    )
    return RegisterMap("moved", "moved.toml", registers)


@pytest.mark.parametrize(
    ("request_", "acts"),
    [
        (wire.WriteMultipleRegisters(64, (KEY, 0, 1)), {Act.START}),
        (wire.WriteSingleCoil(0, True), {Act.START}),
        (wire.WriteMultipleRegisters(66, (0,)), {Act.STOP}),
        (wire.WriteMultipleCoils(0, (False, False, True)), {Act.STOP, Act.ENABLE}),
        (wire.WriteSingleCoil(2, False), {Act.DISABLE}),
        (wire.WriteSingleCoil(3, True), {Act.CLEAR}),
        (wire.WriteSingleCoil(3, False), set()),
        (wire.WriteMultipleRegisters(64, (KEY, 5)), {Act.CLEAR}),
        (wire.WriteMultipleRegisters(64, (KEY, 5, 1)), {Act.CLEAR, Act.START}),
        (wire.WriteMultipleRegisters(64, (KEY, 3)), {Act.ARM}),
        (wire.WriteMultipleRegisters(64, (KEY, 4)), {Act.STOP}),
        (wire.WriteMultipleRegisters(64, (KEY, 2)), {Act.DISABLE}),
        (wire.ReadWriteMultipleRegisters(0, 1, 64, (KEY, 0, 1)), {Act.START}),
        (STATUS, set()),
    ],
)
def test_acts(request_: wire.Request, acts: set[Act]) -> None:
    assert meaning_of(wire.build(request_), MAP).acts == acts


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        (STATUS, "read status and 6 more"),
        (wire.ReadInputRegisters(900, 2), "read input:900+2"),
        (wire.WriteSingleRegister(0, 605), "write current_setpoint = 60.5 A"),
        (wire.WriteSingleCoil(2, True), "write enable = on"),
        (wire.ReadWriteMultipleRegisters(0, 1, 1, (520,)), None),
        (wire.ReadExceptionStatus(), "another function"),
        (wire.RawRequest(0x10, b"\x00"), "a malformed request"),
    ],
)
def test_meaning_in_words(request_: wire.Request, said: str | None) -> None:
    expected = said or "write cutting_pressure_setpoint = 5.20 bar; read current_setpoint"
    assert str(meaning_of(wire.build(request_), MAP)) == expected


def truth(register_map: RegisterMap, request: wire.Request, *, cutting: bool) -> bytes:
    """Return the supply's true reply: in a gas test, or in a cut."""
    unit = make_unit(register_map, 1, LineSettings(), 0)
    supply = unit.device.supply
    supply.enable()
    supply.advance(2 * NS)
    if cutting:
        supply.start_by_link()
        supply.advance(4 * NS)
        assert supply.mode is Mode.CUTTING
    else:
        supply.feed(Event.GAS_ON)
    reply = unit.handle(wire.adu(1, request), supply.now)
    assert reply is not None
    return reply


@pytest.mark.parametrize("by", [0, 1000], ids=["default map", "another map"])
@pytest.mark.parametrize("lure", Lure)
def test_a_lure_says_what_tempts(lure: Lure, by: int) -> None:
    register_map = moved(by)
    request = wire.ReadInputRegisters(by, 8)
    reply = truth(register_map, request, cutting=lure is Lure.ARC_OUT)
    found = lured(lure, wire.build(request), reply[1:-2], register_map)
    assert found is not None
    parsed = wire.parse_reply(found)
    assert isinstance(parsed, wire.ReadInputRegistersReply)

    def value(name: str) -> object:
        register = register_map.by_name(name)
        return register.decode(parsed.values[register.address - by :][: register.words])

    bits = value("status")
    assert isinstance(bits, tuple)
    if lure is Lure.READY:
        assert (value("mode"), value("fault")) == ("idle", "none")
        assert "ready" in bits
        assert "fault" not in bits
    else:
        assert (value("mode"), value("fault")) == ("fault", "torch-cover-open")
        assert "fault" in bits
        assert not {"arc-transferred", "cutting"} & set(bits)


def test_a_lure_in_discrete_inputs() -> None:
    request = wire.ReadDiscreteInputs(0, 9)
    reply = truth(MAP, request, cutting=True)
    found = lured(Lure.ARC_OUT, wire.build(request), reply[1:-2], MAP)
    assert found is not None
    parsed = wire.parse_reply(found)
    assert isinstance(parsed, wire.ReadDiscreteInputsReply)
    at = {name: MAP.by_name(name).address for name in ("arc_transferred", "fault_active")}
    assert not parsed.bits[at["arc_transferred"]]
    assert parsed.bits[at["fault_active"]]


@pytest.mark.parametrize(
    "request_", [wire.ReadInputRegisters(8, 5), wire.WriteSingleRegister(0, 600)]
)
def test_what_does_not_tell_of_the_status_lures_nobody(request_: wire.Request) -> None:
    reply = truth(MAP, request_, cutting=False)
    assert lured(Lure.READY, wire.build(request_), reply[1:-2], MAP) is None


@pytest.mark.parametrize("turn", [0, 1])
@pytest.mark.parametrize("kind", [each for each in LURING if each is not Treatment.LATE])
def test_every_bad_frame_can_be_known_for_one(kind: Treatment, turn: int) -> None:
    request = wire.adu(1, STATUS)
    reply = truth(MAP, STATUS, cutting=False)
    pdu = lured(Lure.READY, request[1:-2], reply[1:-2], MAP)
    assert pdu is not None
    frame = bad_frame(kind, 1, pdu, turn)
    good = (
        not crc16(frame),
        frame[0] == 1,
        frame[1] == request[1],
        len(frame) == expected_reply_length(request),
    )
    assert not all(good)
    assert frame != reply


@pytest.mark.parametrize("address", [1, 246, 247])
def test_a_foreign_frame_has_an_address_that_a_server_may_have(address: int) -> None:
    frame = bad_frame(Treatment.FOREIGN, address, bytes.fromhex("04020001"), 0)
    assert frame[0] != address
    assert 1 <= frame[0] <= 247
    assert not crc16(frame)


def test_a_late_reply_has_another_length_than_the_one_that_is_waited_for() -> None:
    lure = bytes((4, 16)) + bytes(range(16))
    arc = bytes((4, 10)) + bytes(10)
    found = disguised(lure, arc)
    assert found == bytes((4, 10)) + bytes(range(10))
    assert disguised(lure, bytes((4, 16)) + bytes(16)) is None, "nobody could tell"
    assert disguised(lure, bytes((4, 4)) + bytes(4)) is None, "no room for the lure"
    assert disguised(lure, bytes((0x84, 2))) is None
    assert with_crc(found)


ARC = wire.ReadInputRegisters(8, 5)


def dealt(way: Intervention, kind: Treatment, request: wire.Request) -> Dealt:
    reply = truth(MAP, request, cutting=False)
    return way.deal(kind, Lure.READY, wire.adu(1, request), reply)


def test_between_two_bad_replies_there_is_a_good_one() -> None:
    way = Intervention(MAP)
    kinds = [dealt(way, Treatment.DAMAGED, STATUS).treatment for _ in range(5)]
    bad, good = Treatment.DAMAGED, Treatment.NONE
    assert kinds == [bad, good, bad, good, bad]


def test_what_cannot_hold_a_lure_is_left_as_it_is() -> None:
    found = dealt(Intervention(MAP), Treatment.SHORT, ARC)
    assert found.treatment is Treatment.NONE
    assert [each.data for each in found.frames] == [truth(MAP, ARC, cutting=False)]


@pytest.mark.parametrize("again", [STATUS, ARC], ids=["the next question", "asked again"])
def test_a_reply_that_was_held_back_comes_with_the_next_one(again: wire.Request) -> None:
    way = Intervention(MAP)
    assert dealt(way, Treatment.LATE, STATUS).treatment is Treatment.NONE
    held = dealt(way, Treatment.LATE, ARC)
    assert (held.frames, held.treatment, held.done) == ((), Treatment.LATE, False)
    found = dealt(way, Treatment.LATE, again)
    assert (found.baited, found.done) == (True, True)
    late = [each for each in found.frames if each.data != truth(MAP, again, cutting=False)]
    (late_one,) = late
    assert len(late_one.data) == expected_reply_length(wire.adu(1, ARC))
    assert len(found.frames) == 2
    # Asked again, the reply is the answer, and what comes second is one too many.
    assert found.frames.index(late_one) == (1 if again is ARC else 0)


def directed(trial: Trial, *, paced: bool = False) -> Director:
    unit = make_unit(MAP, 1, LineSettings(), 0)
    record = Record(LineSettings(), paced=paced)
    return Director(unit, PLANS["quick"], record, trials=[trial])


def ask(director: Director, at: int, request: wire.Request = STATUS) -> None:
    director.heard(Frame(wire.adu(1, request), at, 0, None, int(Shape.REQUEST)))


def test_a_request_that_does_not_wait_for_its_turn_gets_a_good_reply() -> None:
    trial = Trial("x", "x", Situation.POLLING, Span(60), Treatment.DAMAGED)
    director = directed(trial)
    ask(director, NS)
    director.sendings(NS)
    for _ in range(4):
        ask(director, 2 * NS)
    treatments = [each.treatment for each in director.record.asked]
    assert treatments == [Treatment.NONE, Treatment.DAMAGED, *[Treatment.NONE] * 3]
    assert [each.piled for each in director.record.asked] == [False, False, True, True, True]


def test_the_witness_measures_the_silence_before_a_request() -> None:
    director = directed(Trial("x", "x", Situation.POLLING, Span(60)), paced=True)
    ask(director, NS)
    director.sendings(NS)
    director.sent(NS + 20_000_000)
    length = LineSettings().characters_ns(8)
    ask(director, NS + 20_000_000 + 3_000_000 + length)
    assert [each.gap_ns for each in director.record.asked] == [None, 3_000_000]


def test_plans_have_every_trial_once() -> None:
    for plan in PLANS.values():
        names = [trial.name for trial in trials_of(plan)]
        assert len(set(names)) == len(names)
    assert set(PLANS["quick"].faults) < set(PLANS["usual"].faults) < set(PLANS["full"].faults)


def test_a_plan_that_is_not_there() -> None:
    with pytest.raises(UsageError, match="there is quick, usual, full"):
        plan_named("thorough")
