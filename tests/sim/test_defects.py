"""Each cause makes its own symptom, at each vantage that can see it, and grows with severity.

What each must look like is the table of causes in the answers' reference.
"""

from __future__ import annotations

import json
from collections import Counter
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import pytest

from kerfbus.bench.capture import Burst, CaptureReader
from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind, Vantage
from kerfbus.sim.causerun import CauseRun, record_cause
from kerfbus.sim.pair.defects import CAUSES, with_cause
from kerfbus.sim.pair.ledger import WHOLE
from kerfbus.sim.pair.setup import TAP, usual
from kerfbus.sim.scenario.truth import Transaction, Truth
from kerfbus.sim.scenario.wire import CAUSE_NAMES

LINE = LineSettings()
FAST = LineSettings.parse(57600, "8E1")
MS = 1_000_000


class Made(NamedTuple):
    truth: Truth
    bursts: list[Burst]
    timing: str
    uncertainty_ns: int

    @property
    def own(self) -> list[Transaction]:
        return [each for each in self.truth.transactions if not each.foreign]

    def errors(self, kind: LineEventKind) -> int:
        return sum(error.kind == kind for each in self.bursts for error in each.errors)

    def in_arc(self) -> Counter[tuple[bool, bool]]:
        """Count transactions by whether an arc burnt within 30 ms, and whether they were hurt."""
        found: Counter[tuple[bool, bool]] = Counter()
        edges = self.truth.arc
        for each in self.own:
            began = each.at_ns - 30 * MS
            state = "off"
            near = False
            for at, now in edges:
                if at <= began:
                    state = now
                elif at <= each.at_ns + 60 * MS:
                    near = True
            found[state == "on" or near, each.hurt] += 1
        return found


@cache
def made(
    cause: str,
    severity: float,
    vantage: Vantage = "tap",
    count: int = 60,
    line: LineSettings = LINE,
    seed: int = 5,
) -> Made:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.pcapng"
        run = CauseRun(
            cause, severity, path, vantage, "bits", line, seed, count, servers=2, poll_ms=30
        )
        truth = record_cause(run)
        with CaptureReader(path) as reader:
            records = [each for each in reader if isinstance(each, Burst)]
            info = reader.info
        told = json.loads(Path(f"{path}.truth.json").read_text())
    assert told["hurt"] == truth.hurt
    assert told["causes"] == [{"cause": cause, "severity": severity}]
    assert len(told["transactions"]) == len(truth.transactions)
    return Made(truth, records, info.timing, info.uncertainty_ns)


def test_the_causes_are_those_that_scenarios_name() -> None:
    assert tuple(CAUSES) == CAUSE_NAMES


@pytest.mark.parametrize("wrong", [("storm", 0.5), ("echo", 1.5), ("echo", float("nan"))])
def test_what_is_no_cause(wrong: tuple[str, float]) -> None:
    with pytest.raises(UsageError):
        with_cause(usual(LINE, [1], TAP, 0), *wrong)


@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
def test_healthy(vantage: Vantage) -> None:
    found = made("healthy", 1.0, vantage)
    assert not found.truth.hurt
    assert not any(each.errors for each in found.bursts)


@pytest.mark.parametrize(
    ("cause", "line"),
    [
        ("random-noise", LINE),
        ("missing-termination", FAST),
        ("missing-bias", LINE),
        ("early-release", LINE),
        ("late-release", LINE),
        ("duplicate-address", LINE),
        ("ground-offset", LINE),
        ("slow-server", LINE),
        ("no-server", LINE),
        ("swapped-pair", LINE),
        ("wrong-baud", LINE),
    ],
)
def test_it_grows_from_barely_visible_to_dead(cause: str, line: LineSettings) -> None:
    shares = []
    for severity in (0.0, 0.5, 1.0):
        found = made(cause, severity, count=24, line=line)
        shares.append(sum(each.hurt for each in found.own) / len(found.own))
    assert shares == sorted(shares)
    assert shares[0] < 0.2
    assert shares[2] > 0.35  # where only one of two servers is concerned, half of them


def test_arc_noise_hurts_while_the_arc_burns_only() -> None:
    found = made("arc-noise", 1.0, count=90)
    hurt = found.in_arc()
    assert hurt[True, True] > 5
    assert not hurt[False, True]


def test_random_noise_comes_with_and_without_the_arc() -> None:
    hurt = made("random-noise", 0.6, count=90).in_arc()
    assert hurt[False, True] > 3
    assert hurt[True, True] > 3


def test_a_missing_termination_depends_on_who_talks() -> None:
    found = made("missing-termination", 1.0, "client", 40, FAST)
    assert found.truth.setup.fidelity == "sampled"
    asked = Counter(each.request for each in found.own)
    assert asked[WHOLE] < 10
    assert all(each.reply == WHOLE for each in found.own if each.reply)


@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
def test_without_bias_there_are_strays_in_the_silence(vantage: Vantage) -> None:
    found = made("missing-bias", 0.6, vantage, 30)
    wholes = {each.data for each in made("healthy", 1.0, vantage).bursts}
    strays = [each for each in found.bursts if len(each.data) <= 3 and each.data not in wholes]
    assert len(strays) > 5
    assert found.errors(LineEventKind.BREAK) + found.errors(LineEventKind.FRAMING) > 0


@pytest.mark.parametrize("cause", ["early-release", "ground-offset"])
def test_one_direction_only(cause: str) -> None:
    found = made(cause, 1.0)
    asked = sum(each.request != WHOLE for each in found.own)
    answered = sum(each.reply not in (WHOLE, None) for each in found.own)
    assert (asked == 0) != (answered == 0)


def test_late_release_spoils_the_head_of_the_other_side() -> None:
    found = made("late-release", 1.0)
    damaged = [each for each in found.own if each.reply not in (WHOLE, None)]
    assert len(damaged) > 20 or any(each.request not in (WHOLE, None) for each in found.own)


@pytest.mark.parametrize("vantage", ["client", "server"])
def test_echo_is_heard_behind_what_was_said(vantage: Vantage) -> None:
    full, little = made("echo", 1.0, vantage), made("echo", 0.0, vantage)
    sent = {each.data for each in full.bursts if each.outbound}
    assert any(not each.outbound and each.data in sent for each in full.bursts)
    echoes = [sum(each.echo for each in found.own) for found in (little, full)]
    assert echoes[0] < echoes[1] >= len([1 for each in full.own if each.replies]) - 30
    assert full.own[3].echo or full.own[4].echo


@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
def test_adapter_gaps_are_gaps_and_no_wrong_character(vantage: Vantage) -> None:
    found, right = made("adapter-gaps", 1.0, vantage), made("healthy", 1.0, vantage)
    assert found.timing == "host"
    assert found.uncertainty_ns > 0
    assert not any(each.errors for each in found.bursts)
    wholes = {each.data for each in right.bursts}
    parts = [each for each in found.bursts if each.data not in wholes]
    assert len(parts) > 5
    if vantage == "tap":  # its own adapter changes nothing on the line
        heard, said = (b"".join(b.data for b in each.bursts) for each in (found, right))
        assert heard == said
    assert not any(each.seen_request not in (WHOLE, None) for each in found.own)


def test_two_servers_answer_one_address_and_the_other_is_clean() -> None:
    found = made("duplicate-address", 1.0)
    twin = found.truth.setup.twin
    mine = [each for each in found.own if each.server == twin]
    others = [each for each in found.own if each.server != twin]
    assert all(each.replies == 2 for each in mine[:-1])
    assert all(each.request == WHOLE for each in found.own)
    assert others
    assert not any(each.hurt for each in others)


@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
def test_a_second_client_asks_as_well(vantage: Vantage) -> None:
    found = made("second-client", 0.8, vantage)
    foreign = [each for each in found.truth.transactions if each.foreign]
    assert len(foreign) > 10
    few = made("second-client", 0.0, vantage)
    assert sum(each.foreign for each in few.truth.transactions) < len(foreign) / 5


def test_an_open_joint_loses_everything_at_once() -> None:
    found = made("intermittent-contact", 0.8, "client", seed=7)
    lost = [each for each in found.own if each.request != WHOLE]
    assert lost
    assert any(not each.replies for each in lost)


def test_a_joint_opens_for_longer_and_more_often() -> None:
    hurt = [made("intermittent-contact", severity, seed=7).truth.hurt for severity in (0.0, 1.0)]
    assert hurt[0] < 12
    assert hurt[1] > 40


@pytest.mark.parametrize("severity", [0.3, 1.0])
def test_a_swapped_tap_hears_every_character_inverted(severity: float) -> None:
    found = made("swapped-pair", severity)
    seen = [each.seen_request for each in found.own]
    swapped = [each for each in seen if each != WHOLE]
    assert swapped
    assert seen[: len(swapped)] == swapped  # from the beginning, until somebody mends it
    assert (len(swapped) == len(seen)) is (severity == 1.0)
    assert all(each.request == WHOLE and each.reply == WHOLE for each in found.own)


@pytest.mark.parametrize("cause", ["swapped-pair", "wrong-baud", "no-server"])
def test_the_client_gets_silence_from_one_address(cause: str) -> None:
    found = made(cause, 1.0, "client")
    silent = {each.server for each in found.own if each.outcome == "time-out"}
    assert len(silent) == 1
    heard = [each for each in found.own if each.server not in silent]
    assert heard
    assert {each.outcome for each in heard} <= {"reply", "exception"}


def test_a_wrong_format_leaves_a_pattern_of_errors() -> None:
    # 8E1 on the line, 8N2 at the tap: the parity bit is taken for the stop bit, so every character
    # with an even number of ones has a framing error (the bench's UART signatures).
    found = made("wrong-format", 0.0)
    assert found.truth.setup.place(TAP).settings.format == "8N2"
    assert not found.errors(LineEventKind.PARITY)
    for burst in found.bursts:
        marked = {error.position for error in burst.errors}
        even = {place for place, value in enumerate(burst.data) if not value.bit_count() % 2}
        assert marked == even
    # And odd for even: a parity error on each.
    odd = made("wrong-format", 1.0)
    characters = sum(len(each.data) for each in odd.bursts)
    assert odd.errors(LineEventKind.PARITY) == characters


def test_a_slow_server_answers_after_the_time_out() -> None:
    found = made("slow-server", 0.6, "client", 80)
    outcomes = Counter(each.outcome for each in found.own)
    assert outcomes["time-out"] + outcomes["late reply"] > 3
    assert all(each.request == WHOLE for each in found.own)
