"""What one station's receiver puts out at its sampling instants, for the bit-level line.

Levels are taken as settled: no rise time, no reflections. At each instant there is a steady
differential voltage (from `kerfbus.sim.pair.levels`, for whoever drives then), the disturbances of
that instant, and white noise that is independent from sample to sample; the comparator knows its
two thresholds and keeps its output between them. So the chance to mishear a sample is
Q(margin / sigma), and a majority of three mishears with 3 q^2 - 2 q^3.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbus.sim.pair.clocks import TickClock
from kerfbus.sim.pair.episodes import Episode, Kind
from kerfbus.sim.pair.farnoise import FarNoise, limit
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.noise import Disturbances
from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.talk import Talk
from kerfbus.sim.pair.uart import levels
from kerfbus.sim.pair.whitenoise import REACH, noise_key

Instants = NDArray[np.int64]
Volts = NDArray[np.float64]
DRIFT_REACH = 6.0
"""Drift is taken to stay within so many of its standard deviations where time is skipped."""
_DRIFT_STEP = 64  # samples; it takes 50 ms to wander anywhere
_NS_PPM = 1e15
_FEW_CODES = 4096
"""So many states of all drivers are looked up in a table, more are sorted."""


class Said(NamedTuple):
    """A talk as it arrives at one listener, all instants later by the way along the cable.

    Attributes:
        talk: what was said.
        begin, end: its driver is on from `begin` up to, not including, `end`.
        start: of the first start bit.
        rate: the sender's true bits a nanosecond.
        bits: levels, a byte each.
    """

    talk: Talk
    begin: int
    end: int
    start: int
    rate: float
    bits: NDArray[np.uint8]

    def add_state(self, at: Instants, codes: NDArray[np.int64], weight: int) -> None:
        """Add to `codes` nothing where the driver is off, `weight` for space, twice it for mark."""
        begin, end = at.searchsorted((self.begin, self.end))
        codes[begin:end] += 2 * weight
        # Before the first bit and behind the last it sends mark.
        place = np.floor((at[begin:end] - self.start) * self.rate).astype(np.int64)
        first, last = place.searchsorted((0, len(self.bits)))
        space = self.bits[place[first:last]] == 0
        codes[begin + first : begin + last][space] -= weight


def _swing(told: list[Episode]) -> float:
    """Return by how much all that shifts the common mode may shift it, V."""
    return sum(abs(each.volts) for each in told if each.kind in (Kind.COMMON, Kind.HUM))


class Comparator:
    """A station's receiver up to its output.

    Args:
        plant: what stands on the table.
        station: index of the listener.
        disturbances: None for a pair without any noise.
        clock: when it is sampled.
    """

    def __init__(
        self, plant: Plant, station: int, disturbances: Disturbances | None, clock: TickClock
    ) -> None:
        place = plant.stations[station]
        self._plant, self._station, self._noise = plant, station, disturbances
        self._clock = clock
        self._levels = Levels(plant), Levels(plant, opened=True)
        self._low, self._high = place.receiver.low, place.receiver.high
        self._range = place.receiver.common_low, place.receiver.common_high
        self._sigma = disturbances.sigma if disturbances else 0.0
        self._drift = disturbances.plan.drift.volts if disturbances else 0.0
        seed = disturbances.seed if disturbances else 0
        self._far = FarNoise(noise_key(seed, f"listener {station}"))
        self._held = True
        self._clear: dict[int, float] = {}
        self._silence = [each.seen(station, {}) for each in self._levels]

    def arrive(self, talk: Talk) -> Said:
        """Return a talk as it arrives here.

        Raises:
            UsageError: the talker has no driver.
        """
        sender, here = self._plant.stations[talk.station], self._plant.stations[self._station]
        self._levels[0].seen(self._station, {talk.station: True})
        assert sender.driver is not None
        way = round(abs(sender.metres - here.metres) / self._plant.cable.metres_per_ns)
        return Said(
            talk=talk,
            begin=talk.enable_at + way + round(sender.driver.enable_ns),
            end=talk.release_at + way + round(sender.driver.release_ns),
            start=talk.start + way,
            rate=talk.settings.baud * (1_000_000 + round(sender.clock_ppm)) / _NS_PPM,
            bits=np.frombuffer(levels(talk.data, talk.settings), np.uint8),
        )

    def quiet_until(self, begin: int, end: int) -> int:
        """Return up to which instant, at most `end`, an undriven pair surely reads as mark.

        Asked behind a sample that did.
        """
        told = self._noise.episodes(begin, end) if self._noise is not None else []
        swing = _swing(told)
        reach = self._idle_margin(opened=False, swing=swing)
        for each in told:  # in order of their beginning
            slow = each.kind in (Kind.COMMON, Kind.HUM)
            if each.kind is Kind.OPEN:
                reach = min(reach, self._idle_margin(opened=True, swing=swing))
            if not slow and each.kind is not Kind.OPEN:
                end = max(each.begin, begin)
                break
        return self._calm_until(begin, end, reach)

    def _calm_until(self, begin: int, end: int, margin: float) -> int:
        """Return up to which instant, at most `end`, drift stays within a margin."""
        if margin <= 0.0:
            return begin
        if self._noise is None or margin > DRIFT_REACH * self._drift:
            return end
        step = self._noise.plan.drift.knot_ns
        held = round(_DRIFT_STEP * self._clock.tick_ns) + 1  # so old may be what is known of it
        while begin < end:  # between knots it goes straight from one to the other
            knot = begin - begin % step
            ends = (knot, knot + step, begin - held)
            if min(self._noise.drift(each) for each in ends) <= -margin:
                return begin
            begin = min(knot + step, end)
        return end

    def own(self, said: Said) -> bool:
        """Return whether the station says this itself and is deaf to it."""
        own = said.talk.station == self._station
        return own and not self._plant.stations[self._station].hears_itself

    def surely(self, said: Said, begin: int) -> bool:
        """Return whether a talk that is alone on the pair from `begin` on cannot be misheard."""
        if self.own(said):
            return True
        told = self._noise.episodes(begin, said.end) if self._noise is not None else []
        if any(each.kind not in (Kind.COMMON, Kind.HUM) for each in told):
            return False
        talker = said.talk.station
        if talker not in self._clear:
            self._clear[talker] = self._bears(talker)
        return _swing(told) < self._clear[talker]

    def rest(self) -> None:
        """Take note that the last output was mark."""
        self._held = True

    def _bears(self, talker: int) -> float:
        """Return below which swing of the common mode a lone talker is heard without fail, V.

        0 where its levels are not clear of the thresholds by all that the noise reaches.
        """
        mark, space = (
            self._levels[0].seen(self._station, {talker: each}) for each in (True, False)
        )
        reach = REACH * self._sigma
        if mark.volts - reach <= self._high or space.volts + reach >= self._low:
            return 0.0
        low, high = self._range
        return max(min(min(high - each.common, each.common - low) for each in (mark, space)), 0.0)

    def outputs(self, first: int, count: int, said: list[Said]) -> NDArray[np.uint8]:
        """Return the outputs at `count` samples from number `first` on: 1 for mark.

        Stretches come in order of time; between two of them the pair may have been surely mark.

        Args:
            first: number of the first sample.
            count: at most LONGEST_PIECE.
            said: all talks that touch this stretch.
        """
        at = self._clock.instants(first, count)
        told: list[Episode] = []
        if self._noise is not None:
            told = self._noise.episodes(int(at[0]), int(at[-1]) + 1)
        volts, common, undriven = self._settled(at, said, told)
        if self._drift and undriven.any():
            volts = volts + np.where(undriven, self._drifted(first, count), 0.0)
        sigma = self._disturb(at, told, volts, common)
        outputs = self._compare(volts, sigma, first)
        outputs[(common < self._range[0]) | (common > self._range[1])] = True
        if not self._plant.stations[self._station].hears_itself:
            for own in (each for each in said if each.talk.station == self._station):
                outputs[(at >= own.begin) & (at < own.end)] = True
        self._held = bool(outputs[-1])
        return outputs.view(np.uint8)

    def _idle_margin(self, *, opened: bool, swing: float) -> float:
        """Return by how much drift may lower an undriven pair that reads as mark, V."""
        volts, common = self._silence[opened]
        if not self._range[0] <= common - swing <= common + swing <= self._range[1]:
            return 0.0
        return volts - REACH * self._sigma - self._low

    def _settled(
        self, at: Instants, said: list[Said], told: list[Episode]
    ) -> tuple[Volts, Volts, NDArray[np.bool_]]:
        """Return steady volts, common mode, and where nobody drives."""
        codes = np.zeros(len(at), np.int64)
        weight = 2
        for each in said:
            each.add_state(at, codes, weight)
            weight *= 3
        undriven = codes == 0
        for episode in told:
            if episode.kind is Kind.OPEN:
                codes[(at >= episode.begin) & (at < episode.end)] |= 1
        if weight <= _FEW_CODES:
            where, different = codes, np.flatnonzero(np.bincount(codes, minlength=weight))
        else:
            different, where = np.unique(codes, return_inverse=True)
        seen = np.zeros((2, weight if where is codes else len(different)))
        for place, code in enumerate(different.tolist()):
            seen[:, code if where is codes else place] = self._seen(code, said)
        return seen[0][where], seen[1][where], undriven

    def _seen(self, code: int, said: list[Said]) -> tuple[float, float]:
        """Return volts and common mode for one state of all drivers."""
        code, opened = divmod(code, 2)
        driving: dict[int, bool] = {}
        for each in said:
            code, state = divmod(code, 3)
            if state:
                driving[each.talk.station] = state == 2
        return self._levels[opened].seen(self._station, driving)

    def _drifted(self, first: int, count: int) -> Volts:
        """Return the drift, known anew at every 64th sample of all, whatever the stretch."""
        assert self._noise is not None
        begin, end = first // _DRIFT_STEP, (first + count - 1) // _DRIFT_STEP + 1
        known = [
            self._noise.drift(self._clock.at(each * _DRIFT_STEP)) for each in range(begin, end)
        ]
        skipped = first - begin * _DRIFT_STEP
        return np.repeat(np.array(known), _DRIFT_STEP)[skipped : skipped + count]

    def _disturb(
        self, at: Instants, told: list[Episode], volts: Volts, common: Volts
    ) -> Volts | float:
        """Add episodes to volts and common mode, and return the noise, V rms."""
        square = np.full(len(at), self._sigma**2) if told else None
        for each in told:
            begin, end = (int(found) for found in np.searchsorted(at, (each.begin, each.end)))
            since = (at[begin:end] - each.begin).astype(np.float64)
            turn = since * (2e-9 * np.pi * each.hertz)
            if each.kind is Kind.SIGMA and square is not None:
                square[begin:end] += each.volts**2
            elif each.kind is Kind.RING:
                volts[begin:end] += each.volts * np.exp(-since / each.decay_ns) * np.cos(turn)
            elif each.kind is Kind.COMMON:
                common[begin:end] += each.volts
            elif each.kind is Kind.HUM:
                common[begin:end] += each.volts * np.sin(turn)
        return self._sigma if square is None else np.asarray(np.sqrt(square), np.float64)

    def _compare(self, volts: Volts, sigma: Volts | float, first: int) -> NDArray[np.bool_]:
        """Return the outputs of the comparator with its two thresholds."""
        if np.any(sigma):
            spare = np.maximum(volts - self._high, self._low - volts)
            with np.errstate(divide="ignore", invalid="ignore"):
                sigmas = float(np.nanmin(spare / sigma))
            far = np.zeros(len(volts), np.bool_)
            self._far.mark(first, np.uint64(limit(sigmas)), far)
            places = np.flatnonzero(far)
            each = sigma if isinstance(sigma, float) else sigma[places]
            volts[places] += each * self._far.values(first, places)
        up, down = volts > self._high, volts < self._low
        decided = up | down
        if decided.all():
            return up
        last = np.maximum.accumulate(np.where(decided, np.arange(len(volts)), -1))
        return np.where(last < 0, self._held, up[last])
