"""Round trip of a ten-register read over a pty against a minimal responder.

Run: python tests/benchmarks/bench_roundtrip.py [transactions]

Our asynchronous client and pymodbus' take turns on the same pty pair and the same responder, in
blocks, so that what else the machine does hits both. Printed are the medians over the blocks of p50
and p99 in microseconds and the ratio of pymodbus' to ours.
"""

from __future__ import annotations

import asyncio
import sys

from ptyresponder import BLOCKS, medians, percentiles, responding, timed
from pymodbus.client import AsyncModbusSerialClient

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port


async def ours(port: str, count: int) -> list[float]:
    transport = await open_port(port, LineSettings(19200))
    async with transport:
        client = Client(transport, Policy())
        request = wire.ReadHoldingRegisters(0, 10)
        assert (await client.request(1, request)).ok
        return await timed(lambda: client.request(1, request), count)


async def theirs(port: str, count: int) -> list[float]:
    client = AsyncModbusSerialClient(port, baudrate=19200, parity="N", stopbits=1)
    assert await client.connect()
    try:
        assert not (await client.read_holding_registers(0, count=10, device_id=1)).isError()
        return await timed(lambda: client.read_holding_registers(0, count=10, device_id=1), count)
    finally:
        client.close()
        await asyncio.sleep(0)


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    found: dict[str, list[tuple[float, float]]] = {"kerfbus": [], "pymodbus": []}
    with responding() as port:
        for _ in range(BLOCKS):
            found["kerfbus"].append(percentiles(asyncio.run(ours(port(), count))))
            found["pymodbus"].append(percentiles(asyncio.run(theirs(port(), count))))
    median = medians(found)
    print(f"{BLOCKS} blocks of {count} reads, microseconds")
    print(f"{'':10}{'p50':>8}{'p99':>8}")
    for name, (p50, p99) in median.items():
        print(f"{name:10}{p50:8.1f}{p99:8.1f}")
    ratios = [theirs / ours for ours, theirs in zip(*median.values(), strict=True)]
    print(
        f"pymodbus / kerfbus: p50 {ratios[0]:.2f}, p99 {ratios[1]:.2f} (above 1: kerfbus is faster)"
    )


if __name__ == "__main__":
    main()
