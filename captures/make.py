"""Make the simulated captures of this folder again, byte for byte.

Run: python captures/make.py [FOLDER]   (default: this folder; `make captures` does it)

Each is a run in virtual time, of a simulated supply on a clean line or on a pair with something
wrong, so a file is a function of this program, the seed and the simulation. A change of the
simulation changes files on purpose: look at the difference of what they decode to before you commit
it.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import replace
from pathlib import Path

from kerfbus.bench import wire
from kerfbus.bench.capture import CaptureWriter
from kerfbus.bench.client import Client
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.recorder import RecordingTransport
from kerfbus.bench.transport import Transport, Vantage
from kerfbus.sim.causerun import CauseRun, record_cause
from kerfbus.sim.scenario.truth import TRUTH_SUFFIX

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


def hear_for(seconds: int) -> Run:
    """Return what hears the embedded controllers for so long."""

    async def run(transport: Transport) -> None:
        end = transport.clock.now() + seconds * SECOND
        while await transport.receive(end):
            pass

    return run


SIMULATED: dict[str, tuple[str, Vantage, Run]] = {
    "first-minute": ("sim:", "client", ask),
    "one-cut": ("sim:", "tap", hear),
    "two-supplies": ("sim:two-supplies", "tap", hear_for(6)),
    "worn-electrode": ("sim:worn-electrode", "tap", hear_for(8)),
    "nobody-answers-yet": ("sim:", "server", hear_for(3)),
}
"""File name without ending: port, vantage, and what happens."""

CAUSES: dict[str, CauseRun] = {
    "healthy-tap": CauseRun("healthy", 0, "", "tap", seed=1, transactions=100),
    "healthy-client-sampled": CauseRun(
        "healthy", 0, "", "client", "sampled", seed=2, transactions=60
    ),
    "arc-noise-tap": CauseRun("arc-noise", 0.6, "", "tap", seed=3, transactions=150),
    "random-noise-client": CauseRun("random-noise", 0.5, "", "client", seed=5, transactions=60),
    "random-noise-server-sampled": CauseRun(
        "random-noise", 0.75, "", "server", "sampled", seed=6, transactions=70
    ),
    "missing-termination-tap-sampled": CauseRun(
        "missing-termination", 0.5, "", "tap", "sampled", seed=7, transactions=90
    ),
    "missing-bias-client": CauseRun("missing-bias", 0.45, "", "client", seed=8, transactions=80),
    "missing-bias-server": CauseRun("missing-bias", 0.45, "", "server", seed=9, transactions=150),
    "early-release-tap": CauseRun("early-release", 0.7, "", "tap", seed=10, transactions=200),
    "late-release-tap": CauseRun("late-release", 0.7, "", "tap", seed=11, transactions=200),
    "echo-client": CauseRun("echo", 0.5, "", "client", seed=12, transactions=100),
    "echo-server": CauseRun("echo", 0.5, "", "server", seed=13, transactions=60),
    "adapter-gaps-client": CauseRun("adapter-gaps", 0.6, "", "client", seed=14, transactions=120),
    "duplicate-address-tap": CauseRun(
        "duplicate-address", 0.7, "", "tap", seed=15, transactions=150
    ),
    "second-client-server": CauseRun("second-client", 0.6, "", "server", seed=16, transactions=120),
    "intermittent-contact-client": CauseRun(
        "intermittent-contact", 0.8, "", "client", seed=17, transactions=250
    ),
    "ground-offset-tap": CauseRun("ground-offset", 0.8, "", "tap", seed=18, transactions=250),
    "swapped-pair-tap": CauseRun("swapped-pair", 0.5, "", "tap", seed=19, transactions=60),
    "wrong-baud-tap": CauseRun("wrong-baud", 0.5, "", "tap", seed=20, transactions=30),
    "wrong-format-tap": CauseRun("wrong-format", 0.5, "", "tap", seed=21, transactions=40),
    "slow-server-client": CauseRun("slow-server", 0.6, "", "client", seed=22, transactions=120),
    "no-server-tap": CauseRun("no-server", 0.6, "", "tap", seed=23, transactions=150),
    "no-server-client-sampled": CauseRun(
        "no-server", 0.6, "", "client", "sampled", seed=24, transactions=60
    ),
}
"""File name without ending: a pair with one thing wrong with it, and who records it.

The severities are such that the cause does visible harm in so few transactions.
"""

CAPTURES = (*SIMULATED, *CAUSES)


async def make(folder: Path, names: Iterable[str] = CAPTURES) -> None:
    """Write captures into `folder`, replacing those that are there."""
    for name in names:
        path = folder / f"{name}.pcapng"
        if name in SIMULATED:
            await simulate(path, *SIMULATED[name])
        else:
            spoil(path, CAUSES[name])


def spoil(path: Path, run: CauseRun) -> None:
    """Write the capture of a pair with something wrong with it; the truth stands elsewhere."""
    record_cause(replace(run, path=path))
    Path(f"{path}{TRUTH_SUFFIX}").unlink()


async def simulate(path: Path, port: str, vantage: Vantage, run: Run) -> None:
    """Write the capture of a run on a clean line."""
    options = PortOptions(vantage=vantage, speed="fast", seed=SEED)
    opened = await open_port(port, SETTINGS, options)
    writer = CaptureWriter(
        path,
        settings=SETTINGS,
        vantage=vantage,
        timing=opened.timing,
        clock=opened.clock.kind,
        uncertainty_ns=opened.uncertainty_ns,
        seed=SEED,
        program="kerfbus",
        overwrite=True,
    )
    async with RecordingTransport(opened, writer) as transport:
        await run(transport)


if __name__ == "__main__":
    asyncio.run(make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent))
