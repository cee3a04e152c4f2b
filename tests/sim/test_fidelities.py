"""The two fidelities of a pair agree where both apply, and where they need not.

Both apply while every level has settled before its bit is sampled: a terminated pair that is short
for its rate, with drivers that are quick and let go in time. There Gaussian noise, bursts, ground
steps and open contacts must damage as many characters on the one as on the other, within the
confidence interval of the difference; seeds differ, so that it is the rates that agree and not the
noise. With the same seed even the characters are the same, since both draw the same noise.

They do not apply alike where waves matter: reflections from an open end, long stubs, cables whose
change of level takes a good part of a bit, and undriven pairs that discharge slowly. There only the
sampled line tells the truth; a test here shows it for the open end.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import inf, sqrt
from typing import Any

import numpy as np
import pytest

from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.coupling import WORST
from kerfbus.sim.pair.noise import Disturbances, NoisePlan
from kerfbus.sim.pair.noiseplan import Bursts, Drift, Dropouts, Steps, Transients
from kerfbus.sim.pair.plant import Cable, Driver, Host, Place, Plant
from kerfbus.sim.pair.sampled import SampledLine
from kerfbus.sim.pair.talk import Arc, Character, PairLine, Talk

Line = Callable[[Plant, Disturbances | None], PairLine]
SIGMAS = 3.29
"""Of the two-sided normal test of two shares: confidence 99.9 %."""
FRAME = 12
"""Characters."""
MS = 1_000_000


def pair(settings: LineSettings, **changes: Any) -> Plant:
    """Return a client and a server, 30 m apart."""
    places = (Place("client", 0.0, settings), Place("server", 30.0, settings))
    return Plant(places, **changes)


def play(line: PairLine, frames: int, settings: LineSettings) -> list[list[Character]]:
    """Let both send frames in turn while the arc burns; return what the other heard of each."""
    line.arc(0, Arc.CUTTING)
    data = np.random.Generator(np.random.PCG64(9)).bytes(FRAME)
    length, pause = settings.characters_ns(FRAME), settings.t35_ns + MS
    heard = []
    for frame in range(frames):
        start = 10 * MS + frame * (length + pause)
        # Mark for two characters before the frame ends whatever noise began in the silence.
        taken = start - 2 * settings.character_ns
        line.say(Talk(frame % 2, data, start, settings, taken, start + length))
        line.hear(1 - frame % 2, start + settings.bit_ns)
        heard.append(list(line.hear(1 - frame % 2, start + length + settings.bit_ns)))
        line.hear(frame % 2, start + length)
    return heard


def bad(heard: Sequence[Sequence[Character]]) -> int:
    """Count frames that are not what was sent."""
    data = np.random.Generator(np.random.PCG64(9)).bytes(FRAME)
    return sum(
        bytes(each.value for each in frame) != data or any(each.errors for each in frame)
        for frame in heard
    )


def agree(first: int, second: int, trials: int) -> bool:
    """Return whether two counts may be of the same rate.

    One open contact or ground step damages two frames at most times when it damages any: the
    variance is taken twice for that.
    """
    rate = (first + second) / (2 * trials)
    return abs(first - second) <= SIGMAS * sqrt(2 * 2 * trials * rate * (1 - rate))


QUIET = NoisePlan(gaussian=0.01, drift=Drift(volts=0.0))
PULSES = Transients(60.0, period_ns=40 * MS, ring_hertz=1e6, decay_ns=4000.0)
"""Trains of 0.75 ms whose pulses ring for long enough to reach a majority of samples."""
CASES = {
    "gaussian, rare": replace(QUIET, gaussian=0.85),
    "gaussian, often": replace(QUIET, gaussian=1.05),
    "bursts": replace(QUIET, bursts={Arc.CUTTING: Bursts(12.0, volts=4.0)}),
    "pulses": replace(QUIET, transients=(PULSES,)),
    "dropouts": replace(QUIET, dropouts=(Dropouts(0.1, 8 * MS),)),
    "ground steps": replace(QUIET, steps=(Steps(12.0, 6.0, 20 * MS),)),
}
RATES = (9600, 115200)


def count(line: Line, plant: Plant, plan: NoisePlan, seed: int, frames: int) -> int:
    """Return how many frames one fidelity damages."""
    noise = Disturbances(plan, WORST, seed)
    return bad(play(line(plant, noise), frames, plant.stations[0].settings))


@pytest.mark.parametrize("baud", RATES)
@pytest.mark.parametrize("case", CASES)
def test_as_many_frames_are_damaged_on_either(case: str, baud: int) -> None:
    plant, frames = pair(LineSettings(baud)), 250
    bits = count(BitLine, plant, CASES[case], 21, frames)
    sampled = count(SampledLine, plant, CASES[case], 22, frames)
    assert bits + sampled > 8, "hardly anything was damaged: this proves little"
    assert bits + sampled < 1.8 * frames
    assert agree(bits, sampled, frames), (bits, sampled)


@pytest.mark.parametrize("case", CASES)
def test_the_same_seed_gives_the_same_characters(case: str) -> None:
    """All that is drawn is drawn alike, sample for sample; only waves are different.

    On this cable they are over within a sample of 9600, so that a start bit may be found a sample
    later, and a sample there, once in a while, be wrong on one of the two alone.
    """
    settings = LineSettings(9600)
    heard = [
        play(line(pair(settings), Disturbances(CASES[case], WORST, 5)), 120, settings)
        for line in (BitLine, SampledLine)
    ]
    assert 0 < bad(heard[0]) < 120
    different = sum(
        [(c.value, c.errors) for c in one] != [(c.value, c.errors) for c in other]
        for one, other in zip(*heard, strict=True)
    )
    assert different <= 8


def test_a_host_that_comes_late_loses_the_same_on_either() -> None:
    settings = LineSettings(9600)
    late = replace(pair(settings).stations[1], host=Host(depth=4, fetch_ns=8 * MS))
    plant = replace(pair(settings), stations=(pair(settings).stations[0], late))
    bits, sampled = (
        [c for frame in play(line(plant, None), 8, settings) for c in frame]
        for line in (BitLine, SampledLine)
    )
    assert any(LineEventKind.OVERRUN in each.errors for each in sampled)
    assert [(c.value, c.errors) for c in sampled] == [(c.value, c.errors) for c in bits]


def far(metres: float, baud: int, far_ohms: float) -> Plant:
    """Return a long, thick cable with stiff drivers at its ends."""
    driver = Driver(ohms=10.0, rise_ns=50.0)
    settings = LineSettings(baud)
    ends = (("client", 0.0), ("server", metres))
    stations = tuple(Place(name, at, settings, driver=driver) for name, at in ends)
    return Plant(stations, cable=Cable(metres, awg=18, loss_db=0.5), far_ohms=far_ohms)


def test_only_the_sampled_line_knows_reflections() -> None:
    """Frames from the terminated end towards the open one die; settled levels are even better."""
    plant = far(250.0, 115200, inf)
    assert count(BitLine, plant, QUIET, 1, 40) == 0
    assert count(SampledLine, plant, QUIET, 1, 40) == 20, "one direction only"
    sound = far(250.0, 115200, 120.0)
    assert count(SampledLine, sound, QUIET, 1, 40) == 0
