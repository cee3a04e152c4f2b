"""The bulk line hears of wrong bits exactly what the UART hears of them, with numba and without."""

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.errors import UsageError
from kerfbus.bench.frames import ERROR_OF_KIND
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair import bulk, bulkloop, bulkuart
from kerfbus.sim.pair.bulk import Heard, Traffic, flips, hear
from kerfbus.sim.pair.bulkuart import Bytes, Found, Hits, Ints, Shape
from kerfbus.sim.pair.uart import UartReceiver, levels

FORMATS = ("8E1", "8N1", "8N2", "8O2", "7E1", "6N1", "5S1", "8M1")
SILENCE = b"\x01" * 16 * 12


def traffic(frames: list[bytes], form: str = "8E1") -> Traffic:
    lengths = np.array([len(frame) for frame in frames], np.int64)
    return Traffic(
        np.frombuffer(b"".join(frames), np.uint8), lengths, LineSettings.parse(19200, form)
    )


def by_samples(sent: Traffic, wrong: Ints) -> dict[int, tuple[list[int], list[int]]]:
    """Return values and errors of each frame that was hit, as the UART hears its samples."""
    bits = sent.settings.character_bits
    found, first = {}, 0
    for number, length in enumerate(sent.lengths.tolist()):
        frame = sent.values[first : first + length].tobytes()
        line = np.frombuffer(levels(frame, sent.settings), np.uint8).copy()
        mine = wrong[(wrong >= first * bits) & (wrong < (first + length) * bits)]
        first += length
        if not len(mine):
            continue
        line[mine - (first - length) * bits] ^= 1
        heard = UartReceiver(sent.settings).feed(SILENCE + np.repeat(line, 16).tobytes() + SILENCE)
        found[number] = (
            [each.value for each in heard],
            [sum(int(ERROR_OF_KIND[kind]) for kind in each.errors) for each in heard],
        )
    return found


def by_frame(heard: Heard) -> dict[int, tuple[list[int], list[int]]]:
    ends = np.cumsum(heard.counts)
    return {
        int(frame): (
            heard.values[end - count : end].tolist(),
            heard.errors[end - count : end].tolist(),
        )
        for frame, count, end in zip(heard.frames, heard.counts, ends, strict=True)
    }


@given(
    st.lists(st.binary(min_size=1, max_size=9), min_size=1, max_size=6),
    st.lists(st.integers(0, 10**6), max_size=25),
    st.sampled_from(FORMATS),
)
@settings(max_examples=200, deadline=None)
def test_bulk_hears_what_the_uart_hears(frames: list[bytes], places: list[int], form: str) -> None:
    sent = traffic(frames, form)
    wrong = np.array(sorted({place % sent.bits for place in places}), np.int64)
    assert by_frame(hear(sent, wrong, compiled=False)) == by_samples(sent, wrong)


def interpreted(shape: Shape, values: Bytes, hits: Hits) -> Found:
    return bulkloop.searched_by(bulkloop.each_frame, shape, values, hits)


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("rate", [0.001, 0.03, 0.3])
def test_the_loop_finds_what_numpy_finds(form: str, rate: float) -> None:
    sent = many(400, form)
    wrong = flips(sent.bits, rate, seed=7)
    hits = bulk._hits(sent, wrong)
    shape = Shape.of(sent.settings)
    one = bulkuart.hear(shape, sent.values, hits, bulkuart.search)
    other = bulkuart.hear(shape, sent.values, hits, interpreted)
    assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


@pytest.mark.parametrize("form", FORMATS)
def test_compiled_or_not_the_same_comes_out(form: str) -> None:
    if not bulkloop.is_compiled():
        pytest.skip("numba is not installed")
    sent = many(5000, form)
    for rate in (0.001, 0.1):
        wrong = flips(sent.bits, rate, seed=8)
        one, other = (hear(sent, wrong, compiled=compiled) for compiled in (False, True))
        assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
        assert all(a.dtype == b.dtype for a, b in zip(one, other, strict=True))


def many(frames: int, form: str = "8E1") -> Traffic:
    """Return frames of 8 to 29 characters, and a few of 1 and of 256."""
    dice = np.random.default_rng(5)
    lengths = dice.integers(8, 30, frames)
    lengths[:: frames // 4] = 1
    lengths[1 :: frames // 2] = 256
    values = dice.integers(0, 256, int(lengths.sum()), dtype=np.uint8)
    return Traffic(values, lengths, LineSettings.parse(19200, form))


def test_frames_longer_than_rtu_allows_fit_too() -> None:
    sent = traffic([bytes(3000), b"\x01\x02"])
    wrong = np.array([11 * 2999, 11 * 3000], np.int64)
    shape, hits = Shape.of(sent.settings), bulk._hits(sent, wrong)
    assert by_frame(hear(sent, wrong, compiled=False)) == by_samples(sent, wrong)
    assert np.array_equal(interpreted(shape, sent.values, hits).counts, [3000, 2])


def test_frames_without_a_wrong_bit_are_not_told() -> None:
    sent = traffic([b"\x01\x02", b"\x03", b"\x04\x05"])
    heard = hear(sent, np.array([2 * 11 + 1], np.int64))  # data bit 0 of the third character
    assert by_frame(heard) == {1: ([2], [4])}  # parity
    nothing = hear(sent, np.zeros(0, np.int64))
    assert by_frame(nothing) == {}


@pytest.mark.parametrize("rate", [1e-5, 1e-3, 0.2, 0.9])
def test_as_many_bits_are_wrong_as_the_rate_says_and_they_lie_everywhere(rate: float) -> None:
    """Within 4.5 standard deviations: all eight statements together hold with 99.99 %."""
    bits = 2_000_000
    wrong = flips(bits, rate, seed=3)
    assert np.all(np.diff(wrong) > 0)
    assert wrong[0] >= 0
    assert wrong[-1] < bits
    assert abs(len(wrong) - bits * rate) < 4.5 * sqrt(bits * rate * (1 - rate))
    middle = float(wrong.mean()) / bits - 0.5
    assert abs(middle) < 4.5 / sqrt(12 * len(wrong))


def test_gaps_between_wrong_bits_are_geometric() -> None:
    """Kolmogorov's bound at 99.9 % (1.95 / sqrt(n)); for a lattice it is on the safe side."""
    rate = 0.01
    gaps = np.diff(flips(10_000_000, rate, seed=4))
    longest = np.arange(1, 2000)
    measured = np.searchsorted(np.sort(gaps), longest, side="right") / len(gaps)
    assert np.abs(measured - (1 - (1 - rate) ** longest)).max() < 1.95 / sqrt(len(gaps))


def test_a_batch_depends_on_seed_and_number_only() -> None:
    one = flips(100_000, 0.01, 1, 5)
    assert np.array_equal(one, flips(100_000, 0.01, 1, 5))
    assert not np.array_equal(one, flips(100_000, 0.01, 1, 6))
    assert not np.array_equal(one, flips(100_000, 0.01, 2, 5))
    # A longer batch begins like a shorter one.
    assert np.array_equal(one, flips(300_000, 0.01, 1, 5)[: len(one)])


def test_rates_and_lengths_that_cannot_be_are_refused() -> None:
    assert len(flips(1000, 0.0, 1)) == 0
    assert len(flips(0, 0.5, 1)) == 0
    for rate in (-0.1, 1.0, float("nan")):
        with pytest.raises(UsageError, match="bit error rate"):
            flips(10, rate, 1)
    with pytest.raises(UsageError, match="lengths of frames"):
        Traffic(np.zeros(3, np.uint8), np.array([1, 1], np.int64), LineSettings())
