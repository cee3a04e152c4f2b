"""`BitLine`: the fast fidelity of a pair, for long runs.

It looks at the pair only when a receiver's UART does, 16 times a bit, and takes levels as settled
(`kerfbus.sim.pair.comparator`); the sampled line knows what a level does on its way there. Silences
that surely read as mark are passed over.
"""

from __future__ import annotations

from collections.abc import Sequence

from kerfbus.bench.line import NS
from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.clocks import LONGEST_PIECE, TickClock
from kerfbus.sim.pair.comparator import Comparator, Said
from kerfbus.sim.pair.fetching import Fetching
from kerfbus.sim.pair.noise import Disturbances
from kerfbus.sim.pair.plainly import Spoken, heard_plainly
from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.talk import Arc, Character, PairLine, Talk
from kerfbus.sim.pair.uart import OVERSAMPLING, UartReceiver, form_of


class _Ear:
    """A station that listens.

    Args:
        plant: what stands on the table.
        station: its index.
        disturbances: None for a pair without any noise.
    """

    def __init__(self, plant: Plant, station: int, disturbances: Disturbances | None) -> None:
        place = plant.stations[station]
        rate = place.settings.baud * OVERSAMPLING
        seed = disturbances.seed if disturbances else 0
        # Sampling begins somewhere within a tick: no two UARTs are in step.
        phase = dice(seed, f"phase of {station}", 0).random()
        self._clock = TickClock(rate, place.clock_ppm, round(phase * NS / rate))
        self._uart = UartReceiver(place.settings)
        self._comparator = Comparator(plant, station, disturbances, self._clock)
        self._fetching = Fetching(place.host)
        self._form = form_of(place.settings)
        self._said: list[Said] = []
        self._ready: list[Character] = []

    def note(self, talk: Talk) -> None:
        """Take note of a talk."""
        self._said.append(self._comparator.arrive(talk))

    def hear(self, until: int) -> list[Character]:
        """Return what was delivered up to an instant since the last time."""
        last = self._clock.last(until)
        while (first := self._uart.position) <= last:
            resting = self._uart.resting
            if not (resting and (self._skip(first, last) or self._plainly(first, last))):
                self._listen(first, min(last + 1 - first, LONGEST_PIECE))
        count = 0
        while count < len(self._ready) and self._ready[count].at <= until:
            count += 1
        heard = self._ready[:count]
        del self._ready[:count]
        return heard

    def _skip(self, first: int, last: int) -> bool:
        """Pass over samples that surely are mark; return whether there were any."""
        begin, end = self._clock.at(first), self._clock.at(last) + 1
        end = min([end, *(each.begin for each in self._said if each.end > begin)])
        if end <= begin:
            return False
        count = self._clock.last(self._comparator.quiet_until(begin, end) - 1) + 1 - first
        if count <= 0:
            return False
        self._uart.skip(count)
        return True

    def _plainly(self, first: int, last: int) -> bool:
        """Hear a whole talk that cannot be misheard; return whether there was one."""
        begin, until = self._clock.at(first), self._clock.at(last)
        self._said = [each for each in self._said if each.end > begin]
        now = [each for each in self._said if each.begin <= begin]
        if len(now) != 1 or now[0].end > until or now[0].start < begin:
            return False
        said = now[0]
        if any(each is not said and each.begin < said.end for each in self._said):
            return False
        if not self._comparator.surely(said, begin):
            return False
        if not self._comparator.own(said):
            spoken = Spoken(said.talk, said.start, said.end, said.rate)
            heard = heard_plainly(spoken, self._clock, self._form)
            if heard is None:
                return False
            for value, end in heard:
                self._deliver(Character(value, self._clock.at(end)))
        self._uart.skip(self._clock.last(said.end - 1) + 1 - first)
        self._comparator.rest()
        return True

    def _deliver(self, heard: Character) -> None:
        fetched = self._fetching.take(heard)
        if fetched is not None:
            self._ready.append(fetched)

    def _listen(self, first: int, count: int) -> None:
        """Sample a stretch and let the UART have it."""
        begin, end = self._clock.at(first), self._clock.at(first + count - 1)
        # A talk that begins in this stretch may be one that needs no sampling.
        coming = [each.begin for each in self._said if begin < each.begin <= end]
        if coming:
            count = max(self._clock.last(min(coming)) + 1 - first, 1)
            end = self._clock.at(first + count - 1)
        if self._said and self._said[0].end <= begin:
            self._said = [each for each in self._said if each.end > begin]
        talking = [each for each in self._said if each.begin <= end and each.end > begin]
        outputs = self._comparator.outputs(first, count, talking)
        for each in self._uart.feed(outputs.tobytes()):
            self._deliver(Character(each.value, self._clock.at(each.end), each.errors))


class BitLine(PairLine):
    """A pair with its stations, bit by bit.

    Args:
        plant: what stands on the table.
        disturbances: what disturbs it, with the seed of all chance; None for nothing at all.
    """

    def __init__(self, plant: Plant, disturbances: Disturbances | None = None) -> None:
        self.plant = plant
        self._disturbances = disturbances
        self._ears = [_Ear(plant, each, disturbances) for each in range(len(plant.stations))]

    def say(self, talk: Talk) -> None:
        """Let a station talk; talks may overlap. Told before anybody hears past its `enable_at`.

        Raises:
            UsageError: the station has no driver.
        """
        for ear in self._ears:
            ear.note(talk)

    def arc(self, at: int, state: Arc) -> None:
        """Note that the arc is in `state` from `at` on. Told before anybody hears past `at`."""
        if self._disturbances is not None:
            self._disturbances.arc(at, state)

    def hear(self, station: int, until: int) -> Sequence[Character]:
        """Return what a station's receiver delivered with ``at <= until`` since it was last asked.

        `kerfbus.sim.pair.talk.PairLine.hear` says what holds.
        """
        return self._ears[station].hear(until)
