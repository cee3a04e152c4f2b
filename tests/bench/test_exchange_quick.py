"""The exchange's short ways give what its long ones give, whatever comes."""

from __future__ import annotations

from typing import Any

from hypothesis import example, given, settings
from hypothesis import strategies as st

from kerfbus.bench.conversation import Conversation, Message
from kerfbus.bench.crc import with_crc
from kerfbus.bench.exchange import Event, Exchange, Policy, State
from kerfbus.bench.framing import Piece
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk

SETTINGS = LineSettings()
MS = 1_000_000
Act = tuple[str, bytes, int]
"""Ask or hear, the characters, and milliseconds of silence before; or wait."""


def frame(text: str) -> bytes:
    return with_crc(bytes.fromhex(text))


READ = frame("01 03 00 10 00 02")
REPLY = frame("01 03 04 00 01 00 02")
WRITE = frame("01 06 00 20 01 2C")
REQUESTS = (READ, WRITE, frame("01 03 00 10 00 03"), frame("01 01 00 00 00 18"))
BROADCAST = frame("00 06 00 20 00 01")
REPLIES = (
    REPLY,
    WRITE,
    frame("01 03 06 00 01 00 02 00 03"),
    frame("01 01 03 00 01 02"),  # as long as a request
    frame("01 83 02"),
    frame("01 86 04"),
    frame("02 03 04 00 09 00 09"),
    REPLY[:-1] + b"\x00",
    REPLY[:5],
    REPLY + REPLY,
    REPLY + b"\x55",
    READ,
    READ + REPLY,
    b"\xff",
)
ACTS = st.one_of(
    st.tuples(st.just("ask"), st.sampled_from((*REQUESTS, BROADCAST)), st.sampled_from([0, 0, 9])),
    st.tuples(st.just("hear"), st.sampled_from(REPLIES), st.sampled_from([0, 2, 3, 3, 30, 250])),
    st.tuples(st.just("wait"), st.just(b""), st.just(0)),
)


class LongConversation(Conversation):
    """Weighs every piece."""

    def inbound(self, piece: Piece) -> Message:
        return self._weigh(piece)


class LongExchange(Exchange):
    """Weighs every message."""

    def __init__(self, *args: Any, **keywords: Any) -> None:
        super().__init__(*args, **keywords)
        self._conversation = LongConversation("client", SETTINGS, paced=keywords["paced"])

    def _judge(self, message: Message) -> Event | None:
        return self._weigh(message)


class Station:
    """A client with a hand on its clock."""

    def __init__(self, exchange: Exchange) -> None:
        self.exchange = exchange
        self.now = 10_000 * MS
        self.short = 0

    def do(self, act: Act) -> tuple[object, ...]:
        """Do what is to be done and return all that can be seen then."""
        what, data, pause_ms = act
        exchange = self.exchange
        self.now += pause_ms * MS
        if what == "ask":
            self.ask(data)
        elif what == "wait":
            self.until(State.DONE)
        else:
            self.now += SETTINGS.characters_ns(len(data))
            exchange.receive(Chunk(data, self.now))
        return (
            self.now,
            exchange.state,
            exchange.outcome,
            exchange.answer,
            tuple(exchange.heard),
            exchange.echoes,
            exchange.sent_at,
            exchange.state is not State.DONE and exchange.deadline,
        )

    def until(self, *states: State) -> None:
        """Let time pass up to one of some states."""
        while self.exchange.state not in states:
            self.now = max(self.now, self.exchange.deadline)
            self.exchange.tick(self.now)

    def ask(self, data: bytes) -> None:
        """Send a request the long way."""
        self.exchange.begin(data, self.now)
        self.until(State.READY, State.DONE)
        self.now += SETTINGS.characters_ns(len(data))
        self.exchange.sent(self.now)


class Hasty(Station):
    """The same, on the short way where there is one."""

    def ask(self, data: bytes) -> None:
        quiet_until = self.exchange.quiet_until
        if quiet_until is None:
            super().ask(data)
            return
        self.short += 1
        self.now = max(self.now, quiet_until) + SETTINGS.characters_ns(len(data))
        assert self.exchange.asked(data, self.now) == self.exchange.deadline


def stations(paced: bool | None, silent: bool | None) -> tuple[Station, Hasty]:
    policy = Policy(response_timeout=0.2, late_window=0.1, silent_interval=silent)
    long = LongExchange(SETTINGS, policy, timing="exact", paced=paced)
    return Station(long), Hasty(Exchange(SETTINGS, policy, timing="exact", paced=paced))


def asked_again(between: bytes) -> list[Act]:
    """Ask, hear something and the reply, and ask once more without an answer."""
    return [
        ("ask", READ, 0),
        ("hear", between, 3),
        ("hear", REPLY, 3),
        ("ask", READ, 0),
        ("wait", b"", 0),
    ]


@example(acts=asked_again(b"\xff\xfe\xfd"), paced=True, silent=None)
@example(acts=asked_again(REPLIES[6]), paced=True, silent=None)
@given(
    acts=st.lists(ACTS, min_size=1, max_size=14),
    paced=st.sampled_from([True, False, None]),
    silent=st.sampled_from([None, False]),
)
@settings(max_examples=300, deadline=None)
def test_the_short_ways_lead_where_the_long_ones_lead(
    acts: list[Act], paced: bool | None, silent: bool | None
) -> None:
    long, short = stations(paced, silent)
    for act in acts:
        assert short.do(act) == long.do(act)


def test_the_short_ways_are_taken() -> None:
    """A test that compares a way with itself says nothing."""
    long, short = stations(paced=True, silent=None)
    for _ in range(5):
        for act in (("ask", READ, 0), ("hear", REPLY, 3)):
            assert short.do(act) == long.do(act)
    assert short.short == 5
