"""How quickly a capture becomes frames, its file read, against pymodbus' best case, in one run.

The capture holds 320,000 frames of a bus as a tap hears them, with exact times and the silent
interval between them, clean and with damage: 1 % of the frames hit, 0.5 % followed by garbage.
Ours reads the file and gives every frame and stray character as columns: instants, line errors,
silences, lengths, what each can be.

pymodbus reads no captures. It gets undamaged requests from memory, each in a chunk of its own, and
decodes them into objects; that is its best figure, with or without the objects. The candidates take
turns, the processor's time is taken, and the medians are compared.

Judged: reading and decoding, clean and damaged, at least 20 times pymodbus' usual call.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent))

from bench_framing import (
    ALONE,
    DAMAGED,
    GARBAGE,
    SEED,
    USUAL,
    Candidate,
    medians,
    pymodbus_alone,
    pymodbus_usual,
)
from framing_corpus import CHARACTER_NS, SETTINGS, T35_NS, damage, traffic

from kerfbus.bench.bulk import iter_frames
from kerfbus.bench.capture import CaptureReader, CaptureWriter
from kerfbus.bench.capturecolumns import iter_columns
from kerfbus.bench.framing import Framer
from kerfbus.bench.transport import Chunk

FRAMES, TIMES = 40_000, 8
ONE_BY_ONE = 5_000
"""Frames of the capture that is read record by record."""
BUDGET = 20.0
CLEAN, SPOILT = "kerfbus, file to frames, clean", "kerfbus, file to frames, damaged"


def write(path: Path, parts: list[bytes], times: int) -> Path:
    """Write a capture in which each part is followed by the silent interval."""
    at = 0
    with CaptureWriter(
        path, settings=SETTINGS, vantage="tap", timing="exact", clock="virtual", buffered=True
    ) as writer:
        for part in parts * times:
            at += T35_NS + CHARACTER_NS + SETTINGS.characters_ns(len(part))
            writer.inbound(Chunk(part, at))
    return path


def in_bulk(path: Path) -> int:
    """Count frames and strays."""
    return sum(len(columns) for columns in iter_frames(path))


def columns_alone(path: Path) -> int:
    """Count bursts."""
    return sum(len(columns) for columns in iter_columns(path))


def one_by_one(path: Path) -> int:
    """Count frames and strays, record by record."""
    with CaptureReader(path) as reader:
        framer = Framer(reader.info.settings, reader.info.timing)
        found = sum(len(framer.receive(burst.data, burst.at)) for burst in reader)
    return found + len(framer.flush())


def main() -> int:
    """Measure, print, and return 1 when the budget is broken."""
    clean = traffic(FRAMES, SEED)
    parts = damage(clean, SEED, DAMAGED, GARBAGE)
    requests = clean[:8_000:2]
    with tempfile.TemporaryDirectory() as folder:
        whole = write(Path(folder) / "clean", clean, TIMES)
        spoilt = write(Path(folder) / "damaged", [part.data for part in parts], TIMES)
        few = write(Path(folder) / "few", clean[:ONE_BY_ONE], 1)
        good = TIMES * sum(part.good for part in parts)
        candidates: dict[str, Candidate] = {
            USUAL: (len(requests), lambda: pymodbus_usual(requests)),
            ALONE: (len(requests), lambda: pymodbus_alone(requests)),
            "kerfbus, file to bursts": (FRAMES * TIMES, lambda: columns_alone(whole)),
            CLEAN: (FRAMES * TIMES, lambda: in_bulk(whole)),
            SPOILT: (good, lambda: in_bulk(spoilt)),
            "kerfbus, record by record, clean": (ONE_BY_ONE, lambda: one_by_one(few)),
        }
        found = medians(candidates)
    print(f"{'':36} {'frames/s':>12} {'ns/frame':>9} {'ratio':>7} {'to framing':>11}")
    for name, seconds in found.items():
        print(
            f"{name:36} {1 / seconds:12,.0f} {seconds * 1e9:9.0f}"
            f" {found[USUAL] / seconds:7.1f} {found[ALONE] / seconds:11.1f}"
        )
    kept = all(found[USUAL] / found[name] >= BUDGET for name in (CLEAN, SPOILT))
    print(f"budget: {BUDGET:g} times pymodbus' usual call: {'kept' if kept else 'BROKEN'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
