"""The controller of one table: it asks the supply, and does what a careful controller does.

It sets the process, waits for ready, starts (a level), waits for the arc to be transferred, waits
the pierce delay, lets the torch move, and stops. It polls at a steady rate all the while. After a
failure (a fault, a lost arc, a refusal, no answer) it releases the start, waits, clears the fault
by a separate act, and tries the same cut again; after too many failures in a row it gives up and
only polls.

Sans-IO: `CarefulController.ask` gives the next request when `due` has come, `hear` takes the reply.
The moves are the table `TABLE`; a pair that is not in it changes nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from enum import Enum, auto
from types import MappingProxyType

from kerfbus.bench import wire
from kerfbus.sim.faults import Fault
from kerfbus.sim.scenario.agenda import Agenda
from kerfbus.sim.scenario.asking import Questions, Status
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import NS, Cut, Program
from kerfbus.sim.scenario.torch import Motion, Torch
from kerfbus.sim.sequence import Mode

ARC_LIMIT_NS = 20 * NS
"""So long it waits for the arc before it stops by itself."""
SILENCES = 3
"""Requests in a row without an answer that count as a failure."""


class Step(Enum):
    """Where the controller stands."""

    RESTING = auto()
    """Before its time to begin."""
    SET_UP = auto()
    WAIT_READY = auto()
    START = auto()
    WAIT_ARC = auto()
    PIERCE = auto()
    MOVE = auto()
    STOP = auto()
    WAIT_OUT = auto()
    PAUSE = auto()
    TROUBLE = auto()
    CLEAR = auto()
    FINISHED = auto()
    GIVEN_UP = auto()


class Seen(Enum):
    """What moves it."""

    DONE = auto()
    """All that the step had to ask was obeyed."""
    REFUSED = auto()
    READY = auto()
    ARC = auto()
    NO_ARC = auto()
    FAULT = auto()
    OFF = auto()
    """The supply is off."""
    SILENCE = auto()
    TIME = auto()
    """The step's own time is over."""
    ARRIVED = auto()
    ENOUGH = auto()
    """Nothing is left to cut, or to try."""


_S, _E = Step, Seen
_CUTTING = (_S.WAIT_ARC, _S.PIERCE, _S.MOVE)

TABLE: Mapping[tuple[Step, Seen], Step] = MappingProxyType(
    {
        (_S.RESTING, _E.TIME): _S.SET_UP,
        (_S.SET_UP, _E.DONE): _S.WAIT_READY,
        (_S.WAIT_READY, _E.READY): _S.START,
        (_S.WAIT_READY, _E.ENOUGH): _S.FINISHED,
        (_S.START, _E.DONE): _S.WAIT_ARC,
        (_S.WAIT_ARC, _E.ARC): _S.PIERCE,
        (_S.WAIT_ARC, _E.TIME): _S.TROUBLE,
        (_S.PIERCE, _E.TIME): _S.MOVE,
        (_S.PIERCE, _E.NO_ARC): _S.TROUBLE,
        (_S.MOVE, _E.ARRIVED): _S.STOP,
        (_S.MOVE, _E.NO_ARC): _S.TROUBLE,
        (_S.STOP, _E.DONE): _S.WAIT_OUT,
        (_S.WAIT_OUT, _E.NO_ARC): _S.PAUSE,
        (_S.PAUSE, _E.TIME): _S.WAIT_READY,
        (_S.TROUBLE, _E.TIME): _S.CLEAR,
        (_S.TROUBLE, _E.ENOUGH): _S.GIVEN_UP,
        (_S.CLEAR, _E.DONE): _S.SET_UP,
        **{(step, _E.REFUSED): _S.TROUBLE for step in (_S.SET_UP, _S.START, _S.STOP, _S.CLEAR)},
        **{(step, _E.FAULT): _S.TROUBLE for step in (*_CUTTING, _S.WAIT_READY, _S.WAIT_OUT)},
        **{(step, _E.OFF): _S.TROUBLE for step in (*_CUTTING, _S.WAIT_READY)},
        **{(step, _E.SILENCE): _S.TROUBLE for step in (*_CUTTING, _S.SET_UP, _S.START, _S.CLEAR)},
    }
)
"""Every pair that moves it."""


class CarefulController:
    """The controller of one table.

    Args:
        place: the supply and its contacts.
        torch: that it moves.
        program: what to cut.
        agenda: takes its own times.
        tell: called with an instant and what it does, for the log.

    Attributes:
        step: where it stands.
        due: instant of the next request; `ask` must not be called before.
        cuts_done: cuts that were finished.
    """

    def __init__(
        self,
        place: Place,
        torch: Torch,
        program: Program,
        agenda: Agenda,
        tell: Callable[[int, str], None],
    ) -> None:
        self._place = place
        self._torch = torch
        self._program = program
        self._agenda = agenda
        self._tell = tell
        self._questions = Questions()
        self._queue: deque[wire.Request] = deque()
        self._asked: wire.Request | None = None
        self._index = 0
        self._failures = 0
        self._silences = 0
        self._timer = 0
        self._process = 0
        self.step = Step.RESTING
        self.cuts_done = 0
        self.begin_at = self.due = 0

    @property
    def name(self) -> str:
        """Return the name of the supply that it asks."""
        return self._place.name

    @property
    def address(self) -> int:
        """Return the server address of the supply that it asks."""
        return self._place.address

    @property
    def cut(self) -> Cut:
        """Return the present cut."""
        return self._program.cuts[self._index % len(self._program.cuts)]

    def begin(self, at: int) -> None:
        """Begin at `at`, with the program's delay before the supply is switched on."""
        self.begin_at = at
        self.due = at + self._program.begin_ns
        self._torch.wait(at, self.cut)
        self._wait(self.due)

    # --- requests --------------------------------------------------------------------------------

    def ask(self, now: int) -> wire.Request:
        """Return the request that is due."""
        self.due = max(self.due + self._program.poll_ns, now)
        self._asked = self._queue[0] if self._queue else self._questions.next_poll()
        return self._asked

    def hear(self, reply: wire.Reply | None, now: int) -> None:
        """Take the reply to the last request; None when there was none."""
        if reply is None:
            self._silences += 1
            if self._silences == SILENCES:
                self._see(Seen.SILENCE, now, "no answer")
            return
        self._silences = 0
        if self._queue and self._asked is self._queue[0]:
            self._queue.popleft()
            if isinstance(reply, wire.ExceptionReply):
                self._queue.clear()
                self._see(Seen.REFUSED, now, f"refused with exception {reply.code:02X}")
            elif self._queue:
                self.due = now
            else:
                self._see(Seen.DONE, now)
            return
        status = self._questions.status(self._asked, reply)
        if status is not None:
            self._judge(status, now)

    def _judge(self, status: Status, now: int) -> None:
        """Draw conclusions from the status."""
        arc = status.arc
        if self._program.contact:
            arc = self._place.supply.arc_transferred
        if status.fault:
            self._see(
                Seen.FAULT, now, f"fault {Fault(status.fault).name.lower().replace('_', '-')}"
            )
        elif status.mode == Mode.OFF:
            self._see(Seen.OFF, now, "the supply is off")
        elif arc:
            self._see(Seen.ARC, now)
        elif self.step is Step.MOVE and self.cut.edge and self._torch.motion is Motion.ARRIVED:
            self._see(Seen.ARRIVED, now)
        else:
            self._see(Seen.NO_ARC, now, "the arc went out")
            if status.ready and self.step is Step.WAIT_READY:
                finished = not self._program.repeat and self._index >= len(self._program.cuts)
                self._see(Seen.ENOUGH if finished else Seen.READY, now)

    # --- the table -------------------------------------------------------------------------------

    def _see(self, seen: Seen, now: int, why: str = "") -> None:
        """Move by the table, and begin the new step."""
        after = TABLE.get((self.step, seen))
        if after is None:
            return
        self._timer += 1
        self._queue.clear()
        self.step = after
        _BEGIN[after](self, now, why)

    def _wait(self, at: int) -> None:
        """Let the step's own time be over at `at`."""
        timer = self._timer

        def over(now: int) -> None:
            if timer == self._timer:
                self._see(Seen.TIME, now, "no arc in time")

        self._agenda.put(at, over)

    def _send(self, now: int, *requests: wire.Request) -> None:
        """Ask these before all else; without one the step is done."""
        self._queue.extend(requests)
        self.due = now
        if not requests:
            self._see(Seen.DONE, now)

    # --- beginnings of steps ---------------------------------------------------------------------

    def _set_up(self, now: int, _: str) -> None:
        self._tell(now, f"sets process {self.cut.process.number} and enables")
        self._process = self.cut.process.number
        self._send(now, *self._questions.set_up(self._process, contact=self._program.contact))

    def _wait_ready(self, now: int, _: str) -> None:
        self._torch.wait(now, self.cut)

    def _start(self, now: int, _: str) -> None:
        self._tell(now, f"starts cut {self._index + 1}")
        requests: list[wire.Request] = []
        if self._process != self.cut.process.number:
            self._process = self.cut.process.number
            requests.append(self._questions.process(self._process))
        if self._program.contact:
            self._place.change(now, start_contact=True)
        else:
            requests += self._questions.start()
        self._send(now, *requests)

    def _wait_arc(self, now: int, _: str) -> None:
        self._wait(now + ARC_LIMIT_NS)

    def _pierce(self, now: int, _: str) -> None:
        self._tell(now, "sees the arc transferred")
        self._wait(now + self.cut.pierce_delay_ns)

    def _move(self, now: int, _: str) -> None:
        self._torch.go(now, self.cut)
        arrives_at = self._torch.arrives_at
        assert arrives_at is not None
        if not self.cut.edge:  # there the arc goes out by itself, and that is waited for
            timer = self._timer

            def arrived(at: int) -> None:
                if timer == self._timer:
                    self._see(Seen.ARRIVED, at)

            self._agenda.put(arrives_at, arrived)

    def _stop(self, now: int, _: str) -> None:
        self._tell(now, "stops")
        self._release(now)

    def _release(self, now: int) -> None:
        """Take the start away."""
        if self._program.contact:
            self._place.change(now, start_contact=False)
            self._send(now)
        else:
            self._send(now, self._questions.stop())

    def _wait_out(self, _: int, __: str) -> None:
        """Do nothing: the status tells."""

    def _pause(self, now: int, _: str) -> None:
        self.cuts_done += 1
        self._failures = 0
        pause_ns = self.cut.pause_ns
        self._index += 1
        self._wait(now + pause_ns)

    def _trouble(self, now: int, why: str) -> None:
        self._failures += 1
        self._torch.halt(now)
        if self._program.contact:
            self._place.change(now, start_contact=False)
        else:
            self._send(now, self._questions.stop())
        if self._failures >= self._program.fault_tries:
            self._tell(now, f"{why}; gives up after {self._failures} failures in a row")
            self._see(Seen.ENOUGH, now)
            return
        self._tell(now, f"{why}; waits {self._program.fault_pause_ns / NS:g} s")
        self._wait(now + self._program.fault_pause_ns)

    def _clear(self, now: int, _: str) -> None:
        self._tell(now, "clears the fault, if there is one")
        self._send(now, self._questions.stop(), self._questions.clear())

    def _finished(self, now: int, _: str) -> None:
        self._tell(now, "has finished the list")

    def _given_up(self, _: int, __: str) -> None:
        """Do nothing but poll."""


_BEGIN: Mapping[Step, Callable[[CarefulController, int, str], None]] = MappingProxyType(
    {
        Step.SET_UP: CarefulController._set_up,
        Step.WAIT_READY: CarefulController._wait_ready,
        Step.START: CarefulController._start,
        Step.WAIT_ARC: CarefulController._wait_arc,
        Step.PIERCE: CarefulController._pierce,
        Step.MOVE: CarefulController._move,
        Step.STOP: CarefulController._stop,
        Step.WAIT_OUT: CarefulController._wait_out,
        Step.PAUSE: CarefulController._pause,
        Step.TROUBLE: CarefulController._trouble,
        Step.CLEAR: CarefulController._clear,
        Step.FINISHED: CarefulController._finished,
        Step.GIVEN_UP: CarefulController._given_up,
    }
)
"""What each step begins with."""
