"""A recording run again: as client against a port, as server for a client; what differs is told."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench import wire
from kerfbus.bench.answerbook import Repeat
from kerfbus.bench.capture import Burst, CaptureInfo, Record
from kerfbus.bench.client import Client, Outcome, Policy
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import loopback_pair
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.ports import open_port
from kerfbus.bench.recorder import recorded
from kerfbus.bench.rerun import (
    DEVICE,
    SIMULATED,
    Comparison,
    Gate,
    ReplayPlan,
    ReplayServer,
    Report,
    Rerun,
    RerunPlan,
    Rules,
)
from kerfbus.bench.rerun.gate import without_foreign_requests
from kerfbus.bench.rerun.report import too_slow, turnarounds
from kerfbus.bench.rerun.rules import Damage, Measure, RegisterRule, TurnaroundRule
from kerfbus.bench.transactions import Recording, Transaction, cut_transactions, read_transactions
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind
from kerfbus.sim.causerun import CauseRun, record_cause
from kerfbus.sim.maps import default_map

MAP = default_map()
LINE = LineSettings()
INFO = CaptureInfo(LINE, "client", "exact", "virtual")
MS = 1_000_000
FREE = Gate(MAP, real=False)


def fast(seed: int = 0) -> PortOptions:
    return PortOptions(speed="fast", seed=seed)


async def record(path: Path, port: str, seed: int, requests: Sequence[wire.Request]) -> None:
    """Let a client ask, and record it."""
    async with recorded(await open_port(port, LINE, fast(seed)), path, "client") as line:
        client = Client(line, Policy(retries=0))
        for request in requests:
            await client.request(1, request)


async def rerun(path: Path, port: str, seed: int = 0, plan: RerunPlan | None = None) -> Report:
    recording = read_transactions(path)
    async with await open_port(port, recording.info.settings, fast(seed)) as line:
        return await Rerun(line, recording, plan or RerunPlan(FREE)).run()


ASKED = [
    *(wire.ReadInputRegisters(0, 8), wire.ReadInputRegisters(64, 3), wire.ReadCoils(0, 4)),
    *(wire.WriteSingleRegister(0, 450), wire.ReadHoldingRegisters(0, 3)),
    *(wire.ReadDeviceIdentification(1, 0), wire.Diagnostics(0, b"\x12\x34")),
    *(wire.ReadHoldingRegisters(9999, 1), wire.WriteMultipleCoils(2, (True,))),
    wire.ReadWriteMultipleRegisters(0, 2, 0, (500,)),
]


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 1000),
    port=st.sampled_from(["sim:", "sim:worn-electrode", "sim:weak-compressor"]),
    asked=st.lists(st.sampled_from(ASKED), min_size=1, max_size=25),
)
def test_the_same_simulated_world_gives_the_same(
    tmp_path_factory: pytest.TempPathFactory, seed: int, port: str, asked: list[wire.Request]
) -> None:
    path = tmp_path_factory.mktemp("rerun") / "world.pcapng"

    async def both() -> Report:
        await record(path, port, seed, asked)
        return await rerun(path, port, seed)

    report = asyncio.run(both())
    assert report.good, report.different
    assert report.transactions == report.same == len(asked)


@pytest.mark.parametrize("cause", ["arc-noise", "echo", "slow-server", "adapter-gaps", "no-server"])
async def test_a_recorded_line_gives_its_damage_again(tmp_path: Path, cause: str) -> None:
    """Characters, line errors, silence, late replies: all of it is compared exactly."""
    path = tmp_path / "line.pcapng"
    record_cause(CauseRun(cause, 0.6, path, vantage="client", seed=7, transactions=60))
    report = await rerun(path, f"capture:{path}")
    assert report.good, report.different
    assert report.transactions >= 60


async def test_another_world_differs_by_name_and_unit(tmp_path: Path) -> None:
    path = tmp_path / "world.pcapng"
    await record(path, "sim:", 0, [wire.ReadHoldingRegisters(0, 3)])
    recording = read_transactions(path)
    async with await open_port("sim:", LINE, fast()) as line:
        await Client(line).request(1, wire.WriteSingleRegister(0, 450))
        report = await Rerun(line, recording, RerunPlan(FREE)).run()
    (difference,) = report.different
    assert difference.to_json() == {
        "index": 0,
        "request": "server 1: read holding registers 0-2",
        "expected": "current_setpoint 60.0 A",
        "got": "current_setpoint 45.0 A",
        "why": "value",
        "request_hex": "010300000003" + wire.adu(1, wire.ReadHoldingRegisters(0, 3))[-2:].hex(),
        "values": [
            {
                "name": "current_setpoint",
                "unit": "A",
                "expected": 60.0,
                "got": 45.0,
                "rule": "exact",
            }
        ],
    }
    assert report.to_json()["verdict"] == "different"
    assert (report.transactions, report.same) == (1, 0)


async def test_recorded_pauses_are_kept_or_divided_or_left_out(tmp_path: Path) -> None:
    records: list[Record] = []
    ask, answer = frames(wire.ReadInputRegisters(0, 1), wire.ReadInputRegistersReply((0,)))
    for number in range(4):
        records += [
            Burst(ask, (10 + 1000 * number) * MS, True),
            Burst(answer, (20 + 1000 * number) * MS),
        ]
    recording = Recording(INFO, tuple(cut_transactions(INFO, records)))
    ends = {}
    for speed in (1.0, 10.0, None):
        async with await open_port("sim:", LINE, fast()) as line:
            await Rerun(line, recording, RerunPlan(FREE, speed=speed)).run()
            ends[speed] = line.clock.now()
    assert ends[1.0] > 3000 * MS
    assert 300 * MS < ends[10.0] < 330 * MS
    assert ends[None] < 100 * MS


# What two transactions are to each other


def frames(request: wire.Request, reply: wire.Reply) -> tuple[bytes, bytes]:
    return wire.adu(1, request), wire.adu(1, reply)


def one(request: wire.Request, *heard: bytes | Chunk) -> Transaction:
    """Return a transaction with what was heard, 20 ms after each other."""
    records: list[Record] = [Burst(wire.adu(1, request), 100 * MS, True)]
    for place, each in enumerate(heard, 1):
        data, errors = (each, ()) if isinstance(each, bytes) else (each.data, each.errors)
        records.append(Burst(data, (100 + 20 * place) * MS, False, errors))
    (found,) = cut_transactions(INFO, records)
    return found


def temperatures(*raw: int) -> list[Transaction]:
    """Return reads of a register in tenths of a degree."""
    register = MAP.by_name("heat_sink_temperature")
    return [
        one(
            wire.ReadInputRegisters(register.address, 1),
            wire.adu(1, wire.ReadInputRegistersReply((each,))),
        )
        for each in raw
    ]


def why(rules: Rules, expected: Transaction, got: Transaction, *seen: Transaction) -> str | None:
    found = Comparison(MAP, rules, seen, strays=True).compare(expected, got)
    return None if found is None else found.why


def ruled(rule: RegisterRule) -> Rules:
    return Rules(registers={"heat_sink_temperature": rule})


def test_registers_by_their_rules() -> None:
    cool, warm, hot = temperatures(220, 225, 300)
    assert why(SIMULATED, cool, cool) is None
    assert why(SIMULATED, cool, warm) == "value"
    near = ruled(RegisterRule(tolerance=0.5))
    assert why(near, cool, warm) is None
    assert why(near, cool, hot) == "value"
    either = ruled(RegisterRule(any_of=((225,), (300,))))
    assert why(either, cool, warm) is None
    assert why(either, cool, cool) == "value"
    assert why(ruled(RegisterRule(measure=Measure.IGNORE)), cool, hot) is None


def test_what_moved_in_the_recording_may_move_within_it() -> None:
    low, middle, high, over = temperatures(220, 225, 230, 231)
    assert why(DEVICE, low, middle, low, high) is None
    assert why(DEVICE, low, over, low, high) == "value"
    assert why(DEVICE, low, middle, low) == "value"  # it never moved
    found = Comparison(MAP, DEVICE, [low, high]).compare(low, over)
    assert found is not None
    assert found.expected == "heat_sink_temperature 22.0 °C to 23.0 °C"
    assert found.got == "heat_sink_temperature 23.1 °C"


def test_endings() -> None:
    request = wire.ReadInputRegisters(0, 1)
    good = one(request, wire.adu(1, wire.ReadInputRegistersReply((0,))))
    refused = one(request, wire.adu(1, wire.ExceptionReply(4, 2)))
    busy = one(request, wire.adu(1, wire.ExceptionReply(4, 6)))
    silent = one(request)
    damaged = one(request, wire.adu(1, wire.ReadInputRegistersReply((0,)))[:-1] + b"\xff")
    other = one(request, wire.adu(1, wire.ReadInputRegistersReply((0,)))[:-1] + b"\xfe")
    assert why(SIMULATED, good, silent) == "ending"
    assert why(SIMULATED, silent, good) == "ending"
    assert why(SIMULATED, refused, refused) is None
    assert why(SIMULATED, refused, busy) == "exception"
    assert why(SIMULATED, damaged, damaged) is None
    assert why(SIMULATED, damaged, other) == "damage"
    assert why(DEVICE, damaged, other) is None
    assert why(DEVICE, damaged, good) == "ending"
    forgiving = Rules(damage=Damage.FORGIVEN)
    assert why(forgiving, damaged, good) is None
    assert why(forgiving, silent, good) is None
    assert why(forgiving, good, damaged) == "ending"


def test_line_errors_and_strays_where_damage_is_exact() -> None:
    request = wire.ReadInputRegisters(0, 1)
    reply = wire.adu(1, wire.ReadInputRegistersReply((0,)))
    marked = [
        one(request, Chunk(reply, 0, (CharacterError(place, LineEventKind.PARITY),)))
        for place in (2, 3)
    ]
    assert why(SIMULATED, marked[0], marked[1]) == "damage"
    clean, noisy = one(request, reply), one(request, reply, b"\xff")
    assert why(SIMULATED, clean, noisy) == "strays"
    assert why(DEVICE, clean, noisy) is None


def test_replies_without_registers_by_content() -> None:
    request = wire.Diagnostics(0, b"\x00\x01")
    same = one(request, wire.adu(1, wire.DiagnosticsReply(0, b"\x00\x01")))
    other = one(request, wire.adu(1, wire.DiagnosticsReply(0, b"\x00\x02")))
    assert why(SIMULATED, same, other) == "content"
    assert why(Rules(functions={8: Measure.IGNORE}), same, other) is None


def test_turnaround_by_percentile() -> None:
    request, reply = wire.ReadInputRegisters(0, 1), wire.adu(1, wire.ReadInputRegistersReply((0,)))

    def after(ms: int) -> Transaction:
        records = [Burst(wire.adu(1, request), 100 * MS, True), Burst(reply, (100 + ms) * MS)]
        (found,) = cut_transactions(INFO, records)
        return found

    recorded = [after(20)] * 30
    rule = TurnaroundRule({50: 2.0, 95: 2.0}, 0)
    assert not too_slow(turnarounds(recorded, [after(25)] * 30, rule, 0))
    slow = too_slow(turnarounds(recorded, [after(20)] * 20 + [after(90)] * 10, rule, 0))
    assert [each.why for each in slow] == ["turnaround"]
    assert slow[0].expected.startswith("turnaround p95 at most")
    assert not too_slow(turnarounds(recorded, [after(90)] * 3, rule, 0))  # too few to say


# What may be sent


def refusal(request: wire.Request, *, real: bool = True, armed: bool = True) -> str:
    return Gate(MAP, real, armed).refusal(one(request))


def test_reads_go_anywhere_and_writes_only_when_armed() -> None:
    read, write = wire.ReadHoldingRegisters(0, 1), wire.WriteSingleRegister(0, 600)
    assert refusal(read, armed=False) == ""
    assert refusal(wire.Diagnostics(0), armed=False) == ""
    assert "--arm" in refusal(write, armed=False)
    assert "--arm" in refusal(wire.Diagnostics(0x0A), armed=False)
    assert refusal(write) == ""
    assert refusal(write, real=False, armed=False) == ""


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (wire.WriteSingleRegister(0, 9999), "limits"),
        (wire.WriteSingleCoil(MAP.by_name("start").address, True), "strike an arc"),
        (wire.WriteMultipleCoils(MAP.by_name("start").address, (False,)), "strike an arc"),
        (wire.WriteSingleRegister(5000, 1), "does not know"),
        (wire.WriteSingleCoil(0, raw=0x1234), "cannot be checked"),
        (wire.MaskWriteRegister(0, 0, 600), "cannot be checked"),
        (wire.Diagnostics(1), "cannot be checked"),
        (wire.RawRequest(0x41, b"\x01"), "cannot be checked"),
        (wire.ReadWriteMultipleRegisters(0, 1, 0, (9999,)), "limits"),
    ],
)
def test_what_is_never_sent_to_a_real_port(request_: wire.Request, words: str) -> None:
    assert words in refusal(request_)
    assert refusal(request_, real=False) == ""


async def test_what_is_not_sent_is_told_and_not_compared() -> None:
    records = [
        Burst(wire.adu(1, wire.WriteSingleRegister(0, 450)), 10 * MS, True),
        Burst(wire.adu(1, wire.WriteSingleRegister(0, 450)), 20 * MS),
        Burst(wire.adu(1, wire.ReadHoldingRegisters(0, 1)), 100 * MS, True),
        Burst(wire.adu(1, wire.ReadHoldingRegistersReply((600,))), 120 * MS),
    ]
    recording = Recording(INFO, tuple(cut_transactions(INFO, records)))
    async with await open_port("sim:", LINE, fast()) as line:
        report = await Rerun(line, recording, RerunPlan(Gate(MAP, real=True))).run()
    assert report.good
    assert report.transactions == 1
    assert [(each.index, "--arm" in each.reason) for each in report.left_out] == [(0, True)]


def test_no_foreign_request_is_played_on_a_real_line() -> None:
    write = wire.adu(1, wire.WriteSingleRegister(0, 600))
    read, reply = wire.ReadInputRegisters(0, 1), wire.adu(1, wire.ReadInputRegistersReply((0,)))
    clean = one(read, reply)
    foreign = one(read, reply, b"\xff" + write)
    echoing = one(wire.WriteSingleRegister(0, 600), write)  # its reply looks like a request
    found, silenced = without_foreign_requests([clean, foreign, echoing])
    assert silenced == 1
    assert [bool(each.heard) for each in found] == [True, False, True]


# As server


ASK = wire.adu(1, wire.ReadInputRegisters(0, 2))
ANSWERS = [wire.adu(1, wire.ReadInputRegistersReply((7, value))) for value in range(2)]


def recording_of_two() -> list[Transaction]:
    """The second answer has a gap and a line error."""
    error = CharacterError(1, LineEventKind.FRAMING)
    return list(
        cut_transactions(
            INFO,
            [
                *(Burst(ASK, 10 * MS, True), Burst(ANSWERS[0], 40 * MS)),
                *(Burst(ASK, 110 * MS, True), Burst(ANSWERS[1][:4], 140 * MS)),
                Burst(ANSWERS[1][4:], 160 * MS, False, (error,)),
            ],
        )
    )


async def test_a_controller_gets_what_was_recorded_when_it_was() -> None:
    near, far = loopback_pair(LINE)
    server = ReplayServer(far, recording_of_two())
    running = asyncio.create_task(server.run())
    heard = []
    for answers in (1, 2):
        at = await near.send(ASK)
        for _ in range(answers):
            chunk = await near.receive(at + 100 * MS)
            assert chunk is not None
            heard.append((chunk.data, chunk.at - at))
    report = await running
    assert heard == [
        (ANSWERS[0], 30 * MS),
        (ANSWERS[1][:4], 30 * MS),
        (ANSWERS[1][4:], 50 * MS),
    ]
    assert report.good
    assert report.transactions == report.same == 2
    assert report.notes == ("not carried by this port: 1 line errors",)


async def test_what_is_unexpected_and_what_is_missing_is_told() -> None:
    near, far = loopback_pair(LINE)
    plan = ReplayPlan(Repeat.ORDER, ends_when_used=False, until=5000 * MS)
    told = []
    other = wire.WriteSingleRegister(0, 1)
    never = [Burst(wire.adu(1, wire.ReadCoils(0, 1)), 300 * MS, True)]
    transactions = [*recording_of_two(), *cut_transactions(INFO, never)]
    server = ReplayServer(far, transactions, plan, told.append)
    running = asyncio.create_task(server.run())
    client = Client(near, Policy(retries=0, response_timeout=0.2))
    outcomes = [
        (await client.request(1, request)).outcome
        for request in (
            *(wire.ReadInputRegisters(0, 2), other, wire.ReadInputRegisters(0, 2), other),
            wire.ReadInputRegisters(0, 2),
        )
    ]
    await near.receive(5000 * MS)
    report = await running
    assert outcomes[0] is Outcome.REPLY
    assert outcomes[1] is outcomes[3] is outcomes[4] is Outcome.TIMEOUT
    assert [(each.why, each.got) for each in report.different] == [
        ("unexpected", "asked, 2 times: not in the recording"),
        ("unexpected", "asked: asked more often than recorded"),
        ("missing", "never asked"),
    ]
    assert len(told) == 3
    assert not report.good


async def test_a_recorded_controller_is_answered_by_its_own_recording(tmp_path: Path) -> None:
    """Both sides of one recording, against each other: nothing is unexpected, nothing missing."""
    path = tmp_path / "two.pcapng"
    record_cause(CauseRun("healthy", 0.5, path, vantage="tap", seed=4, transactions=40))
    line = await open_port(f"capture:{path}", LINE, PortOptions("server", speed="fast"))
    report = await ReplayServer(line, read_transactions(path).transactions).run()
    assert report.good, report.different
    assert report.transactions == 40
