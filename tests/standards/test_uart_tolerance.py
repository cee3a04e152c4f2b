"""How wrong a sender's rate may be: the limits that a sweep of our receiver finds.

Source: Microchip online docs, AVR USART, "Error Tolerance" (25.3.3.2.3 in the edition read): the
table, for 5 to 10 bits D of data with parity, 16 and 8 samples a bit. D = 10 needs nine data bits,
which no line here has. The formula that makes the table, S samples a bit:

    slowest (D + 1) S / (S - 1 + D S + SF), fastest (D + 2) S / ((D + 1) S + SM)

with SF 8, SM 9 for S 16, and 4, 5 for 8 (MEMORY; all rows of the table come out of it).

What it takes for a receiver to fail exactly there was found by trying. The sweep sends characters
without a gap, in every phase of the sampling clock, and wants each to be right. Number the samples
from the first low one, 1. A slow sender is lost when, with that sample on the edge itself, the
middle one of the three that vote still sees the bit before the stop bit; a fast one when, with
that sample a whole period late, the next start edge is there before the third has voted, since the
hunt for it begins only then. With votes 7, 8, 9 (3, 4, 5) these are the formula's limits. With
votes 8, 9, 10, which that family's data sheets draw (MEMORY), both lie one sample lower: for 8N1
94.74 and 103.90 %; then the table's slow limit is one of all three votes, not of the majority, and
its fast limit one of sampling in step with the edge.
"""

from collections.abc import Callable

import numpy as np
import pytest

from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.uart import UartReceiver, levels

# D: slowest and fastest sender that is still heard, percent of the receiver's rate. Same source.
TABLE_16 = {
    5: (93.20, 106.67),
    6: (94.12, 105.79),
    7: (94.81, 105.11),
    8: (95.36, 104.58),
    9: (95.81, 104.14),
}
TABLE_8 = {
    5: (94.12, 105.66),
    6: (94.92, 104.92),
    7: (95.52, 104.35),
    8: (96.00, 103.90),
    9: (96.39, 103.53),
}
RECOMMENDED = {8: 2.0, 9: 1.5}
"""Largest error to plan for, percent, 16 samples a bit. Same source."""
FORMS = {5: "5N1", 6: "6N1", 7: "7N1", 8: "8N1", 9: "8E1"}
UNIT = 100_000
"""Rates are whole parts of this, so that no rounding decides."""
PHASES = (*range(0, 64, 8), 1, 62, 63)
"""By how much the first low sample is behind the edge, 64ths of the time between samples."""
ROUNDING = 0.02
"""Percent: the table has two places, the phases come to a 64th of a sample of about 150."""


def characters(form: LineSettings) -> bytes:
    """Return characters with every kind of bit before the stop bit."""
    worst = bytes((0x00, 0xFF, 0x7F, 0x80, 0x01, 0x55, 0xAA, 0x03, 0x00, 0x00))
    return bytes(value & (1 << form.data_bits) - 1 for value in worst * 3)


def heard_right(form: LineSettings, ratio: int, rate: int, first_vote: int = 0) -> bool:
    """Return whether all comes through in every phase, sent at `rate` / UNIT of the rate."""
    data = characters(form)
    bits = np.frombuffer(b"\x01" + levels(data, form) + b"\x01" * 4, np.uint8)
    for phase in PHASES:
        ticks = np.arange(len(bits) * ratio * UNIT // rate, dtype=np.int64) * 64 + phase
        place = ticks * rate // (64 * ratio * UNIT)
        samples = bits[np.minimum(place, len(bits) - 1)].tobytes()
        receiver = UartReceiver(form, ratio, first_vote)
        heard = receiver.feed(samples)
        if bytes(each.value for each in heard) != data or any(each.errors for each in heard):
            return False
    return True


def limit(holds: Callable[[int], bool], good: int, bad: int) -> float:
    """Return in percent where `holds` ends between a rate at which it does and one at which not."""
    assert holds(good)
    assert not holds(bad)
    while abs(good - bad) > 1:
        middle = (good + bad) // 2
        good, bad = (middle, bad) if holds(middle) else (good, middle)
    return good / UNIT * 100


def sweep(form: LineSettings, ratio: int, first_vote: int = 0) -> tuple[float, float]:
    """Return the slowest and the fastest rate at which all comes through, percent."""

    def holds(rate: int) -> bool:
        return heard_right(form, ratio, rate, first_vote)

    return limit(holds, UNIT, UNIT * 90 // 100), limit(holds, UNIT, UNIT * 110 // 100)


@pytest.mark.parametrize("bits", list(FORMS))
@pytest.mark.parametrize(("ratio", "table"), [(16, TABLE_16), (8, TABLE_8)], ids=["16x", "8x"])
def test_limits_found_by_sweep_are_the_table_s(
    bits: int, ratio: int, table: dict[int, tuple[float, float]]
) -> None:
    found = sweep(LineSettings.parse(19200, FORMS[bits]), ratio)
    assert found == pytest.approx(table[bits], abs=ROUNDING)


@pytest.mark.parametrize("bits", list(RECOMMENDED))
def test_nothing_is_lost_anywhere_within_the_recommended_error(bits: int) -> None:
    form = LineSettings.parse(19200, FORMS[bits])
    most = round(RECOMMENDED[bits] * UNIT / 100)
    for error in range(-most, most + 1, most // 8):
        assert heard_right(form, 16, UNIT + error), error


def test_a_later_vote_moves_both_limits_by_one_sample() -> None:
    # No source for the figures: (D + 1) S / ((D + 1) S + 8) and (D + 2) S / ((D + 1) S + 10).
    found = sweep(LineSettings.parse(19200, "8N1"), 16, first_vote=8)
    assert found == pytest.approx((100 * 144 / 152, 100 * 160 / 154), abs=ROUNDING)


@pytest.mark.parametrize("form", ["8E1", "8O1", "8N2"])
def test_sender_one_percent_off_and_receiver_two_are_understood(form: str) -> None:
    # MODBUS over Serial Line V1.02, 3.2: better than 1 % sent, 2 % accepted.
    for sent in (-0.01, 0.0, 0.01):
        for listened in (-0.02, 0.0, 0.02):
            rate = round(UNIT * (1 + sent) / (1 + listened))
            assert heard_right(LineSettings.parse(19200, form), 16, rate), (sent, listened)
