"""Make the simulated captures of this folder again, byte for byte.

Run: python captures/make.py [FOLDER]   (default: this folder; `make captures` does it)

Each entry of `CAPTURES` is a run of the embedded simulated supply in virtual time, so a file is a
function of this program, the seed and the simulation. A change of the simulation changes files on
purpose: look at the difference of what they decode to before you commit it.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path

from kerfbus.bench import wire
from kerfbus.bench.capture import CaptureWriter
from kerfbus.bench.client import Client
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.recorder import RecordingTransport
from kerfbus.bench.transport import Transport, Vantage

SECOND = 1_000_000_000
SETTINGS = LineSettings()
SEED = 1

Run = Callable[[Transport], Awaitable[None]]


async def ask(transport: Transport) -> None:
    """Read, set, get refused: what a client's first minute with a supply looks like."""
    client = Client(transport)
    for request in (
        wire.ReadDeviceIdentification(1, 0),
        wire.ReadInputRegisters(0, 30),
        wire.ReadHoldingRegisters(0, 5),
        wire.WriteSingleRegister(0, 450),
        wire.ReadHoldingRegisters(0, 1),
        wire.WriteSingleRegister(0, 9999),
        wire.ReadHoldingRegisters(60000, 1),
        wire.ReadDiscreteInputs(0, 9),
        wire.ReadFifoQueue(1024),
    ):
        await client.request(1, request)
    await client.request(0, wire.WriteSingleRegister(0, 600))


async def hear(transport: Transport) -> None:
    """Hear the embedded controller make one cut."""
    end = transport.clock.now() + 12 * SECOND
    while await transport.receive(end):
        if transport.clock.now() >= end:
            break


CAPTURES: dict[str, tuple[Vantage, Run]] = {
    "first-minute": ("client", ask),
    "one-cut": ("tap", hear),
}
"""File name without ending: vantage, and what happens."""


async def make(folder: Path) -> None:
    """Write all captures into `folder`, replacing those that are there."""
    for name, (vantage, run) in CAPTURES.items():
        options = PortOptions(vantage=vantage, speed="fast", seed=SEED)
        port = await open_port("sim:", SETTINGS, options)
        writer = CaptureWriter(
            folder / f"{name}.pcapng",
            settings=SETTINGS,
            vantage=vantage,
            timing=port.timing,
            clock=port.clock.kind,
            uncertainty_ns=port.uncertainty_ns,
            seed=SEED,
            program="kerfbus",
            overwrite=True,
        )
        async with RecordingTransport(port, writer) as transport:
            await run(transport)


if __name__ == "__main__":
    asyncio.run(make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent))
