"""One request and what comes of it, as a state machine without a port or a clock.

Job: when a request may be sent, what ends the wait, and with what outcome. Characters and instants
go in; `Exchange.state`, `Exchange.deadline` and, at the end, `Exchange.outcome` come out. The state
machine is the table `TRANSITIONS`: a pair that is not in it changes nothing.

Source of the waits: MODBUS over Serial Line V1.02, 2.4.1 (response time-out, turnaround delay, a
reply from an unexpected server keeps the timer running) and 2.5.1.1 (silent interval).

Late replies. A reply that comes after the time-out must not answer the next request. Where the two
requests ask for different things its content gives it away. Where they ask for the same thing, the
exchange listens for `Policy.late_window` more before it sends again, so that a late reply falls
into that window and is flagged. Not promised: a reply that is later than response time-out and late
window together, to a request that is then repeated, cannot be told from the answer.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from kerfbus.bench.conversation import Conversation, Message, Role
from kerfbus.bench.errors import UsageError
from kerfbus.bench.framing import Frame, Framer, Piece
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import Shape, expected_reply_length
from kerfbus.bench.transport import Chunk, Timing

NS = 1_000_000_000
_REQUEST = int(Shape.REQUEST)
HEARD = 64
"""How many other messages an exchange remembers."""


@dataclass(frozen=True, slots=True)
class Policy:
    """How long to wait and what to try again.

    Attributes:
        response_timeout: seconds from the end of the request to the reply's first character; the
            time of the reply's characters comes on top.
        turnaround_delay: seconds to wait after a broadcast (2.4.1 gives 100 to 200 ms as typical).
        retries: how often a failed request is sent again.
        retry_writes: whether requests that change something are retried as well. Off, because the
            server may have obeyed and only its reply been lost.
        late_window: seconds to listen for a late reply before a request is sent that it could be
            taken for; None for as long as `response_timeout`.
        silent_interval: whether to keep t3.5 before each request; None for "where time is real"
            (not on a pty or TCP).

    Raises:
        UsageError: a time or count is negative.
    """

    response_timeout: float = 1.0
    turnaround_delay: float = 0.15
    retries: int = 2
    retry_writes: bool = False
    late_window: float | None = None
    silent_interval: bool | None = None

    def __post_init__(self) -> None:
        if self.response_timeout <= 0:
            raise UsageError(f"time-out {self.response_timeout} s: give a time above 0")
        if min(self.turnaround_delay, self.retries, self.late_window or 0) < 0:
            raise UsageError("turnaround delay, retries and late window: give 0 or more")


class Outcome(Enum):
    """How an exchange ended."""

    REPLY = "reply"
    EXCEPTION = "exception"
    TIMEOUT = "time-out"
    """Nothing came."""
    DAMAGED = "damaged reply"
    """Characters came but no good reply."""
    LATE = "late reply"
    """Only the reply to an earlier request came."""
    PORT_LOST = "port lost"
    SENT = "sent"
    """A broadcast; nobody answers."""


class State(Enum):
    """Where an exchange stands."""

    __hash__ = object.__hash__  # members are single; Enum's own hash is a Python call

    QUIET = "quiet"
    """Waiting until the line may be used."""
    READY = "ready"
    """The request is to be sent now."""
    WAITING = "waiting"
    DOUBTING = "doubting"
    """What came may be the echo or the reply; a second one would tell."""
    TURNAROUND = "turnaround"
    """After a broadcast."""
    DONE = "done"


class Event(Enum):
    """What moves an exchange."""

    __hash__ = object.__hash__

    SILENT = "silent"
    SENT = "sent"
    BROADCAST = "broadcast"
    REPLIED = "replied"
    DOUBTFUL = "doubtful"
    DAMAGED = "damaged"
    EXPIRED = "expired"
    LOST = "lost"


TRANSITIONS: dict[tuple[State, Event], State] = {
    (State.QUIET, Event.SILENT): State.READY,
    (State.QUIET, Event.LOST): State.DONE,
    (State.READY, Event.SENT): State.WAITING,
    (State.READY, Event.BROADCAST): State.TURNAROUND,
    (State.READY, Event.LOST): State.DONE,
    (State.WAITING, Event.REPLIED): State.DONE,
    (State.WAITING, Event.DOUBTFUL): State.DOUBTING,
    (State.WAITING, Event.DAMAGED): State.DONE,
    (State.WAITING, Event.EXPIRED): State.DONE,
    (State.WAITING, Event.LOST): State.DONE,
    (State.DOUBTING, Event.REPLIED): State.DONE,
    (State.DOUBTING, Event.DAMAGED): State.DONE,
    (State.DOUBTING, Event.EXPIRED): State.DONE,
    (State.DOUBTING, Event.LOST): State.DONE,
    (State.TURNAROUND, Event.EXPIRED): State.DONE,
    (State.TURNAROUND, Event.LOST): State.DONE,
}


class _Plan(NamedTuple):
    """What follows from the bytes of a request; clients send the same ones again and again.

    Attributes:
        asked: length of the normal reply, 0 when the request does not tell.
        patience_ns: how long to wait from the end of the request on.
    """

    asked: int
    patience_ns: int


_REPLY, _REPLIED = Role.REPLY, Event.REPLIED
_PLANS = 512
"""How many requests are kept planned."""


class Exchange:
    """The client's side of a line, one request at a time.

    Usage: `begin`, then as long as `state` is not DONE: in READY send `frame` and call `sent`; else
    hand over what arrives with `receive`, or `tick` when `deadline` has passed.

    Args:
        settings: rate and format of the line.
        policy: waits.
        timing: whether stamps are exact.
        uncertainty_ns: for ``host`` timing.
        paced: whether characters take their time (false for ptys and TCP).
    """

    def __init__(
        self,
        settings: LineSettings,
        policy: Policy,
        *,
        timing: Timing = "host",
        uncertainty_ns: int = 0,
        paced: bool | None = None,
    ) -> None:
        self.policy = policy
        self.state = State.DONE
        self.outcome: Outcome | None = None
        self.answer: Message | None = None
        self.frame = b""
        self.sent_at = 0
        self.heard: deque[Message] = deque(maxlen=HEARD)
        self._settings = settings
        self._t35_ns = settings.t35_ns
        self._framer = Framer(settings, timing, uncertainty_ns)
        self._conversation = Conversation("client", settings, paced=paced)
        silent = policy.silent_interval
        self._keep_silence = silent if silent is not None else paced is not False
        self._window_ns = _ns(
            policy.response_timeout if policy.late_window is None else policy.late_window
        )
        self._busy_until = 0  # the line's last activity and the silence after it
        self._late_until = 0  # how long a late reply is waited for
        self._expiry = 0
        self._spoilt = False
        self._late = False
        self._plans: dict[bytes, _Plan] = {}

    @property
    def echoes(self) -> bool | None:
        """Return whether the station hears itself, None while that is not known."""
        return self._conversation.echoes

    @property
    def deadline(self) -> int:
        """Return the instant of the next `tick`."""
        if self.state is State.QUIET:
            return self._quiet_until()
        due = self._framer.deadline
        return self._expiry if due is None or due > self._expiry else due

    def begin(self, frame: bytes, now: int) -> None:
        """Start with a request frame (address, PDU, CRC). What went before is given up."""
        if self.state is not State.DONE:
            self._finish(Outcome.TIMEOUT, now)
        self.frame = frame
        self.outcome = None
        self.answer = None
        self.heard.clear()
        self._spoilt = self._late = False
        self._expiry = now
        self.state = State.QUIET

    @property
    def quiet_until(self) -> int | None:
        """Return until when to be quiet before any request; None where `begin` must tell."""
        if self.state is not State.DONE or self._framer.held or self._late_until > self._busy_until:
            return None
        return self._busy_until

    def asked(self, frame: bytes, at: int) -> int:
        """Take note of a request after such a silence, as `begin`, `tick` and `sent` do.

        Args:
            frame: the request.
            at: end of its last character.

        Returns:
            The deadline.
        """
        self.frame = frame
        self.outcome = self.answer = None
        if self.heard:
            self.heard.clear()
        self._spoilt = self._late = False
        self.state = State.READY
        self.sent(at)
        return self._expiry  # nothing is held back, so nothing else is due

    def sent(self, at: int) -> None:
        """Take note that `frame` has been sent, its last character ending at `at`."""
        self.sent_at = at
        frame = self.frame
        plan = self._plans.get(frame) or self._plan(frame)
        self._framer.passed(frame, _REQUEST, at)
        self._conversation.asks(frame, at, plan.asked)
        self._expiry = at + plan.patience_ns
        self._move(Event.SENT if frame[0] else Event.BROADCAST)

    def _plan(self, frame: bytes) -> _Plan:
        asked = expected_reply_length(frame) if len(frame) >= 8 else 0
        if frame[0] == 0:
            patience = _ns(self.policy.turnaround_delay)
        else:
            # An exception, the shortest reply, where the length of the normal one is not known.
            characters = self._settings.characters_ns(asked or 5)
            patience = _ns(self.policy.response_timeout) + characters
        if len(self._plans) >= _PLANS:
            self._plans.clear()
        plan = self._plans[frame] = _Plan(asked, patience)
        return plan

    def receive(self, chunk: Chunk) -> None:
        """Take characters from the line."""
        data, at, errors = chunk
        if self._keep_silence:
            self._busy_until = at + self._t35_ns
        self._take(self._framer.receive(data, at, errors), at)

    def tick(self, now: int) -> None:
        """Take note of the time."""
        pieces = self._framer.tick(now)
        if pieces:
            self._take(pieces, now)
        if self.state is State.QUIET:
            if now >= self._quiet_until():
                self._move(Event.SILENT)
        elif now >= self._expiry:
            self._expire(now)

    def lost(self, now: int) -> None:
        """Take note that the port is gone."""
        self._framer.flush()
        if self._move(Event.LOST):
            self._finish(Outcome.PORT_LOST, now)

    def _quiet_until(self) -> int:
        busy = self._busy_until
        if self._late_until > busy and self._conversation.confusable(self.frame):
            return self._late_until
        return busy

    def _move(self, event: Event) -> bool:
        """Move by the table; return whether the event meant anything in this state."""
        after = TRANSITIONS.get((self.state, event))
        if after is None:
            return False
        self.state = after
        return True

    def _take(self, pieces: list[Piece], now: int) -> None:
        damaged: Message | None = None
        for piece in pieces:
            message = self._conversation.inbound(piece)
            event = self._judge(message)
            if event is Event.DAMAGED:
                damaged = message
            elif event is None:
                self.heard.append(message)
            elif self._move(event):
                self.answer = message
                if event is Event.REPLIED:
                    exception = message.piece.data[1] & 0x80
                    self._finish(Outcome.EXCEPTION if exception else Outcome.REPLY, now)
        # A good reply in the same pieces would have ended the exchange before this.
        if damaged is not None:
            self.heard.append(damaged)
            if self._move(Event.DAMAGED):
                self.answer = damaged
                self._finish(Outcome.DAMAGED, now)

    def _judge(self, message: Message) -> Event | None:
        """Return what a message means to the exchange, None when it does not end the wait."""
        _, role, errors, _, pairs_with, echo, late, _, doubtful = message
        if (
            role is _REPLY
            and pairs_with is not None
            and not (errors or echo or late or doubtful)
            and pairs_with == self._conversation.last_own
        ):
            return _REPLIED  # nearly always: the same as below
        return self._weigh(message)

    def _weigh(self, message: Message) -> Event | None:
        if self.state in (State.WAITING, State.DOUBTING) and not message.echo:
            self._late |= message.late
            self._spoilt |= self._spoils(message)
        own = message.pairs_with is not None and message.pairs_with == self._conversation.last_own
        if not own or message.echo or message.late or message.role is not Role.REPLY:
            return None
        if not isinstance(message.piece, Frame) or not message.piece.usable:
            return Event.DAMAGED
        return Event.DOUBTFUL if message.doubtful else Event.REPLIED

    def _spoils(self, message: Message) -> bool:
        """Return whether a message means that a reply came, but not a good one."""
        if message.errors or message.role in (Role.STRAY, Role.UNKNOWN):
            return True
        unfit = message.role is Role.REPLY and message.pairs_with is None
        return unfit and message.piece.data[0] == self.frame[0]

    def _expire(self, now: int) -> None:
        self._take(self._framer.flush(), now)
        doubted = self.state is State.DOUBTING
        broadcast = self.state is State.TURNAROUND
        if not self._move(Event.EXPIRED):
            return
        if doubted and self.answer is not None:
            self._conversation.echoes = False  # a second one would have come
            self._finish(Outcome.REPLY, now)
        elif broadcast:
            self._finish(Outcome.SENT, now)
        elif self._spoilt:
            self._finish(Outcome.DAMAGED, now)
        else:
            self._finish(Outcome.LATE if self._late else Outcome.TIMEOUT, now)

    def _finish(self, outcome: Outcome, now: int) -> None:
        self.state = State.DONE
        self.outcome = outcome
        if self._keep_silence:
            self._busy_until = max(self._busy_until, now)
        if outcome not in (Outcome.REPLY, Outcome.EXCEPTION, Outcome.SENT):
            self._conversation.give_up()
            self._late_until = now + self._window_ns


def _ns(seconds: float) -> int:
    return round(seconds * NS)
