"""The table where somebody else is the controller: its torch follows the contact "arc transferred".

For controllers that talk to the simulated supply from outside. The torch waits at pierce height;
when the contact closes it waits the pierce delay and cuts; at the end of the cut it stands and the
arc burns on until the controller stops it; when the contact opens it goes to the next cut.
"""

from __future__ import annotations

from functools import partial

from kerfbus.sim.ratings import Transition
from kerfbus.sim.scenario.agenda import Agenda
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import Program
from kerfbus.sim.scenario.torch import Torch
from kerfbus.sim.sequence import ON_WORK


class FollowingTable:
    """Moves a torch by the contact "arc transferred".

    Args:
        place: the supply whose contact it is.
        torch: to move.
        program: the cuts, again and again.
        agenda: takes what the torch will do.
    """

    def __init__(self, place: Place, torch: Torch, program: Program, agenda: Agenda) -> None:
        self._torch = torch
        self._cuts = program.cuts
        self._agenda = agenda
        self._index = 0
        self._closed = 0
        place.supply.watchers.append(self._moved)

    def begin(self, at: int) -> None:
        """Put the torch over the first cut."""
        self._torch.wait(at, self._cuts[0])

    def _moved(self, transition: Transition) -> None:
        # Acts of the agenda, because the supply is in the midst of moving here.
        at, before, _, after = transition
        if after in ON_WORK and before not in ON_WORK:
            self._closed += 1
            delay = self._cuts[self._index].pierce_delay_ns
            self._agenda.put(at + delay, partial(self._go, self._closed))
        elif before in ON_WORK and after not in ON_WORK:
            self._closed += 1
            self._agenda.put(at, self._next)

    def _go(self, closed: int, now: int) -> None:
        if closed == self._closed:
            self._torch.go(now, self._cuts[self._index])

    def _next(self, now: int) -> None:
        self._torch.halt(now)
        self._index = (self._index + 1) % len(self._cuts)
        self._torch.wait(now, self._cuts[self._index])
