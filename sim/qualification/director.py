"""Runs a schedule: requests and instants in, frames to send and prompts out.

Sans-IO: nothing here opens a port or reads a clock (`kerfbus.sim.qualification.stand` does). The
director answers for the supply, brings about the situation that each trial needs, does what the
trial says, and lets the witness write all of it down.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

from kerfbus.bench.framing import Frame
from kerfbus.sim.qualification.intervention import Intervention, Outgoing
from kerfbus.sim.qualification.lure import Lure
from kerfbus.sim.qualification.meaning import Act, meaning_of
from kerfbus.sim.qualification.record import Asked, Happened, Record, Stage, What
from kerfbus.sim.qualification.schedule import CUT, Plan, Situation, Trial, trials_of
from kerfbus.sim.qualification.situation import Backdrop
from kerfbus.sim.qualification.treatment import Treatment
from kerfbus.sim.ratings import Transition
from kerfbus.sim.sequence import ON_WORK
from kerfbus.sim.server import SupplyServer

NS = 1_000_000_000
FIRST_POLL_NS = 100_000_000
"""The period that is believed before it was measured."""
CUT_SHARE = 0.6
"""Bad replies come in the first part of a cut, where it does not end by itself (chosen)."""
RESCUE_NS, RESCUE_POLLS = 3 * NS, 20
"""A controller that has asked nothing for so long waits for a reply, it seems."""
AFTER_CUT_NS = 300_000_000
"""How long the first cut's end is watched."""
EXCEPTION_BIT = 0x80


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
        self._plan = plan
        self._turnaround_ns = turnaround_ns
        self._left = list(trials_of(plan) if trials is None else trials)
        self._moment: Moment | None = None
        self._backdrop = Backdrop(server.device.supply)
        self._intervention = Intervention(server.device.map)
        self._outbox: list[tuple[int, int, bytes]] = []
        self._number = count()
        self._sent_at: int | None = None
        self._unanswered: bytes | None = None
        self._arc_at: int | None = None
        self._poll_ns = FIRST_POLL_NS
        self._cut_ns: int | None = None
        server.device.supply.watchers.append(self._mode_changed)

    # --- the witness -----------------------------------------------------------------------------

    @property
    def moment(self) -> Moment | None:
        """Return where the schedule stands, None before the first request and at the end."""
        return self._moment

    def heard(self, frame: Frame) -> None:
        """Take a request: a good frame."""
        now = frame.at
        self._server.device.advance(now)
        if self._moment is None and not self.done:
            self._next(now)
        asked = self._witnessed(frame)
        self._answer(asked, frame)
        self.tick(now)

    def _witnessed(self, frame: Frame) -> Asked:
        supply, moment, now = self._server.device.supply, self._moment, frame.at
        length = self.record.settings.characters_ns(len(frame.data)) if self.record.paced else 0
        gap = None if self._sent_at is None else now - length - self._sent_at
        asked = Asked(
            len(self.record.asked),
            now,
            frame.data,
            meaning_of(frame.data[1:-2], self._server.device.map),
            "" if moment is None else moment.trial.name,
            Stage.WATCH if moment is None else moment.stage,
            supply.mode,
            int(supply.fault),
            gap_ns=gap,
        )
        self.record.asked.append(asked)
        self._sent_at = None
        return asked

    def damaged(self) -> None:
        """Take note of characters that are no good request."""
        self.record.damaged += 1

    def moving(self, now: int, *, moves: bool) -> None:
        """Take what the side channel says of the table."""
        self._server.device.advance(now)
        self._happened(now, What.MOVING if moves else What.STILL)

    def _happened(self, now: int, what: What, detail: str = "") -> None:
        trial = "" if self._moment is None else self._moment.trial.name
        self.record.happened.append(Happened(now, what, trial, detail))

    def _mode_changed(self, change: Transition) -> None:
        self._happened(change.at, What.MODE, change.after.name)
        if change.after not in ON_WORK:
            self._arc_at = None
        elif self._arc_at is None:
            self._arc_at = change.at

    # --- answers ---------------------------------------------------------------------------------

    def _answer(self, asked: Asked, frame: Frame) -> None:
        moment = self._moment
        kind = Treatment.NONE
        if moment is not None and moment.stage is Stage.ACT:
            kind = moment.trial.treatment
        if kind is Treatment.LINK_DOWN:
            self.record.asked[-1] = asked._replace(treatment=kind)
            return
        reply = self._server.handle(frame.data, frame.at)
        if reply is None:
            return
        refused = reply[2] if reply[1] & EXCEPTION_BIT else 0
        if kind is Treatment.NONE or self._out_of_baits(moment):
            self.record.asked[-1] = asked._replace(refused=refused)
            self._send(frame.at, Outgoing(0, reply))
            return
        assert moment is not None
        lure = Lure.ARC_OUT if moment.trial.situation is Situation.ARC else Lure.READY
        dealt = self._intervention.deal(kind, lure, frame.data, reply)
        self.record.asked[-1] = asked._replace(
            refused=refused, treatment=dealt.treatment, baited=dealt.baited
        )
        self._unanswered = None if dealt.frames else reply
        if dealt.done:
            self._moment = Moment(moment.trial, moment.stage, moment.since, moment.baits + 1)
        for outgoing in dealt.frames:
            self._send(frame.at, outgoing)

    def _send(self, now: int, outgoing: Outgoing) -> None:
        wait = self._turnaround_ns + self._server.reply_delay_ns + outgoing.after_ns
        heapq.heappush(self._outbox, (now + wait, next(self._number), outgoing.data))

    @staticmethod
    def _out_of_baits(moment: Moment | None) -> bool:
        return moment is None or 0 < moment.trial.baits <= moment.baits

    # --- time ------------------------------------------------------------------------------------

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
        self._sent_at = at

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
        """Answer the last request once more when nothing else comes."""
        quiet = max(RESCUE_NS, RESCUE_POLLS * self._poll_ns)
        last = self.record.asked[-1].at
        if self._unanswered is not None and now - last > quiet:
            self._happened(now, What.RESCUED)
            self._send(now, Outgoing(0, self._unanswered))
            self._unanswered = None

    # --- stages ----------------------------------------------------------------------------------

    def _next(self, now: int) -> None:
        """Begin the next trial, or end."""
        if not self._left:
            self._moment, self.done = None, True
            return
        self._poll_ns = self.record.poll_ns or FIRST_POLL_NS
        self._intervention.begin()
        self._moment = Moment(self._left.pop(0), Stage.SET, now)
        self._backdrop.begin(self._moment.trial, now)
        self._happened(now, What.STAGE, Stage.SET.value)

    def _enter(self, moment: Moment, stage: Stage, now: int) -> None:
        self._moment = Moment(moment.trial, stage, now, moment.baits)
        self._happened(now, What.STAGE, stage.value)

    def _set(self, moment: Moment, now: int) -> None:
        """Bring the situation about, and begin when it is there."""
        patience = self._plan.patience.ns(self._poll_ns)
        if now - moment.since > patience:
            self._happened(
                now, What.SKIPPED, f"never seen: the controller {moment.trial.situation.value}"
            )
            self._backdrop.end(now)
            self._next(now)
            return
        wish = self._backdrop.prepare(now, patience // 2)
        if wish is not None:
            self._happened(now, wish)
            if wish is not What.PANEL_CLEAR:
                self.prompts.append(wish)
        if self._backdrop.there(now, self._told_since) and self._fresh(moment.trial, now):
            self._enter(moment, Stage.ACT, now)
            self._backdrop.act(now)

    def _told_since(self, at: int) -> int:
        """Return how many good replies have told of the status since an instant."""
        told = 0
        for each in reversed(self.record.asked):
            if each.at < at:
                break
            told += each.treatment is Treatment.NONE and bool(each.meaning.reads)
        return told

    def _fresh(self, trial: Trial, now: int) -> bool:
        """Return whether a cut is not so old that it may end by itself."""
        if trial.situation is not Situation.ARC or self._cut_ns is None:
            return True
        return self._arc_at is not None and now - self._arc_at < CUT_SHARE * self._cut_ns

    def _act(self, moment: Moment, now: int) -> None:
        """End the act when it has lasted, or cannot go on."""
        trial, supply = moment.trial, self._server.device.supply
        over = now - moment.since >= trial.act.ns(self._poll_ns)
        if trial.baits:
            # The last bad reply has its effect before the act ends.
            over |= self._out_of_baits(moment) and self._settled()
            if trial.situation is Situation.ARC:
                over |= supply.mode not in ON_WORK
        if over:
            self._enter(moment, Stage.WATCH, now)
            self._backdrop.end_act(now)

    def _settled(self) -> bool:
        """Return whether some good replies have come since the last bad one."""
        asked = self.record.asked
        return len(asked) >= SETTLED and all(
            each.treatment is Treatment.NONE for each in asked[-SETTLED:]
        )

    def _watch(self, moment: Moment, now: int) -> None:
        over = now - moment.since >= max(moment.trial.watch.ns(self._poll_ns), 1)
        if moment.trial.name == CUT and not over:
            over = self._cut_over(now)
        if over:
            self._backdrop.end(now)
            self._next(now)

    def _cut_over(self, now: int) -> bool:
        """Return whether the first cut has been stopped; note how long it was."""
        if self._cut_ns is None:
            self._cut_ns = self.record.cut_ns
        stops = [each.at for each in self.record.during(CUT, Stage.WATCH) if each.does(Act.STOP)]
        return self._cut_ns is not None and now - stops[-1] > AFTER_CUT_NS


SETTLED = 4
"""Good replies after the last bad one before a trial goes on."""
