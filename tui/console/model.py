"""All that the console knows of a link, without a screen and without a line.

Rows of the decoder, readings and events go in; views (`kerfbus.tui.console.views`) read it. It
reads no clock: instants are handed in.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from kerfbus.bench.access import Reading
from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.decode import Row
from kerfbus.bench.regmap import ReadSpan, RegisterMap
from kerfbus.bench.transport import LineEventKind
from kerfbus.tui.console.board import Board
from kerfbus.tui.console.layout import ARC_NAMES, FAULT_NAMES, first_named
from kerfbus.tui.console.linelog import LineLog
from kerfbus.tui.console.strip import Mark, Strip
from kerfbus.tui.console.verdict import RECENT_SECONDS, Door, Seen
from kerfbus.tui.console.wording import Entry

if TYPE_CHECKING:  # brings scipy along, which takes longer than the first paint may
    from kerfbus.bench.quality import Quality, Tally

ASKED = 64
"""Requests that are remembered for the wording of their replies."""
TROUBLES = 2000
RATE_SECONDS = 5
QUIET_FAULTS = ("none", "no-fault", "ok", "0")
"""Names that a map may give to "no fault" besides what it calls the value 0."""


class Trouble(NamedTuple):
    """A transaction that went wrong.

    Attributes:
        at: when that was known.
        kind: what, in words.
        arc: whether an arc burned; None = not known.
    """

    at: int
    kind: str
    arc: bool | None


@dataclass
class Recording:
    """A recording that runs or ran.

    Attributes:
        path: of its file.
        since: instant of its beginning.
        ended: whether it was stopped.
        error: why it is not complete, "" when it is.
    """

    path: str
    since: int
    ended: bool = False
    error: str = ""


@dataclass
class Link:
    """What a person has chosen, and what came of it.

    Attributes:
        port: the port string.
        settings: rate and format, as text.
        server: whom is asked, None for a tap.
        real: whether there may be hardware at the other end.
        door: state of the port.
        why: of a port that is gone or cannot be opened.
        facts: what the port says about itself, a line each.
        armed: writing to a real port is allowed for now.
        strike: registers that can strike an arc are offered, too.
        every_ms: from one request to the next.
    """

    port: str = ""
    settings: str = ""
    server: int | None = 1
    real: bool = False
    door: Door = Door.SHUT
    why: str = ""
    facts: Sequence[str] = ()
    armed: bool = False
    strike: bool = False
    every_ms: float = 100.0


@dataclass
class Model:
    """A link as the console knows it.

    Attributes:
        map: the register map.
        board: values.
        log: the line.
        strip: the last minutes.
        link: what is chosen.
        quality: the account, None as long as no port was opened.
        recording: the last recording, None for none.
        spool_error: why what is seen cannot be explained later, "" when it can.
        notes: what has just happened, newest last, for the status line.
    """

    map: RegisterMap
    board: Board = field(init=False)
    log: LineLog = field(init=False)
    strip: Strip = field(default_factory=Strip)
    link: Link = field(default_factory=Link)
    quality: Quality | None = None
    recording: Recording | None = None
    spool_error: str = ""
    reply_at: int | None = None
    unanswered: int = 0
    troubles: deque[Trouble] = field(default_factory=lambda: deque(maxlen=TROUBLES))
    notes: deque[str] = field(default_factory=lambda: deque(maxlen=20))

    def __post_init__(self) -> None:
        self.board = Board(self.map)
        self.log = LineLog(self.map)
        self.arc_register = first_named(self.map, ARC_NAMES)
        fault, warnings = (first_named(self.map, (name,)) for name in FAULT_NAMES)
        self._fault, self._warnings = fault, warnings
        self._numbers = 0
        self._asked: dict[int, Row] = {}
        self._interval: tuple[int, int, tuple[float, float]] = (0, 0, (0.0, 1.0))

    def tell(self, note: str) -> None:
        """Note something for the status line."""
        self.notes.append(note)

    # --- what comes in ---------------------------------------------------------------------------

    def take(self, row: Row, marked: tuple[int, ...] = ()) -> None:
        """Take a row of the line in.

        Args:
            row: from the decoder.
            marked: positions of characters that the port reported as damaged.
        """
        message = row.message
        asked = None
        if message is not None:
            if message.number is not None and message.role is Role.REQUEST:
                self._asked[message.number] = row
                if len(self._asked) > ASKED:
                    del self._asked[next(iter(self._asked))]
            if message.pairs_with is not None:
                asked = self._asked.get(message.pairs_with)
            self._count(row, message)
        self.log.add(Entry(self._numbers, row, asked, marked))
        self._numbers += 1

    def _count(self, row: Row, message: Message) -> None:
        """Count a piece of the conversation."""
        if message.echo:
            return
        if row.ok:
            if message.role is Role.REPLY or self.link.server is None:
                self.reply_at, self.unanswered = row.at, 0
        else:
            self.strip.damaged(row.at)
        if message.role is Role.REQUEST and message.outbound and message.piece.data[0]:
            self.unanswered += 1
        quality = self.quality
        if quality is None:
            return
        before, tally = quality.total, _wrongs(quality.tally)
        quality.take(message)
        after = quality.total
        if after.trials > before.trials:
            self.strip.count(row.at, after.trials - before.trials, after.wrong - before.wrong)
            for kind, count in (_wrongs(quality.tally) - tally).items():
                self.troubles.extend([Trouble(row.at, kind, self.strip.arc)] * count)

    def read(self, readings: Sequence[Reading]) -> str | None:
        """Take values in; return ``on`` or ``off`` when they show that the arc has changed."""
        self.board.take(readings)
        if self.arc_register is None:
            return None
        for reading in readings:
            if reading.register is self.arc_register and reading.at is not None:
                on = bool(reading.value)
                changed = self.strip.arc is not on
                state = "on" if on else "off"
                if self.quality is not None:
                    self.quality.observe("arc", state)
                if changed:
                    self.strip.mark(Mark(reading.at, "arc", state, "register"))
                    return state
        return None

    def refuse(self, span: ReadSpan, problem: str) -> None:
        """Note that a read brought nothing."""
        self.board.refuse(span, problem)

    def mark(self, key: str, value: str, at: int) -> None:
        """Take a mark that somebody made."""
        self.strip.mark(Mark(at, key, value))
        if self.quality is not None:
            self.quality.mark(key, value)

    def port_event(self, kind: LineEventKind, why: str) -> None:
        """Note that the port went away or is back."""
        lost = kind is LineEventKind.LOST
        self.link.door = Door.LOST if lost else Door.OPEN
        self.link.why = why if lost else ""
        self.tell(f"{self.link.port}: {why if lost else 'back'}")

    # --- what is known ---------------------------------------------------------------------------

    @property
    def fault(self) -> str:
        """Return the unit's latched fault, "" for none or unknown."""
        register = self._fault
        if register is None or (value := self.board[register.name].value) is None:
            return ""
        text = str(value)
        none = text in QUIET_FAULTS or text == register.values.get(0, "0")
        return "" if none else text

    @property
    def warnings(self) -> tuple[str, ...]:
        """Return the unit's warnings."""
        register = self._warnings
        value = self.board[register.name].value if register is not None else None
        return tuple(map(str, value)) if isinstance(value, tuple) else ()

    @property
    def recording_now(self) -> bool:
        """Return whether a recording runs."""
        return self.recording is not None and not self.recording.ended

    def seen(self, now: int) -> Seen:
        """Return what the three sentences are made of."""
        recent = self.strip.recent(now, RECENT_SECONDS)
        rate = self.strip.recent(now, RATE_SECONDS)
        link = self.link
        total = self.quality.total if self.quality is not None else None
        return Seen(
            now,
            link.port,
            link.server,
            link.door,
            link.why,
            self.reply_at,
            self.unanswered,
            (rate.good + rate.wrong) / RATE_SECONDS,
            total.trials if total else 0,
            total.wrong if total else 0,
            self._rate_interval(),
            recent.wrong,
            recent.good + recent.wrong,
            self.recent_kinds(now),
            self.fault,
            self.warnings,
            self.board.problems,
            self._recording_troubles(),
        )

    def _rate_interval(self) -> tuple[float, float]:
        """Return the interval of the error rate; computed anew only when something was counted."""
        if self.quality is None:
            return 0.0, 1.0
        wrong, trials = self.quality.total
        if self._interval[:2] != (wrong, trials):
            self._interval = (wrong, trials, self.quality.total.interval)
        return self._interval[2]

    def recent_kinds(self, now: int) -> list[str]:
        """Return what went wrong in the last minute, in words, and whether the arc was on."""
        since = now - RECENT_SECONDS * 1_000_000_000
        recent = [each for each in self.troubles if each.at >= since]
        counted = Counter(each.kind for each in recent).most_common()
        found = [f"{count} {kind}" for kind, count in counted]
        if any(each.arc is not None for each in recent):
            burning = sum(each.arc is True for each in recent)
            share = "all" if burning == len(recent) else str(burning or "none")
            found.append(f"{share} with the arc on")
        return found

    def _recording_troubles(self) -> list[str]:
        found = []
        if self.recording is not None and self.recording.error:
            found.append(f"the recording stopped: {self.recording.error}")
        if self.spool_error:
            found.append(f"nothing can be explained: {self.spool_error}")
        return found


def _wrongs(tally: Tally) -> Counter[str]:
    """Return what can go wrong with a transaction, counted, in words."""
    return Counter(
        {
            "damaged there": tally.damaged_requests,
            "damaged back": tally.damaged_replies,
            "unanswered": tally.timeouts,
        }
    )
