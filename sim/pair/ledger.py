"""The truth about a line: who said what, and which stations heard it whole.

Job: compare what was sent with what was delivered, character by character. It knows roles by name
only (``request``, ``reply``, ``foreign``), not what a PDU means.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from kerfbus.sim.pair.talk import Character, Talk

WHOLE, DAMAGED, NOTHING = "whole", "damaged", "nothing"
"""How a station heard a talk: every character and no line error; otherwise; no character at all."""


@dataclass(slots=True)
class Spoken:
    """One talk and what became of it.

    Attributes:
        talk: what was said.
        end: of its last stop bit.
        role: ``request`` (of the client), ``reply``, or ``foreign`` (of a second client).
        heard: how each station heard it, by index, once it has been settled; its talker, too, which
            hears nothing unless it has an echo.
    """

    talk: Talk
    end: int
    role: str
    heard: dict[int, str] = field(default_factory=dict)


class Ledger:
    """Takes down talks.

    Args:
        stations: indices of the stations that are asked what they heard.

    Attributes:
        spoken: all talks, in the order in which they were said.
    """

    def __init__(self, stations: Iterable[int]) -> None:
        self.spoken: list[Spoken] = []
        self._recent: dict[int, list[Character]] = {index: [] for index in stations}
        self._open: list[Spoken] = []

    def said(self, talk: Talk, end: int, role: str) -> None:
        """Take down a talk."""
        spoken = Spoken(talk, end, role)
        self.spoken.append(spoken)
        self._open.append(spoken)

    def heard(self, index: int, characters: Sequence[Character]) -> None:
        """Take down what a station heard."""
        recent = self._recent.get(index)
        if recent is not None:
            recent += characters

    def settle(self, now: int) -> None:
        """Judge the talks whose last character everybody must have by `now`."""
        settled = False
        for spoken in self._open:
            talk, size = spoken.talk, len(spoken.talk.data)
            late = (spoken.end - talk.start) // size
            if now <= spoken.end + late:
                continue
            settled = True
            for index, recent in self._recent.items():
                window = [c for c in recent if talk.start < c.at <= spoken.end + late // 2]
                spoken.heard[index] = _judge(talk.data, window)
        if not settled:
            return
        self._open = [each for each in self._open if not each.heard]
        # Only what an open talk may need, or one that is yet to be said, is kept.
        since = min((each.talk.start for each in self._open), default=now)
        for index, recent in self._recent.items():
            if recent and recent[0].at < since:
                self._recent[index] = [each for each in recent if each.at > since]


def _judge(data: bytes, heard: Sequence[Character]) -> str:
    if not heard:
        return NOTHING
    if len(heard) == len(data) and all(
        each.value == value and not each.errors for each, value in zip(heard, data, strict=True)
    ):
        return WHOLE
    return DAMAGED
