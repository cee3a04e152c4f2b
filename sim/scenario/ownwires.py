"""Controllers that reach their supplies by wires of their own, beside the line that is looked at.

So that arcs burn while somebody else is the client on the line: what a person sees who polls a
supply with a laptop while the machine's controller cuts.
"""

from __future__ import annotations

from kerfbus.bench import wire
from kerfbus.sim.scenario.agenda import NEVER, Agenda
from kerfbus.sim.scenario.desk import Desk

ANSWER_NS = 2_000_000
"""From a question to its answer on those wires (invented)."""


class OwnWires:
    """Lets controllers ask and hear at instants of the agenda.

    Args:
        desk: the controllers, which have not begun.
        agenda: takes what they will do.
    """

    def __init__(self, desk: Desk, agenda: Agenda) -> None:
        self._desk = desk
        self._agenda = agenda

    def begin(self, at: int) -> None:
        """Let all of them begin."""
        self._desk.begin(at)
        self._put(at)

    def _put(self, now: int) -> None:
        turn = self._desk.first()
        # They never rest for long: each polls. An act of the world may bring one forward.
        due = NEVER if turn is None else max(turn.at, now)
        self._agenda.put(min(due, now + 10 * ANSWER_NS), self._look)

    def _look(self, now: int) -> None:
        turn = self._desk.first()
        if turn is None or turn.at > now:
            self._put(now)
            return
        request = turn.controller.ask(now)
        place = self._desk.place_of(turn.controller)
        reply = wire.parse_reply(place.server.handle_tcp(wire.build(request), now))

        def answered(at: int) -> None:
            turn.controller.hear(reply, at)
            self._put(at)

        self._agenda.put(now + ANSWER_NS, answered)
