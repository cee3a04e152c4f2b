"""What the witness of a trial writes down: every request with its context, and what else happened.

Plain data. Judges are functions of it (`kerfbus.sim.qualification.judges` and `.conduct`), so a
record made by hand, or read from a file one day, is judged like a live one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import NamedTuple

from kerfbus.bench.line import LineSettings
from kerfbus.sim.qualification.meaning import Act, Meaning
from kerfbus.sim.qualification.treatment import Treatment
from kerfbus.sim.sequence import ON_WORK, Mode

NS = 1_000_000_000


class Stage(Enum):
    """Where a trial stands."""

    SET = "set"
    """Waiting for the situation that it needs."""
    ACT = "act"
    """Something is done to the replies or to the supply."""
    WATCH = "watch"
    """All is as it should be again; what does the controller do?"""


class What(Enum):
    """What can happen besides requests."""

    STAGE = auto()
    """A trial enters a stage; the detail is its name."""
    SKIPPED = auto()
    """A trial could not be made; the detail says why."""
    MODE = auto()
    """The supply's mode changed; the detail is its name."""
    PROMPT_START = auto()
    """A cut was asked for: the separate act of a person, or of the side channel in its place."""
    PROMPT_CLEAR = auto()
    """The fault was asked to be cleared at the controller."""
    PANEL_CLEAR = auto()
    """The bench cleared the fault itself, as at the supply's front panel."""
    MOVING = auto()
    """The side channel says that the table cuts its way."""
    STILL = auto()
    """The side channel says that it stands."""
    RESCUED = auto()
    """The controller asked nothing any more; its last request was answered once again."""


class Happened(NamedTuple):
    """Something besides a request.

    Attributes:
        at: instant.
        what: kind.
        trial: name of the trial then.
        detail: one line, "" for none.
    """

    at: int
    what: What
    trial: str
    detail: str = ""


class Asked(NamedTuple):
    """A request as the witness heard it, and how things stood.

    Attributes:
        number: counts the requests, from 0.
        at: end of its last character.
        frame: address, PDU, CRC.
        meaning: what it reads, writes and orders.
        trial: name of the trial then.
        stage: of that trial.
        mode: of the supply, before the request was obeyed.
        fault: code that was latched before, 0 for none.
        treatment: what was done to the reply.
        baited: the reply, or what came in its place, held a lure.
        refused: exception code of the supply's true reply, 0 for none.
        gap_ns: silence between the bench's last character and the request's first, as the stamps
            show it; None where nothing was sent before.
        piled: it came before an earlier one could be answered.
    """

    number: int
    at: int
    frame: bytes
    meaning: Meaning
    trial: str
    stage: Stage
    mode: Mode
    fault: int = 0
    treatment: Treatment = Treatment.NONE
    baited: bool = False
    refused: int = 0
    gap_ns: int | None = None
    piled: bool = False

    @property
    def function(self) -> int:
        """Return the function code."""
        return self.frame[1]

    def does(self, *acts: Act) -> bool:
        """Return whether the request orders one of these."""
        return not self.meaning.acts.isdisjoint(acts)


@dataclass
class Record:
    """All that the witness wrote down, in the order of time.

    Attributes:
        settings: rate and format of the line.
        paced: characters take the time of a wire; false for ptys and TCP.
        uncertainty_ns: how late a stamp may be.
        signals: a side channel says when the table moves.
        address: of the supply.
        asked: the requests, good frames only.
        happened: the rest.
        damaged: frames and strays that were no good request.
    """

    settings: LineSettings = field(default_factory=LineSettings)
    paced: bool = False
    uncertainty_ns: int = 0
    signals: bool = False
    address: int = 1
    asked: list[Asked] = field(default_factory=list)
    happened: list[Happened] = field(default_factory=list)
    damaged: int = 0

    @property
    def begin(self) -> int:
        """Return the instant of the first request, 0 when there was none."""
        return self.asked[0].at if self.asked else 0

    @property
    def ours(self) -> list[Asked]:
        """Return the requests to this supply, and to all servers."""
        return [each for each in self.asked if each.frame[0] in (0, self.address)]

    def during(self, trial: str, *stages: Stage) -> list[Asked]:
        """Return the requests to this supply in some stages of a trial, all stages when none."""
        return [
            each
            for each in self.ours
            if each.trial == trial and (not stages or each.stage in stages)
        ]

    def after(self, asked: Asked) -> Iterator[Asked]:
        """Yield the requests to this supply that came after one."""
        return (
            each for each in self.asked[asked.number + 1 :] if each.frame[0] in (0, self.address)
        )

    def stage_at(self, trial: str, stage: Stage) -> int | None:
        """Return when a trial entered a stage, None when it never did."""
        for each in self.happened:
            if (each.what, each.trial, each.detail) == (What.STAGE, trial, stage.value):
                return each.at
        return None

    def skipped(self, trial: str) -> str:
        """Return why a trial was not made, "" when it was."""
        for each in self.happened:
            if each.what is What.SKIPPED and each.trial == trial:
                return each.detail
        return "" if self.stage_at(trial, Stage.ACT) is not None else "the trial was not made"

    def of(self, *whats: What) -> list[Happened]:
        """Return what happened of some kinds."""
        return [each for each in self.happened if each.what in whats]

    def mode_at(self, at: int) -> Mode:
        """Return the supply's mode at an instant."""
        found = Mode.OFF
        for each in self.happened:
            if each.what is What.MODE and each.at <= at:
                found = Mode[each.detail]
        return found

    @property
    def poll_ns(self) -> int | None:
        """Return the median time from one poll to the same next one; None before five of them."""
        steps = self.poll_steps(self.ours)
        return sorted(steps)[len(steps) // 2] if len(steps) >= MOST_POLLS else None

    @staticmethod
    def poll_steps(asked: list[Asked]) -> list[int]:
        """Return the times between equal requests, of the read that is asked most often."""
        reads = [each for each in asked if each.meaning.reads and not each.meaning.writes]
        counts: dict[bytes, int] = {}
        for each in reads:
            counts[each.frame] = counts.get(each.frame, 0) + 1
        if not counts:
            return []
        frame = max(counts, key=lambda one: counts[one])
        ats = [each.at for each in reads if each.frame == frame]
        return [second - first for first, second in itertools.pairwise(ats)]

    @property
    def cut_ns(self) -> int | None:
        """Return the length of the first undisturbed cut: transfer to the order to stop."""
        begun: int | None = None
        for each in self.ours:
            if each.trial != "cut" or each.stage is not Stage.WATCH:
                continue
            if begun is None and each.mode in ON_WORK:
                begun = each.at
            if begun is not None and each.does(Act.STOP, Act.DISABLE):
                return each.at - begun
        return None


MOST_POLLS = 5
"""So many intervals make a period."""


class Grade(Enum):
    """What a judge says."""

    PASS = "pass"  # noqa: S105 (a grade)
    FAIL = "fail"
    NOT_SEEN = "not seen"
    """Nothing that passed over the link, or the side channel, shows it either way."""


class Finding(NamedTuple):
    """A grade with its reasons.

    Attributes:
        check: slug.
        grade: the grade.
        detail: one line for a person.
        at: instant that matters most, None where none does.
        evidence: numbers of the requests that speak for the grade.
    """

    check: str
    grade: Grade
    detail: str
    at: int | None = None
    evidence: tuple[int, ...] = ()
