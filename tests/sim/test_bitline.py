"""The bit-level line: what stations hear of each other, whole and in pieces."""

from collections.abc import Sequence
from itertools import pairwise
from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.levels import Levels
from kerfbus.sim.pair.noise import Disturbances, NoisePlan, Routing
from kerfbus.sim.pair.noiseplan import PLASMA, Drift
from kerfbus.sim.pair.plant import Driver, Host, Place, Plant, Receiver
from kerfbus.sim.pair.talk import Arc, Character, Talk

E8 = LineSettings()
FAST = LineSettings(115200)
START = 10_000_000
REQUEST = bytes.fromhex("010300000002C40B")
REPLY = bytes.fromhex("0103040000000000")


def plant(settings: LineSettings = E8, **changes: object) -> Plant:
    """Return a pair of a client, two servers and a tap, 30 m."""
    places = (
        Place("client", 0.0, settings),
        Place("server 1", 30.0, settings),
        Place("server 2", 20.0, settings),
        Place("tap", 10.0, settings, driver=None),
    )
    return Plant(places, **changes)  # type: ignore[arg-type]


def noise(sigma: float, seed: int = 1, **plan: object) -> Disturbances:
    quiet = Drift(volts=0.0)
    return Disturbances(NoisePlan(gaussian=sigma, drift=quiet, **plan), Routing(), seed)  # type: ignore[arg-type]


def talk(
    station: int, data: bytes, start: int, settings: LineSettings = E8, *, cut: int = 0
) -> Talk:
    """Return a talk that takes the line a bit before it starts and lets it go `cut` ns early."""
    end = start + settings.characters_ns(len(data))
    return Talk(station, data, start, settings, start - settings.bit_ns, end - cut)


def values(heard: Sequence[Character]) -> bytes:
    return bytes(each.value for each in heard)


def errors(heard: Sequence[Character]) -> list[LineEventKind]:
    return [error for each in heard for error in each.errors]


@pytest.mark.parametrize("baud", [300, 9600, 19200, 115200, 1_000_000])
@pytest.mark.parametrize("form", ["8E1", "8N2", "8O1", "7E1", "8N1", "8M1", "8S2"])
def test_others_hear_what_is_said_and_when_it_ends(baud: int, form: str) -> None:
    settings = LineSettings.parse(baud, form)
    line = BitLine(plant(settings), noise(0.0))
    data = bytes(value & (1 << settings.data_bits) - 1 for value in range(0, 256, 5))
    line.say(talk(0, data, START, settings))
    end = START + settings.characters_ns(len(data))
    for station in (1, 2, 3):
        heard = line.hear(station, end + 2 * settings.character_ns)
        assert values(heard) == data
        assert not errors(heard)
        for number, each in enumerate(heard, 1):
            # Within the way along the cable and one sample, for the clock is not in step.
            late = each.at - START - settings.characters_ns(number)
            assert -1 <= late <= 400 + settings.bit_ns // 16 + 2


def test_a_station_hears_itself_only_when_its_receiver_stays_on() -> None:
    places = tuple(
        Place(name, 10.0, E8, hears_itself=hears)
        for name, hears in (("client", False), ("echo", True))
    )
    line = BitLine(Plant(places))
    line.say(talk(0, REQUEST, START))
    line.say(talk(1, REPLY, 2 * START))
    assert values(line.hear(0, 3 * START)) == REPLY
    assert values(line.hear(1, 3 * START)) == REQUEST + REPLY


def test_a_tap_cannot_talk() -> None:
    with pytest.raises(UsageError, match="tap has no driver"):
        BitLine(plant()).say(talk(3, REQUEST, START))


def test_an_early_release_cuts_the_tail_where_no_bias_holds_the_line() -> None:
    # 0xC0 would end in ones, and the line rests as mark: the last character ends in zeros.
    data = b"\x01\x00"
    cut = 3 * E8.bit_ns  # the last data bit, parity and stop
    held = BitLine(plant())
    held.say(talk(0, data, START, cut=cut))
    heard = held.hear(1, 2 * START)
    assert (heard[0].value, heard[0].errors) == (0x01, ())
    assert heard[1].value == 0x80  # bias made mark of what was not sent
    assert heard[1].errors == ()  # two bits are wrong: parity does not see it


def test_a_collision_garbles_and_leaves_the_way_free_again() -> None:
    line = BitLine(plant())
    one, other = bytes.fromhex("0103020102d80a"), bytes.fromhex("010302ff00b974")
    line.say(talk(1, one, START))
    line.say(talk(2, other, START + 20_000))
    line.say(talk(1, REPLY, 2 * START))
    heard = line.hear(0, 3 * START)
    assert values(heard[-len(REPLY) :]) == REPLY
    assert values(heard[: -len(REPLY)]) not in (one, other)


def test_two_that_say_the_same_at_once_are_understood() -> None:
    line = BitLine(plant())
    line.say(talk(1, REPLY, START))
    line.say(talk(2, REPLY, START + 1000))
    assert values(line.hear(0, 2 * START)) == REPLY


def test_ground_beyond_the_receiver_s_range_makes_it_deaf_in_one_direction() -> None:
    places = (Place("client", 0.0, E8), Place("server", 30.0, E8, ground=30.0))
    line = BitLine(Plant(places))
    line.say(talk(0, REQUEST, START))
    line.say(talk(1, REPLY, 2 * START))
    assert Levels(Plant(places)).talked(0, 1).deaf
    assert line.hear(1, 3 * START) == []


def test_an_overrun_reaches_who_listens() -> None:
    places = (
        Place("client", 0.0, E8),
        Place("server", 30.0, E8, host=Host(depth=4, fetch_ns=20_000_000)),
    )
    line = BitLine(Plant(places))
    line.say(talk(0, bytes(range(1, 9)), 21_000_000))
    line.say(talk(0, b"\x55", 41_000_000))
    heard = line.hear(1, 60_000_000)
    assert values(heard) == b"\x01\x02\x03\x04\x55"
    assert heard[-1].errors == (LineEventKind.OVERRUN,)


def test_another_rate_within_the_limits_is_heard_and_beyond_them_is_not() -> None:
    for ppm, sound in ((45_000, True), (-45_000, True), (48_000, False), (-48_000, False)):
        settings = LineSettings.parse(19200, "8N1")
        places = (Place("client", 0.0, settings, clock_ppm=ppm), Place("server", 5.0, settings))
        line = BitLine(Plant(places), noise(0.0))
        data = bytes((0, 255, 127, 128)) * 64
        end = START + round(settings.characters_ns(len(data)) / (1 + ppm * 1e-6))
        line.say(Talk(0, data, START, settings, START - 10_000, end))
        heard = line.hear(1, end + START)
        assert (values(heard) == data and not errors(heard)) is sound, ppm


# Pieces.


@st.composite
def conversations(draw: st.DrawFn) -> list[Talk]:
    """Return talks, some of which overlap, some cut, some with long silences between."""
    talks, at = [], START
    for _ in range(draw(st.integers(1, 5))):
        station = draw(st.integers(0, 2))
        data = draw(st.binary(min_size=1, max_size=12))
        cut = draw(st.sampled_from([0, 0, 3000, 100_000, -200_000]))
        each = talk(station, data, at, cut=cut)
        if not any(
            other.station == station and other.release_at > each.enable_at - 2000 for other in talks
        ):
            talks.append(each)
        at += draw(st.sampled_from([100_000, 2_000_000, 9_000_000, 60_000_000]))
    return talks


def heard_in(line: BitLine, talks: list[Talk], stops: list[int], station: int) -> list[Character]:
    """Return what a station hears that is told each talk only just before it must be."""
    heard: list[Character] = []
    told = sorted(talks, key=lambda each: each.enable_at)
    for stop in stops:
        while told and told[0].enable_at <= stop:
            line.say(told.pop(0))
        part = line.hear(station, stop)
        assert all(each.at <= stop for each in part)
        heard += part
    assert all(one.at <= other.at for one, other in pairwise(heard))
    return heard


@given(
    conversations(),
    st.lists(st.integers(0, 300_000_000), max_size=12),
    st.lists(st.integers(-2000, 14_000_000), max_size=6),
    st.sampled_from(["none", "faint", "loud", "plasma", "unbiased"]),
    st.integers(0, 3),
)
@settings(max_examples=30, deadline=None)
def test_hearing_in_pieces_is_hearing_the_whole(
    talks: list[Talk], far: list[int], near: list[int], trouble: str, station: int
) -> None:
    def line() -> BitLine:
        noises = {
            "none": None,
            "faint": noise(0.05),
            "loud": noise(0.9),
            "plasma": Disturbances(PLASMA, Routing(), 5),
            "unbiased": Disturbances(NoisePlan(), Routing(), 6),
        }
        made = BitLine(plant(bias=None) if trouble == "unbiased" else plant(), noises[trouble])
        made.arc(0, Arc.CUTTING)
        return made

    end = max(each.release_at for each in talks) + 50_000_000
    stops = sorted({*(each for each in far if each < end), *(START + each for each in near), end})
    assert heard_in(line(), talks, stops, station) == heard_in(line(), talks, [end], station)


def test_the_same_seed_hears_the_same_and_another_does_not() -> None:
    def heard(seed: int) -> Sequence[Character]:
        line = BitLine(plant(), noise(0.7, seed))
        line.say(talk(0, REQUEST * 8, START))
        return line.hear(1, 6 * START)

    assert heard(1) == heard(1)
    assert heard(1) != heard(2)


def test_stations_mishear_independently() -> None:
    line = BitLine(plant(), noise(0.7))
    line.say(talk(0, REQUEST * 8, START))
    assert line.hear(1, 6 * START) != line.hear(2, 6 * START)


def test_silence_is_passed_over_and_heard_alike() -> None:
    """A long silence costs nothing, and a character behind it comes when it would anyway."""
    later = 600 * 10**9
    line = BitLine(plant(), noise(0.01))
    line.say(talk(0, REQUEST, later))
    assert line.hear(1, later - START) == []
    heard = line.hear(1, later + START)
    assert values(heard) == REQUEST
    assert abs(heard[0].at - later - E8.character_ns) < E8.bit_ns // 8


def test_a_pair_without_bias_speaks_when_nobody_does() -> None:
    bare = BitLine(plant(bias=None), noise(0.05))
    biased = BitLine(plant(), noise(0.05))
    second = 10**9
    assert len(bare.hear(1, second)) > 10
    assert biased.hear(1, second) == []


def test_hysteresis_keeps_a_faint_line_still() -> None:
    def strays(hysteresis: float) -> int:
        receiver = Receiver(hysteresis=hysteresis)
        places = (Place("client", 0.0, E8), Place("tap", 1.0, E8, driver=None, receiver=receiver))
        return len(BitLine(Plant(places, bias=None), noise(0.02)).hear(1, 10**9))

    assert strays(0.3) == 0
    assert strays(0.0) > 10


def test_a_missing_terminator_is_nothing_to_settled_levels() -> None:
    # What reflections do is the sampled line's to say; this line says what it leaves out.
    line = BitLine(plant(far_ohms=inf), noise(0.0))
    line.say(talk(0, REQUEST, START))
    assert values(line.hear(1, 2 * START)) == REQUEST


def test_a_weak_driver_is_misheard_more() -> None:
    def sound(volts: float) -> int:
        places = (Place("client", 0.0, E8, driver=Driver(volts=volts)), Place("server", 5.0, E8))
        line = BitLine(Plant(places), noise(0.35))
        # Driven for two characters before it starts: idle, this noise makes strays.
        data, end = b"\x39" * 200, START + E8.characters_ns(200)
        line.say(Talk(0, data, START, E8, START - 2 * E8.character_ns, end))
        return sum(each.value == 0x39 and not each.errors for each in line.hear(1, end + START))

    assert sound(2.4) > 195
    assert sound(0.9) < 150
