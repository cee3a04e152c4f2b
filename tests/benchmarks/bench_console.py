"""How heavy the console is: first paint, idle cost, a thousand frames a second.

    bench_console.py                     first paint, idle, a minute of full traffic
    bench_console.py --seconds 600       ten minutes of full traffic
    bench_console.py --big FILE          open a capture, as large as you like

First paint is measured against a process that only imports Textual and paints an empty screen, in
turn; the rest against the limits of the issue: under 3 % of a core at ten polls a second, event
loop late by less than 50 ms in 99 of 100 cases, nothing missing from the capture, memory level.
The terminal is a pty of 80x24 that somebody reads and throws away.
"""

from __future__ import annotations

import argparse
import asyncio
import fcntl
import os
import pty
import resource
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from pathlib import Path

PROGRAM = str(Path(sys.executable).with_name("kerfbus"))
EMPTY = """
from textual.app import App
class Empty(App):
    def on_mount(self): self.call_after_refresh(self.exit)
Empty().run()
"""
RUNS = 5
FRAMES_A_SECOND = 1000


def on_terminal(command: list[str]) -> tuple[subprocess.Popen[bytes], int]:
    """Start a program on a pty of 80x24."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "TERM": "xterm-256color"}
    process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, env=environment)
    os.close(slave)
    return process, master


def first_paint(command: list[str], sign: bytes | None) -> float:
    """Return milliseconds until a text is on the screen, or, without one, until the end."""
    start = time.perf_counter()
    process, master = on_terminal(command)
    seen = b""
    try:
        while sign is None or sign not in seen:
            try:
                data = os.read(master, 65536)
            except OSError:  # the other side has closed
                break
            if not data:
                break
            seen += data
        return (time.perf_counter() - start) * 1000
    finally:
        process.kill()
        process.wait()
        os.close(master)


def measure_paint() -> None:
    """Print how long the first paint takes, beside an empty Textual program."""
    console: list[float] = []
    empty: list[float] = []
    for _ in range(RUNS):
        console.append(first_paint([PROGRAM, "console"], b"kerfbus"))
        empty.append(first_paint([sys.executable, "-c", EMPTY], None))
    one, other = statistics.median(console), statistics.median(empty)
    print(f"first paint: {one:.0f} ms; an empty Textual program from start to end: {other:.0f} ms")
    print(f"  ratio {one / other:.2f}   (medians of {RUNS}; limit 1000 ms)")


def measure_idle(seconds: float) -> None:
    """Print what ten polls a second cost, by the child's own processor time."""
    process, master = on_terminal([PROGRAM, "console"])
    reader = threading.Thread(target=_throw_away, args=(master,), daemon=True)
    reader.start()
    time.sleep(10)
    before, began = _cpu(process.pid), time.monotonic()
    time.sleep(seconds)
    share = (_cpu(process.pid) - before) / (time.monotonic() - began)
    process.kill()
    process.wait()
    print(f"idle: {share:.2%} of a core at ten polls a second, 80x24   (limit 3 %)")


def _throw_away(master: int) -> None:
    try:
        while os.read(master, 65536):
            pass
    except OSError:
        pass


def _cpu(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def measure_load(seconds: float) -> None:
    """Print how the console bears full traffic on a pty, and whether the capture has all of it."""
    from kerfbus.tui.console.app import Console
    from kerfbus.tui.console.manner import Manner
    from kerfbus.tui.console.verdict import Door
    from kerfbus.tui.options import Link

    with tempfile.TemporaryDirectory() as folder:
        port, file = Path(folder) / "supply", str(Path(folder) / "all.pcapng")
        supply = subprocess.Popen(  # noqa: ASYNC220 (before anything is measured)
            [PROGRAM, "supply", "--pty", str(port)], stdout=subprocess.PIPE, text=True
        )
        assert supply.stdout is not None
        supply.stdout.readline()
        manner = Manner(every_ns=2 * 1_000_000_000 // FRAMES_A_SECOND)
        console = Console(Link(str(port), retries=0), manner, capture=file)
        async with console.run_test(size=(80, 24)) as pilot:
            while console.live is None or console.live.link.door is not Door.OPEN:
                await pilot.pause(0.05)
            await pilot.press("2")
            await asyncio.sleep(3)
            lags, before = [], console.live.log.newest
            memory, began = _memory(), time.monotonic()
            while time.monotonic() - began < seconds:
                asked = time.perf_counter()
                await asyncio.sleep(0.01)
                lags.append(time.perf_counter() - asked - 0.01)
            after = console.live.log.newest
            assert before is not None
            assert after is not None
            frames = (after.number - before.number) / (time.monotonic() - began)
            grown = _memory() - memory
            heard = console.live.log.newest
            await console.engine.stop_recording()
            assert console.bridge is not None
            await console.bridge.close()
            assert heard is not None
            total, wrong = console.live.log.newest, console.live.quality
        supply.terminate()
        supply.wait()
        _tell_load(frames, lags, grown, file)
        assert total is not None
        assert wrong is not None
        print(f"  {wrong.total.trials:,} transactions, {wrong.total.wrong} wrong")


def _tell_load(frames: float, lags: list[float], grown: float, file: str) -> None:
    from kerfbus.bench.capture import CaptureReader
    from kerfbus.bench.decode import Decoder

    lags.sort()
    p50, p99 = lags[len(lags) // 2] * 1000, lags[len(lags) * 99 // 100] * 1000
    print(f"load: {frames:.0f} frames a second shown and recorded")
    print(f"  event loop late: p50 {p50:.1f} ms, p99 {p99:.1f} ms, most {lags[-1] * 1000:.1f} ms")
    print(f"  memory grown by {grown:.1f} MB")
    with CaptureReader(file) as reader:
        decoder = Decoder(reader.info)
        for record in reader:
            decoder.feed(record)
        decoder.finish()
        found = decoder.summary
    print(
        f"  capture: {found.frames:,} frames, {found.requests:,} requests, "
        f"{found.replies:,} replies, {found.unanswered} unanswered, {found.damaged} damaged"
    )


def _memory() -> float:
    """Return the resident memory, in MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def measure_big(file: str) -> None:
    """Print how long it takes to open a capture, to jump in it, and to look through it."""
    from kerfbus.sim.maps import default_map
    from kerfbus.tui.console.review import Review

    start = time.perf_counter()
    review = Review(file, default_map())
    opened = time.perf_counter()
    for share in (0.5, 0.25, 0.75, 1.0):
        review.go(review.first_at + round(review.span_ns * share))
    jumped = time.perf_counter()
    memory = _memory()
    review.look_over()
    done = time.perf_counter()
    size = Path(file).stat().st_size / 1e6
    print(f"capture of {size:,.0f} MB: open in {(opened - start) * 1000:.0f} ms")
    print(f"  a jump takes {(jumped - opened) * 250:.0f} ms, memory {memory:.0f} MB")
    print(f"  looked through in {done - jumped:.1f} s, {size / (done - jumped):.0f} MB/s")
    review.close()


def main() -> None:
    """Measure what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--big")
    chosen = parser.parse_args()
    if chosen.big:
        measure_big(chosen.big)
        return
    measure_paint()
    measure_idle(min(chosen.seconds, 30.0))
    asyncio.run(measure_load(chosen.seconds))


if __name__ == "__main__":
    main()
