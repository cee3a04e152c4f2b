"""How quickly recorded time passes in tests, and what the pytest plugin costs where it is unused.

1. A capture of an hour with 1,000 transactions: checked against its expectations as the plugin does
   it, and asked again by a client, both in virtual time. Budget: 3,600 times as fast as it was
   recorded, so less than a second.
2. pytest with and without the plugin on a file with one empty test, in turn. Budget: 5 % of the
   median, plus 20 ms for what such processes differ by.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

from hours import ASKED, PAUSE_SECONDS, TRANSACTIONS, record_hour

from kerfbus.bench.capturereader import CaptureReader
from kerfbus.bench.traffictext import capture_text
from kerfbus.sim.capturetest import check_capture
from kerfbus.sim.plainline import PlainOptions, open_recorded

RUNS = 5
SPEED = 3600
FACTOR, ALLOWANCE_SECONDS = 1.05, 0.02
QUIET = ["-p", "no:hypothesispytest", "-p", "no:asyncio", "-p", "no:benchmark", "-q"]


def median(work: Callable[[], object], runs: int = RUNS) -> float:
    """Return the median of how many seconds some work takes."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def expect(capture: Path) -> None:
    """Put beside a capture what it decodes to and counts."""
    with CaptureReader(capture) as reader:
        text = "".join(f"{line}\n" for line in capture_text(reader, capture.name))
    capture.with_suffix(".txt").write_text(text, "utf-8")
    capture.with_name(f"{capture.stem}.expect.toml").write_text(
        f'reason = "an hour"\n[summary]\nreplies = {TRANSACTIONS}\n', "utf-8"
    )


def ask_again(capture: Path, folder: Path) -> None:
    """Ask a recording what was asked, at the same pace."""
    line = open_recorded(capture, PlainOptions(folder / f"again-{time.perf_counter_ns()}.pcapng"))
    for _ in range(TRANSACTIONS):
        line.hear(PAUSE_SECONDS)
        assert line.ask(ASKED).ok
    line.close()


def hour(folder: Path) -> bool:
    """Measure an hour and return whether the budget is kept."""
    capture = folder / "hour.pcapng"
    record_hour(capture)
    expect(capture)
    recorded = TRANSACTIONS * PAUSE_SECONDS
    kept = True
    for name, work in (
        ("checked against expectations", lambda: check_capture(capture)),
        ("asked again by a client", lambda: ask_again(capture, folder)),
    ):
        seconds = median(work)
        kept &= recorded / seconds >= SPEED
        print(f"{name:30} {seconds:7.3f} s, {recorded / seconds:9.0f} times as fast as recorded")
    print(f"budget: {SPEED} times: {'kept' if kept else 'BROKEN'}")
    return kept


def unused(folder: Path) -> bool:
    """Measure what the plugin costs and return whether the budget is kept."""
    (folder / "test_nothing.py").write_text("def test_nothing(): pass\n", "utf-8")
    base = [sys.executable, "-m", "pytest", *QUIET, "test_nothing.py"]
    found: dict[str, list[float]] = {"without": [], "with": []}
    for _ in range(3 * RUNS):
        for name, command in (("without", [*base, "-p", "no:kerfbus"]), ("with", base)):
            run = lambda: subprocess.run(command, cwd=folder, check=True, capture_output=True)  # noqa: B023, E731
            found[name].append(median(run, 1))
    without, with_it = (statistics.median(found[name]) for name in ("without", "with"))
    kept = with_it <= FACTOR * without + ALLOWANCE_SECONDS
    print(f"pytest {without * 1000:.0f} ms, with the plugin unused {with_it * 1000:.0f} ms")
    allowed = f"{FACTOR} times + {ALLOWANCE_SECONDS * 1000:.0f} ms"
    print(f"budget: {allowed}: {'kept' if kept else 'BROKEN'}")
    return kept


if __name__ == "__main__":
    with TemporaryDirectory() as place:
        sys.exit(not (hour(Path(place)) & unused(Path(place))))
