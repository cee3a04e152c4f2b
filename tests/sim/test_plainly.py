"""What cannot be misheard is heard without sampling, to the nanosecond as with it."""

from __future__ import annotations

from unittest.mock import patch

from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair import bitline
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.noise import Disturbances, NoisePlan, Routing
from kerfbus.sim.pair.plant import Place, Plant
from kerfbus.sim.pair.talk import Character, Talk

LINES = [
    LineSettings.parse(baud, form) for baud in (9600, 115200) for form in ("8E1", "8N1", "8N2")
]
PPM = st.integers(-12_000, 12_000)


def heard(plant: Plant, talks: list[Talk], cuts: list[int], *, plainly: bool) -> list[Character]:
    line = BitLine(plant, Disturbances(NoisePlan(), Routing(), 1))
    found: list[Character] = []
    sampled = patch.object(bitline._Ear, "_plainly", lambda *_: False)
    if not plainly:
        sampled.start()
    try:
        for talk in talks:
            line.say(talk)
        for cut in sorted(cuts):
            found += line.hear(1, cut)
    finally:
        if not plainly:
            sampled.stop()
    return found


@given(
    st.sampled_from(LINES),
    st.tuples(PPM, PPM),
    st.lists(
        st.tuples(
            st.binary(min_size=1, max_size=12), st.integers(0, 3_000_000), st.integers(-400, 400)
        ),
        min_size=1,
        max_size=3,
    ),
    st.lists(st.integers(0, 60_000_000), max_size=4),
)
@settings(max_examples=60, deadline=None)
def test_the_short_way_says_what_sampling_says(
    line: LineSettings,
    ppm: tuple[int, int],
    said: list[tuple[bytes, int, int]],
    cuts: list[int],
) -> None:
    stations = (
        Place("client", 0.0, line, clock_ppm=ppm[0]),
        Place("server", 20.0, line, clock_ppm=ppm[1]),
    )
    talks, at = [], 1_000_000
    for data, pause, hold in said:
        start = at + pause
        end = start + round(line.characters_ns(len(data)) / (1 + ppm[0] / 1e6))
        # Some drivers let go a little before the end, which needs sampling.
        talks.append(Talk(0, data, start, line, start - 500, end + hold * 100))
        at = end + 50_000
    cuts = [*cuts, at + 10_000_000]
    plant = Plant(stations)
    quick = heard(plant, talks, cuts, plainly=True)
    assert quick == heard(plant, talks, [cuts[-1]], plainly=False)


def test_it_is_taken() -> None:
    line = LINES[0]
    plant = Plant((Place("client", 0.0, line), Place("server", 20.0, line)))
    talk = Talk(0, b"\x01\x03\x00", 1_000_000, line, 990_000, 1_000_000 + line.characters_ns(4))
    pair = BitLine(plant, None)
    pair.say(talk)
    with patch.object(bitline._Ear, "_listen", side_effect=AssertionError("it samples")):
        assert [each.value for each in pair.hear(1, 10_000_000)] == [1, 3, 0]
