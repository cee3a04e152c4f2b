"""Stations on a pair: causal, repeatable, and what drivers do to one another."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from kerfbus.bench.capture import Burst, CaptureReader, LineEvent
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.adapter import Adapter, Lumps
from kerfbus.sim.pair.bursts import Bursts
from kerfbus.sim.pair.bus import Bus, Listener, Manner, Mouth
from kerfbus.sim.pair.ideal import IdealLine
from kerfbus.sim.pair.ledger import DAMAGED, NOTHING, WHOLE, Ledger
from kerfbus.sim.pair.setup import CLIENT, TAP, Setup, clean, server_name, usual
from kerfbus.sim.pair.talk import Character
from kerfbus.sim.scenario import parse_scenario
from kerfbus.sim.scenario.pairrun import PairRun
from kerfbus.sim.scenario.party import make_line
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.truth import Truth

LINE = LineSettings()
MS, S = 1_000_000, 1_000_000_000
SHOP = parse_scenario(
    """
title = "A test"
seed = 1
[[supply]]
address = 1
[supply.table]
process = 102
poll = 0.04
[[supply.table.cut]]
length = 30.0
[[supply]]
address = 2
[supply.table]
process = 102
poll = 0.06
[[supply.table.cut]]
length = 30.0
""",
    "test.toml",
)


def ran(setup: Setup, path: Path | None = None, seconds: float = 1.5) -> Truth:
    running = PairRun(Stage(SHOP, seed=setup.seed), setup, (), path)
    running.run(round(seconds * S))
    return running.close()


def healthy(vantage: str = TAP, seed: int = 3) -> Setup:
    return usual(SHOP.line, [1, 2], vantage, seed)


class Ear(Listener):
    def __init__(self, bus: Bus, index: int) -> None:
        self.index = index
        self.heard: list[Character] = []
        bus.attach(self)

    @property
    def deadline(self) -> int:
        return 1 << 63

    def take(self, heard: object, until: int) -> None:
        assert isinstance(heard, list)
        assert all(each.at <= until for each in heard)
        self.heard += heard


@pytest.mark.parametrize("vantage", [CLIENT, TAP, server_name(1)])
def test_on_a_healthy_pair_everybody_hears_everything(vantage: str, tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    truth = ran(healthy(vantage), path)
    assert len(truth.transactions) > 30
    assert not truth.hurt
    assert {each.server for each in truth.transactions} == {1, 2}
    with CaptureReader(path) as reader:
        assert reader.info.timing == "exact"
        records = list(reader)
    bursts = [each for each in records if isinstance(each, Burst)]
    assert not any(each.errors for each in bursts)
    assert any(each.outbound for each in bursts) is (vantage != TAP)
    # Whatever hears, it is the same traffic: request and reply by turns, to the last one but one.
    assert 2 * len(truth.transactions) - len(bursts) in (-1, 0)
    marks = [each.comment for each in records if isinstance(each, LineEvent) and each.comment]
    assert [f"arc={state}" for _, state in truth.arc] == [m for m in marks if m.startswith("arc=")]


def test_silences_are_those_of_the_standard(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    ran(healthy(), path)
    with CaptureReader(path) as reader:
        bursts = [each for each in reader if isinstance(each, Burst)]
    for before, after in pairwise(bursts):
        silence = after.at - LINE.characters_ns(len(after.data)) - before.at
        # Clocks are off by 60 ppm, sampling by a sixteenth of a bit; t3.5 is 2.5.1.1.
        assert silence > LINE.t35_ns - LINE.bit_ns


def test_the_same_seed_gives_the_same_capture(tmp_path: Path) -> None:
    paths = [tmp_path / f"{number}.pcapng" for number in range(3)]
    for path, seed in zip(paths, (3, 3, 4), strict=True):
        ran(healthy(seed=seed), path)
    assert paths[0].read_bytes() == paths[1].read_bytes() != paths[2].read_bytes()


def test_two_who_talk_at_once_damage_each_other() -> None:
    setup = healthy()
    bus = Bus(lambda plant: make_line(setup, plant), setup.plant)
    bus.ledger = Ledger(range(4))
    ears = [Ear(bus, index) for index in range(4)]
    mouths = [Mouth(bus, index, Manner(), 1) for index in (0, 1)]
    bus.put(MS, lambda now: mouths[0].say(b"\x55" * 8, now + MS, "request"))
    bus.put(MS, lambda now: mouths[1].say(b"\x0f" * 8, now + 2 * MS, "reply"))
    bus.run(20 * MS)
    assert len(bus.ledger.spoken) == 2
    for spoken in bus.ledger.spoken:
        assert spoken.heard[3] == DAMAGED
    assert ears[3].heard


def test_an_ideal_line_is_heard_by_those_who_are_set_to_it() -> None:
    setup = clean(LINE, [1], TAP, 0).with_place(TAP, settings=replace(LINE, baud=9600))
    bus = Bus(IdealLine, setup.plant)
    bus.ledger = Ledger(range(3))
    ears = [Ear(bus, index) for index in range(3)]
    Mouth(bus, 0, Manner(), 0).say(b"abc", MS, "request")
    bus.run(10 * MS)
    assert [[each.value for each in ear.heard] for ear in ears] == [[], [97, 98, 99], []]
    assert ears[1].heard[-1].at == MS + LINE.characters_ns(3)
    assert bus.ledger.spoken[0].heard == {0: NOTHING, 1: WHOLE, 2: NOTHING}


def test_a_burst_ends_with_half_a_character_of_idle_line_wherever_hearing_is_cut() -> None:
    char = LINE.character_ns
    ends = [char, 2 * char, 2 * char + char * 14 // 10, 6 * char, 8 * char]
    heard = [Character(number, at) for number, at in enumerate(ends)]
    for cuts in ([10 * char], [at + 1 for at in range(0, 11 * char, char // 3)]):
        bursts = Bursts(LINE)
        found = []
        for cut in cuts:
            found += bursts.take([c for c in heard if c.at <= cut], cut)
            heard_later = [c for c in heard if c.at > cut]
            heard = heard_later
        found += bursts.flush()
        assert [list(each.data) for each in found] == [[0, 1, 2], [3], [4]]
        assert [each.at for each in found] == [ends[2], ends[3], ends[4]]
        heard = [Character(number, at) for number, at in enumerate(ends)]


def test_an_adapter_loses_nothing_and_stamps_late() -> None:
    lumps = Lumps(2 * MS, stall_share=0.3, stall_ns=20 * MS)
    adapter = Adapter(lumps, 1, "x")
    char = LINE.character_ns
    heard = [Character(number % 256, (number + 1) * char) for number in range(400)]
    found = []
    for at in range(0, 2 * S, MS):
        found += adapter.take([c for c in heard if at - MS < c.at <= at], at)
    assert b"".join(each.data for each in found) == bytes(c.value for c in heard)
    stamps = [each.at for each in found]
    assert stamps == sorted(stamps)
    count = 0
    late = Counter[bool]()
    for chunk in found:
        count += len(chunk.data)
        assert chunk.at >= heard[count - 1].at
        late[chunk.at - heard[count - 1].at > lumps.believed_ns] += 1
    assert late[True] > 3  # stalls, which nobody believes
