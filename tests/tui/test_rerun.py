"""`kerfbus rerun`: exit codes, text, JSON; as client on sim: and a real pty, as server, as line."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest
from console import call, run, start, supply_on_pty
from pymodbus import FramerType
from pymodbus.client import ModbusTcpClient

from kerfbus.bench import wire
from kerfbus.bench.capture import Burst, CaptureWriter, read_capture
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transactions import read_transactions
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind
from kerfbus.sim.maps import default_map

LINE = LineSettings()
MS = 1_000_000
READ = wire.adu(1, wire.ReadHoldingRegisters(0, 3))
ANSWER = wire.adu(1, wire.ReadHoldingRegistersReply((600, 520, 400)))
WRITE = wire.adu(1, wire.WriteSingleRegister(0, 450))
STRIKE = wire.adu(1, wire.WriteSingleCoil(default_map().by_name("start").address, True))


def capture(path: Path, *exchanges: tuple[bytes, bytes | Chunk], vantage: str = "client") -> Path:
    with CaptureWriter(
        path,
        settings=LINE,
        vantage=vantage,
        timing="exact",
        clock="virtual",  # type: ignore[arg-type]
    ) as writer:
        for number, (asked, answer) in enumerate(exchanges):
            at = (100 + 100 * number) * MS
            writer.outbound(asked, at)
            heard = answer if isinstance(answer, Chunk) else Chunk(answer, 0)
            if heard.data:
                writer.inbound(heard._replace(at=at + 20 * MS))
    return path


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return capture(tmp_path / "good.pcapng", (READ, ANSWER), (WRITE, WRITE))


def test_the_same(good: Path) -> None:
    found = call("rerun", good, "--json")
    assert found.code == 0
    assert found.answer["transactions"] == found.answer["same"] == 2
    assert found.answer["different"] == []
    assert found.answer["verdict"] == "same"
    text = call("rerun", good)
    assert "Transactions: 2, of these as recorded: 2. Same." in text.out


def test_a_difference_is_readable(tmp_path: Path) -> None:
    other = wire.adu(1, wire.ReadHoldingRegistersReply((450, 520, 400)))
    path = capture(tmp_path / "other.pcapng", (READ, other))
    found = call("rerun", path)
    assert found.code == 1
    lines = [line.split() for line in found.out.splitlines()]
    assert ["#0", "server", "1:", "read", "holding", "registers", "0-2"] in lines
    assert ["expected", "current_setpoint", "45.0", "A"] in lines
    assert ["came", "current_setpoint", "60.0", "A"] in lines
    (difference,) = call("rerun", path, "--json").answer["different"]
    assert (difference["index"], difference["why"]) == (0, "value")


def test_rules_beside_the_capture(tmp_path: Path) -> None:
    other = wire.adu(1, wire.ReadHoldingRegistersReply((595, 521, 999)))
    path = capture(tmp_path / "ruled.pcapng", (READ, other))
    (tmp_path / "ruled.rerun.toml").write_text(
        "[registers.current_setpoint]\ntolerance = 0.5\n"
        '[registers.cutting_pressure_setpoint]\nany_of = ["5.20", "5.30"]\n'
        '[registers.flow_pressure_setpoint]\ncompare = "ignore"\n'
    )
    assert call("rerun", path).code == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[registers.current_setpiont]\ntolerance = 1", "did you mean 'current_setpoint'"),
        ("[registers.current_setpoint]\ntolerance = -1", "below 0"),
        ('[registers.current_setpoint]\ntolerance = 1\ncompare = "exact"', "give one of"),
        ("[registers.mode]\ntolerance = 1", "is no number"),
        ('default = "always"', "is not one of exact, seen, ignore"),
        ('[functions]\nXY = "ignore"', "hexadecimal"),
        ('[registers."holding:0"]\ncompare = "ignore"', "the map calls it current_setpoint"),
        ("[registers", "line 1"),
    ],
)
def test_rules_that_are_wrong(good: Path, text: str, words: str) -> None:
    rules = good.with_name("wrong.toml")
    rules.write_text(text)
    found = call("rerun", good, "--rules", rules)
    assert found.code == 2
    assert words in found.err
    assert len(found.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--speed", "never"], "give recorded, fast, or a number"),
        (["--speed", "0"], "give recorded, fast, or a number"),
        (["--pty", "x"], "go with --as server"),
        (["--as", "server", "--pty", "x", "--tcp", "1"], "give one of"),
        (["--as", "line"], "hardware would obey"),
        (["--as", "line", "--port", "COM5"], "hardware would obey"),
        (["--port", "/dev/ttyS0", "--arm"], "--arm needs --map"),
    ],
)
def test_what_cannot_be_run(good: Path, options: list[str], words: str) -> None:
    found = call("rerun", good, *options)
    assert found.code == 2
    assert words in found.err
    assert len(found.err.splitlines()) == 1


def test_a_real_port_gets_no_write_unless_armed_and_never_a_strike(tmp_path: Path) -> None:
    refused = wire.adu(1, wire.ExceptionReply(5, 4))
    path = capture(tmp_path / "w.pcapng", (READ, ANSWER), (WRITE, WRITE), (STRIKE, refused))
    map_file = tmp_path / "supply.toml"
    map_file.write_text(Path("sim/maps/supply.toml").read_text())
    with supply_on_pty(tmp_path) as port:
        calm = run("rerun", path, "--port", port, "--map", map_file, "--json").answer
        log = tmp_path / "armed.pcapng"
        armed = run(
            "rerun", path, "--port", port, "--map", map_file, "--arm", "--json", "--capture", log
        ).answer
    assert calm["transactions"] == 1
    assert [each["index"] for each in calm["left_out"]] == [1, 2]
    assert armed["transactions"] == 2
    assert [each["index"] for each in armed["left_out"]] == [2]
    assert "strike an arc" in armed["left_out"][0]["reason"]
    sent = [
        each.data for each in read_capture(log).records if isinstance(each, Burst) and each.outbound
    ]
    assert sent == [READ, WRITE]


def test_as_server_on_a_pty(tmp_path: Path) -> None:
    path = capture(tmp_path / "s.pcapng", (READ, ANSWER), (READ, b""), (READ, ANSWER))
    pty = tmp_path / "supply"
    with start("rerun", path, "--as", "server", "--pty", pty, "--repeat", "order", "--json") as it:
        assert it.stderr is not None
        assert "ready" in it.stderr.readline()
        read = run("read", "holding:100", "--port", pty, "--timeout", "0.3", "--retries", "0")
        assert read.code == 1  # what it asks is not what was recorded
        asked = ["holding:0+3", "--port", str(pty), "--timeout", "1", "--json"]
        results = [run("read", *asked, "--retries", "0").answer for _ in range(3)]
        out, _ = it.communicate(timeout=60)
    values = [[each["raw"] for each in result["values"]] for result in results]
    assert values == [[[600], [520], [400]], [None] * 3, [[600], [520], [400]]]
    answer = json.loads(out)
    assert it.returncode == 1
    assert answer["verdict"] == "different"
    assert {each["why"] for each in answer["different"]} == {"unexpected"}


def test_as_server_over_tcp_with_its_damage(tmp_path: Path) -> None:
    spoilt = Chunk(ANSWER[:-1] + b"\xff", 0, (CharacterError(8, LineEventKind.PARITY),))
    path = capture(tmp_path / "s.pcapng", (READ, spoilt))
    with start("rerun", path, "--as", "server", "--tcp", "127.0.0.1:0", "--json") as it:
        assert it.stderr is not None
        where = it.stderr.readline().split("ready: ")[1].split(",")[0]
        host, port = where.rsplit(":", 1)
        with socket.create_connection((host, int(port))) as line:
            line.sendall(READ)
            heard = b""
            while len(heard) < len(spoilt.data):
                heard += line.recv(64)
            out, _ = it.communicate(timeout=60)
    assert heard == spoilt.data
    answer = json.loads(out)
    assert answer["verdict"] == "same"
    assert answer["notes"] == ["not carried by this port: 1 line errors"]


def test_as_line_all_that_was_heard(tmp_path: Path) -> None:
    path = capture(tmp_path / "s.pcapng", (READ, ANSWER), (READ, ANSWER[:5]))
    with start("rerun", path, "--as", "line", "--tcp", "127.0.0.1:0", "--json") as it:
        assert it.stderr is not None
        where = it.stderr.readline().split("ready: ")[1].split(",")[0]
        host, port = where.rsplit(":", 1)
        with socket.create_connection((host, int(port))) as line:
            heard = b""
            while data := line.recv(64):
                heard += data
            it.communicate(timeout=60)
    assert heard == ANSWER + ANSWER[:5]  # the station's own requests are not what it heard


def test_a_recording_is_a_port_for_other_commands(good: Path) -> None:
    found = call("read", "holding:0+3", "--port", f"capture:{good}", "--json")
    assert found.code == 0
    assert [each["value"] for each in found.answer["values"]] == [60.0, 5.2, 4.0]
    heard = call("listen", "--port", f"capture:{good}", "--json")
    assert heard.answers[-1]["summary"]["frames"] == 4


def test_a_rerun_can_be_recorded(good: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.pcapng"
    assert call("rerun", good, "--capture", again).code == 0
    assert len(read_transactions(again).transactions) == 2


@pytest.mark.parametrize("port", ["sim:", "sim:echo"])
def test_the_recording_knows_its_seed(tmp_path: Path, port: str) -> None:
    """The same world gives the same line, clean or a pair."""
    path = tmp_path / "seeded.pcapng"
    soaked = call("soak", "--port", port, "--count", "40", "--seed", "7", "--capture", path)
    assert soaked.code in (0, 1)
    assert read_capture(path).info.seed == 7
    found = call("rerun", path, "--port", port, "--json")
    assert found.code == 0, found.answer["different"]
    assert found.answer["transactions"] >= 40


def test_a_foreign_controller_gets_the_recorded_refusal_and_values(tmp_path: Path) -> None:
    refused = wire.adu(1, wire.ExceptionReply(6, 6))
    path = capture(tmp_path / "s.pcapng", (READ, ANSWER), (WRITE, refused), (READ, ANSWER))
    with start("rerun", path, "--as", "server", "--tcp", "127.0.0.1:0", "--json") as it:
        assert it.stderr is not None
        host, port = it.stderr.readline().split("ready: ")[1].split(",")[0].rsplit(":", 1)
        with ModbusTcpClient(host, port=int(port), framer=FramerType.RTU, timeout=20) as client:
            first = client.read_holding_registers(0, count=3, device_id=1)
            write = client.write_register(0, 450, device_id=1)
            last = client.read_holding_registers(0, count=3, device_id=1)
            out, _ = it.communicate(timeout=60)
    assert first.registers == last.registers == [600, 520, 400]
    assert write.isError()
    assert write.exception_code == 6
    assert json.loads(out)["verdict"] == "same"
