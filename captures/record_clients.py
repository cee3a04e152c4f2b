"""Record what Modbus clients that are not ours say to a simulated supply on a pty.

Run: python captures/record_clients.py FOLDER

Each client is a program of its own that opens a real tty; `kerfbus supply --pty --capture` records.
These captures hold wall time and the whims of a scheduler, so they are committed once and never
made again byte for byte: a new recording replaces an old one only on purpose, with its expected
decode. Linux, with gcc and libmodbus (apt: libmodbus-dev pkg-config gcc) and the development tools.
"""
# ruff: noqa: S603, S607 (it starts programs of ours and the compiler of this machine)

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import minimalmodbus
import serial
from pymodbus.client import ModbusSerialClient

PROGRAM = str(Path(sys.executable).with_name("kerfbus"))
SOURCE = Path(__file__).parents[1] / "tests" / "interop" / "client.c"
SETTLE_SECONDS = 0.3
"""What a recording is given to write down the last reply."""
# pymodbus sets parity once more after opening the port, which a pty does not bear.
NO_PARITY = {"baudrate": 19200, "parity": "N", "stopbits": 1, "bytesize": 8, "timeout": 2}
LINE = {"baudrate": 19200, "parity": "E", "stopbits": 1, "bytesize": 8, "timeout": 2}


def pymodbus_reads_and_writes(port: str) -> None:
    """Do each kind of request that pymodbus knows once, one of them refused."""
    client = ModbusSerialClient(port, **NO_PARITY)
    client.connect()
    client.read_holding_registers(0, count=4, device_id=1)
    client.read_input_registers(0, count=30, device_id=1)
    client.read_coils(0, count=3, device_id=1)
    client.read_discrete_inputs(0, count=9, device_id=1)
    client.write_register(0, 500, device_id=1)
    client.write_registers(1, [510, 520], device_id=1)
    client.mask_write_register(address=0, and_mask=0xFFFD, or_mask=0x0002, device_id=1)
    client.readwrite_registers(
        read_address=0, read_count=3, write_address=1, values=[500, 510], device_id=1
    )
    client.read_holding_registers(60000, count=1, device_id=1)
    client.diag_query_data(b"\xa5\x37", device_id=1)
    client.read_device_information(device_id=1)
    client.report_device_id(device_id=1)
    client.close()


def pymodbus_asks_who_is_not_there(port: str) -> None:
    """Ask an address that nobody has, again and again, then the one that is there."""
    client = ModbusSerialClient(port, **{**NO_PARITY, "timeout": 0.2}, retries=2)
    client.connect()
    for _ in range(3):
        try:
            client.read_holding_registers(0, count=4, device_id=9)
        except OSError:
            client.connect()
        except Exception as error:  # noqa: BLE001 (its own errors; the recording is what matters)
            print(f"as wanted: {error}")
        client.read_holding_registers(0, count=4, device_id=1)
    client.close()


def minimalmodbus_polls(port: str) -> None:
    """Set, read back, poll a while, get refused."""
    instrument = minimalmodbus.Instrument(serial.Serial(port, **LINE), 1)
    instrument.write_register(0, 700, functioncode=6)
    instrument.write_registers(1, [450, 500])
    instrument.read_string(520, 8, functioncode=4)
    for _ in range(25):
        instrument.read_registers(8, 5, functioncode=4)
        instrument.read_bits(0, 9, functioncode=2)
    try:
        instrument.read_register(60000)
    except minimalmodbus.IllegalRequestError as error:
        print(f"as wanted: {error}")
    instrument.serial.close()


def libmodbus_reads_and_writes(port: str) -> None:
    """Run the C program of tests/interop."""
    with TemporaryDirectory() as folder:
        client = str(Path(folder) / "client")
        flags = subprocess.check_output(
            ["pkg-config", "--cflags", "--libs", "libmodbus"], text=True
        )
        subprocess.run(["gcc", "-o", client, SOURCE, *flags.split()], check=True)
        subprocess.run([client, port, "19200", "E", "1", "1"], check=True)


CLIENTS: dict[str, Callable[[str], None]] = {
    "real-pymodbus": pymodbus_reads_and_writes,
    "real-pymodbus-no-answer": pymodbus_asks_who_is_not_there,
    "real-minimalmodbus": minimalmodbus_polls,
    "real-libmodbus": libmodbus_reads_and_writes,
}
"""File name without ending, and what talks."""


def record(folder: Path, name: str) -> None:
    """Record one client; a file of that name is replaced."""
    capture = folder / f"{name}.pcapng"
    capture.unlink(missing_ok=True)
    with TemporaryDirectory() as ports:
        port = str(Path(ports) / "port")
        supply = subprocess.Popen(
            [PROGRAM, "supply", "--pty", port, "--capture", str(capture)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert supply.stdout is not None
        try:
            supply.stdout.readline()
            CLIENTS[name](port)
            time.sleep(SETTLE_SECONDS)
        finally:
            supply.send_signal(2)
            supply.communicate(timeout=20)


if __name__ == "__main__":
    for each in CLIENTS:
        record(Path(sys.argv[1]), each)
