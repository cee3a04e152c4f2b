"""The UART: what it sends, what it makes of samples, and what it does when they are wrong."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind
from kerfbus.sim.pair.clocks import LONGEST_PIECE, TickClock
from kerfbus.sim.pair.fetching import Fetching
from kerfbus.sim.pair.plant import Host
from kerfbus.sim.pair.talk import Character
from kerfbus.sim.pair.uart import Received, UartReceiver, levels, parity_bit

FRAMING, PARITY, BREAK, OVERRUN = (
    LineEventKind.FRAMING,
    LineEventKind.PARITY,
    LineEventKind.BREAK,
    LineEventKind.OVERRUN,
)
FORMATS = [
    LineSettings(19200, data_bits, parity, stop_bits)
    for data_bits in (5, 6, 7, 8)
    for parity in "NEOMS"
    for stop_bits in (1, 2)
]
E8, N8 = LineSettings.parse(19200, "8E1"), LineSettings.parse(19200, "8N1")


def sampled(bits: bytes, ratio: int = 16) -> bytes:
    """Return each bit as often as a receiver in step sees it."""
    return b"".join(bytes([bit]) * ratio for bit in bits)


def idle(bits: int) -> bytes:
    return b"\x01" * (16 * bits)


@pytest.mark.parametrize("form", FORMATS, ids=lambda form: form.format)
@pytest.mark.parametrize("ratio", [8, 16])
def test_every_character_of_every_format_comes_through(form: LineSettings, ratio: int) -> None:
    values = bytes(range(1 << form.data_bits))
    heard = UartReceiver(form, ratio).feed(b"\x01" * 5 + sampled(levels(values, form), ratio))
    assert [each.value for each in heard] == list(values)
    assert not any(each.errors for each in heard)
    length = form.character_bits * ratio
    assert [each.start for each in heard] == [5 + length * i for i in range(len(values))]
    assert all(each.end - each.start == length for each in heard)


@pytest.mark.parametrize(("parity", "bit"), [("N", None), ("E", 0), ("O", 1), ("M", 1), ("S", 0)])
def test_parity_of_four_ones(parity: str, bit: int | None) -> None:
    assert parity_bit(0b11000101, parity) == bit


@given(
    st.lists(st.integers(0, 1), max_size=1500).map(bytes),
    st.lists(st.integers(0, 1500), max_size=8),
    st.sampled_from([E8, N8, LineSettings(9600, 7, "O", 2), LineSettings(9600, 5, "N", 1)]),
    st.integers(1, 9),
)
@settings(max_examples=150, deadline=None)
def test_samples_may_be_cut_anywhere(
    line: bytes, cuts: list[int], form: LineSettings, repeat: int
) -> None:
    samples = b"".join(bytes([level]) * repeat for level in line)
    whole = UartReceiver(form).feed(samples)
    parts, receiver = [], UartReceiver(form)
    edges = sorted({0, len(samples), *(min(cut * repeat, len(samples)) for cut in cuts)})
    for begin, end in pairwise(edges):
        parts += receiver.feed(samples[begin:end])
    assert parts == whole
    assert receiver.position == len(samples)


def by_the_book(samples: bytes, form: LineSettings) -> list[Received]:
    """Return what a receiver hears that looks at one sample after the other, as hardware does."""
    found: list[Received] = []
    checked = 1 + form.data_bits + (form.parity != "N") + 1
    before, recent, bits = 1, [], []
    hunting = True
    for number, level in enumerate(samples):
        if hunting:
            if before and not level:
                hunting, recent, bits = False, [], []
            else:
                before = level
                continue
        recent.append(level)  # since the first low sample
        count = len(recent)
        if count == 3 and recent[1] and recent[2]:
            hunting, before = True, 1
        if count % 16 != 9:
            continue
        bits.append(int(sum(recent[-3:]) >= 2))
        if bits[0]:
            hunting, before = True, level
            if recent[-2] and not level:
                hunting, recent, bits = False, [level], []
        elif len(bits) == checked:
            hunting, before = True, level
            data = sum(bit << place for place, bit in enumerate(bits[1 : 1 + form.data_bits]))
            errors = [] if bits[-1] else [FRAMING]
            if not any(bits):
                errors.append(BREAK)
            elif form.parity != "N" and bits[-2] != parity_bit(data, form.parity):
                errors.append(PARITY)
            start = number - count + 1
            found.append(Received(data, start, start + 16 * form.character_bits, tuple(errors)))
    return found


@given(
    st.lists(st.tuples(st.integers(0, 1), st.sampled_from([1, 1, 2, 3, 8, 16, 32])), max_size=150),
    st.sampled_from(FORMATS),
)
@settings(max_examples=200, deadline=None)
def test_searching_and_looking_at_each_sample_hear_the_same(
    runs: list[tuple[int, int]], form: LineSettings
) -> None:
    samples = b"".join(bytes([level]) * count for level, count in runs)
    assert UartReceiver(form).feed(samples) == by_the_book(samples, form)


@given(
    st.lists(st.tuples(st.integers(0, 1), st.sampled_from([1, 2, 8, 16, 17, 40])), max_size=80),
    st.sampled_from(FORMATS),
)
@settings(max_examples=40, deadline=None)
def test_many_start_edges_side_by_side_are_heard_the_same(
    runs: list[tuple[int, int]], form: LineSettings
) -> None:
    once = b"".join(bytes([level]) * count for level, count in runs)
    once += sampled(levels(b"\x12\xff\x00", form))
    samples = once * (17_000 // len(once) + 1)  # enough to be taken side by side
    assert UartReceiver(form).feed(samples) == by_the_book(samples, form)


def test_a_glitch_of_half_a_bit_is_no_start() -> None:
    for low in range(1, 9):
        glitch = idle(1) + b"\x00" * low + idle(12)
        heard = UartReceiver(N8).feed(glitch)
        # Two of samples 7, 8 and 9 must be low: eight low samples are enough, seven are not.
        assert bool(heard) is (low >= 8), low


def test_a_rejected_start_does_not_hide_the_next_character() -> None:
    line = idle(1) + b"\x00" * 4 + b"\x01" * 6 + sampled(levels(b"\x35", E8)) + idle(1)
    assert [each.value for each in UartReceiver(E8).feed(line)] == [0x35]


def test_a_glitch_just_before_a_start_does_not_shift_the_character() -> None:
    for distance in range(1, 17):
        line = bytearray(idle(3) + sampled(levels(b"\x55", N8)) + idle(1))
        line[16 * 3 - distance] = 0
        (heard,) = UartReceiver(N8).feed(bytes(line))
        assert (heard.value, heard.errors) == (0x55, ())
        assert heard.start == 16 * 3 - (distance if distance < 3 else 0)


def test_a_start_bit_with_wrong_samples_is_still_one() -> None:
    for wrong in ((0,), (1,), (1, 2), (0, 2), (6,), (8,), (1, 2, 7)):
        line = bytearray(idle(1) + sampled(levels(b"\x55", N8)) + idle(1))
        for each in wrong:
            line[16 + each] = 1
        assert [each.value for each in UartReceiver(N8).feed(bytes(line))] == [0x55], wrong


def test_one_wrong_vote_changes_nothing_two_change_the_bit() -> None:
    clean = bytearray(idle(1) + sampled(levels(b"\x55", N8)) + idle(1))
    third_bit = 16 + 16 * 3  # data bit 2, a one
    for votes, value in (((6,), 0x55), ((7,), 0x55), ((6, 8), 0x51), ((7, 8), 0x51)):
        line = bytearray(clean)
        for vote in votes:
            line[third_bit + vote] ^= 1
        assert [each.value for each in UartReceiver(N8).feed(bytes(line))] == [value]


def test_samples_that_do_not_vote_are_not_looked_at() -> None:
    line = bytearray(idle(1) + sampled(levels(b"\xa5", E8)) + idle(1))
    for bit in range(1, 11):
        for quiet in (1, 3, 5, 9, 12):
            line[16 + 16 * bit + quiet] ^= 1
    heard = UartReceiver(E8).feed(bytes(line))
    assert heard[0][0] == 0xA5
    assert not heard[0].errors


@pytest.mark.parametrize("form", [E8, N8], ids=lambda form: form.format)
def test_a_break_is_told_once_and_the_next_character_is_heard(form: LineSettings) -> None:
    line = idle(2) + b"\x00" * (16 * 50) + idle(1) + sampled(levels(b"\x42", form)) + idle(1)
    first, second = UartReceiver(form).feed(line)
    assert (first.value, first.errors) == (0, (FRAMING, BREAK))
    assert (second.value, second.errors) == (0x42, ())


def test_a_line_that_is_low_from_the_beginning_reads_as_one_break() -> None:
    heard = UartReceiver(N8).feed(b"\x00" * 16 * 100)
    assert [(each.value, each.errors) for each in heard] == [(0, (FRAMING, BREAK))]


def test_after_a_framing_error_it_waits_for_mark_before_it_looks_for_a_start() -> None:
    bits = bytearray(levels(b"\xf0", N8))
    bits[-1] = 0  # the stop bit
    line = idle(1) + sampled(bytes(bits)) + b"\x00" * 16 * 3 + idle(1)
    heard = UartReceiver(N8).feed(line + sampled(levels(b"\x21", N8)) + idle(1))
    assert [(each.value, each.errors) for each in heard] == [(0xF0, (FRAMING,)), (0x21, ())]


def test_only_the_first_stop_bit_is_looked_at() -> None:
    sender, listener = LineSettings.parse(19200, "8N1"), LineSettings.parse(19200, "8N2")
    heard = UartReceiver(listener).feed(
        idle(1) + sampled(levels(b"\x00\x81\xff", sender)) + idle(2)
    )
    assert [(each.value, each.errors) for each in heard] == [(0, ()), (0x81, ()), (0xFF, ())]


def test_framing_and_parity_come_in_this_order() -> None:
    bits = bytearray(levels(b"\x07", E8))
    bits[-2:] = b"\x00\x00"
    heard = UartReceiver(E8).feed(idle(1) + sampled(bytes(bits)) + idle(1))
    assert heard[0].errors == (FRAMING, PARITY)


def test_skipping_mark_is_hearing_mark() -> None:
    one, other = UartReceiver(E8), UartReceiver(E8)
    character = sampled(levels(b"\x99", E8))
    assert one.resting
    heard = one.feed(b"\x01" * 12345 + character + idle(1))
    other.skip(12345)
    assert other.feed(character + idle(1)) == heard


# The host that comes too late.


def test_a_full_uart_loses_characters_and_the_next_one_says_so() -> None:
    fetching = Fetching(Host(depth=2, fetch_ns=1000))
    came = [fetching.take(Character(value, value * 200)) for value in range(12)]
    got = {each.value: each.errors for each in came if each}
    assert got == {0: (), 1: (), 5: (OVERRUN,), 6: (), 10: (OVERRUN,), 11: ()}


def test_overrun_comes_behind_the_character_s_own_errors() -> None:
    fetching = Fetching(Host(depth=1, fetch_ns=100))
    assert fetching.take(Character(1, 10)) is not None
    assert fetching.take(Character(2, 20)) is None
    late = fetching.take(Character(3, 130, (FRAMING, PARITY)))
    assert late is not None
    assert late.errors == (FRAMING, PARITY, OVERRUN)


# Clocks.


@given(
    st.sampled_from([300 * 16, 9600 * 16, 19200 * 16, 115200 * 16, 4_000_000 * 16]),
    st.integers(-60_000, 60_000),
    st.integers(0, 10**6),
    st.integers(0, 10**12),
    st.integers(1, LONGEST_PIECE),
)
@settings(max_examples=100, deadline=None)
def test_ticks_are_the_same_one_by_one_and_in_pieces(
    rate: int, ppm: int, origin: int, first: int, count: int
) -> None:
    clock = TickClock(rate, ppm, origin)
    instants = clock.instants(first, count)
    places = {0, count // 2, count - 1}
    assert {each: int(instants[each]) for each in places} == {
        each: clock.at(first + each) for each in places
    }
    assert np.all(np.diff(instants) >= 0)
    for each in places:
        found = clock.last(int(instants[each]))
        assert clock.at(found) <= int(instants[each]) < clock.at(found + 1)


def test_a_clock_error_is_what_it_says_after_a_day() -> None:
    day = 86_400 * 10**9
    assert TickClock(307_200, 100.0).last(day) == 307_200 * 86_400 * 1_000_100 // 1_000_000
