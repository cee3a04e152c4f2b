"""The client's state machine, driven by hand: no port, no clock."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbus.bench.crc import with_crc
from kerfbus.bench.errors import UsageError
from kerfbus.bench.exchange import TRANSITIONS, Event, Exchange, Outcome, Policy, State
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind

SETTINGS = LineSettings()
MS = 1_000_000
S = 1000 * MS


def frame(text: str) -> bytes:
    return with_crc(bytes.fromhex(text))


READ = frame("01 03 00 10 00 02")
REPLY = frame("01 03 04 00 01 00 02")
OTHER = frame("01 03 00 10 00 03")
OTHER_REPLY = frame("01 03 06 00 01 00 02 00 03")
WRITE = frame("01 06 00 20 01 2C")


class Bench:
    """An exchange with a hand on its clock; the line takes its time."""

    def __init__(self, *, paced: bool | None = True, **policy: float | bool | None) -> None:
        self.exchange = Exchange(
            SETTINGS,
            Policy(**{"response_timeout": 0.2, **policy}),  # type: ignore[arg-type]
            timing="exact",
            paced=paced,
        )
        self.now = 10 * S

    def send(self, data: bytes) -> int:
        """Begin and send; return how long the exchange made us wait."""
        start = self.now
        self.exchange.begin(data, self.now)
        while self.exchange.state is State.QUIET:
            self.now = max(self.now, self.exchange.deadline)
            self.exchange.tick(self.now)
        waited = self.now - start
        assert self.exchange.state is State.READY
        self.now += SETTINGS.characters_ns(len(data))
        self.exchange.sent(self.now)
        return waited

    def hear(self, data: bytes, pause_ns: int = 3 * MS, **errors: LineEventKind) -> None:
        """Let characters arrive after a pause."""
        self.now += pause_ns + SETTINGS.characters_ns(len(data))
        marks = tuple(CharacterError(int(k[1:]), kind) for k, kind in errors.items())
        self.exchange.receive(Chunk(data, self.now, marks))

    def wait(self) -> Outcome | None:
        """Let time pass until the exchange ends."""
        while self.exchange.state is not State.DONE:
            self.now = max(self.now, self.exchange.deadline)
            self.exchange.tick(self.now)
        return self.exchange.outcome


def test_reply_ends_the_exchange() -> None:
    bench = Bench()
    bench.send(READ)
    bench.hear(REPLY)
    assert bench.exchange.outcome is Outcome.REPLY
    assert bench.exchange.answer is not None
    assert bench.exchange.answer.piece.data == REPLY


def test_reply_in_pieces_ends_it_with_the_last_character() -> None:
    bench = Bench()
    bench.send(READ)
    bench.hear(REPLY[:4])
    assert bench.exchange.state is State.WAITING
    bench.hear(REPLY[4:], pause_ns=0)
    assert bench.exchange.outcome is Outcome.REPLY


def test_exception_reply() -> None:
    bench = Bench()
    bench.send(READ)
    bench.hear(frame("01 83 02"))
    assert bench.exchange.outcome is Outcome.EXCEPTION


def test_nothing_is_a_time_out_after_the_time_that_was_set() -> None:
    bench = Bench(response_timeout=0.2)
    bench.send(READ)
    sent = bench.now
    assert bench.wait() is Outcome.TIMEOUT
    # The reply's own characters come on top of the time-out.
    assert bench.now - sent == 200 * MS + SETTINGS.characters_ns(len(REPLY))


def test_foreign_reply_does_not_end_the_wait() -> None:
    """MODBUS over Serial Line V1.02, 2.4.1: the response timer keeps running."""
    bench = Bench()
    bench.send(READ)
    bench.hear(frame("02 03 04 00 09 00 09"))
    assert bench.exchange.state is State.WAITING
    bench.hear(REPLY)
    assert bench.exchange.outcome is Outcome.REPLY
    assert len(bench.exchange.heard) == 1


def test_late_reply_to_another_question_is_flagged_and_the_wait_goes_on() -> None:
    bench = Bench()
    bench.send(OTHER)
    assert bench.wait() is Outcome.TIMEOUT
    assert bench.send(READ) < 5 * MS  # its reply cannot be confused: no reason to wait
    bench.hear(OTHER_REPLY)
    assert bench.exchange.state is State.WAITING
    assert bench.exchange.heard[0].late
    bench.hear(REPLY)
    assert bench.exchange.outcome is Outcome.REPLY
    assert bench.exchange.answer is not None
    assert bench.exchange.answer.piece.data == REPLY


def test_only_a_late_reply() -> None:
    bench = Bench()
    bench.send(OTHER)
    bench.wait()
    bench.send(READ)
    bench.hear(OTHER_REPLY)
    assert bench.wait() is Outcome.LATE


def test_late_reply_to_the_same_question_falls_into_the_window() -> None:
    bench = Bench(late_window=0.3)
    bench.send(READ)
    assert bench.wait() is Outcome.TIMEOUT
    bench.exchange.begin(READ, bench.now)
    assert bench.exchange.deadline == bench.now + 300 * MS
    bench.hear(REPLY, pause_ns=50 * MS)
    assert bench.exchange.heard[0].late
    # It is here: nothing more can be confused, and only the silent interval is kept.
    assert bench.exchange.deadline == bench.now + SETTINGS.t35_ns
    bench.now = bench.exchange.deadline
    bench.exchange.tick(bench.now)
    assert bench.exchange.state is State.READY


def test_the_window_ends_when_no_late_reply_comes() -> None:
    bench = Bench(late_window=0.3)
    bench.send(READ)
    bench.wait()
    assert bench.send(READ) == 300 * MS
    bench.hear(REPLY)
    assert bench.exchange.outcome is Outcome.REPLY
    assert bench.send(READ) < 5 * MS


def test_damaged_reply_ends_the_wait_early() -> None:
    bench = Bench(response_timeout=1.0)
    bench.send(READ)
    start = bench.now
    bench.hear(REPLY[:-1] + b"\x00")
    assert bench.wait() is Outcome.DAMAGED
    assert bench.now - start < 50 * MS


def test_noise_before_the_reply_does_not_end_the_wait() -> None:
    bench = Bench()
    bench.send(READ)
    bench.hear(b"\x91\x5c\x33\x07\xee")
    bench.hear(REPLY, pause_ns=10 * MS)
    assert bench.exchange.outcome is Outcome.REPLY


def test_noise_alone_is_a_damaged_reply_not_a_time_out() -> None:
    bench = Bench()
    bench.send(READ)
    bench.hear(b"\xff")
    assert bench.wait() is Outcome.DAMAGED


def test_reply_with_a_marked_character_is_damaged_although_its_crc_fits() -> None:
    bench = Bench()
    bench.send(READ)
    bench.hear(REPLY, _3=LineEventKind.PARITY)
    assert bench.wait() is Outcome.DAMAGED


def test_silent_interval_is_kept_before_the_next_request() -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1: at least 3.5 characters between frames."""
    bench = Bench()
    bench.send(READ)
    bench.hear(REPLY)
    assert bench.send(READ) == SETTINGS.t35_ns


def test_silent_interval_is_not_kept_where_time_is_not_real() -> None:
    bench = Bench(paced=False)
    bench.send(READ)
    bench.hear(REPLY)
    assert bench.send(READ) == 0


def test_broadcast_waits_for_the_turnaround_delay_and_is_sent() -> None:
    """MODBUS over Serial Line V1.02, 2.4.1: turnaround delay, typically 100 to 200 ms."""
    bench = Bench(turnaround_delay=0.1)
    bench.send(frame("00 06 00 20 00 01"))
    start = bench.now
    assert bench.wait() is Outcome.SENT
    assert bench.now - start == 100 * MS


def test_doubtful_echo_is_the_reply_when_no_second_frame_comes() -> None:
    bench = Bench(paced=None)
    bench.send(WRITE)
    bench.hear(WRITE)
    assert bench.exchange.state is State.DOUBTING
    assert bench.wait() is Outcome.REPLY
    assert bench.exchange.echoes is False
    bench.send(WRITE)
    bench.hear(WRITE)
    assert bench.exchange.outcome is Outcome.REPLY  # and there is no doubt any more


def test_doubtful_echo_is_an_echo_when_the_reply_follows() -> None:
    bench = Bench(paced=None)
    bench.send(WRITE)
    bench.hear(WRITE)
    bench.hear(WRITE)
    assert bench.exchange.outcome is Outcome.REPLY
    assert bench.exchange.echoes is True


def test_exception_after_a_doubtful_echo_is_the_answer() -> None:
    """A write that is refused on a line that echoes: the echo must not pass for a success."""
    bench = Bench(paced=None)
    bench.send(WRITE)
    bench.hear(WRITE)
    bench.hear(frame("01 86 04"))
    assert bench.exchange.outcome is Outcome.EXCEPTION
    assert bench.exchange.echoes is True


def test_lost_port() -> None:
    bench = Bench()
    bench.send(READ)
    bench.exchange.lost(bench.now)
    assert bench.exchange.outcome is Outcome.PORT_LOST


def test_a_new_request_gives_up_the_old_one() -> None:
    bench = Bench()
    bench.send(OTHER)
    bench.send(READ)
    bench.hear(OTHER_REPLY)
    assert bench.exchange.heard[0].late


@given(st.sampled_from(State), st.lists(st.sampled_from(Event), max_size=6))
def test_an_unlisted_pair_changes_nothing(state: State, events: list[Event]) -> None:
    exchange = Exchange(SETTINGS, Policy())
    exchange.state = state
    for event in events:
        before = exchange.state
        meant = exchange._move(event)
        assert meant == ((before, event) in TRANSITIONS)
        assert exchange.state is TRANSITIONS.get((before, event), before)


def test_every_state_leads_to_the_end() -> None:
    reached = {State.DONE}
    for _ in State:
        reached |= {before for (before, _), after in TRANSITIONS.items() if after in reached}
    assert reached == set(State)


@pytest.mark.parametrize(
    "policy",
    [{"response_timeout": 0}, {"turnaround_delay": -1}, {"retries": -1}, {"late_window": -1}],
)
def test_a_policy_that_cannot_be(policy: dict[str, float]) -> None:
    with pytest.raises(UsageError):
        Policy(**policy)  # type: ignore[arg-type]


@given(
    st.lists(st.sampled_from([READ, OTHER]), min_size=2, max_size=6),
    st.lists(st.integers(1, 390), min_size=6, max_size=6),
)
def test_a_reply_within_the_promise_never_answers_another_request(
    requests: list[bytes], delays: list[int]
) -> None:
    """The server answers each request after any delay up to time-out plus late window.

    It says in its reply which request it answers; no exchange may end with another's.
    """
    bench = Bench(response_timeout=0.2, late_window=0.2)
    due: list[tuple[int, bytes]] = []
    for number, request in enumerate(requests):
        words = 2 if request == READ else 3
        reply = with_crc(bytes((1, 3, 2 * words)) + bytes(2 * words - 1) + bytes((number + 1,)))
        sending = run(bench, request, due)
        due.append((sending + delays[number] * MS, reply))
        due.sort()
        outcome = run_until_done(bench, due)
        if outcome is Outcome.REPLY:
            assert bench.exchange.answer is not None
            assert bench.exchange.answer.piece.data == reply


def deliver(bench: Bench, due: list[tuple[int, bytes]], until: int) -> bool:
    """Deliver the next reply if it ends before `until`."""
    if due and due[0][0] <= until:
        at, reply = due.pop(0)
        bench.now = max(bench.now + SETTINGS.characters_ns(len(reply)) + SETTINGS.t35_ns, at)
        bench.exchange.receive(Chunk(reply, bench.now))
        return True
    return False


def run(bench: Bench, request: bytes, due: list[tuple[int, bytes]]) -> int:
    bench.exchange.begin(request, bench.now)
    while bench.exchange.state is State.QUIET:
        if not deliver(bench, due, bench.exchange.deadline):
            bench.now = max(bench.now, bench.exchange.deadline)
            bench.exchange.tick(bench.now)
    bench.now += SETTINGS.characters_ns(len(request))
    bench.exchange.sent(bench.now)
    return bench.now


def run_until_done(bench: Bench, due: list[tuple[int, bytes]]) -> Outcome | None:
    for _ in itertools.repeat(None, 100):
        if bench.exchange.state is State.DONE:
            return bench.exchange.outcome
        if not deliver(bench, due, bench.exchange.deadline):
            bench.now = max(bench.now, bench.exchange.deadline)
            bench.exchange.tick(bench.now)
    raise AssertionError("the exchange does not end")
