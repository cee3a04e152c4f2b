"""A pair without physics: whoever is set to the talker's rate and format hears every character.

For stations whose order in time matters while nothing is wrong with the wire: a controller in front
of a supply that the caller plays. Two talks at once are garbled for nobody; who must know what a
collision does takes one of the fidelities.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from operator import attrgetter

from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.talk import Arc, Character, PairLine, Talk


class IdealLine(PairLine):
    """Hands every character to every other station at the instant at which it ends.

    Args:
        plant: its stations; only their settings count.
    """

    def __init__(self, plant: Plant) -> None:
        self._places = plant.stations
        self._waiting: list[list[Character]] = [[] for _ in plant.stations]

    def say(self, talk: Talk) -> None:
        """Let a station talk."""
        settings = talk.settings
        spoken = [
            Character(value, talk.start + settings.characters_ns(number))
            for number, value in enumerate(talk.data, 1)
        ]
        for index, place in enumerate(self._places):
            hears = index != talk.station or place.hears_itself
            if hears and place.settings == settings:
                waiting = self._waiting[index]
                behind = bool(waiting) and waiting[-1].at > spoken[0].at
                waiting += spoken
                if behind:
                    waiting.sort(key=attrgetter("at"))

    def arc(self, at: int, state: Arc) -> None:
        """Take no notice of the arc."""

    def hear(self, station: int, until: int) -> Sequence[Character]:
        """Return what a station was told since it was last asked."""
        waiting = self._waiting[station]
        count = bisect_right(waiting, until, key=attrgetter("at"))
        heard, self._waiting[station] = waiting[:count], waiting[count:]
        return heard
