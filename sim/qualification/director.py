"""Runs a schedule: requests and instants in, frames to send and prompts out.

Sans-IO: nothing here opens a port or reads a clock (`kerfbus.sim.qualification.stand` does). The
director answers for the supply, brings about the situation that each trial needs, does what the
trial says, and lets the witness write all of it down.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import count

from kerfbus.bench.framing import Frame
from kerfbus.sim.qualification.intervention import Intervention, Outgoing
from kerfbus.sim.qualification.judges import longest_wait
from kerfbus.sim.qualification.lure import Lure
from kerfbus.sim.qualification.meaning import Act
from kerfbus.sim.qualification.record import Asked, Record, Stage, What
from kerfbus.sim.qualification.schedule import CUT, STEADY, Plan, Situation, Trial, trials_of
from kerfbus.sim.qualification.situation import Backdrop
from kerfbus.sim.qualification.treatment import Treatment
from kerfbus.sim.qualification.witness import Witness
from kerfbus.sim.sequence import ON_WORK
from kerfbus.sim.server import SupplyServer

NS = 1_000_000_000
FIRST_POLL_NS = 100_000_000
"""The period that is believed before it was measured."""
STEPS, SLOW_FACTOR = 12, 10
"""So many intervals show a rate; a slow controller is watched so many times as long for them."""
LOST_WAITS = 5
"""The link is down for so many of the controller's time-outs at least."""
RESCUE_NS, RESCUE_POLLS = 3 * NS, 20
"""A controller that has asked nothing for so long waits for a reply, it seems."""
AFTER_CUT_NS = 300_000_000
"""How long the first cut's end is watched."""
MANY_SKIPS, SHORTER = 2, 8
"""After so many trials in a row that could not be made, the next ones wait less."""
EXCEPTION_BIT = 0x80
STOPS = (Act.STOP, Act.DISABLE)


@dataclass(frozen=True, slots=True)
class Moment:
    """Where the schedule stands.

    Attributes:
        trial: which.
        stage: of it.
        since: instant at which the stage began.
        baits: bad replies so far.
    """

    trial: Trial
    stage: Stage
    since: int
    baits: int = 0

    @property
    def treatment(self) -> Treatment:
        """Return what is to be done to replies now."""
        enough = 0 < self.trial.baits <= self.baits
        return self.trial.treatment if self.stage is Stage.ACT and not enough else Treatment.NONE

    @property
    def lure(self) -> Lure:
        """Return what a bad reply shall say."""
        return Lure.ARC_OUT if self.trial.situation is Situation.ARC else Lure.READY


class Director:
    """Directs one qualification.

    Args:
        server: the supply; the director alone brings it to an instant.
        plan: how thorough.
        record: the witness's; the line's facts are in it.
        turnaround_ns: from a request to the reply.
        trials: the rows; None for those of the plan.

    Attributes:
        record: as given.
        done: the schedule is at its end.
        prompts: what the controller, or a person there, is asked to do; taken by whoever shows it.
    """

    def __init__(
        self,
        server: SupplyServer,
        plan: Plan,
        record: Record,
        turnaround_ns: int = 0,
        trials: Sequence[Trial] | None = None,
    ) -> None:
        self.record = record
        self.done = False
        self.prompts: list[What] = []
        self._server = server
        self._witness = Witness(record, server)
        self._plan = plan
        self._turnaround_ns = turnaround_ns
        self._left = list(trials_of(plan) if trials is None else trials)
        self._moment: Moment | None = None
        self._backdrop = Backdrop(server.device.supply)
        self._intervention = Intervention(server.device.map)
        self._outbox: list[tuple[int, int, bytes]] = []
        self._order = count()
        self._rescued = -1
        self._poll_ns = FIRST_POLL_NS
        self._cut_ns: int | None = None
        self._skips = 0

    # --- what comes in ---------------------------------------------------------------------------

    def heard(self, frame: Frame) -> None:
        """Take a request: a good frame."""
        now = frame.at
        self._server.device.advance(now)
        if self._moment is None and not self.done:
            self._next(now)
        self._answer(self._witness.request(frame, piled=bool(self._outbox)), frame)
        self.tick(now)

    def damaged(self) -> None:
        """Take note of characters that are no good request."""
        self.record.damaged += 1

    def moving(self, now: int, *, moves: bool) -> None:
        """Take what the side channel says of the table."""
        self._server.device.advance(now)
        self._witness.happened(now, What.MOVING if moves else What.STILL)

    # --- answers ---------------------------------------------------------------------------------

    def _answer(self, asked: Asked, frame: Frame) -> None:
        moment = self._moment
        kind = Treatment.NONE if moment is None else moment.treatment
        if kind is Treatment.LINK_DOWN:
            self._witness.answered(asked, kind)
            return
        reply = self._server.handle(frame.data, frame.at)
        if reply is None:
            return
        refused = reply[2] if reply[1] & EXCEPTION_BIT else 0
        if moment is None or kind is Treatment.NONE or asked.piled:
            self._witness.answered(asked, Treatment.NONE, refused=refused)
            self._put(frame.at, Outgoing(0, reply))
            return
        dealt = self._intervention.deal(kind, moment.lure, frame.data, reply)
        self._witness.answered(asked, dealt.treatment, baited=dealt.baited, refused=refused)
        if dealt.done:
            self._moment = replace(moment, baits=moment.baits + 1)
        for outgoing in dealt.frames:
            self._put(frame.at, outgoing)

    def _put(self, now: int, outgoing: Outgoing) -> None:
        wait = self._turnaround_ns + self._server.reply_delay_ns + outgoing.after_ns
        heapq.heappush(self._outbox, (now + wait, next(self._order), outgoing.data))

    @property
    def due(self) -> int | None:
        """Return when there is something to send, None for never."""
        return self._outbox[0][0] if self._outbox else None

    def sendings(self, now: int) -> list[bytes]:
        """Return what is due, in order."""
        found = []
        while self._outbox and self._outbox[0][0] <= now:
            found.append(heapq.heappop(self._outbox)[2])
        return found

    def sent(self, at: int) -> None:
        """Take note of the end of the last character that was sent."""
        self._witness.sent(at)

    # --- time ------------------------------------------------------------------------------------

    def tick(self, now: int) -> None:
        """Move the schedule on; call it often."""
        self._server.device.advance(now)
        if self._moment is None:
            return
        self._rescue(now)
        match self._moment.stage:
            case Stage.SET:
                self._set(self._moment, now)
            case Stage.ACT:
                self._act(self._moment, now)
            case Stage.WATCH:
                self._watch(self._moment, now)

    def _rescue(self, now: int) -> None:
        """Answer the last request truly when it was not, and nothing else is asked any more."""
        last, moment = self.record.asked[-1], self._moment
        down = moment is not None and moment.treatment is Treatment.LINK_DOWN
        if last.treatment is Treatment.NONE or down or self._rescued == last.number:
            return
        if now - last.at > max(RESCUE_NS, RESCUE_POLLS * self._poll_ns):
            self._rescued = last.number
            self._witness.happened(now, What.RESCUED)
            reply = self._server.handle(last.frame, now)
            if reply is not None:
                self._put(now, Outgoing(0, reply))

    def give_up(self, now: int) -> None:
        """End the schedule early: the controller asks nothing any more, or somebody stops it."""
        for trial in self._left:
            self._witness.trial = trial.name
            self._witness.happened(now, What.SKIPPED, "the run ended before its trial")
        self._left.clear()
        self._backdrop.end_act(now)
        self._next(now)

    # --- stages ----------------------------------------------------------------------------------

    def _next(self, now: int) -> None:
        """Begin the next trial, or end."""
        if not self._left:
            self._moment, self.done = None, True
            return
        self._poll_ns = self.record.poll_ns or FIRST_POLL_NS
        self._intervention.begin()
        trial = self._left.pop(0)
        self._backdrop.begin(trial, now)
        self._enter(Moment(trial, Stage.SET, now), Stage.SET, now)

    def _enter(self, moment: Moment, stage: Stage, now: int) -> None:
        self._moment = replace(moment, stage=stage, since=now)
        self._witness.trial, self._witness.stage = moment.trial.name, stage
        self._witness.happened(now, What.STAGE, stage.value)

    def _set(self, moment: Moment, now: int) -> None:
        """Bring the situation about, and begin when it is there."""
        patience = self._plan.patience.ns(self._poll_ns)
        if self._skips >= MANY_SKIPS:
            patience //= SHORTER
        if now - moment.since > patience:
            self._skip(moment.trial, now)
            return
        wish = self._backdrop.prepare(now, patience // 2)
        if wish is not None:
            self._witness.happened(now, wish)
            if wish is not What.PANEL_CLEAR:
                self.prompts.append(wish)
        if self._backdrop.there(now, self._witness.told_since) and self._fresh(moment.trial, now):
            self._skips = 0
            self._enter(moment, Stage.ACT, now)
            self._backdrop.act(now)

    def _skip(self, trial: Trial, now: int) -> None:
        self._skips += 1
        why = f"it was never seen that the controller {trial.situation.value}"
        self._witness.happened(now, What.SKIPPED, why)
        self._backdrop.end_act(now)
        self._next(now)

    def _fresh(self, trial: Trial, now: int) -> bool:
        """Return whether a cut is not so old that it may end by itself."""
        if trial.situation is not Situation.ARC or self._cut_ns is None:
            return True
        arc_at = self._witness.arc_at
        return arc_at is not None and now - arc_at < trial.share * self._cut_ns

    def _act(self, moment: Moment, now: int) -> None:
        """End the act when it has lasted, or cannot go on."""
        trial = moment.trial
        lasts = trial.act.ns(self._poll_ns)
        if trial.treatment is Treatment.LINK_DOWN:
            lasts = max(lasts, LOST_WAITS * (longest_wait(self.record) or 0))
        if trial.name == STEADY and not self._rate_seen():
            lasts *= SLOW_FACTOR
        over = now - moment.since >= lasts
        if trial.baits:
            # The last bad reply has its effect before the act ends.
            over |= moment.baits >= trial.baits and self._witness.settled
            if trial.situation is Situation.ARC:
                over |= self._server.device.supply.mode not in ON_WORK
        if over:
            self._enter(moment, Stage.WATCH, now)
            self._backdrop.end_act(now)

    def _rate_seen(self) -> bool:
        """Return whether enough equal polls came to judge their rate."""
        steps = self.record.poll_steps(self.record.during(STEADY, Stage.ACT))
        return len(steps) >= STEPS

    def _watch(self, moment: Moment, now: int) -> None:
        over = now - moment.since >= max(moment.trial.watch.ns(self._poll_ns), 1)
        if moment.trial.name == CUT and not over:
            over = self._cut_over(now)
        if over:
            self._next(now)

    def _cut_over(self, now: int) -> bool:
        """Return whether the first cut has been stopped; note how long it was."""
        if self._cut_ns is None:
            self._cut_ns = self.record.cut_ns
        stops = [each.at for each in self.record.during(CUT, Stage.WATCH) if each.does(*STOPS)]
        return self._cut_ns is not None and now - stops[-1] > AFTER_CUT_NS
