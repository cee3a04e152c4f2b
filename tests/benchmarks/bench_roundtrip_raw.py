"""What the transport alone costs: 8 characters out, 25 in, over a pty against a minimal responder.

Run: python tests/benchmarks/bench_roundtrip_raw.py [transactions]

Four ways take turns on the same pty pair and the same responder, in blocks: read and write without
an event loop (the floor), asyncio's own reader callback and a future, our transport with a deadline
for every receive, and pymodbus' asynchronous client. Printed are the medians over the blocks of p50
and p99 in microseconds and the ratio to ours.
"""

from __future__ import annotations

import asyncio
import os
import sys

from ptyresponder import BLOCKS, REPLY, medians, percentiles, responding, timed
from pymodbus.client import AsyncModbusSerialClient

from kerfbus.bench.crc import with_crc
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port

REQUEST = with_crc(bytes((1, 3, 0, 0, 0, 10)))
SECOND = 1_000_000_000


async def bare(port: str, count: int) -> list[float]:
    fd = os.open(port, os.O_RDWR | os.O_NOCTTY)

    async def exchange() -> None:
        os.write(fd, REQUEST)
        got = 0
        while got < len(REPLY):
            got += len(os.read(fd, 4096))

    try:
        return await timed(exchange, count)
    finally:
        os.close(fd)


async def bare_asyncio(port: str, count: int) -> list[float]:
    fd = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    loop = asyncio.get_running_loop()
    waiter: asyncio.Future[bytes] = loop.create_future()

    def on_readable() -> None:
        waiter.set_result(os.read(fd, 4096))

    async def exchange() -> None:
        nonlocal waiter
        os.write(fd, REQUEST)
        got = 0
        while got < len(REPLY):
            waiter = loop.create_future()
            got += len(await waiter)

    loop.add_reader(fd, on_readable)
    try:
        return await timed(exchange, count)
    finally:
        loop.remove_reader(fd)
        os.close(fd)


async def ours(port: str, count: int) -> list[float]:
    async with await open_port(port, LineSettings(19200)) as transport:

        async def exchange() -> None:
            until = await transport.send(REQUEST) + SECOND
            got = 0
            while got < len(REPLY):
                chunk = await transport.receive(until)
                assert chunk is not None
                got += len(chunk.data)

        return await timed(exchange, count)


async def theirs(port: str, count: int) -> list[float]:
    client = AsyncModbusSerialClient(port, baudrate=19200, parity="N", stopbits=1)
    assert await client.connect()
    try:
        return await timed(lambda: client.read_holding_registers(0, count=10, device_id=1), count)
    finally:
        client.close()
        await asyncio.sleep(0)


WAYS = {"bare": bare, "bare asyncio": bare_asyncio, "kerfbus": ours, "pymodbus": theirs}


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in WAYS}
    with responding() as port:
        for _ in range(BLOCKS):
            for name, way in WAYS.items():
                found[name].append(percentiles(asyncio.run(way(port(), count))))
    median = medians(found)
    print(f"{BLOCKS} blocks of {count} exchanges, microseconds; ratio to kerfbus")
    print(f"{'':14}{'p50':>8}{'p99':>8}{'p50':>8}{'p99':>8}")
    for name, (p50, p99) in median.items():
        base50, base99 = median["kerfbus"]
        print(f"{name:14}{p50:8.1f}{p99:8.1f}{p50 / base50:8.2f}{p99 / base99:8.2f}")


if __name__ == "__main__":
    main()
