"""Errors on the bit-level and on the bulk line against their closed forms.

Every comparison of a frequency with theory is an exact two-sided binomial test at 99.9 % with a
fixed seed: were the model right and the seed free, one in a thousand would fail.
"""

from math import comb

import numpy as np
import pytest
from scipy import stats

from kerfbus.bench.bulkcrc import residues
from kerfbus.bench.crc import with_crc
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.bulk import Traffic, flips, hear
from kerfbus.sim.pair.clocks import LONGEST_PIECE, TickClock
from kerfbus.sim.pair.comparator import Comparator
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.noise import Disturbances, NoisePlan, Routing
from kerfbus.sim.pair.plant import Place, Plant, Receiver
from kerfbus.sim.pair.talk import Talk
from kerfbus.sim.pair.theory import (
    frame_error,
    tail,
    undetected,
    undetected_patterns,
    vote_error,
)

CONFIDENCE = 0.999
E8, N8 = LineSettings.parse(19200, "8E1"), LineSettings.parse(19200, "8N1")
START = 10_000_000
# MODBUS over Serial Line V1.02: 8 characters of a request; of a reply to it with 10 registers, 25.
REQUEST, REPLY = 8, 25


def agrees(events: int, trials: int, chance: float) -> bool:
    """Return whether so many events are what such a chance gives."""
    low, high = stats.binom.interval(CONFIDENCE, trials, chance)
    return bool(low <= events <= high)


def pair() -> Plant:
    """Return two stations whose receivers know one threshold.

    Without bias, which makes the margin of space a little smaller than that of mark.
    """
    receiver = Receiver(hysteresis=0.0)
    places = tuple(Place(name, 0.0, E8, receiver=receiver) for name in ("client", "server"))
    return Plant(places, bias=None)


def noise(margins: float, seed: int) -> Disturbances:
    """Return Gaussian noise of which the driven level of `pair` is so many sigmas away."""
    margin = Levels(pair()).talked(0, 1).mark_margin
    return Disturbances(NoisePlan(gaussian=margin / margins), Routing(), seed)


def outputs(margins: float, count: int) -> np.ndarray:
    """Return whether each of `count` samples of a driven mark is wrong."""
    comparator = Comparator(pair(), 1, noise(margins, 11), TickClock(E8.baud * 16))
    said = [comparator.arrive(Talk(0, b"\0", 1 << 60, E8, -(1 << 60), 1 << 60))]
    return np.concatenate(
        [
            comparator.outputs(first, LONGEST_PIECE, said) == 0
            for first in range(0, count, LONGEST_PIECE)
        ]
    )


# references: Q(x) = erfc(x / sqrt 2) / 2, values recomputed; Q(3) and Q(4) are the notes' own.


def test_q_is_the_published_one() -> None:
    assert tail(3) == pytest.approx(1.349898e-3, rel=1e-6)
    assert tail(4) == pytest.approx(3.167124e-5, rel=1e-6)
    assert tail(8) == pytest.approx(6.220961e-16, rel=1e-6)


@pytest.mark.parametrize(
    ("margins", "samples"),
    [(0.5, 50_000), (1.0, 100_000), (2.0, 400_000), (3.0, 1_500_000), (4.0, 4_000_000)],
)
def test_samples_are_misheard_with_q_over_four_decades(margins: float, samples: int) -> None:
    wrong = outputs(margins, samples)  # 0.31 to 3.2e-5
    assert agrees(int(wrong.sum()), len(wrong), tail(margins))


@pytest.mark.parametrize(
    ("margins", "votes"),
    [
        (0.5, 20_000),
        (1.0, 40_000),
        (1.5, 100_000),
        (2.0, 300_000),
        (2.5, 800_000),
        (2.8, 2_000_000),
    ],
)
def test_bits_are_misheard_as_a_majority_of_three_is_over_four_decades(
    margins: float, votes: int
) -> None:
    wrong = outputs(margins, 3 * votes)  # 0.23 to 2.0e-5
    wrong = wrong[: len(wrong) // 3 * 3].reshape(-1, 3).sum(axis=1) >= 2
    assert agrees(int(wrong.sum()), len(wrong), vote_error(tail(margins)))


@pytest.mark.parametrize(("margins", "frames"), [(1.8, 400), (2.1, 800), (2.4, 1500)])
def test_frames_are_lost_as_independent_bits_say_on_the_bit_level_line(
    margins: float, frames: int
) -> None:
    """Edges, glitches and false starts included: they are to add nothing that can be seen."""
    line, heard_right = BitLine(pair(), noise(margins, 12)), 0
    step = 16 * E8.character_ns  # twice a frame, so that who is out of step finds back
    dice = np.random.default_rng(1)
    for number in range(frames):
        begin = START + number * step
        data = dice.bytes(REQUEST)
        # The driver stays on: undriven, this noise would make strays.
        line.say(Talk(0, data, begin, E8, begin - 2_000_000, begin - 2_000_000 + step))
        heard = line.hear(1, begin + 9 * E8.character_ns)
        behind = [each for each in heard if each.at > begin]
        right = bytes(each.value for each in behind) == data
        heard_right += right and not any(each.errors for each in behind)
    chance = frame_error(vote_error(tail(margins)), REQUEST * E8.character_bits)
    assert agrees(frames - heard_right, frames, chance)


def frames_of(characters: int, frames: int, settings: LineSettings, seed: int) -> Traffic:
    """Return frames with a CRC."""
    dice = np.random.default_rng(seed)
    data = b"".join(with_crc(dice.bytes(characters - 2)) for _ in range(frames))
    return Traffic(np.frombuffer(data, np.uint8), np.full(frames, characters, np.int64), settings)


@pytest.mark.parametrize("characters", [REQUEST, REPLY])
@pytest.mark.parametrize("rate", [1e-5, 1e-4, 1e-3, 1e-2, 1e-1])
def test_frames_are_hit_as_independent_bits_say(characters: int, rate: float) -> None:
    sent = frames_of(characters, 10_000, E8, 2)
    hit = sum(len(hear(sent, flips(sent.bits, rate, 13, batch)).frames) for batch in range(10))
    assert agrees(hit, 100_000, frame_error(rate, characters * E8.character_bits))


# CRC-16: the notes' table of undetected patterns of four bits (exhaustive, recomputed).


@pytest.mark.parametrize(("characters", "patterns"), [(4, 24), (8, 364), (16, 2320), (32, 14995)])
def test_undetected_patterns_of_four_bits_by_the_dual_code(characters: int, patterns: int) -> None:
    assert undetected_patterns(characters, 4) == patterns
    assert [undetected_patterns(characters, weight) for weight in (1, 2, 3, 5, 7)] == [0] * 5


def test_no_wrong_bit_undetected_is_nothing_and_half_of_them_wrong_is_chance() -> None:
    assert undetected(0.0, 8) == pytest.approx(0.0, abs=1e-15)
    assert undetected(0.5, 8) == pytest.approx(2.0**-16 - 2.0**-64)
    total = sum(undetected_patterns(4, weight) for weight in range(1, 33))
    assert total == 2**16 - 1  # all code words but one


def bits_on_the_wire(data_bits: np.ndarray, settings: LineSettings) -> np.ndarray:
    """Return where the data bits of all characters, counted one after the other, are."""
    return data_bits // 8 * settings.character_bits + 1 + data_bits % 8


def passed(sent: Traffic, wrong: np.ndarray) -> int:
    """Return how many damaged frames a listener takes for good: no line error, CRC right."""
    heard = hear(sent, wrong)
    ends = np.cumsum(heard.counts)
    begins = ends - heard.counts
    assert np.all(heard.counts == sent.lengths[0])
    assert not heard.errors.any()
    return int((residues(heard.values, begins, heard.counts) == 0).sum())


@pytest.mark.parametrize(("characters", "frames"), [(4, 300_000), (8, 300_000)])
def test_four_wrong_bits_pass_as_often_as_the_weights_say(characters: int, frames: int) -> None:
    some = frames // 20
    sent, bits = frames_of(characters, some, N8, 3), 8 * characters
    dice, count = np.random.default_rng(14), 0
    for _ in range(20):
        places = np.sort(dice.random((some, bits)).argpartition(4, axis=1)[:, :4], axis=1)
        counted = (np.arange(some)[:, None] * bits + places).ravel()
        count += passed(sent, bits_on_the_wire(counted, N8))
    assert agrees(count, frames, undetected_patterns(characters, 4) / comb(bits, 4))


@pytest.mark.parametrize("rate", [0.05, 0.12])
def test_independent_wrong_bits_pass_as_often_as_the_dual_code_says(rate: float) -> None:
    some, batches = 30_000, 10
    sent = frames_of(REQUEST, some, N8, 4)
    count = 0
    for batch in range(batches):
        wrong = flips(some * REQUEST * 8, rate, 15, batch)
        count += passed(sent, bits_on_the_wire(wrong, N8))
    assert agrees(count, some * batches, undetected(rate, REQUEST))


def test_parity_sees_what_crc_does_not() -> None:
    """With 8E1 a pattern passes only if it has an even number of bits in every character.

    Of the 364 patterns of four bits in 8 characters, counted out here, few have.
    """
    settings, characters = E8, REQUEST
    sent = frames_of(characters, 1, settings, 5)
    quiet = loud = 0
    for places in undetected_four(characters):
        wrong = bits_on_the_wire(np.array(places), settings)
        heard = hear(sent, wrong)
        assert residues(heard.values, np.zeros(1, np.int64), heard.counts)[0] == 0
        even = all(
            sum(place // 8 == character for place in places) % 2 == 0 for character in range(8)
        )
        assert bool(heard.errors.any()) is not even
        quiet, loud = quiet + even, loud + (not even)
    assert quiet + loud == 364
    assert quiet < loud / 4


def undetected_four(characters: int) -> list[tuple[int, ...]]:
    """Return all patterns of four data bits that CRC-16 does not see."""
    from kerfbus.bench.crc import crc16

    nothing = crc16(bytes(characters))
    ones = [
        crc16((1 << place).to_bytes(characters, "little")) ^ nothing
        for place in range(8 * characters)
    ]
    pairs: dict[int, list[tuple[int, int]]] = {}
    for second in range(len(ones)):
        for first in range(second):
            pairs.setdefault(ones[first] ^ ones[second], []).append((first, second))
    found = {
        tuple(sorted((*one, *other)))
        for same in pairs.values()
        for one in same
        for other in same
        if not set(one) & set(other)
    }
    return sorted(found)
