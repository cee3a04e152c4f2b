"""What the pictures of line.md show as measured: errors counted on the simulated pair.

Every number comes from the two fidelities of the simulated pair or from what both hear as noise;
seeds are fixed, so the same counts come again. Theory stands in
`kerfbus.sim.pair.theory`, drawing in `plots.py`.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import groupby
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.bulkcrc import residues
from kerfbus.bench.confidence import clopper_pearson
from kerfbus.bench.crc import with_crc
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair import bulk
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.coupling import WORST
from kerfbus.sim.pair.gilbert import Gilbert
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.noise import Disturbances, NoisePlan
from kerfbus.sim.pair.noiseplan import Dropouts, Transients
from kerfbus.sim.pair.plant import Place, Plant, Receiver
from kerfbus.sim.pair.sampled import SampledLine
from kerfbus.sim.pair.talk import Character, PairLine, Talk
from kerfbus.sim.pair.theory import tail, vote_error

SECOND = 1_000_000_000
SETTINGS = LineSettings()
BIT_NS = SECOND / SETTINGS.baud
CHARACTER_NS = 11 * BIT_NS
SAMPLE_NS = BIT_NS / 16
LEAD_NS = 2_000_000
"""The driver sends mark for this long before it begins: the receiver's UART comes to rest."""
LINES: tuple[type[BitLine | SampledLine], ...] = (BitLine, SampledLine)
FRAME = with_crc(bytes.fromhex("0103000000 02"))
AT_ONCE = 1 << 18
"""Frames damaged side by side."""


class Point(NamedTuple):
    """`wrong` of `tried` at `x`."""

    x: float
    wrong: int
    tried: int

    @property
    def share(self) -> float:
        """Return the measured share."""
        return self.wrong / self.tried

    def interval(self) -> tuple[float, float]:
        """Return its exact interval at 95 % confidence."""
        return clopper_pearson(self.wrong, self.tried)


def _plant() -> Plant:
    """Return a terminated pair without bias, with receivers that have one threshold at 0 V.

    So the margin of both levels is the same, and Q(margin / sigma) is the chance to mishear one.
    """
    receiver = Receiver(threshold=0.0, hysteresis=0.0)
    client = Place("client", 0.0, SETTINGS, receiver=receiver)
    tap = Place("tap", 30.0, SETTINGS, driver=None, receiver=receiver)
    return Plant((client, tap), bias=None)


def _noisy(kind: type[BitLine | SampledLine], ratio: float, seed: int) -> PairLine:
    """Return a line on which margin over noise is as given."""
    plant = _plant()
    margin = Levels(plant).seen(1, {0: True}).volts
    return kind(plant, Disturbances(NoisePlan(gaussian=margin / ratio), WORST, seed))


def bit_errors(kind: type[BitLine | SampledLine], ratio: float, characters: int) -> Point:
    """Count wrong data bits in a long run of characters.

    Only characters whose start the UART found within three samples are counted. Noise just before
    a start bit can start it earlier, and then it votes beside the middle of each bit; whether that
    happened does not depend on the noise in the bits that are counted.
    """
    line = _noisy(kind, ratio, 1)
    data = random.Random(ratio).randbytes(characters)  # noqa: S311 (no secret)
    over = LEAD_NS + round(characters * CHARACTER_NS)
    line.say(Talk(0, data, LEAD_NS, SETTINGS, 0, over))
    wrong = counted = 0
    for each in line.hear(1, over + LEAD_NS):
        number = round((each.at - LEAD_NS - SAMPLE_NS) / CHARACTER_NS) - 1
        late = each.at - LEAD_NS - (number + 1) * CHARACTER_NS
        if 0 <= number < characters and -0.5 * SAMPLE_NS < late < 3 * SAMPLE_NS:
            counted += 1
            wrong += (each.value ^ data[number]).bit_count()
    return Point(ratio, wrong, 8 * counted)


def frame_errors(
    kind: type[BitLine | SampledLine], ratio: float, octets: int, frames: int
) -> Point:
    """Count frames that did not arrive as they were sent, four characters of mark between them."""
    line = _noisy(kind, ratio, 2)
    draw = random.Random(octets)  # noqa: S311 (no secret)
    slot = round((octets + 4) * CHARACTER_NS)
    sent = [draw.randbytes(octets) for _ in range(frames)]
    heard: list[list[Character]] = [[] for _ in range(frames + 1)]
    for number, data in enumerate(sent):
        start = LEAD_NS + number * slot
        # The driver stays on: mark between frames is as strong as within them.
        line.say(Talk(0, data, start, SETTINGS, start - LEAD_NS, start + slot))
        for each in line.hear(1, start + slot - LEAD_NS):
            heard[max(each.at - LEAD_NS, 0) // slot].append(each)
    wrong = sum(not _right(each, data) for each, data in zip(heard, sent, strict=False))
    return Point(vote_error(tail(ratio)), wrong, frames)


def _right(heard: list[Character], sent: bytes) -> bool:
    return bytes(each.value for each in heard) == sent and not any(e.errors for e in heard)


def frame_errors_in_bulk(rate: float, octets: int, frames: int) -> Point:
    """Count frames that did not arrive as they were sent where bits alone are wrong."""
    traffic = _traffic(octets, frames, SETTINGS)
    heard = bulk.hear(traffic, bulk.flips(traffic.bits, rate, 6))
    whole = heard.counts == octets
    errors, values = (
        _frames_of(each, heard.counts, whole) for each in (heard.errors, heard.values)
    )
    sent = traffic.values.reshape(-1, octets)[heard.frames[whole]]
    right = ~errors.any(axis=1) & (values == sent).all(axis=1)
    return Point(rate, len(heard.frames) - int(right.sum()), frames)


def _traffic(octets: int, frames: int, settings: LineSettings) -> bulk.Traffic:
    values = np.random.default_rng(7).integers(0, 256, octets * frames, np.uint8)
    return bulk.Traffic(values, np.full(frames, octets, np.int64), settings)


def _frames_of(
    column: NDArray[np.uint8], counts: NDArray[np.int64], whole: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """Return a column of the whole frames, all of which have the same length, a row each."""
    return column[np.repeat(whole, counts)].reshape(int(whole.sum()), -1)


def open_runs(channel: Gilbert, steps: int, seed: int) -> list[int]:
    """Return how many steps in a row a rattling contact was open, for each time that it was."""
    step_ns = round(CHARACTER_NS)
    mean = step_ns / (channel.renewals * (1.0 - channel.bad_share))
    plan = NoisePlan(dropouts=(Dropouts(channel.bad_share, round(mean)),))
    bad = np.zeros(steps, np.bool_)
    for each in Disturbances(plan, WORST, seed).episodes(0, steps * step_ns):
        bad[-(-each.begin // step_ns) : -(-each.end // step_ns)] = True
    lengths = [(state, len(list(run))) for state, run in groupby(bad.tolist())]
    return [length for state, length in lengths[1:-1] if state]


def hits(frame_ns: float, hertz: float, questions: int) -> Point:
    """Count at random instants whether a frame would meet a train of fast transients."""
    noise = Disturbances(NoisePlan(transients=(Transients(4.0, hertz),)), WORST, 3)
    draw = random.Random(hertz + frame_ns)  # noqa: S311 (no secret)
    times = sorted(draw.randrange(100 * 300_000_000) for _ in range(questions))
    hit = sum(bool(noise.episodes(at, at + round(frame_ns))) for at in times)
    return Point(frame_ns / 1e6, hit, questions)


def undetected(rate: float, frames: int) -> list[Point]:
    """Count damaged frames of eight characters whose CRC fits, by how many data bits are wrong.

    The bits are wrong with the same chance each; nothing else is counted but data bits.
    """
    found = _Fits()
    for errors in _damage(rate, frames):
        found.count(errors)
    return found.points()


def undetected_in_bulk(rate: float, frames: int) -> list[Point]:
    """Count the same behind a UART, 8N1, in frames that it heard without an error of its own."""
    found = _Fits()
    settings = LineSettings(parity="N")
    for first in range(0, frames, AT_ONCE):
        count = min(AT_ONCE, frames - first)
        values = np.tile(np.frombuffer(FRAME, np.uint8), count)
        traffic = bulk.Traffic(values, np.full(count, 8, np.int64), settings)
        heard = bulk.hear(traffic, bulk.flips(traffic.bits, rate, 8, first // AT_ONCE))
        whole = heard.counts == 8
        rows = _frames_of(heard.values, heard.counts, whole)
        clean = ~_frames_of(heard.errors, heard.counts, whole).any(axis=1)
        found.count(rows[clean] ^ np.frombuffer(FRAME, np.uint8))
    return found.points()


class _Fits:
    """Frames by how many data bits are wrong, and how many of them have a CRC that fits."""

    def __init__(self) -> None:
        self._fit = np.zeros(65, np.int64)
        self._all = np.zeros(65, np.int64)

    def count(self, errors: NDArray[np.uint8]) -> None:
        """Count frames with these errors, shape (frames, 8)."""
        weights = np.bitwise_count(errors).sum(axis=1, dtype=np.int64)
        damaged = np.ascontiguousarray(errors ^ np.frombuffer(FRAME, np.uint8))
        starts = np.arange(len(damaged), dtype=np.int64) * 8
        fits = residues(damaged.ravel(), starts, np.full(len(starts), 8, np.int64)) == 0
        self._all += np.bincount(weights, minlength=65)
        self._fit += np.bincount(weights[fits], minlength=65)

    def points(self) -> list[Point]:
        """Return the shares by number of wrong bits."""
        both = zip(self._fit.tolist(), self._all.tolist(), strict=True)
        return [Point(float(n), fit, tried) for n, (fit, tried) in enumerate(both) if n and tried]


def _damage(rate: float, frames: int) -> Iterator[NDArray[np.uint8]]:
    """Yield errors of frames, shape (up to AT_ONCE, 8): each bit wrong with the same chance."""
    draw = np.random.default_rng(4)
    for first in range(0, frames, AT_ONCE):
        count = min(AT_ONCE, frames - first)
        yield np.packbits(draw.random((count, 64), np.float32) < rate, axis=1)
