"""The program of a cutting table, without a link: what it asks, and what it makes of the replies.

It sets the unit up, polls, and on the word "start" makes one cut: waits for ready, arms and starts
over the link, waits for the arc to be transferred, moves, stops. `Manner` says how well.
Register addresses and orders are those of the default map; everything about them is invented.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from enum import Enum, auto
from typing import NamedTuple

from kerfbus.bench import wire

NS = 1_000_000_000
SERVER = 1
POLL_NS = NS // 20
CUT_NS = 22 * NS // 10
ARC_LIMIT_NS = 8 * NS
KEY, ARM_LINK, CLEAR_FAULT, START = 0x4B46, 3, 5, 1
COMMAND_KEY, START_SOURCE, START_COIL, ENABLE_COIL = 64, 32, 0, 2
STATUS = wire.ReadInputRegisters(0, 8)
POLLS = (STATUS, wire.ReadInputRegisters(8, 5), STATUS, wire.ReadInputRegisters(13, 2))
READY, ARC, LINK_START = 1 << 1, 1 << 5, 1 << 13
FAULT_WORD, LEAST_STATUS_WORDS = 3, 4


class Manner(NamedTuple):
    """How the program treats the unit.

    Attributes:
        notices_loss: stops when the link is lost.
        waits_for_transfer: moves only then.
        restarts: after a lost link, and on a fault, it starts again by itself, refused or not.
        amperes: the current that it sets.
        silences: requests in a row without an answer after which the link counts as lost.
        polls: what it reads in turn.
        poll_ns: how often it asks.
        cut_ns: how long it moves.
    """

    notices_loss: bool = True
    waits_for_transfer: bool = True
    restarts: bool = False
    amperes: int = 60
    silences: int = 3
    polls: tuple[wire.Request, ...] = POLLS
    poll_ns: int = POLL_NS
    cut_ns: int = CUT_NS


class Step(Enum):
    """Where the program stands."""

    REST = auto()
    WAIT_READY = auto()
    START = auto()
    WAIT_ARC = auto()
    MOVE = auto()
    STOP = auto()


CUTTING = (Step.START, Step.WAIT_ARC, Step.MOVE)


class TableProgram:
    """The program.

    Args:
        manner: how.
        say: called with "moving" and "still".
    """

    def __init__(self, manner: Manner, say: Callable[[str], None]) -> None:
        self._manner = manner
        self._say = say
        self._polls = 0
        self._since = 0
        self._silences = 0
        self._moving = False
        self._lost = False
        self.step = Step.REST
        self.queue: deque[wire.Request] = deque(
            (
                wire.WriteSingleRegister(0, 10 * manner.amperes),
                wire.WriteSingleRegister(START_SOURCE, 1),
                wire.WriteMultipleCoils(ENABLE_COIL, (True,)),
            )
        )
        self.asked: wire.Request = STATUS

    def ask(self, now: int) -> wire.Request:
        """Return the next request."""
        if self.step is Step.MOVE and now - self._since > self._manner.cut_ns:
            self._stop(now)
        if self.step is Step.WAIT_ARC and now - self._since > ARC_LIMIT_NS:
            self._stop(now)
        if self.queue:
            self.asked = self.queue[0]
        else:
            self.asked = self._manner.polls[self._polls % len(self._manner.polls)]
            self._polls += 1
        return self.asked

    def order(self, word: str, now: int) -> None:
        """Take an order of the person at the table: "start" or "clear"."""
        if word == "start" and self.step is Step.REST:
            self._go(Step.WAIT_READY, now)
        elif word == "clear" and not self.queue:
            self.queue.append(wire.WriteMultipleRegisters(COMMAND_KEY, (KEY, CLEAR_FAULT)))

    def silence(self, now: int) -> None:
        """Take note that no good reply came."""
        self._silences += 1
        if (
            self._manner.notices_loss
            and self._silences == self._manner.silences
            and self.step in CUTTING
        ):
            self._lost = True
            self._stop(now)

    def obeyed(self, now: int, *, refused: bool) -> None:
        """Take the reply to a write."""
        self._silences = 0
        if self.queue:
            self.queue.popleft()
        if refused and self.step is Step.START and not self._manner.restarts:
            self.queue.clear()
            self._go(Step.REST, now)
        elif not self.queue and self.step is Step.START:
            self._go(Step.WAIT_ARC, now)
            if not self._manner.waits_for_transfer:
                self._move(moving=True)
        elif not self.queue and self.step is Step.STOP:
            self._go(Step.REST, now)

    def told(self, words: tuple[int, ...], now: int) -> None:
        """Take the words of a status reply."""
        self._silences = 0
        if len(words) < LEAST_STATUS_WORDS or self.queue:
            return
        status, fault = words[0], words[FAULT_WORD]
        if self._lost and self._manner.restarts:
            self._lost = False
            self._start(now)
        elif self.step in CUTTING and fault:
            self._stop(now)
            if self._manner.restarts:
                self.queue.extend(start_orders())
        elif self.step is Step.WAIT_READY and status & READY and not fault:
            self._start(now)
        elif self.step is Step.WAIT_ARC and status & ARC:
            self._go(Step.MOVE, now)
            self._move(moving=True)
        elif (self.step is Step.WAIT_ARC and not status & LINK_START) or (
            self.step is Step.MOVE and not status & ARC
        ):
            self._stop(now)

    def _start(self, now: int) -> None:
        self._go(Step.START, now)
        self.queue.extend(start_orders())

    def _stop(self, now: int) -> None:
        self._go(Step.STOP, now)
        self.queue.clear()
        self.queue.append(wire.WriteMultipleCoils(START_COIL, (False,)))
        self._move(moving=False)

    def _move(self, *, moving: bool) -> None:
        if moving is not self._moving:
            self._moving = moving
            self._say("moving" if moving else "still")

    def _go(self, step: Step, now: int) -> None:
        self.step, self._since = step, now


def start_orders() -> tuple[wire.Request, ...]:
    """Return what arms the link and starts."""
    return (
        wire.WriteMultipleRegisters(COMMAND_KEY, (KEY, ARM_LINK)),
        wire.WriteMultipleRegisters(COMMAND_KEY, (KEY, 0, START)),
    )
