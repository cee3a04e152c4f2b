"""From characters as a UART delivers them to bursts: characters without an idle gap between them.

A burst ends where the line stays idle for more than half a character (capture format, version 1,
time stamps). Which burst a character belongs to does not depend on how hearing was cut into calls.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk
from kerfbus.sim.pair.talk import Character

NEVER = 1 << 63
LONGEST = 4096
"""Longer bursts are cut, so that babble without end is delivered at all (chosen)."""


def chunk_of(characters: Sequence[Character]) -> Chunk:
    """Return characters as one chunk; at least one."""
    errors = tuple(
        CharacterError(position, kind)
        for position, each in enumerate(characters)
        if each[2]
        for kind in each[2]
    )
    return Chunk(bytes([each[0] for each in characters]), characters[-1][1], errors)


class Bursts:
    """Puts characters together.

    Args:
        settings: rate and format of whoever hears.
    """

    def __init__(self, settings: LineSettings) -> None:
        # From one stop bit to the next, with the idle time that a burst may hold.
        self._step = settings.characters_ns(3) // 2
        self._held: list[Character] = []

    @property
    def deadline(self) -> int:
        """Return when what is held back is certain to be whole, `NEVER` without any."""
        return self._held[-1].at + self._step + 1 if self._held else NEVER

    def take(self, heard: Sequence[Character], until: int) -> list[Chunk]:
        """Return the bursts that end before what was heard up to `until`."""
        done: list[Chunk] = []
        held, step = self._held, self._step
        for each in heard:
            if held and (each.at - held[-1].at > step or len(held) >= LONGEST):
                done.append(chunk_of(held))
                held = []
            held.append(each)
        if held and until - held[-1].at > step:
            done.append(chunk_of(held))
            held = []
        self._held = held
        return done

    def flush(self) -> list[Chunk]:
        """Return what is held back, as at the end of a recording."""
        held, self._held = self._held, []
        return [chunk_of(held)] if held else []


def cut(heard: Sequence[Character], step: int) -> Iterator[Chunk]:
    """Yield characters in chunks, for a framer: it puts together what belongs together.

    Args:
        heard: in order; may be none.
        step: longest time from one stop bit to the next within a chunk.
    """
    begin = 0
    for index in range(1, len(heard)):
        if heard[index][1] - heard[index - 1][1] > step:
            yield chunk_of(heard[begin:index])
            begin = index
    if heard:
        yield chunk_of(heard[begin:] if begin else heard)
