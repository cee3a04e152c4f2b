"""An adapter between a UART and a program: it hands over lumps, late.

It collects characters and hands them over when the oldest has waited for its latency or when its
buffer is full; the host takes them a moment later, and now and then much later (a stall). So the
stamps are those of the read, and a stall inside a frame looks like a gap in it. All figures are
invented but for the buffer of 62 characters, which common adapters have (domain knowledge, 7).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kerfbus.bench.transport import Chunk
from kerfbus.sim.pair.bursts import NEVER, chunk_of
from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.talk import Character

BUFFER = 62


@dataclass(frozen=True, slots=True)
class Lumps:
    """How an adapter and its host deliver.

    Attributes:
        latency_ns: the oldest character waits so long at most.
        moment_ns: mean of the host's usual delay (exponential, cut at ten times that).
        stall_share: share of the deliveries that a stall delays, 0 to 1.
        stall_ns: mean of a stall (exponential, cut at five times that).
    """

    latency_ns: int = 4_000_000
    moment_ns: int = 100_000
    stall_share: float = 0.0
    stall_ns: int = 0

    @property
    def believed_ns(self) -> int:
        """Return the longest delay that is believed: stalls are what nobody believes."""
        return self.latency_ns + 10 * self.moment_ns


class Adapter:
    """Delivers characters in lumps.

    Args:
        lumps: how.
        seed: of all chance, together with `name`.
        name: of the station.
    """

    def __init__(self, lumps: Lumps, seed: int, name: str) -> None:
        self._lumps = lumps
        self._chance = dice(seed, f"adapter {name}", 0)
        self._held: list[Character] = []
        self._ready: list[Chunk] = []
        self._last = 0

    @property
    def deadline(self) -> int:
        """Return when something is delivered next, `NEVER` while nothing is under way."""
        due = self._ready[0].at if self._ready else NEVER
        return min(due, self._held[0].at + self._lumps.latency_ns) if self._held else due

    def take(self, heard: Sequence[Character], until: int) -> list[Chunk]:
        """Take characters and return what is delivered up to `until`."""
        latency = self._lumps.latency_ns
        for each in heard:
            held = self._held
            if held and each.at > held[0].at + latency:
                self._hand_over(held[0].at + latency)
            self._held.append(each)
            if len(self._held) >= BUFFER:
                self._hand_over(each.at)
        if self._held and until >= self._held[0].at + latency:
            self._hand_over(self._held[0].at + latency)
        count = sum(chunk.at <= until for chunk in self._ready)
        done, self._ready = self._ready[:count], self._ready[count:]
        return done

    def flush(self) -> list[Chunk]:
        """Return all that is under way, as at the end of a recording."""
        if self._held:
            self._hand_over(self._held[-1].at)
        done, self._ready = self._ready, []
        return done

    def _hand_over(self, at: int) -> None:
        lumps, chance = self._lumps, self._chance
        late = min(chance.expovariate(1.0), 10.0) * lumps.moment_ns
        if chance.random() < lumps.stall_share:
            late += min(chance.expovariate(1.0), 5.0) * lumps.stall_ns
        # The host reads in order: what comes behind a stall waits for it, and is read with it.
        self._last = max(self._last, at + round(late))
        whole = chunk_of(self._held)
        if self._ready and self._ready[-1].at == self._last:
            before = self._ready.pop()
            size = len(before.data)
            moved = tuple(each._replace(position=each.position + size) for each in whole.errors)
            whole = Chunk(before.data + whole.data, self._last, before.errors + moved)
        self._ready.append(whole._replace(at=self._last))
        self._held = []
