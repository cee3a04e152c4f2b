"""`kerfbus supply`, as a program that other programs talk to."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import console
import pytest
from socatcable import cable

from kerfbus.bench import wire
from kerfbus.bench.capture import Burst, LineEvent, read_capture
from kerfbus.bench.client import Client
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port
from kerfbus.sim.maps import default_map

pytestmark = pytest.mark.skipif(os.name != "posix", reason="other platform: ptys and signals")


def ready(supply: subprocess.Popen[str]) -> dict[str, object]:
    """Wait for the line that says that it answers."""
    assert supply.stdout is not None
    answer = json.loads(supply.stdout.readline())["ready"]
    assert isinstance(answer, dict)
    return answer


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_on_a_pty_until_stopped_with_a_whole_capture(tmp_path: Path, stop: int) -> None:
    path, capture = tmp_path / "supply", tmp_path / "run.pcapng"
    options = ("--seed", "7", "--server", "17", "--baud", "9600", "--format", "8N2")
    with console.start("supply", "--pty", path, "--capture", capture, "--json", *options) as supply:
        assert ready(supply) == {
            "port": str(path),
            "server": 17,
            "baud": 9600,
            "format": "8N2",
            "seed": 7,
            "capture": str(capture),
            "servers": [17],
            "scenario": None,
            "speed": "real",
            "paced": False,
        }
        read = console.call("read", "arc_voltage", "--port", path, "--server", "17", "--json")
        assert read.answer["values"][0]["value"] == 0.0
        supply.send_signal(stop)
        out, err = supply.communicate()
    assert supply.returncode == 0
    assert json.loads(out) == {"ended": {"replies": 1}}
    assert err == ""
    assert not path.is_symlink()
    info, records, warning = read_capture(capture)
    assert (info.vantage, info.settings.format, info.timing, warning) == (
        "server",
        "8N2",
        "host",
        None,
    )
    assert [each.outbound for each in records if isinstance(each, Burst)][-1] is True
    assert any("seed 7" in each.comment for each in records if not isinstance(each, Burst))


def test_for_a_person_it_says_one_line_when_it_is_ready(tmp_path: Path) -> None:
    with console.start("supply", "--pty", tmp_path / "supply") as supply:
        assert supply.stdout is not None
        line = supply.stdout.readline()
        assert re.fullmatch(
            r"Simulated supply ready: server 1 on \S+, 19200 8E1, seed 0\. .*\n", line
        )
        supply.send_signal(signal.SIGINT)
        out, err = supply.communicate()
    assert (supply.returncode, out) == (0, "Ended; requests answered: 0.\n")
    assert "a pty has no parity" in err
    assert len(err.splitlines()) == 1


@pytest.mark.skipif(sys.platform != "linux", reason="other platform: limits of another process")
@pytest.mark.parametrize("where", ["--pty", "--tcp"])
def test_a_disk_that_fills_up_ends_the_recording_and_not_the_supply(
    where: str, tmp_path: Path
) -> None:
    import resource

    capture = tmp_path / "run.pcapng"
    place = str(tmp_path / "supply") if where == "--pty" else "127.0.0.1:0"
    with console.start("supply", where, place, "--capture", capture, "--json") as supply:
        at = str(ready(supply)["port"])
        resource.prlimit(supply.pid, resource.RLIMIT_FSIZE, (600, resource.RLIM_INFINITY))
        port = at if where == "--pty" else f"socket://{at}"
        # Far apart, so that each takes a transaction of its own.
        places = [f"input:{each}" for each in (0, 48, 64, 128, 192, 512)]
        read = console.call("read", *places, "--port", port, "--json")
        assert read.code == 0
        supply.send_signal(signal.SIGINT)
        out, err = supply.communicate()
    assert supply.returncode == 2
    assert json.loads(out.splitlines()[-1])["error"]["kind"] == "capture"
    assert "make room" in err.splitlines()[-1]
    assert any(isinstance(each, Burst) for each in read_capture(capture).records)


def test_on_tcp_each_connection_has_its_own_capture(tmp_path: Path) -> None:
    capture = tmp_path / "run.pcapng"
    with console.start("supply", "--tcp", "127.0.0.1:0", "--capture", capture, "--json") as supply:
        port = f"socket://{ready(supply)['port']}"
        for _ in range(2):
            read = console.call("read", "mode", "--port", port, "--json")
            assert read.answer["values"][0]["value"] == "off"
        supply.send_signal(signal.SIGINT)
        supply.communicate()
    assert supply.returncode == 0
    for path in (capture, tmp_path / "run-2.pcapng"):
        assert sum(isinstance(each, Burst) for each in read_capture(path).records) == 2


def test_on_a_serial_port(tmp_path: Path) -> None:
    """One end of the cable is the supply's, the other the client's."""
    ends = [tmp_path / "one", tmp_path / "two"]
    with cable(*ends), console.start("supply", "--serial", ends[0], "--json") as supply:
        assert ready(supply)["port"] == str(ends[0])
        read = console.call("read", "mode", "--port", ends[1], "--json")
        assert read.answer["values"][0]["value"] == "off"
        supply.send_signal(signal.SIGINT)
        supply.communicate()
    assert supply.returncode == 0


def test_a_serial_port_that_was_lost_is_served_again(tmp_path: Path) -> None:
    ends, path = [tmp_path / "one", tmp_path / "two"], tmp_path / "run.pcapng"
    first = cable(*ends)
    first.__enter__()
    with console.start("supply", "--serial", ends[0], "--capture", path, "--json") as supply:
        assert supply.stderr is not None
        assert ready(supply)["port"] == str(ends[0])
        first.__exit__(None, None, None)
        assert str(ends[0]) in supply.stderr.readline()  # lost
        with cable(*ends):
            assert "back" in supply.stderr.readline()
            read = console.call("read", "mode", "--port", ends[1], "--json")
            assert read.answer["values"][0]["value"] == "off"
            supply.send_signal(signal.SIGINT)
            supply.communicate()
    assert supply.returncode == 0
    kinds = [
        record.kind.name for record in read_capture(path).records if isinstance(record, LineEvent)
    ]
    assert [kind for kind in kinds if kind != "MARK"] == ["OPENED", "LOST", "OPENED", "LOST"]


@pytest.mark.parametrize(
    ("arguments", "kind", "word"),
    [
        ([], "usage", "--pty"),
        (["--pty", "a", "--tcp", "127.0.0.1:0"], "usage", "one of"),
        (["--pty", "nosuch/folder/a"], "port-missing", "folder"),
        (["--pty", __file__], "not-a-port", "test_supply"),
        (["--serial", "nosuch"], "port-missing", "nosuch"),
        (["--tcp", "nowhere"], "settings", "port is missing"),
        (["--tcp", "127.0.0.1:99999"], "settings", "99999"),
        (["--pty", "a", "--server", "0"], "settings", "1 to 247"),
        (["--pty", "a", "--baud", "300"], "settings", "19200"),
        (["--pty", "a", "--format", "7E1"], "settings", "8E1"),
        (["--pty", "a", "--capture", __file__], "capture", "test_supply"),
        (["--tcp", "127.0.0.1:0", "--capture", __file__], "capture", "test_supply"),
    ],
    ids=lambda each: " ".join(each)[-40:] if isinstance(each, list) else "",
)
def test_what_cannot_be_run_is_one_line(
    arguments: list[str], kind: str, word: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run = console.call("supply", *arguments, "--json")
    assert run.code == 2
    assert run.answer["error"]["kind"] == kind
    assert word in run.answer["error"]["message"]
    assert len(run.err.splitlines()) == 1
    assert not (tmp_path / "a").is_symlink()


# --- scenarios -----------------------------------------------------------------------------------

HAPPENING = """\
title = "Something happens"
[line]
baud = 9600
format = "8N1"
[[supply]]
name = "a"
address = 5
[[supply]]
name = "b"
address = 6
[[event]]
supply = "b"
at = 0.2
inject = "phase-loss"
[[event]]
supply = "a"
at = 0.1
set = { ambient = 33.0 }
"""


def test_a_scenario_in_real_time_logs_what_happens_unasked(tmp_path: Path) -> None:
    path, file, log = tmp_path / "supply", tmp_path / "mine.toml", tmp_path / "log.jsonl"
    file.write_text(HAPPENING)
    options = ("--scenario", file, "--log", log, "--json")
    with console.start("supply", "--pty", path, *options) as supply:
        said = ready(supply)
        assert (said["servers"], said["baud"], said["format"]) == ([5, 6], 9600, "8N1")
        assert (said["scenario"], said["speed"]) == (str(file), "real")
        assert supply.stdout is not None
        told = [json.loads(supply.stdout.readline()) for _ in range(3)]
        line = ("--port", path, "--baud", "9600", "--format", "8N1", "--json")
        for server, volts in ((5, 400.0), (6, 0.0)):
            read = console.call("read", "mains_l1_voltage", "--server", str(server), *line)
            assert read.answer["values"][0]["value"] == pytest.approx(volts, abs=20)
        supply.send_signal(signal.SIGINT)
        out, err = supply.communicate()
    assert supply.returncode == 0
    assert err == ""
    assert [entry["kind"] for entry in told] == ["begin", "inject", "inject"]
    assert [entry.get("supply") for entry in told] == [None, "a", "b"]
    begin = told[0]["at_ns"]
    assert [entry["at_ns"] - begin for entry in told[1:]] == [100_000_000, 200_000_000]
    kept = [json.loads(line) for line in log.read_text().splitlines()]
    assert kept[:3] == told
    assert kept[-1]["kind"] == "end"
    last = [json.loads(line) for line in out.splitlines()]
    assert [entry.get("kind", "ended") for entry in last] == [
        "ended",
        "injection",
        "injection",
        "end",
    ]
    assert last[0]["ended"]["replies"] == 2


async def test_fast_time_passes_with_the_traffic_only(tmp_path: Path) -> None:
    path, count = tmp_path / "supply", 400
    options = ("--scenario", "clean-table", "--speed", "fast", "--json")
    mode_time = default_map().by_name("mode_time")
    with console.start("supply", "--pty", path, *options) as supply:
        said = ready(supply)
        line = LineSettings.parse(int(str(said["baud"])), "8N1")
        async with await open_port(str(path), line) as port:
            client = Client(port)
            seen = []
            for _ in range(count):
                result = await client.request(1, wire.ReadInputRegisters(mode_time.address, 1))
                assert isinstance(result.reply, wire.ReadInputRegistersReply)
                seen.append(mode_time.decode(result.reply.values))
        supply.send_signal(signal.SIGINT)
        out, _ = supply.communicate()
    assert supply.returncode == 0
    # 8 characters, 7, and two silences on a wire of 19200 bits a second, 11 bits a character.
    each = (8 + 7 + 2 * 3.5) * 11 / 19200
    steps = [later - before for before, later in pairwise(seen)]  # type: ignore[operator]
    assert 0.5 * each < min(steps) <= max(steps) < 2 * each + 0.02
    assert seen[-1] == pytest.approx(count * each, rel=0.3)
    assert json.loads(out.splitlines()[-1])["kind"] == "end"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--scenario", "storm"], ["storm", "clean-table"]),
        (["--scenario", "clean-table", "--server", "3"], ["--server", "--scenario"]),
        (["--scenario", "clean-table", "--baud", "9600"], ["--baud", "--scenario"]),
        (["--log", "x.jsonl"], ["--log", "--scenario"]),
        (["--speed", "slow"], ["--speed"]),
    ],
)
def test_what_does_not_go_with_a_scenario(
    options: list[str], words: list[str], tmp_path: Path
) -> None:
    run = console.call("supply", "--pty", tmp_path / "supply", *options)
    assert run.code == 2
    (line,) = run.err.splitlines()
    assert all(word in line for word in words)


def test_fast_needs_a_line(tmp_path: Path) -> None:
    run = console.call("supply", "--tcp", "127.0.0.1:0", "--speed", "fast")
    assert run.code == 2
    assert "--speed fast goes with --pty and --serial" in run.err
