"""Counting a link, and saying how sure the count makes us."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.confidence import clopper_pearson
from kerfbus.bench.conversation import Conversation
from kerfbus.bench.crc import with_crc
from kerfbus.bench.framing import Frame, FrameError, Shape, Stray
from kerfbus.bench.line import LineSettings
from kerfbus.bench.quality import Quality
from kerfbus.bench.spread import Spread, percentile
from kerfbus.bench.transport import LineEventKind

LINE = LineSettings()
MS = 1_000_000
READ = with_crc(bytes.fromhex("010300000001"))
ANSWER = with_crc(bytes.fromhex("0103020258"))
REFUSAL = with_crc(bytes.fromhex("018302"))
EVERYONE = with_crc(bytes.fromhex("000500010000"))


def tail(errors: range, trials: int, rate: float) -> float:
    """Return the exact probability of that many errors, by the binomial formula."""
    p = Fraction(rate)
    return float(sum(comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in errors))


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
@settings(max_examples=60, deadline=None)
def test_interval_cuts_the_binomial_tails(counts: tuple[int, int]) -> None:
    """The definition: at either end what was seen, or worse, has a probability of 2.5 per cent."""
    errors, trials = counts
    low, high = clopper_pearson(errors, trials)
    assert low <= errors / trials <= high
    if errors:
        assert tail(range(errors, trials + 1), trials, low) == pytest.approx(0.025, rel=1e-6)
    if errors < trials:
        assert tail(range(errors + 1), trials, high) == pytest.approx(0.025, rel=1e-6)


def test_interval_ends() -> None:
    assert clopper_pearson(0, 0) == (0.0, 1.0)
    assert clopper_pearson(0, 50)[0] == 0.0
    assert clopper_pearson(50, 50)[1] == 1.0


@pytest.mark.parametrize(
    ("values", "percent", "expected"),
    [([7], 50, 7), ([1, 2, 3, 4], 50, 2), ([1, 2, 3, 4], 95, 4), (list(range(1, 101)), 99, 99)],
)
def test_percentile_is_the_nearest_rank(values: list[int], percent: int, expected: int) -> None:
    assert percentile(values, percent) == expected


class Line:
    """Feeds a conversation as a tap hears it, and the quality with what it says."""

    def __init__(self) -> None:
        self.at = 0
        self.conversation = Conversation("tap", LINE)
        self.quality = Quality(LINE)

    def hear(self, data: bytes, shapes: int, *, after_ms: int = 5, errors: int = 0) -> None:
        """Let a frame pass, `after_ms` after the last one ended."""
        self.at += after_ms * MS + LINE.characters_ns(len(data))
        shapes = 0 if errors & FrameError.CRC else shapes
        frame = Frame(data, self.at, errors, after_ms * MS, shapes)
        self.quality.take(self.conversation.inbound(frame))

    def ask(self, errors: int = 0) -> None:
        self.hear(READ, Shape.REQUEST, errors=errors)


def test_counts_of_a_mixed_line() -> None:
    line = Line()
    for delay in (3, 4, 5):
        line.ask()
        line.hear(ANSWER, Shape.REPLY, after_ms=delay)
    line.ask()
    line.hear(REFUSAL, Shape.REPLY, after_ms=10)
    line.ask()
    line.hear(ANSWER, Shape.REPLY, errors=FrameError.CRC)
    line.ask()  # nobody answers
    line.hear(EVERYONE, Shape.REQUEST)
    line.quality.take(line.conversation.inbound(Stray(b"\x00\xff", line.at + MS, 0, MS)))
    line.quality.character_error(LineEventKind.PARITY)
    line.quality.finish()
    found = line.quality.to_json()
    assert {name: found[name] for name in ("requests", "answered", "exceptions", "timeouts")} == {
        "requests": 6,
        "answered": 3,
        "exceptions": 1,
        "timeouts": 1,
    }
    assert (found["damaged_requests"], found["damaged_replies"]) == (0, 1)
    assert found["stray_characters"] == 2
    assert found["line_errors"] == {"framing": 0, "parity": 1, "break": 0, "overrun": 0}
    assert found["transaction_error_rate"] == pytest.approx(2 / 6)
    assert found["interval"] == list(clopper_pearson(2, 6))
    assert found["turnaround_ms"] == pytest.approx({"p50": 4, "p95": 10, "p99": 10, "max": 10})


def test_a_request_that_may_still_be_answered_is_in_no_rate() -> None:
    line = Line()
    line.ask()
    line.hear(ANSWER, Shape.REPLY)
    line.ask()
    found = line.quality.to_json()
    assert (found["requests"], found["timeouts"], found["transaction_error_rate"]) == (2, 0, 0.0)
    assert found["interval"] == list(clopper_pearson(0, 1))
    line.quality.finish()
    assert line.quality.to_json()["transaction_error_rate"] == 0.5


def test_a_gap_inside_spoils_nothing() -> None:
    line = Line()
    line.ask(errors=FrameError.GAP)
    line.hear(ANSWER, Shape.REPLY, errors=FrameError.GAP)
    assert (line.quality.tally.requests, line.quality.tally.answered) == (1, 1)
    assert line.quality.tally.damaged_replies == 0


def test_what_was_not_seen_is_null() -> None:
    found = Quality(LINE, reports_errors=False).to_json()
    assert set(found["line_errors"].values()) == {None}
    assert set(found["turnaround_ms"].values()) == {None}
    assert found["transaction_error_rate"] is None
    assert found["interval"] == [0.0, 1.0]


def test_conditions_have_accounts_of_their_own() -> None:
    line = Line()
    line.quality.mark("arc", "off")
    for _ in range(3):
        line.ask()
        line.hear(ANSWER, Shape.REPLY)
    line.ask()
    line.quality.mark("arc", "on")  # the request in the air belongs to the time before
    line.hear(ANSWER, Shape.REPLY, errors=FrameError.CRC)
    line.ask()
    line.ask(errors=FrameError.CRC)
    line.ask()
    line.hear(ANSWER, Shape.REPLY)
    assert line.quality.conditions == {("arc", "off"): (1, 4), ("arc", "on"): (2, 3)}
    assert line.quality.total == (3, 7)
    found = line.quality.to_json()["conditions"]
    assert [(each["condition"], each["wrong"]) for each in found] == [("arc=off", 1), ("arc=on", 2)]
    (comparison,) = line.quality.comparisons()
    assert (comparison["first"], comparison["second"]) == ("arc=on", "arc=off")
    assert comparison["rate_ratio"] == pytest.approx((2 / 3) / (1 / 4))


def test_what_is_observed_holds_from_observation_to_observation() -> None:
    """Between two observations that differ nobody knows which of them holds."""
    line = Line()

    def good(times: int) -> None:
        for _ in range(times):
            line.ask()
            line.hear(ANSWER, Shape.REPLY)

    good(2)  # nothing was observed yet
    line.quality.observe("arc", "off")
    good(3)
    line.quality.observe("arc", "off")
    good(1)
    line.ask()
    line.hear(ANSWER, Shape.REPLY, errors=FrameError.CRC)
    line.quality.observe("arc", "on")
    good(4)
    assert line.quality.conditions == {
        ("arc", "off"): (0, 3),
        ("arc", "changing"): (1, 2),
        ("arc", "on"): (0, 4),
    }
    pairs = [(each["first"], each["second"]) for each in line.quality.comparisons()]
    assert pairs == [("arc=on", "arc=off"), ("arc=changing", "arc=off")]
    assert line.quality.total == (1, 11)


def test_a_damaged_reply_to_nobody_is_no_transaction() -> None:
    line = Line()
    line.ask()
    line.hear(ANSWER, Shape.REPLY)
    line.hear(ANSWER, Shape.REPLY, errors=FrameError.CRC)
    share = line.quality.total
    assert share.wrong <= share.trials


@given(st.lists(st.integers(0, 10**12), min_size=1, max_size=300), st.integers(0, 100))
def test_spread_is_exact_while_it_is_small(values: list[int], percent: int) -> None:
    spread = Spread()
    for value in values:
        spread.add(value)
    assert spread.percentiles(percent) == (percentile(sorted(values), percent),)
    assert (spread.shortest, spread.longest) == (min(values), max(values))


def test_spread_of_many_values_stays_close() -> None:
    spread = Spread()
    values = [(index * 7919) % 1_000_003 + 1 for index in range(200_000)]
    for value in values:
        spread.add(value)
    ordered = sorted(values)
    for percent in (1, 50, 95, 99):
        exact = percentile(ordered, percent)
        assert exact * (1 - 1 / 128) <= spread.percentiles(percent)[0] <= exact
    assert (spread.shortest, spread.longest) == (ordered[0], ordered[-1])
    assert len(spread.histogram()) < 3000
