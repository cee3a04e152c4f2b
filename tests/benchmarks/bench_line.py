"""How quickly the simulated line works, against pymodbus and numpy in the same run.

Bit-level, in bulk: frames of 8 to 29 characters, 8E1, at a bit error rate of 1e-3. Drawing which
bits are wrong, and what a UART makes of them (which frames are hit, their characters, framing and
parity errors, breaks), are both in the figure; with numba, where it is installed, and with numpy
alone. Beside it stand the CRC that pymodbus' framer computes over the same frames, and numpy's
generator drawing one number a bit, which is how one would begin without drawing gaps.

Character by character: `BitLine` and `SampledLine`, one station that talks without pause at 19200
8E1 and one that listens every 400 ms, with Gaussian noise four and a half sigmas below the driven
level and of half of that; and `BitLine` hearing frames of 25 characters, which it does without
sampling where nothing can be misheard. Beside them, numpy's generator drawing one normal number for
each of those samples.

The candidates take turns, the processor's time is taken, and the medians are compared. Judged: in
bulk at least BULK_CRCS times pymodbus' CRC; the sampled line, with the faint noise, at least
SAMPLED_SHARE of numpy's normal numbers. Where these were set they stood for 3 million frames and
for 150 simulated seconds a second.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from pymodbus.framer import FramerRTU

from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.bulk import Traffic, flips, hear
from kerfbus.sim.pair.bulkloop import is_compiled
from kerfbus.sim.pair.noise import Disturbances, NoisePlan, Routing
from kerfbus.sim.pair.plant import Place, Plant
from kerfbus.sim.pair.sampled import SampledLine
from kerfbus.sim.pair.talk import PairLine, Talk

RUNS = 7
FRAMES = 100_000
FEW = 2_000
"""Frames for the candidates that take them one by one."""
BIT_ERROR_RATE = 1e-3
SETTINGS = LineSettings(19200)
SECONDS = 4.0
"""Simulated, of one talk without pause."""
FRAME = 25
"""Characters of a reply with ten registers."""
FAINT, LOUD = 0.32, 0.64
"""V rms; the driven level is 1.44 V."""
BULK_CRCS = 10.4
SAMPLED_SHARE = 0.53


class Candidate(NamedTuple):
    """What is measured: so much work in one run."""

    work: float
    run: Callable[[], object]


def medians(candidates: dict[str, Candidate]) -> dict[str, float]:
    """Return how much work a second of the processor does; the candidates take turns."""
    times: dict[str, list[float]] = {name: [] for name in candidates}
    for _ in range(RUNS):
        for name, candidate in candidates.items():
            start = time.process_time()
            candidate.run()
            times[name].append((time.process_time() - start) / candidate.work)
    return {name: 1 / statistics.median(each) for name, each in times.items()}


def traffic() -> Traffic:
    """Return frames of 8 to 29 characters."""
    dice = np.random.default_rng(1)
    lengths = dice.integers(8, 30, FRAMES)
    values = dice.integers(0, 256, int(lengths.sum()), dtype=np.uint8)
    return Traffic(values, lengths, SETTINGS)


def in_bulk(sent: Traffic, batch: list[int], *, compiled: bool) -> None:
    """Send all frames once, with other wrong bits each time."""
    batch[0] += 1
    hear(sent, flips(sent.bits, BIT_ERROR_RATE, 1, batch[0]), compiled=compiled)


def crcs(frames: list[bytes]) -> None:
    """Compute the CRC of each frame with pymodbus."""
    for frame in frames:
        FramerRTU.compute_CRC(frame)


def without_pause(make: Callable[[Plant, Disturbances], PairLine], sigma: float) -> None:
    """Let one station talk without pause for SECONDS, and another listen."""
    places = (Place("client", 0.0, SETTINGS), Place("server", 30.0, SETTINGS))
    line = make(Plant(places), Disturbances(NoisePlan(gaussian=sigma), Routing(), 1))
    count = round(SECONDS * SETTINGS.baud / SETTINGS.character_bits)
    data = np.random.default_rng(2).bytes(count)
    begin, end = 10_000_000, 10_000_000 + SETTINGS.characters_ns(count)
    line.say(Talk(0, data, begin, SETTINGS, begin - 1_000_000, end))
    for instant in (*range(begin, end, 400_000_000), end):  # not beyond: that were a pause
        line.hear(1, instant)


def in_frames() -> None:
    """Let one station send frames for SECONDS, and another listen, with a faint noise."""
    places = (Place("client", 0.0, SETTINGS), Place("server", 30.0, SETTINGS))
    line = BitLine(Plant(places), Disturbances(NoisePlan(), Routing(), 1))
    data, length = bytes(range(FRAME)), SETTINGS.characters_ns(FRAME)
    step = length + SETTINGS.t35_ns
    for begin in range(10_000_000, round(SECONDS * 1e9), step):
        line.say(Talk(0, data, begin, SETTINGS, begin - 100_000, begin + length + 100_000))
        line.hear(1, begin + step - 200_000)


def candidates() -> dict[str, Candidate]:
    """Return all that is measured."""
    sent, batch = traffic(), [0]
    ends = np.cumsum(sent.lengths[:FEW]).tolist()
    frames = [sent.values[begin:end].tobytes() for begin, end in pairwise([0, *ends])]
    bits, samples = sent.bits // 10, round(SECONDS * SETTINGS.baud * 16)
    dice = np.random.default_rng(3)
    found = {
        "pymodbus, CRC of each frame": Candidate(FEW, lambda: crcs(frames)),
        "numpy, one number a bit": Candidate(FRAMES / 10, lambda: dice.random(bits) < 1e-3),
        "bulk, numpy": Candidate(FRAMES, lambda: in_bulk(sent, batch, compiled=False)),
        "numpy, one normal number a sample": Candidate(
            SECONDS, lambda: dice.standard_normal(samples)
        ),
        "BitLine, frames": Candidate(SECONDS, in_frames),
        "BitLine, faint": Candidate(SECONDS, lambda: without_pause(BitLine, FAINT)),
        "BitLine, loud": Candidate(SECONDS, lambda: without_pause(BitLine, LOUD)),
        "SampledLine, faint": Candidate(SECONDS, lambda: without_pause(SampledLine, FAINT)),
        "SampledLine, loud": Candidate(SECONDS, lambda: without_pause(SampledLine, LOUD)),
    }
    if is_compiled():
        found["bulk, numba"] = Candidate(FRAMES, lambda: in_bulk(sent, batch, compiled=True))
    for candidate in found.values():  # once for what is made on first use
        candidate.run()
    return found


def main() -> int:
    """Measure, print, and return 1 when a budget is broken."""
    found = medians(candidates())
    crc, normals = (
        found["pymodbus, CRC of each frame"],
        found["numpy, one normal number a sample"],
    )
    print(f"{'':36} {'frames/s':>12} {'to the CRC':>11}")
    for name in [each for each in found if "Line" not in each and "normal" not in each]:
        print(f"{name:36} {found[name]:12,.0f} {found[name] / crc:11.2f}")
    print(f"\n{'':36} {'sim. s/s':>12} {'to numpy':>11}")
    for name in [each for each in found if "Line" in each or "normal" in each]:
        print(f"{name:36} {found[name]:12,.0f} {found[name] / normals:11.4f}")
    best = max(found[each] for each in found if "bulk" in each)
    bulk = best >= BULK_CRCS * crc
    sampled = found["SampledLine, faint"] >= SAMPLED_SHARE * normals
    print(f"\nbudget, bulk: {BULK_CRCS:g} times the CRC: {'kept' if bulk else 'BROKEN'}")
    print(
        f"budget, sampled: {SAMPLED_SHARE:g} of numpy's normals: {'kept' if sampled else 'BROKEN'}"
    )
    return 0 if bulk and sampled else 1


if __name__ == "__main__":
    sys.exit(main())
