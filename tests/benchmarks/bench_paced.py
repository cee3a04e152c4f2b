"""Our client against a paced supply at 115200: how near to the wire's limit it comes.

Run: python tests/benchmarks/bench_paced.py [transactions]

The limit is the wire's with ten registers, 8E1: request, t3.5, reply (204 transactions a second);
with t3.5 before each request too it is 150. On a pty our client keeps no silence before a request
unless it is told to, so both are measured. Printed are the best and the median block of each, as a
share of its limit.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port

BLOCKS = 7
LINE = LineSettings.parse(115200, "8E1")
NS = 1_000_000_000


async def rate(port: str, count: int, *, silent: bool) -> float:
    """Return transactions a second."""
    async with await open_port(port, LINE) as transport:
        client = Client(transport, Policy(retries=0, silent_interval=silent))
        request = wire.ReadInputRegisters(0, 10)
        assert (await client.request(1, request)).ok
        began = time.perf_counter()
        for _ in range(count):
            assert (await client.request(1, request)).ok
        return count / (time.perf_counter() - began)


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 150
    limits = {
        False: NS / (LINE.characters_ns(33) + LINE.t35_ns),
        True: NS / LINE.transaction_ns(8, 25),
    }
    with tempfile.TemporaryDirectory() as folder:
        port = str(Path(folder) / "supply")
        command = [str(Path(sys.executable).with_name("kerfbus")), "supply", "--pty", port]
        command += ["--baud", "115200", "--paced", "--json"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as supply:
            assert supply.stdout is not None
            assert json.loads(supply.stdout.readline())["ready"]["paced"]
            try:
                for silent, limit in limits.items():
                    found = [asyncio.run(rate(port, count, silent=silent)) for _ in range(BLOCKS)]
                    what = "t3.5 before request and reply" if silent else "t3.5 before the reply"
                    print(
                        f"{what}: limit {limit:.1f}/s, best block {max(found):.1f}/s "
                        f"({100 * max(found) / limit:.1f} %), median {median(found):.1f}/s "
                        f"({100 * median(found) / limit:.1f} %)"
                    )
            finally:
                supply.terminate()


if __name__ == "__main__":
    main()
