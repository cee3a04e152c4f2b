"""What one station's receiver puts out at its sampling instants, for the sampled line.

Volts between the conductors are those of all level changes, each on its way as the lattice has it
(`kerfbus.sim.pair.reflections`) to where it settles (`kerfbus.sim.pair.levels`), with ringing,
drift and white noise on top; the comparator has two thresholds and keeps its output between them.

Every sample is decided as if all that were computed for each; it is computed only where it can
matter. A sample is *firm* when what is left of the changes before it is less than a quarter of what
its level has to spare, and nothing but white noise is on top: it is what its level says, unless its
noise reaches over the other three quarters, which the first hash of the noise excludes for most
(`kerfbus.sim.pair.farnoise`). All others are computed in full, and those whose noise may reach.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbus.sim.pair.changes import Changes, Integers, Stretch, driving
from kerfbus.sim.pair.clocks import TickClock
from kerfbus.sim.pair.episodes import Episode, Kind
from kerfbus.sim.pair.farnoise import EVERY, FarNoise, limit
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.noise import Disturbances
from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.reflections import Change, Reflections, Response
from kerfbus.sim.pair.tails import CONTACT, FIRM, TAIL_NS, Tails, with_contact
from kerfbus.sim.pair.whitenoise import REACH, noise_key

Volts = NDArray[np.float64]
Flags = NDArray[np.bool_]
MOST_SAMPLES = 131_072
"""At once. `TickClock` reckons with fewer ticks for odd rates, but these are 16 times a rate."""
DRIFT_REACH = 6.0
"""Drift is taken to stay within so many of its standard deviations where it is not looked at."""
_DRIFT_STEP = 64  # samples; it takes 50 ms to wander anywhere
_FEW = limit(2.5)
_AT_ONCE = Response(1.0, np.ones(1))


class Level(NamedTuple):
    """A state of the pair as this receiver has it when settled.

    Attributes:
        volts, common: at its inputs.
        output: 1 or 0 where that alone decides; -1 between the thresholds.
        spare: volts to the threshold up to which it decides.
        off: the receiver is off, and says mark.
        undriven: nobody drives.
    """

    volts: float
    common: float
    output: int
    spare: float
    off: bool
    undriven: bool


class _Scene(NamedTuple):
    """A stretch of samples with all that happens in it.

    A part is what lies between two changes; part 0 is before the first. Each part is in one state
    of the pair, and the table of different states is short.

    Attributes:
        first, size: number of the first sample, and how many.
        stretch: the changes before and in it, its codes doubled, plus 1 while the pair is open.
        starts: first sample of each part, within the stretch of samples, shape (parts,).
        lengths: samples of each part, shape (parts,).
        states: codes of the different states, rising, shape (states,).
        where: index of each part's state, shape (parts,).
        levels: of each state.
        limits: hash below which noise may decide otherwise, of each state, shape (states,).
        told: episodes.
    """

    first: int
    size: int
    stretch: Stretch
    starts: Integers
    lengths: Integers
    states: Integers
    where: Integers
    levels: list[Level]
    limits: NDArray[np.uint64]
    told: list[Episode]

    def of_states(self, name: str) -> NDArray[Any]:
        """Return an attribute of `Level`, of each state."""
        return np.array([getattr(each, name) for each in self.levels])


class FrontEnd:
    """A station's receiver up to its output.

    Args:
        plant: what stands on the table.
        station: index of the listener.
        disturbances: None for a pair without any noise.
        changes: what drivers do.
        clock: when it is sampled.
    """

    def __init__(
        self,
        plant: Plant,
        station: int,
        disturbances: Disturbances | None,
        changes: Changes,
        clock: TickClock,
    ) -> None:
        place = plant.stations[station]
        self._plant, self._station, self._disturbances = plant, station, disturbances
        self._place, self._changes, self._clock = place, changes, clock
        self._both = Levels(plant), Levels(plant, opened=True)
        self._reflections = Reflections(plant)
        self._sigma = disturbances.sigma if disturbances else 0.0
        self._drift = disturbances.plan.drift.volts if disturbances else 0.0
        seed = disturbances.seed if disturbances else 0
        self._noise = FarNoise(noise_key(seed, f"listener {station}"))
        self._known: dict[int, Level] = {}
        self._responses: dict[tuple[int, int], Response] = {}
        self._held = 1

    def quiet_until(self, begin: int, end: int) -> int:
        """Return up to which instant, at most `end`, an undriven pair surely reads as mark."""
        until = self._changes.first(begin - TAIL_NS, end)
        if until <= begin or not self._surely_mark(0, 0.0):
            return begin
        if self._disturbances is None:
            return until
        told = self._disturbances.episodes(begin, until)
        swing = sum(abs(each.volts) for each in told if each.kind in (Kind.COMMON, Kind.HUM))
        steady = self._surely_mark(0, swing)
        for each in told:  # in order of their beginning
            harmless = each.kind in (Kind.COMMON, Kind.HUM) and steady
            if not harmless:
                return max(each.begin, begin)
        return until

    def outputs(self, first: int, count: int) -> NDArray[np.uint8]:
        """Return the outputs at `count` samples from number `first` on: 1 for mark.

        Stretches come in order of time; between two of them the pair may have been surely mark.
        At most MOST_SAMPLES samples.
        """
        scene = self._scene(first, count)
        outputs = scene.of_states("output").astype(np.int8)
        found = np.repeat(outputs[scene.where], scene.lengths)
        deaf = self._deaf(scene)
        if deaf is not None:
            found[deaf] = 1
        self._decide(scene, found, deaf)
        self._held = int(found[-1])
        return found.view(np.uint8)

    def _surely_mark(self, code: int, swing: float) -> bool:
        level = self._level(code)
        reach = REACH * self._sigma + DRIFT_REACH * self._drift
        receiver = self._place.receiver
        low, high = level.common - swing, level.common + swing
        return (
            level.output == 1
            and level.spare > reach
            and (receiver.common_low <= low <= high <= receiver.common_high)
        )

    def _scene(self, first: int, count: int) -> _Scene:
        """Gather what happens in a stretch of samples."""
        begin, last = self._clock.at(first), self._clock.at(first + count - 1)
        since = begin - TAIL_NS
        told = [] if self._disturbances is None else self._disturbances.episodes(since, last + 1)
        stretch = with_contact(self._changes.stretch(since, last + 1), told)
        starts = np.concatenate(([0], self._samples_at(stretch.at, first, count)))
        states, where = np.unique(stretch.codes, return_inverse=True)
        known = [self._level(int(code)) for code in states]
        return _Scene(
            first=first,
            size=count,
            stretch=stretch,
            starts=starts,
            lengths=np.diff(starts, append=count),
            states=states,
            where=where,
            levels=known,
            limits=np.array([self._limit(each) for each in known], np.uint64),
            told=told,
        )

    def _samples_at(self, at: Integers, first: int, count: int) -> Integers:
        """Return the first sample that is not before each instant, at most `count`."""
        # An instant is cut to a nanosecond, a tick is hundreds: this guess is right or one short.
        since = (at - self._clock.at(first)) / self._clock.tick_ns - 0.01
        found = np.clip(np.ceil(since).astype(np.int64), 0, count)
        found += (self._clock.some(first, found) < at) & (found < count)
        return found

    def _level(self, code: int) -> Level:
        """Return a state of the pair as this receiver has it."""
        if code not in self._known:
            state, opened = divmod(code, 2)
            on = driving(state, len(self._plant.stations))
            seen = self._both[opened].seen(self._station, on)
            receiver = self._place.receiver
            above, below = seen.volts - receiver.high, receiver.low - seen.volts
            self._known[code] = Level(
                volts=seen.volts,
                common=seen.common,
                output=1 if above > 0 else 0 if below > 0 else -1,
                spare=max(above, below),
                off=self._station in on and not self._place.hears_itself,
                undriven=not on,
            )
        return self._known[code]

    def _limit(self, level: Level) -> int:
        """Return the hash below which the noise of a settled sample must be known."""
        wander = DRIFT_REACH * self._drift if level.undriven else 0.0
        for_noise = FIRM * level.spare - wander
        if level.output < 0 or for_noise <= 0:
            return EVERY
        return limit(for_noise / self._sigma) if self._sigma else 0

    def _deaf(self, scene: _Scene) -> Flags | None:
        """Return at which samples the receiver is off or deaf; None for nowhere."""
        swings = [each for each in scene.told if each.kind in (Kind.COMMON, Kind.HUM)]
        reach = sum(abs(each.volts) for each in swings)
        receiver, common = self._place.receiver, scene.of_states("common")
        off = scene.of_states("off")
        if (
            not off.any()
            and common.min() - reach >= receiver.common_low
            and common.max() + reach <= receiver.common_high
        ):
            return None
        each_common = np.repeat(common[scene.where], scene.lengths)
        if swings:
            at = self._clock.instants(scene.first, scene.size)
            for each in swings:
                span = slice(*np.searchsorted(at, (each.begin, each.end)))
                each_common[span] += _swing(each, at[span])
        deaf = (each_common < receiver.common_low) | (each_common > receiver.common_high)
        return np.asarray(deaf | np.repeat(off[scene.where], scene.lengths))

    def _response(self, station: int, code: int) -> Response:
        """Return how a change by a station into a state arrives here."""
        if station == CONTACT:
            return _AT_ONCE
        found = self._responses.get((station, code))
        if found is None:
            on = tuple(driving(code // 2, len(self._plant.stations)))
            found = self._reflections.response(Change(station, on), self._station)
            self._responses[station, code] = found
        return found

    def _decide(self, scene: _Scene, found: NDArray[np.int8], deaf: Flags | None) -> None:
        """Decide the samples on which more than a settled level bears."""
        levels = scene.of_states("volts"), scene.of_states("spare")
        tails = Tails(scene.stretch, (scene.states, scene.where), levels, self._response)
        noisy = [each for each in scene.told if each.kind in (Kind.SIGMA, Kind.RING)]
        doubtful = self._doubtful(scene, tails, noisy)
        sigma = self._sigma or any(each.kind is Kind.SIGMA for each in noisy)
        most = scene.limits.max()
        if sigma and most:
            few = most < _FEW  # then one limit for all is cheaper
            limits = most if few else np.repeat(scene.limits[scene.where], scene.lengths)
            self._noise.mark(scene.first, limits, doubtful)
        places = np.flatnonzero(doubtful)
        if not len(places):
            return
        part = np.searchsorted(scene.starts, places, "right") - 1
        at = self._clock.some(scene.first, places)
        state = scene.where[part]
        volts = levels[0][state] + tails.left(part, at)
        if self._drift and (loose := scene.of_states("undriven")[state]).any():
            volts[loose] += self._drifted(scene.first, places[loose])
        square = np.full(len(places), self._sigma**2)
        for each in noisy:
            span = slice(*np.searchsorted(at, (each.begin, each.end)))
            if each.kind is Kind.SIGMA:
                square[span] += each.volts**2
            else:
                volts[span] += _ring(each, at[span])
        if sigma:
            volts += np.sqrt(square) * self._noise.values(scene.first, places)
        receiver = self._place.receiver
        says = np.where(volts > receiver.high, 1, np.where(volts < receiver.low, 0, -1))
        if deaf is not None:
            says[deaf[places]] = 1
        _settle(found, places, says.astype(np.int8), self._held)

    def _doubtful(self, scene: _Scene, tails: Tails, noisy: list[Episode]) -> Flags:
        """Return which samples are not firm."""
        doubtful = np.zeros(scene.size, np.bool_)
        starts = scene.starts[1:]
        over = scene.stretch.at + tails.doubtful
        late = np.flatnonzero(self._clock.some(scene.first, starts) < over)
        ends = self._samples_at(over[late], scene.first, scene.size)
        doubtful[_ranges(starts[late], ends)] = True
        vague = scene.limits == np.uint64(EVERY)
        if vague.any():
            parts = np.flatnonzero(vague[scene.where])
            starts = scene.starts[parts]
            doubtful[_ranges(starts, starts + scene.lengths[parts])] = True
        if noisy:
            times = np.array([(each.begin, each.end) for each in noisy])
            begins, ends = (self._samples_at(each, scene.first, scene.size) for each in times.T)
            doubtful[_ranges(begins, ends)] = True
        return doubtful

    def _drifted(self, first: int, places: Integers) -> Volts:
        """Return the drift, known anew at every 64th sample of all."""
        assert self._disturbances is not None
        steps, where = np.unique((first + places) // _DRIFT_STEP, return_inverse=True)
        at = [self._clock.at(int(each) * _DRIFT_STEP) for each in steps]
        return np.array([self._disturbances.drift(each) for each in at])[where]


def _ranges(begins: Integers, ends: Integers) -> Integers:
    """Return all whole numbers from each begin up to, not including, its end."""
    lengths = np.maximum(ends - begins, 0)
    before = np.cumsum(lengths) - lengths
    return np.repeat(begins - before, lengths) + np.arange(lengths.sum())


def _swing(episode: Episode, at: Integers) -> Volts | float:
    """Return what COMMON or HUM adds to the common mode."""
    if episode.kind is Kind.COMMON:
        return episode.volts
    return _turn(episode, at, np.sin)


def _ring(episode: Episode, at: Integers) -> Volts:
    """Return what RING adds between the conductors."""
    return _turn(episode, at, np.cos) * np.exp(-(at - episode.begin) / episode.decay_ns)


def _turn(episode: Episode, at: Integers, wave: np.ufunc) -> Volts:
    angle = (at - episode.begin) * (2e-9 * np.pi * episode.hertz)
    return np.asarray(episode.volts * wave(angle), np.float64)


def _settle(found: NDArray[np.int8], places: Integers, says: NDArray[np.int8], held: int) -> None:
    """Put in what samples say; one that says -1 says what the sample before it did."""
    holds = np.flatnonzero(says < 0)
    if len(holds):
        follows = np.diff(places, prepend=-2) == 1
        alone = holds[~follows[holds]]
        before = places[alone] - 1
        says[alone] = np.where(before < 0, held, found[before])
        known = np.where(says < 0, 0, np.arange(len(says)))
        says = says[np.maximum.accumulate(known)]
    found[places] = says
