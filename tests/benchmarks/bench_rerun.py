"""An hour of recorded traffic run again in virtual time, against reading the same file with scapy.

Run: python tests/benchmarks/bench_rerun.py [transactions]

The recording holds 1,000 transactions, one in 3.6 seconds. Ours reads it, cuts it into
transactions, asks all of them of the recorded line (client, framing, damage, virtual time), decodes
what comes and compares it by meaning. Theirs is scapy's raw pcapng reader over the same file: it
yields the packets and does nothing with them. Blocks take turns; what is compared is the processor
time of this process, and printed are the medians.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from scapy.utils import RawPcapNgReader

from kerfbus.bench import wire
from kerfbus.bench.capture import CaptureWriter
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.recordedline import open_recording
from kerfbus.bench.rerun import Gate, Rerun, RerunPlan
from kerfbus.bench.transactions import read_transactions
from kerfbus.bench.transport import Chunk
from kerfbus.sim.maps import default_map

BLOCKS = 7
MS = 1_000_000
HOUR_MS = 3_600_000


def record(path: Path, count: int) -> None:
    """Write an hour of polling; every hundredth reply is damaged."""
    asked = wire.adu(1, wire.ReadInputRegisters(0, 8))
    with CaptureWriter(
        path,
        settings=LineSettings(),
        vantage="client",
        timing="exact",
        clock="virtual",
        buffered=True,
    ) as writer:
        for number in range(count):
            at = (10 + number * HOUR_MS // count) * MS
            values = (0, 2, 0, number, 7, 7, 7, 7)
            reply = wire.adu(1, wire.ReadInputRegistersReply(values))
            if number % 100 == 99:
                reply = reply[:-1] + bytes([reply[-1] ^ 1])
            writer.outbound(asked, at)
            writer.inbound(Chunk(reply, at + 20 * MS))


def again(path: Path, count: int) -> None:
    """Run it again; it must be the same."""

    async def run() -> None:
        recording = read_transactions(path)
        line = open_recording(path, port=PortOptions(speed="fast"))
        plan = RerunPlan(Gate(default_map(), real=False))
        report = await Rerun(line, recording, plan).run()
        assert report.good
        assert report.transactions == count
        assert line.clock.now() > (HOUR_MS - HOUR_MS // count) * MS

    asyncio.run(run())


def scan(path: Path) -> None:
    """Read the packets with scapy."""
    with RawPcapNgReader(str(path)) as reader:
        assert sum(1 for _ in reader)


def seconds(work: Callable[[], None]) -> float:
    """Return the processor time that something takes."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hour.pcapng"
        record(path, count)
        again(path, count)
        ours, theirs = [], []
        for _ in range(BLOCKS):
            ours.append(seconds(lambda: again(path, count)))
            theirs.append(seconds(lambda: scan(path)))
    mine, other = statistics.median(ours), statistics.median(theirs)
    print(f"{count} transactions of an hour run again: {mine:.3f} s of processor time")
    print(f"scapy reads the packets of the file: {other:.3f} s, ratio {mine / other:.2f}")
    print(f"faster than life: {3600 / mine:.0f} times")


if __name__ == "__main__":
    main()
