"""The host behind a UART: what it fetches too late is lost, and the next character says so."""

from __future__ import annotations

from kerfbus.bench.transport import LineEventKind
from kerfbus.sim.pair.plant import Host
from kerfbus.sim.pair.talk import Character


class Fetching:
    """What a host gets of a UART's characters, one after the other.

    A character that arrives while the UART is full is lost; the first one behind it that is not
    bears OVERRUN.

    Args:
        host: how much the UART keeps and when the host comes; None loses nothing.
    """

    def __init__(self, host: Host | None) -> None:
        self._host = host
        self._visit = 0
        self._kept = 0
        self._lost = False

    def take(self, character: Character) -> Character | None:
        """Return the character as the host will get it, None when it is lost.

        Its instant is still that of its arrival. Instants must not fall.
        """
        if self._host is None:
            return character
        visit = character.at // self._host.fetch_ns
        if visit != self._visit:
            self._visit, self._kept = visit, 0
        if self._kept == self._host.depth:
            self._lost = True
            return None
        self._kept += 1
        if not self._lost:
            return character
        self._lost = False
        return character._replace(errors=(*character.errors, LineEventKind.OVERRUN))
