"""The sampled line against theory: Q(margin / sigma), with fixed seeds and a stated confidence.

Whether a level is heard wrong is counted two ways: at every sample of a receiver's output, and in
the data bits of characters, which go by a majority of three samples. Each count must contain the
closed form within its two-sided Clopper-Pearson interval of `CONFIDENCE`. Levels are chosen so that
errors of rare kinds come in numbers that say something.
"""

from __future__ import annotations

from math import erfc, sqrt

import numpy as np
import pytest

from kerfbus.bench.confidence import clopper_pearson
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.changes import Changes
from kerfbus.sim.pair.clocks import TickClock
from kerfbus.sim.pair.frontend import MOST_SAMPLES, FrontEnd
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.noise import Disturbances, NoisePlan, Routing
from kerfbus.sim.pair.noiseplan import Drift
from kerfbus.sim.pair.plant import Place, Plant, Receiver
from kerfbus.sim.pair.sampled import SampledLine
from kerfbus.sim.pair.talk import Talk

CONFIDENCE = 0.999
"""Of each interval; there are a dozen of them in this file."""
FORM = LineSettings.parse(19200, "8N2")
SAMPLES = 16 * 19200
SECOND = 1_000_000_000


def q(sigmas: float) -> float:
    """Return the share of a normal distribution above so many standard deviations."""
    return erfc(sigmas / sqrt(2)) / 2


def pair(hysteresis: float = 0.0, *, swapped: bool = False) -> Plant:
    """Return a pair without bias, so that mark and space have the same margin."""
    receiver = Receiver(hysteresis=hysteresis)
    client = Place("client", 0.0, FORM, swapped=swapped)
    return Plant((client, Place("server", 30.0, FORM, receiver=receiver)), bias=None)


def noise(sigma: float, seed: int) -> Disturbances:
    return Disturbances(NoisePlan(gaussian=sigma, drift=Drift(volts=0.0)), Routing(), seed)


def wrong_samples(plant: Plant, sigma: float, count: int) -> int:
    """Count samples that read as the other level while the client sends mark for long."""
    changes = Changes(plant)
    end = round(count / SAMPLES * SECOND) + SECOND
    changes.say(Talk(0, b"\xff", end, FORM, 0, end + SECOND))
    clock = TickClock(SAMPLES)
    front = FrontEnd(plant, 1, noise(sigma, 11), changes, clock)
    first, high = SAMPLES // 100, 0
    for done in range(0, count, MOST_SAMPLES):
        piece = min(MOST_SAMPLES, count - done)
        high += int(np.count_nonzero(front.outputs(first + done, piece)))
    return high if plant.stations[0].swapped else count - high


def holds(found: int, trials: int, rate: float) -> bool:
    """Return whether a rate lies within the interval of what was counted."""
    low, high = clopper_pearson(found, trials, CONFIDENCE)
    return low <= rate <= high


@pytest.mark.parametrize("swapped", [False, True], ids=["mark", "space"])
@pytest.mark.parametrize("sigmas", [1.0, 2.0, 3.0, 3.7, 4.3])
def test_samples_are_wrong_as_often_as_q_says(sigmas: float, swapped: bool) -> None:
    """From 0.16 down to 8.5e-6: more than four decades."""
    plant = pair(swapped=swapped)
    margin = abs(Levels(plant).talked(0, 1).mark)
    count = 200_000 if sigmas < 3 else 6_000_000
    found = wrong_samples(plant, margin / sigmas, count)
    assert found > 15
    assert holds(found, count, q(sigmas))


@pytest.mark.parametrize("sigmas", [1.5, 2.5])
def test_hysteresis_makes_wrong_samples_rarer_as_the_chain_of_two_states_says(
    sigmas: float,
) -> None:
    """It takes ``Q((V + h/2) / sigma)`` to leave, and all but ``Q((V - h/2) / sigma)`` to return.

    Neighbours are not independent, so every tenth sample of theory's variance is granted.
    """
    plant = pair(hysteresis=0.8)
    volts = Levels(plant).talked(0, 1).mark
    sigma = volts / sigmas
    leave, back = q((volts + 0.4) / sigma), 1 - q((volts - 0.4) / sigma)
    count = 400_000
    found = wrong_samples(plant, sigma, count)
    assert holds(found // 10, count // 10, leave / (leave + back))
    assert not holds(found, count, q(sigmas))


def wrong_bits(sigmas: float, characters: int) -> tuple[int, int]:
    """Return wrong data bits and all data bits of characters that were found where they were sent.

    A lost start bit shifts what follows; such characters are no trial of their bits.
    """
    plant = pair()
    margin = Levels(plant).talked(0, 1).mark
    line = SampledLine(plant, noise(margin / sigmas, 12))
    data = np.random.Generator(np.random.PCG64(5)).integers(0, 256, characters, np.uint8)
    begin, size = 1_000_000, 4000
    wrong = bits = 0
    for done in range(0, characters, size):
        piece = data[done : done + size].tobytes()
        start = begin + FORM.characters_ns(done)
        end = begin + FORM.characters_ns(done + len(piece))
        line.say(Talk(0, piece, start, FORM, start if done else 0, end))
        heard = line.hear(1, end)
        if not heard:
            continue
        at = np.array([each.at for each in heard]) - begin
        number = np.rint(at / FORM.characters_ns(1) - 1).astype(np.int64)
        off = np.abs(at - (number + 1) * (11 * SECOND / FORM.baud))
        sound = (off < FORM.bit_ns * 3 / 16) & (number >= 0) & (number < characters)
        got = np.array([each.value for each in heard], np.uint8)[sound]
        wrong += int(np.unpackbits(got ^ data[number[sound]]).sum())
        bits += 8 * int(np.count_nonzero(sound))
    return wrong, bits


@pytest.mark.parametrize(
    ("sigmas", "characters"), [(0.9, 4000), (1.6, 6000), (2.2, 12_000), (2.95, 200_000)]
)
def test_bits_are_wrong_as_often_as_a_majority_of_three(sigmas: float, characters: int) -> None:
    """``3 q^2 - 2 q^3``: from 0.09 down to 7.6e-6, four decades behind a UART."""
    wrong, bits = wrong_bits(sigmas, characters)
    one = q(sigmas)
    assert wrong > 5
    assert bits > 0.05 * 8 * characters
    assert holds(wrong, bits, 3 * one**2 - 2 * one**3)
