"""The sampled line: causes that are volts and waves, and chance that does not know how it is asked.

Error rates against theory are in `tests/sim/test_sampled_theory.py`, agreement with the bit-level
line in `tests/sim/test_fidelities.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind
from kerfbus.sim.pair.changes import MARK, OFF, SPACE, Changes
from kerfbus.sim.pair.farnoise import FarNoise, limit
from kerfbus.sim.pair.noise import Disturbances, NoisePlan, Routing
from kerfbus.sim.pair.noiseplan import PLASMA, Drift
from kerfbus.sim.pair.plant import Cable, Driver, Place, Plant, Receiver
from kerfbus.sim.pair.sampled import SampledLine
from kerfbus.sim.pair.talk import Arc, Character, Talk
from kerfbus.sim.pair.whitenoise import gaussian, noise_key

E8 = LineSettings()
START = 10_000_000
REQUEST = bytes.fromhex("010300000002C40B")
RATES = (1200, 2400, 9600, 19200, 38400, 57600, 115200)
STIFF = Driver(ohms=10.0, rise_ns=50.0)


def pair(settings: LineSettings = E8, **changes: Any) -> Plant:
    """Return a client, a server at the other end of 30 m, and a tap between."""
    places = (
        Place("client", 0.0, settings),
        Place("server", 30.0, settings),
        Place("tap", 12.0, settings, driver=None),
    )
    return Plant(places, **changes)


def noise(sigma: float, seed: int = 1, **plan: Any) -> Disturbances:
    plan.setdefault("drift", Drift(volts=0.0))
    return Disturbances(NoisePlan(gaussian=sigma, **plan), Routing(), seed)


def talk(station: int, data: bytes, start: int, settings: LineSettings = E8, cut: int = 0) -> Talk:
    """Return a talk that takes the line a bit before it starts and lets it go `cut` ns early."""
    end = start + settings.characters_ns(len(data))
    return Talk(station, data, start, settings, start - settings.bit_ns, end - cut)


def hear(line: SampledLine, station: int, *talks: Talk, until: int = 0) -> Sequence[Character]:
    for each in talks:
        line.say(each)
    return line.hear(station, until or max(each.release_at for each in talks) + START)


def values(heard: Sequence[Character]) -> bytes:
    return bytes(each.value for each in heard)


def kinds(heard: Sequence[Character]) -> set[LineEventKind]:
    return {error for each in heard for error in each.errors}


@pytest.mark.parametrize("baud", RATES)
@pytest.mark.parametrize("form", ["8E1", "8N1", "8O1", "8N2", "7E1"])
def test_a_sound_pair_carries_every_character_at_every_rate(baud: int, form: str) -> None:
    own = LineSettings.parse(baud, form)
    data = bytes(range(1 << own.data_bits))
    for listener in (1, 2):
        heard = hear(SampledLine(pair(own)), listener, talk(0, data, START, own))
        assert values(heard) == data
        assert not kinds(heard)
        gaps = [after.at - before.at for before, after in pairwise(heard)]
        assert max(abs(gap - own.character_ns) for gap in gaps) <= own.bit_ns / 16 + 2


def test_a_station_hears_itself_only_where_its_receiver_stays_on() -> None:
    plant = pair()
    assert not hear(SampledLine(plant), 0, talk(0, REQUEST, START))
    client, *others = plant.stations
    echoing = replace(plant, stations=(replace(client, hears_itself=True), *others))
    assert values(hear(SampledLine(echoing), 0, talk(0, REQUEST, START))) == REQUEST


def test_a_driver_that_lets_go_early_cuts_its_tail() -> None:
    """Bias reads as mark: the last character's low bits at its end are lost, the rest is right."""
    heard = hear(SampledLine(pair()), 1, talk(0, b"\x55\x00", START, cut=6 * E8.bit_ns))
    assert heard[0].value == 0x55
    assert heard[1].value == 0xF0
    assert not heard[0].errors


def test_a_driver_that_holds_on_spoils_the_head_of_the_other() -> None:
    end = START + E8.characters_ns(len(REQUEST))
    first = replace_release(talk(0, REQUEST, START), end + 3_000_000)
    reply = talk(1, b"\x01\x03\x04\x00\x00", end + 2_005_000)
    client = hear(SampledLine(pair()), 2, first, reply)
    assert values(client[:8]) == REQUEST
    assert values(client[8:]) != reply.data


def replace_release(spoken: Talk, at: int) -> Talk:
    return spoken._replace(release_at=at)


def test_without_bias_drift_breaks_the_silence_and_bias_heals_it() -> None:
    wander = noise(0.002, drift=Drift(volts=0.1, knot_ns=20_000_000))
    strays = SampledLine(pair(bias=None), wander).hear(1, 2_000_000_000)
    assert len(strays) > 5
    assert LineEventKind.BREAK in kinds(strays)
    small = noise(0.002, drift=Drift(volts=0.02, knot_ns=20_000_000))
    assert not SampledLine(pair(), small).hear(1, 2_000_000_000)


def test_a_swapped_tap_hears_wrong_characters_and_a_break_when_idle() -> None:
    client, server, tap = pair().stations
    plant = Plant((client, server, replace(tap, swapped=True)))
    heard = hear(SampledLine(plant), 2, talk(0, REQUEST, START))
    assert (heard[0].value, LineEventKind.BREAK in heard[0].errors) == (0, True)
    assert values(heard[1:]) not in (REQUEST, b"")
    right = hear(SampledLine(plant), 1, talk(0, REQUEST, START))
    assert values(right) == REQUEST, "the others do not notice a tap"


def test_a_ground_step_kills_one_direction_in_a_block() -> None:
    """At +9.7 V the server sees the client below -7 V; the client still sees the server."""
    client, server, _ = pair().stations
    plant = Plant((client, replace(server, ground=9.7)))
    line = SampledLine(plant)
    assert not hear(line, 1, talk(0, REQUEST, START))
    assert values(hear(line, 0, talk(1, REQUEST, 10 * START))) == REQUEST


def ring_plant(metres: float, baud: int, far: float = inf) -> Plant:
    cable = Cable(metres, awg=18, loss_db=0.5)
    own = LineSettings(baud)
    places = (("client", 0.0), ("server", metres))
    stations = tuple(Place(name, at, own, driver=STIFF) for name, at in places)
    return Plant(stations, cable=cable, far_ohms=far)


def wrong(plant: Plant, talker: int) -> float:
    """Return the share of characters that the other end does not hear as sent."""
    own = plant.stations[0].settings
    data = bytes(np.random.Generator(np.random.PCG64(7)).integers(0, 256, 400, dtype=np.uint8))
    start, right, line = START, 0, SampledLine(plant, noise(0.05))
    for piece in (data[i : i + 20] for i in range(0, len(data), 20)):
        heard = hear(line, 1 - talker, talk(talker, piece, start, own))
        start += own.characters_ns(40) + START
        if len(heard) == len(piece):
            right += sum(
                each.value == sent and not each.errors
                for each, sent in zip(heard, piece, strict=True)
            )
    return 1 - right / len(data)


def test_an_open_end_hurts_with_length_and_rate_and_by_who_talks() -> None:
    """The undershoot, 2 to 4 times the way after an edge arrived, must fall into a bit's middle."""
    assert wrong(ring_plant(250.0, 115200), 0) > 0.9
    assert wrong(ring_plant(250.0, 115200), 1) == 0.0, "towards the terminated end all is well"
    assert wrong(ring_plant(250.0, 115200, far=120.0), 0) == 0.0
    assert wrong(ring_plant(250.0, 38400), 0) == 0.0, "at a lower rate it is over in time"
    assert wrong(ring_plant(60.0, 115200), 0) == 0.0, "on a short cable too"
    assert wrong(ring_plant(500.0, 57600), 0) > 0.3, "and back again on a longer one"


def test_wrong_bits_sit_behind_level_changes() -> None:
    """0F changes before its bits 0 and 4; a changed bit undershoots, one that stays does not."""
    plant = ring_plant(315.0, 115200)
    own = plant.stations[0].settings
    flips = [0] * 8
    line = SampledLine(plant, noise(0.25))
    for at in range(START, 201 * START, START):
        heard = hear(line, 1, talk(0, b"\x0f", at, own), until=at + START // 2)
        sent = [each.value for each in heard if abs(each.at - at - own.character_ns) < 4000]
        for value in sent:  # strays and what lost its start bit are left out
            flips = [bad + ((value ^ 0x0F) >> bit & 1) for bit, bad in enumerate(flips)]
    assert flips[4] > 10
    assert sum(flips) < 1.1 * flips[4]


def test_two_that_talk_at_once_garble_both() -> None:
    first, second = talk(0, bytes(range(40)), START), talk(1, bytes(range(80, 120)), START + 3000)
    heard = hear(SampledLine(pair()), 2, first, second)
    assert values(heard) not in (first.data, second.data)


def test_a_tap_cannot_talk() -> None:
    with pytest.raises(UsageError, match="tap has no driver"):
        SampledLine(pair()).say(talk(2, b"x", START))


PLAN = replace(PLASMA, gaussian=0.25, drift=Drift(volts=0.1, knot_ns=10_000_000))
"""All that there is, at a strength that damages."""
EARS = (0, 1, 2)


def story(line: SampledLine, cuts: Sequence[int]) -> list[list[Character]]:
    """Play the same talks and arc, and listen at these instants."""
    talks = [talk(n % 2, bytes([n] * 6), START + n * 6_500_000, cut=n * 40_000) for n in range(6)]
    arcs = [(START, Arc.IGNITION_HF), (25_000_000, Arc.TRANSFER), (30_000_000, Arc.CUTTING)]
    events = [(each.enable_at, 0, each) for each in talks] + [(at, 1, arc) for at, arc in arcs]
    events += [(cut, 2, None) for cut in cuts] + [(70_000_000, 2, None)]
    found: list[list[Character]] = [[] for _ in EARS]
    for at, _, what in sorted(events, key=lambda each: each[:2]):
        if isinstance(what, Talk):
            line.say(what)
        elif isinstance(what, Arc):
            line.arc(at, what)
        else:
            for ear in EARS:
                found[ear] += line.hear(ear, at)
    return found


def noisy_line(bias: bool, metres: float) -> SampledLine:
    routing = Routing(10.0, 20.0, common_conductor=False)
    cable = Cable(metres)
    plant = pair(cable=cable, far_ohms=inf)
    if not bias:
        plant = replace(plant, bias=None)
    return SampledLine(plant, Disturbances(PLAN, routing, 5))


@pytest.mark.parametrize(("bias", "metres"), [(True, 30.0), (False, 1200.0)])
def test_splitting_changes_nothing(bias: bool, metres: float) -> None:
    whole = story(noisy_line(bias, metres), [])
    assert any(kinds(each) for each in whole), "nothing was damaged: this proves little"

    @settings(max_examples=8, deadline=None)
    @given(st.lists(st.integers(0, 70_000_000), max_size=12))
    def split(cuts: list[int]) -> None:
        assert story(noisy_line(bias, metres), cuts) == whole

    split()


def test_a_long_stretch_is_cut_where_it_must_be() -> None:
    """More samples than go at once, heard in one call and in many."""
    data = bytes(range(256)) * 4
    one = hear(SampledLine(pair(), noise(0.3)), 1, talk(0, data, START))
    line = SampledLine(pair(), noise(0.3))
    line.say(talk(0, data, START))
    end = START + E8.characters_ns(len(data)) + START
    many = [c for at in range(START, end + 1, (end - START) // 40) for c in line.hear(1, at)]
    assert many + list(line.hear(1, end)) == list(one)


def test_instants_never_fall() -> None:
    for heard in story(noisy_line(False, 30.0), []):
        assert all(before.at <= after.at for before, after in pairwise(heard))


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1 << 62), st.floats(0.0, 9.0))
def test_the_hash_never_hides_a_sample_that_matters(first: int, sigmas: float) -> None:
    """What is looked at only where it matters is the white noise of the bit-level line."""
    key = noise_key(3, "listener 1")
    all_of_it = gaussian(key, first, 20_000)
    flags = np.zeros(20_000, np.bool_)
    FarNoise(key).mark(first, np.uint64(limit(sigmas)), flags)
    assert flags[np.abs(all_of_it) > sigmas].all()
    places = np.flatnonzero(flags)[:500]
    assert np.array_equal(FarNoise(key).values(first, places), all_of_it[places])
    if sigmas > 2:
        assert flags.mean() < 0.2, "most are passed over"


def test_changes_of_one_driver() -> None:
    changes = Changes(pair())
    changes.say(Talk(0, b"\x0f", START, LineSettings(10_000), START - 50_000, START + 1_100_000))
    found = changes.stretch(0, 2 * START)
    # 8E1: start, 1111, 0000, parity 0, stop.
    steps = [(-50_000 + 500, MARK), (0, SPACE), (100_000, MARK), (500_000, SPACE)]
    steps += [(1_000_000, MARK), (1_100_500, OFF)]
    assert list(zip((found.at - START).tolist(), found.codes[1:].tolist(), strict=True)) == steps
    later = changes.stretch(START + 100_000, START + 1_000_000)
    assert later.codes.tolist() == [MARK, SPACE]
    assert (later.at - START).tolist() == [500_000]


def test_a_station_that_talks_on_before_it_let_go_drives_on() -> None:
    plant = pair()
    late = talk(0, b"\x00", START)._replace(release_at=START + 50_000_000)
    following = talk(0, b"\x41\x42", START + 20_000_000)
    assert values(hear(SampledLine(plant), 1, late, following)) == b"\x00\x41\x42"


def test_receivers_threshold_decides_about_an_idle_pair() -> None:
    """Bias of 0.25 V is mark below a threshold of 0.1 V and a break above one of 0.4 V."""
    client, server, tap = pair().stations
    deaf = replace(tap, receiver=Receiver(threshold=0.4))
    assert not SampledLine(pair()).hear(2, START)
    heard = SampledLine(Plant((client, server, deaf))).hear(2, START)
    assert [each.errors for each in heard] == [(LineEventKind.FRAMING, LineEventKind.BREAK)]
