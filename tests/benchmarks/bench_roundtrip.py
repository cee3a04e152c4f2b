"""Round trip of a ten-register read over a pty against a minimal responder.

Run: python tests/benchmarks/bench_roundtrip.py [transactions]

Our asynchronous client and pymodbus' take turns on the same pty pair and the same responder, in
blocks, so that what else the machine does hits both. Printed are the medians over the blocks of p50
and p99 in microseconds and the ratio of pymodbus' to ours.
"""

from __future__ import annotations

import asyncio
import os
import pty
import statistics
import subprocess
import sys
import time
import tty
from collections.abc import Awaitable, Callable

from pymodbus.client import AsyncModbusSerialClient

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.crc import with_crc
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port

REPLY = with_crc(bytes((1, 3, 20, *range(20))))
RESPONDER = """
import os, sys
master, reply = int(sys.argv[1]), bytes.fromhex(sys.argv[2])
got = 0
while True:
    got += len(os.read(master, 256))
    if got >= 8:
        got -= 8
        os.write(master, reply)
"""
BLOCKS = 10


async def measure(read: Callable[[], Awaitable[object]], count: int) -> list[float]:
    """Return the times of `count` reads in microseconds."""
    times = []
    for _ in range(count):
        start = time.perf_counter()
        await read()
        times.append((time.perf_counter() - start) * 1e6)
    return times


async def ours(port: str, count: int) -> list[float]:
    transport = await open_port(port, LineSettings(19200))
    async with transport:
        client = Client(transport, Policy())
        request = wire.ReadHoldingRegisters(0, 10)
        assert (await client.request(1, request)).ok
        return await measure(lambda: client.request(1, request), count)


async def theirs(port: str, count: int) -> list[float]:
    client = AsyncModbusSerialClient(port, baudrate=19200, parity="N", stopbits=1)
    assert await client.connect()
    try:
        assert not (await client.read_holding_registers(0, count=10, device_id=1)).isError()
        return await measure(lambda: client.read_holding_registers(0, count=10, device_id=1), count)
    finally:
        client.close()
        await asyncio.sleep(0)


def percentiles(times: list[float]) -> tuple[float, float]:
    ordered = sorted(times)
    return ordered[len(ordered) // 2], ordered[int(len(ordered) * 0.99)]


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    master, slave = pty.openpty()
    tty.setraw(slave)
    responder = subprocess.Popen(
        [sys.executable, "-c", RESPONDER, str(master), REPLY.hex()], pass_fds=[master]
    )
    found: dict[str, list[tuple[float, float]]] = {"kerfbus": [], "pymodbus": []}
    try:
        for _ in range(BLOCKS):
            found["kerfbus"].append(percentiles(asyncio.run(ours(os.ttyname(slave), count))))
            found["pymodbus"].append(percentiles(asyncio.run(theirs(os.ttyname(slave), count))))
    finally:
        responder.kill()
        responder.wait()
    print(f"{BLOCKS} blocks of {count} reads, microseconds")
    print(f"{'':10}{'p50':>8}{'p99':>8}")
    median = {
        name: tuple(statistics.median(column) for column in zip(*rows, strict=True))
        for name, rows in found.items()
    }
    for name, (p50, p99) in median.items():
        print(f"{name:10}{p50:8.1f}{p99:8.1f}")
    ratios = [theirs / ours for ours, theirs in zip(*median.values(), strict=True)]
    print(
        f"pymodbus / kerfbus: p50 {ratios[0]:.2f}, p99 {ratios[1]:.2f} (above 1: kerfbus is faster)"
    )


if __name__ == "__main__":
    main()
