"""How long a day of traffic takes to be explained, and how much memory.

A day at 19200 8E1, 7.5 million frames of a tap with damage in one exchange of a hundred, is written
once and explained in a process of its own. Beside it stands the time in which the same file is read
through as bytes, so that a slow disk is not taken for a slow program. The budget: 60 s, 1 GB.

    python tests/benchmarks/bench_explain.py [FRAMES]
"""

from __future__ import annotations

import multiprocessing
import random
import resource
import sys
import tempfile
import time
from pathlib import Path

from kerfbus.bench.capture import CaptureWriter
from kerfbus.bench.crc import with_crc
from kerfbus.bench.diagnosis.explain import explain_file
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk

FRAMES = 7_500_000
SECONDS, BYTES = 60.0, 1_000_000_000
SETTINGS = LineSettings()
TURNAROUND, PAUSE = 3_000_000, 4_000_000


def write(path: Path, frames: int) -> None:
    """Write so many frames, each a burst: requests and replies of three servers in turn."""
    rng = random.Random(1)
    at = 0
    with CaptureWriter(
        path, settings=SETTINGS, vantage="tap", timing="exact", clock="virtual", buffered=True
    ) as writer:
        for turn in range(frames // 2):
            server = 1 + turn % 3
            asked = with_crc(bytes((server, 4, 0, 0, 0, 6)))
            words = (server, 520, turn // 50 & 0xFFFF, 3, 0, turn & 1)
            answer = with_crc(
                bytes((server, 4, 12)) + b"".join(word.to_bytes(2, "big") for word in words)
            )
            if rng.random() < 0.01:
                place = rng.randrange(len(answer))
                flip = bytes((answer[place] ^ 1 << rng.randrange(8),))
                answer = answer[:place] + flip + answer[place + 1 :]
            for data, wait in ((asked, PAUSE), (answer, TURNAROUND)):
                at += wait + SETTINGS.characters_ns(len(data))
                writer.inbound(Chunk(data, at))


def explained(path: str, answers: multiprocessing.SimpleQueue[tuple[float, int, str]]) -> None:
    """Explain a file; give seconds, bytes at most, and the first cause."""
    begin = time.perf_counter()
    found, _ = explain_file(path)
    seconds = time.perf_counter() - begin
    first = found.to_json()["causes"][0]["cause"]
    answers.put((seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024, first))


def main() -> int:
    """Measure, print, and return 1 when the budget is broken."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.pcapng"
        write(path, frames)
        begin = time.perf_counter()
        with path.open("rb", buffering=0) as file:
            while file.read(1 << 20):
                pass
        reading = time.perf_counter() - begin
        context = multiprocessing.get_context("spawn")
        answers = context.SimpleQueue()
        process = context.Process(target=explained, args=(str(path), answers))
        process.start()
        seconds, memory, first = answers.get()
        process.join()
        size = path.stat().st_size
    print(f"{frames:,} frames, {size / 1e6:.0f} MB; read through in {reading:.2f} s")
    print(f"explained ({first}) in {seconds:.1f} s, {seconds / max(reading, 1e-9):.0f} times that")
    print(f"{frames / seconds:,.0f} frames/s; {memory / 1e6:.0f} MB of memory at most")
    share = frames / FRAMES
    kept = seconds <= max(SECONDS * share, 15) and memory <= BYTES
    print(f"budget: {SECONDS:g} s for {FRAMES:,} frames, 1 GB: {'kept' if kept else 'BROKEN'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
