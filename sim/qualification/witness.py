"""The witness: writes down each request with its context, and what else happens."""

from __future__ import annotations

from kerfbus.bench.framing import Frame
from kerfbus.sim.qualification.meaning import meaning_of
from kerfbus.sim.qualification.record import Asked, Happened, Record, Stage, What
from kerfbus.sim.qualification.treatment import Treatment
from kerfbus.sim.ratings import Transition
from kerfbus.sim.sequence import ON_WORK
from kerfbus.sim.server import SupplyServer

SETTLED = 3
"""Good replies after the last bad one before a trial goes on."""
MOST_PILED = 500
"""How far back they are looked for."""


class Witness:
    """Writes a record.

    Args:
        record: to be written; the line's facts are in it.
        server: whose supply is watched.

    Attributes:
        record: as given.
        trial: name of the trial now, "" for none.
        stage: of it.
        arc_at: since when the arc has been on the work, None while it is not.
    """

    def __init__(self, record: Record, server: SupplyServer) -> None:
        self.record = record
        self.trial = ""
        self.stage = Stage.WATCH
        self.arc_at: int | None = None
        self._server = server
        self._sent_at: int | None = None
        server.device.supply.watchers.append(self._mode_changed)

    def request(self, frame: Frame, *, piled: bool) -> Asked:
        """Write a request down, before it is obeyed."""
        record, device, now = self.record, self._server.device, frame.at
        length = record.settings.characters_ns(len(frame.data)) if record.paced else 0
        asked = Asked(
            len(record.asked),
            now,
            frame.data,
            meaning_of(frame.data[1:-2], device.map),
            self.trial,
            self.stage,
            device.supply.mode,
            int(device.supply.fault),
            gap_ns=None if self._sent_at is None else now - length - self._sent_at,
            piled=piled,
        )
        record.asked.append(asked)
        self._sent_at = None
        return asked

    def answered(
        self, asked: Asked, treatment: Treatment, *, baited: bool = False, refused: int = 0
    ) -> None:
        """Complete a request with what became of its reply."""
        self.record.asked[asked.number] = asked._replace(
            treatment=treatment, baited=baited, refused=refused
        )

    def sent(self, at: int) -> None:
        """Take note of the end of the last character that was sent."""
        self._sent_at = at

    def happened(self, now: int, what: What, detail: str = "") -> None:
        """Write down something besides a request."""
        self.record.happened.append(Happened(now, what, self.trial, detail))

    def _mode_changed(self, change: Transition) -> None:
        self.happened(change.at, What.MODE, change.after.name)
        if change.after not in ON_WORK:
            self.arc_at = None
        elif self.arc_at is None:
            self.arc_at = change.at

    # --- what the controller has been told -------------------------------------------------------

    def told_since(self, at: int) -> int:
        """Return how many reads have had their good reply since an instant."""
        told = 0
        for each in reversed(self.record.asked):
            if each.at < at:
                break
            good = not each.piled and each.treatment is Treatment.NONE
            told += good and bool(each.meaning.reads)
        return told

    @property
    def settled(self) -> bool:
        """Return whether some good replies have come since the last bad one."""
        last = [each for each in self.record.asked[-MOST_PILED:] if not each.piled][-SETTLED:]
        return len(last) == SETTLED and all(each.treatment is Treatment.NONE for each in last)
