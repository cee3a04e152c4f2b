"""Transactions a second on a clean simulated line, against pymodbus' in-process pair.

Run: python tests/benchmarks/bench_virtual.py [transactions a block]

Ours is everything: client, framing, the line in exact virtual time, the server in front of a supply
that is cutting (its model is brought to the instant of each request), and a capture to a file.
Theirs is pymodbus' asynchronous client and its server with a block of registers, joined by its null
modem in one event loop, with RTU framing; it records nothing and models nothing.

Both read ten registers. Blocks take turns, and what is compared is the processor time of this
process, so that other work on the machine hits neither; printed are the medians over the blocks.
The wall-clock figure and how much faster than life a 19200-baud line runs are printed beside them.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, NamedTuple

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from pymodbus.transport import NULLMODEM_HOST

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.recorder import RecordingTransport, recorded
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.sequence import Mode

BLOCKS = 7
PORT = 5020
COUNT = 10
NS = 1_000_000_000
STATUS = wire.ReadInputRegisters(0, COUNT)
"""Status, mode, fault and the live arc readings."""


class Speed(NamedTuple):
    """Transactions a second, by processor time and by the wall clock."""

    processor: float
    wall: float


async def measure(read: Callable[[], Awaitable[Any]], count: int) -> Speed:
    """Return how fast `count` reads are."""
    wall, processor = time.perf_counter(), time.process_time()
    for _ in range(count):
        await read()
    return Speed(count / (time.process_time() - processor), count / (time.perf_counter() - wall))


async def _start_to_cut(client: Client) -> None:
    """Bring the supply over the link to where it cuts."""
    found = default_map()
    key = found.by_name("command_key").address
    for request in (
        wire.WriteSingleRegister(found.by_name("start_source").address, 1),
        wire.WriteMultipleCoils(found.by_name("enable").address, (True,)),
    ):
        assert (await client.request(1, request)).ok
    await client.transport.clock.sleep_until(2 * NS)
    for words in ((COMMAND_KEY, int(Order.ARM_LINK)), (COMMAND_KEY, 0, 1)):
        assert (await client.request(1, wire.WriteMultipleRegisters(key, words))).ok


async def ours(count: int, capture: Path) -> tuple[Speed, float]:
    """Return our speed, and how much faster than life the line ran (by processor time)."""
    inner = await open_port("sim:", LineSettings(), PortOptions(speed="fast"))
    async with recorded(inner, capture, "client", overwrite=True) as transport:
        assert isinstance(transport, RecordingTransport)
        client = Client(transport, Policy())
        await _start_to_cut(client)
        reply: Any = None
        while reply is None or reply.values[2] != Mode.CUTTING:
            reply = (await client.request(1, STATUS)).reply
        begin = transport.clock.now()
        speed = await measure(lambda: client.request(1, STATUS), count)
        lived = (transport.clock.now() - begin) / NS
        last = await client.request(1, STATUS)
        assert isinstance(last.reply, wire.ReadInputRegistersReply)
        assert last.reply.values[2] == Mode.CUTTING
    assert transport.capture_error is None
    return speed, lived * speed.processor / count


async def theirs(count: int) -> Speed:
    """Return pymodbus' speed over its null modem."""
    device = SimDevice(
        1, simdata=[SimData(0, values=list(range(100)), datatype=DataType.REGISTERS)]
    )
    server = ModbusTcpServer(device, framer=FramerType.RTU, address=(NULLMODEM_HOST, PORT))
    await server.listen()
    client = AsyncModbusTcpClient(NULLMODEM_HOST, port=PORT, framer=FramerType.RTU)
    await client.connect()
    try:
        reply = await client.read_holding_registers(0, count=COUNT, device_id=1)
        assert reply.registers == list(range(COUNT))
        return await measure(
            lambda: client.read_holding_registers(0, count=COUNT, device_id=1), count
        )
    finally:
        client.close()
        await server.shutdown()


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    our, their, faster = [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(BLOCKS):
            capture = Path(folder) / "line.pcapng"
            speed, times = asyncio.run(ours(count, capture))
            assert capture.stat().st_size > 2 * count * 40
            our.append(speed)
            faster.append(times)
            their.append(asyncio.run(theirs(count)))
    print(f"{BLOCKS} blocks of {count} reads of {COUNT} registers; transactions a second")
    print(f"{'':10}{'processor':>12}{'wall':>12}")
    for name, speeds in (("kerfbus", our), ("pymodbus", their)):
        median = [statistics.median(column) for column in zip(*speeds, strict=True)]
        print(f"{name:10}{median[0]:12.0f}{median[1]:12.0f}")
    ratio = statistics.median(a.processor / b.processor for a, b in zip(our, their, strict=True))
    print(f"kerfbus / pymodbus: {ratio:.2f} (above 1: kerfbus is faster)")
    print(f"a 19200-baud line polled without pause runs {statistics.median(faster):.0f} x life")


if __name__ == "__main__":
    main()
