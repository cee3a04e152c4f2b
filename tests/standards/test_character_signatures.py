"""What a listener's UART makes of a sound request when it is set or wired wrongly.

The signatures are this project's own calculations (its notes on the field, "Serial faults:
bit/byte/frame signature", rows marked CALC: a bit-level simulation made before this one), not a
standard's. All reproduce but one, which says why. ``/F`` framing, ``/P`` parity; the notes write no
break, so the break flag that a 00 with a low stop bit bears besides is left out here.
"""

import numpy as np
import pytest

from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind
from kerfbus.sim.pair.bitline import BitLine
from kerfbus.sim.pair.noise import Disturbances, NoisePlan, Routing
from kerfbus.sim.pair.plant import Place, Plant
from kerfbus.sim.pair.talk import Character, Talk
from kerfbus.sim.pair.uart import UartReceiver, levels

REQUEST = bytes.fromhex("010300000002C40B")
LETTERS = {LineEventKind.FRAMING: "F", LineEventKind.PARITY: "P"}
START = 50_000_000
SEEDS = (0, 1, 2, 3)  # each another phase of the sampling clocks


def written(heard: list[Character]) -> str:
    """Return characters as the notes write them."""
    words = []
    for each in heard:
        letters = "".join(LETTERS.get(error, "") for error in reversed(each.errors))
        words.append(f"{each.value:02X}" + ("/" + letters if letters else ""))
    return " ".join(words)


def tapped(
    sender: str,
    listener: str,
    seed: int,
    *,
    rates: tuple[int, int] = (19200, 19200),
    swapped: bool = False,
    ppm: float = 0.0,
) -> list[Character]:
    """Return what a tap hears of the request, from before it to well behind it."""
    spoken = LineSettings.parse(rates[0], sender)
    places = (
        Place("client", 0.0, spoken, clock_ppm=ppm),
        Place("tap", 20.0, LineSettings.parse(rates[1], listener), driver=None, swapped=swapped),
    )
    line = BitLine(Plant(places), Disturbances(NoisePlan(), Routing(), seed))
    line.hear(1, START - 1)
    end = START + round(spoken.characters_ns(len(REQUEST)) / (1 + ppm * 1e-6))
    line.say(Talk(0, REQUEST, START, spoken, START - 10_000, end))
    return list(line.hear(1, end + 20_000_000))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("sender", "listener", "signature"),
    [
        ("8E1", "8N1", "01 03/F 00/F 00/F 00/F 02 C4 0B"),
        ("8N2", "8E1", "01 03/P 00/P 00/P 00/P 02 C4 0B"),
        ("8N1", "8E1", "01/F 20/PF 00/PF 02/F DC/P F8"),
        ("8O1", "8E1", "01/P 03/P 00/P 00/P 00/P 02/P C4/P 0B/P"),
        ("8E1", "8E1", "01 03 00 00 00 02 C4 0B"),
    ],
)
def test_wrong_format(sender: str, listener: str, signature: str, seed: int) -> None:
    assert written(tapped(sender, listener, seed)) == signature


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("form", "signature"),
    [("8N1", "7F 7E FF FF FB 77/F 7A/F"), ("8E1", "7F/P FE/P FF/P FF/P FB/F 87/F 0F/F")],
)
def test_swapped_pair(form: str, signature: str, seed: int) -> None:
    assert written(tapped(form, form, seed, swapped=True)) == signature


def test_a_swapped_listener_s_silence_is_one_break() -> None:
    settings = LineSettings.parse(19200, "8N1")
    places = (Place("client", 0.0, settings), Place("tap", 20.0, settings, swapped=True))
    heard = BitLine(Plant(places)).hear(1, 10 * START)
    assert [(each.value, each.errors) for each in heard] == [
        (0, (LineEventKind.FRAMING, LineEventKind.BREAK))
    ]


@pytest.mark.parametrize("seed", SEEDS)
def test_listener_at_twice_the_rate(seed: int) -> None:
    # The notes give "values like 06/F 1E/F 00/F 18/F 80", up to twice as many as were sent.
    heard = tapped("8N1", "8N1", seed, rates=(9600, 19200))
    assert written(heard) == "06/F 1E/F 00/F 00/F 00/F 18/F 60/F 9E 80"


def test_listener_at_half_the_rate() -> None:
    """The notes have ``8C/F 08 A8 FE``.

    The middle of a slow bit is the border of two fast ones, so which of the two is read hangs on
    which samples vote. Ours are 7, 8 and 9 of 16, two of them before the border: the first of the
    two bits is read. With votes 8, 9 and 10 it is the second, and the notes' row comes out. Votes 7
    to 9 are what the tolerance table asks for (`test_uart_tolerance.py`), so that row is not ours.
    """
    assert at_half_the_rate(first_vote=8) == "8C/F 08 A8 FE"
    assert at_half_the_rate(first_vote=7) == "20/F 00/F 20/F 68/F"
    for seed in SEEDS:
        heard = tapped("8N1", "8N1", seed, rates=(19200, 9600))
        assert written(heard) == "20/F 00/F 20/F 68/F"


def at_half_the_rate(first_vote: int) -> str:
    settings = LineSettings.parse(9600, "8N1")
    bits = np.frombuffer(b"\x01" + levels(REQUEST, settings) + b"\x01" * 40, np.uint8)
    found = UartReceiver(settings, first_vote=first_vote).feed(np.repeat(bits, 8).tobytes())
    return written([Character(each.value, each.end, each.errors) for each in found])


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("form", ["8N1", "8E1"])
def test_three_percent_are_clean_and_six_are_broken_from_the_first_character(
    form: str, sign: int, seed: int
) -> None:
    clean = tapped(form, form, seed, ppm=sign * 30_000)
    assert written(clean) == "01 03 00 00 00 02 C4 0B"
    broken = tapped(form, form, seed, ppm=sign * 60_000)
    assert broken[0].errors or broken[0].value != REQUEST[0]
