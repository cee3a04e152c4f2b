"""`kerfbus supply --paced`, and ports that ask a scenario for a severity."""

from __future__ import annotations

import json
import os
import signal
import socket
import time
from pathlib import Path

import console
import pytest

from kerfbus.bench import wire
from kerfbus.bench.capture import Burst, read_capture
from kerfbus.bench.line import LineSettings

posix = pytest.mark.skipif(os.name != "posix", reason="other platform: ptys and signals")
LINE = LineSettings.parse(9600, "8E1")
REQUEST = wire.adu(1, wire.ReadInputRegisters(0, 10))
SIZE = 25


def test_no_character_comes_before_the_wire_could_bring_it() -> None:
    with console.start(
        "supply", "--tcp", "127.0.0.1:0", "--baud", "9600", "--paced", "--json"
    ) as supply:
        assert supply.stdout is not None
        ready = json.loads(supply.stdout.readline())["ready"]
        assert ready["paced"] is True
        host, _, port = ready["port"].rpartition(":")
        with socket.create_connection((host, int(port)), timeout=20) as line:
            began = time.perf_counter_ns()
            line.sendall(REQUEST)
            heard, parts = b"", 0
            while len(heard) < SIZE:
                part = line.recv(4096)
                now = time.perf_counter_ns() - began
                heard, parts = heard + part, parts + 1
                early = LINE.characters_ns(len(REQUEST) + len(heard)) + LINE.t35_ns
                # A bound from below, which no load on the machine can break.
                assert now >= early - 1_000_000
        assert parts > 3
        supply.send_signal(signal.SIGTERM if os.name == "posix" else signal.CTRL_BREAK_EVENT)
        supply.communicate()


@posix
def test_on_a_pty_stamps_are_those_of_the_wire(tmp_path: Path) -> None:
    path, capture = tmp_path / "supply", tmp_path / "run.pcapng"
    options = ("--baud", "9600", "--paced", "--capture", capture, "--json")
    with console.start("supply", "--pty", path, *options) as supply:
        assert supply.stdout is not None
        assert json.loads(supply.stdout.readline())["ready"]["paced"] is True
        read = console.call("read", "--group", "arc", "--port", path, "--baud", "9600", "--json")
        assert read.code == 0
        supply.send_signal(signal.SIGTERM)
        supply.communicate()
    bursts = [each for each in read_capture(capture)[1] if isinstance(each, Burst)]
    request, reply = bursts[-2:]
    assert reply.outbound
    assert reply.at - LINE.characters_ns(len(reply.data)) - request.at >= LINE.t35_ns


@pytest.mark.parametrize(
    "options", [("--serial", "COM99"), ("--pty", "x", "--speed", "fast"), ("--tcp",)]
)
def test_where_it_makes_no_sense(options: tuple[str, ...]) -> None:
    answer = console.call("supply", *options, "--paced")
    assert answer.code == 2


def test_a_port_asks_for_a_severity(tmp_path: Path) -> None:
    capture = tmp_path / "a.pcapng"
    port = "sim:wrong-format?severity=1&seed=3"
    heard = console.call(
        "listen", "--port", port, "--seconds", "0.4", "--capture", capture, "--json"
    )
    assert heard.code == 0
    truth = json.loads(Path(f"{capture}.truth.json").read_text())
    assert truth["causes"] == [{"cause": "wrong-format", "severity": 1.0}]
    assert truth["seed"] == 3
    assert truth["vantage"] == "tap"
    assert any(each.errors for each in read_capture(capture)[1] if isinstance(each, Burst))


def test_a_wrong_query_is_one_line() -> None:
    answer = console.call("read", "mode", "--port", "sim:echo?severity=7")
    assert answer.code == 2
    assert answer.err.count("\n") == 1
    assert "severity" in answer.err


def test_a_run_writes_the_truth(tmp_path: Path) -> None:
    capture = tmp_path / "a.pcapng"
    answer = console.call(
        "scenario", "run", "echo", "--duration", "1", "--capture", capture, "--json"
    )
    assert answer.code == 0
    assert json.loads(Path(f"{capture}.truth.json").read_text())["transactions"]
