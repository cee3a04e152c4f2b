"""Clients that are not ours talk to the simulated supply over a real tty.

Each starts `kerfbus supply --pty PATH` as a user would, in a process of its own.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import minimalmodbus
import pytest
import serial
from interop.programs import compiled, supply
from pymodbus.client import AsyncModbusSerialClient, ModbusSerialClient

from kerfbus.bench.capture import read_capture
from kerfbus.bench.decode import Decoder
from kerfbus.sim.maps import default_map

MAP = default_map()
# pymodbus sets parity once more after opening the port. A pty of Linux has none, and glibc reports
# EINVAL to a program that changes nothing else, so here it is told that there is none.
NO_PARITY = {"baudrate": 19200, "parity": "N", "stopbits": 1, "bytesize": 8, "timeout": 2}
LINE = {"baudrate": 19200, "parity": "E", "stopbits": 1, "bytesize": 8, "timeout": 2}


@pytest.fixture
def recorded(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """A supply on a pty that records; yields the port and the capture."""
    port, capture = str(tmp_path / "port"), tmp_path / "run.pcapng"
    with supply("--pty", port, "--capture", str(capture)):
        yield port, capture


@pytest.mark.parametrize("parity", ["E", "N", "O"])
def test_a_port_can_be_opened_again_and_again(recorded: tuple[str, Path], parity: str) -> None:
    """A pty has no parity; glibc says EINVAL to a client that changes nothing else."""
    port, _ = recorded
    for _ in range(3):
        with serial.Serial(port, **{**LINE, "parity": parity}) as line:
            line.write(bytes.fromhex("01 03 00 00 00 01 84 0A"))
            assert len(line.read(7)) == 7
        time.sleep(0.15)  # a client that comes back sooner than anybody types


def words(*names: str) -> list[int]:
    """Return the factory values of registers as raw words."""
    raw: list[int] = []
    for name in names:
        register = MAP.by_name(name)
        raw += register.encode(register.default) if register.default is not None else [0]
    return raw


def summarise(capture: Path) -> dict[str, Any]:
    recording = read_capture(str(capture))
    assert recording.info.vantage == "server"
    decoder = Decoder(recording.info)
    for record in recording.records:
        decoder.feed(record)
    decoder.finish()
    summary: dict[str, Any] = decoder.summary.to_json()["summary"]
    return summary


def check_recording(capture: Path, least: int) -> dict[str, Any]:
    """Decode the recording of a run, while the supply still runs, and check that it makes sense.

    The client may have the last reply before it is written down, so that is waited for.
    """
    deadline = time.monotonic() + 10
    while (summary := summarise(capture))["unanswered"] and time.monotonic() < deadline:
        time.sleep(0.01)
    assert summary["damaged"] == summary["stray_characters"] == summary["unanswered"] == 0
    assert summary["requests"] == summary["replies"] >= least
    return summary


def test_pymodbus_sync(recorded: tuple[str, Path]) -> None:
    port, capture = recorded
    client = ModbusSerialClient(port, **NO_PARITY)
    assert client.connect()
    try:
        holding = client.read_holding_registers(0, count=4, device_id=1)
        assert holding.registers == words(
            "current_setpoint", "cutting_pressure_setpoint", "flow_pressure_setpoint", "process"
        )
        assert len(client.read_input_registers(0, count=30, device_id=1).registers) == 30
        assert len(client.read_coils(0, count=3, device_id=1).bits) == 8
        assert len(client.read_discrete_inputs(0, count=9, device_id=1).bits) == 16
        assert not client.write_register(0, 500, device_id=1).isError()
        assert client.read_holding_registers(0, count=1, device_id=1).registers == [500]
        assert not client.write_registers(1, [510, 520], device_id=1).isError()
        masked = client.mask_write_register(address=0, and_mask=0xFFFD, or_mask=0x0002, device_id=1)
        assert not masked.isError()
        assert client.read_holding_registers(0, count=3, device_id=1).registers == [502, 510, 520]
        both = client.readwrite_registers(
            read_address=0, read_count=3, write_address=1, values=[500, 510], device_id=1
        )
        assert both.registers == [502, 500, 510]
        assert client.read_holding_registers(60000, count=1, device_id=1).exception_code == 2
        assert client.diag_query_data(b"\xa5\x37", device_id=1).message == b"\xa5\x37"
        identity = client.read_device_information(device_id=1)
        assert identity.information[1]
        assert not client.report_device_id(device_id=1).isError()
    finally:
        client.close()
    assert check_recording(capture, 14)["exceptions"] == 1


async def test_pymodbus_async(recorded: tuple[str, Path]) -> None:
    port, capture = recorded
    client = AsyncModbusSerialClient(port, **NO_PARITY)
    assert await client.connect()
    try:
        for _ in range(20):
            reply = await client.read_input_registers(0, count=30, device_id=1)
            assert len(reply.registers) == 30
        assert (await client.write_register(0, 600, device_id=1)).registers == [600]
        refused = await client.write_register(0, 65535, device_id=1)
        assert refused.exception_code == 4
    finally:
        client.close()
    check_recording(capture, 22)


def test_minimalmodbus(recorded: tuple[str, Path]) -> None:
    port, capture = recorded
    # Made with its settings: to change nothing but parity later fails on any pty of Linux.
    instrument = minimalmodbus.Instrument(serial.Serial(port, **LINE), 1)
    assert instrument.serial is not None
    try:
        register = MAP.by_name("current_setpoint")
        assert instrument.read_register(0) == words("current_setpoint")[0]
        instrument.write_register(0, 700, functioncode=6)
        assert instrument.read_register(0) * register.scale == pytest.approx(70.0)
        instrument.write_registers(1, [450, 500])
        assert instrument.read_registers(1, 2) == [450, 500]
        model = MAP.by_name("model")
        text = instrument.read_string(model.address, model.words, functioncode=4)
        assert text.rstrip(" \0")
        assert instrument.read_bits(0, 9, functioncode=2)
        instrument.write_bit(1, 0, functioncode=5)
        with pytest.raises(minimalmodbus.IllegalRequestError):
            instrument.read_register(60000)
    finally:
        instrument.serial.close()
    check_recording(capture, 8)


def test_libmodbus(recorded: tuple[str, Path]) -> None:
    port, capture = recorded
    run = subprocess.run(
        [compiled("client"), port, "19200", "E", "1", "1"],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    said = dict(line.split(" ", 1) for line in run.stdout.splitlines() if "written" not in line)
    setpoints = words(
        "current_setpoint", "cutting_pressure_setpoint", "flow_pressure_setpoint", "process"
    )
    assert said["holding"] == " ".join(map(str, setpoints))
    assert "written 500\n" in run.stdout
    assert "written 510 520\n" in run.stdout
    assert said["exchanged"] == "500 510 520"
    assert said["refused"] == "2"
    assert said["identity"].endswith((" FF", " 00"))  # run indicator, Application Protocol 6.13
    assert check_recording(capture, 11)["exceptions"] == 1
