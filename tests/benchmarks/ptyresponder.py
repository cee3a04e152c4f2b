"""A pty with a minimal responder at its far end, and medians of what was measured there.

What the benchmarks of the round trip share. The responder is another process that answers every
eight characters with the reply to a read of ten registers, and does nothing else.
"""

from __future__ import annotations

import contextlib
import os
import pty
import statistics
import subprocess
import sys
import time
import tty
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence

from kerfbus.bench.crc import with_crc

REPLY = with_crc(bytes((1, 3, 20, *range(20))))
BLOCKS = 10
_RESPONDER = """
import os, sys
master, reply = int(sys.argv[1]), bytes.fromhex(sys.argv[2])
got = 0
while True:
    got += len(os.read(master, 256))
    if got >= 8:
        got -= 8
        os.write(master, reply)
"""


@contextlib.contextmanager
def responding() -> Iterator[Callable[[], str]]:
    """Run the responder and give what makes the pty raw again and returns its name.

    A program may leave the pty in another mode than it was found in.
    """
    master, slave = pty.openpty()
    responder = subprocess.Popen(
        [sys.executable, "-c", _RESPONDER, str(master), REPLY.hex()], pass_fds=[master]
    )

    def port() -> str:
        tty.setraw(slave)
        return os.ttyname(slave)

    try:
        port()
        yield port
    finally:
        responder.kill()
        responder.wait()
        os.close(master)
        os.close(slave)


async def timed(exchange: Callable[[], Awaitable[object]], count: int) -> list[float]:
    """Return the times of `count` exchanges in microseconds, after one that is not counted."""
    await exchange()
    times = []
    for _ in range(count):
        start = time.perf_counter()
        await exchange()
        times.append((time.perf_counter() - start) * 1e6)
    return times


def percentiles(times: Sequence[float]) -> tuple[float, float]:
    """Return p50 and p99."""
    ordered = sorted(times)
    return ordered[len(ordered) // 2], ordered[int(len(ordered) * 0.99)]


def medians(
    found: Mapping[str, Sequence[tuple[float, float]]],
) -> dict[str, tuple[float, float]]:
    """Return the medians over the blocks of p50 and of p99, by name."""
    return {
        name: (
            statistics.median(p50 for p50, _ in rows),
            statistics.median(p99 for _, p99 in rows),
        )
        for name, rows in found.items()
    }
