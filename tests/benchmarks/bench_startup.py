"""How quickly `kerfbus --help` answers, against a process that only imports pyserial.

The budget is 2.5 times that process plus 100 ms. Both run in turn, so that a busy machine slows
both; the medians are compared.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

RUNS = 15
FACTOR, ALLOWANCE_MS = 2.5, 100.0

PYTHON = [sys.executable, "-c"]
PROGRAM = str(Path(sys.executable).with_name("kerfbus"))
CANDIDATES = {
    "import serial": [*PYTHON, "import serial"],
    "import click": [*PYTHON, "import click"],
    "kerfbus --help": [PROGRAM, "--help"],
    "kerfbus read --help": [PROGRAM, "read", "--help"],
}


def milliseconds(command: list[str]) -> float:
    """Return how long a command takes from start to end."""
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return (time.perf_counter() - start) * 1000


def main() -> int:
    """Measure, print the table, and return 1 when the budget is broken."""
    for command in CANDIDATES.values():
        milliseconds(command)  # byte code and disk cache
    times: dict[str, list[float]] = {name: [] for name in CANDIDATES}
    for _ in range(RUNS):
        for name, command in CANDIDATES.items():
            times[name].append(milliseconds(command))
    medians = {name: statistics.median(each) for name, each in times.items()}
    base = medians["import serial"]
    print(f"{'process':22} {'ms':>7} {'ratio':>7}   (medians of {RUNS})")
    for name, median in medians.items():
        print(f"{name:22} {median:7.1f} {median / base:7.2f}")
    budget = FACTOR * base + ALLOWANCE_MS
    kept = medians["kerfbus --help"] <= budget
    print(f"budget for kerfbus --help: {budget:.0f} ms: {'kept' if kept else 'BROKEN'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
