"""The second line model shows of each cause what the table of causes says, and tells the truth."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from diagnosis.otherline import (
    CAUSES,
    FULL,
    HIGH,
    LOW,
    VANTAGES,
    Case,
    Played,
    make_capture,
    play,
    random_case,
    search,
)
from diagnosis.otheruart import Heard, Uart, edges, form
from diagnosis.otherwave import Talk

from kerfbus.bench.capture import Burst, LineEvent, read_capture
from kerfbus.bench.crc import crc_good
from kerfbus.bench.transport import LineEventKind

STYLES = ("A", "B")
REQUEST = bytes.fromhex("010300000002C40B")


def played(cause: str, vantage: str, style: str, seed: int = 1, **more: object) -> Played:
    """Return a short run of a cause at middling severity."""
    case = Case(
        ((cause, 0.75),),
        vantage,
        seed=seed,
        style=style,
        transactions=70,
        **more,  # type: ignore[arg-type]
    )
    return play(case, search(case), case.transactions)


def wrong(run: Played) -> list[tuple[Talk, int]]:
    """Return the sent characters that the recording station did not hear as they were sent."""
    heard = [each for each in run.heard if not each.errors]
    starts = [each.start for each in heard]
    found = []
    for talk in run.bus.wire.talks:
        if talk.who == run.plan.recorder or talk.end > run.end:
            continue
        for place, (start, value) in enumerate(zip(talk.starts, talk.data, strict=True)):
            at = bisect_left(starts, start - talk.bit / 2)
            near = at < len(heard) and heard[at].start < start + talk.bit / 2
            if not near or heard[at].value != value:
                found.append((talk, place))
    return found


# The receiver: domain facts, section 7, rows computed bit by bit for this request


@pytest.mark.parametrize(
    ("sent", "received", "inverted", "expected"),
    [
        ("19200 8N1", "19200 8N1", True, "7F 7E FF FF FB 77/F 7A/F"),
        ("19200 8E1", "19200 8E1", True, "7F/P FE/P FF/P FF/P FB/F 87/F 0F/F"),
        # A 00 without a stop bit is a break.
        ("19200 8E1", "19200 8N1", False, "01 03/F 00/B 00/B 00/B 02 C4 0B"),
        ("19200 8N2", "19200 8E1", False, "01 03/P 00/P 00/P 00/P 02 C4 0B"),
        ("19200 8N1", "19200 8E1", False, "01/F 20/FP 00/FP 02/F DC/P F8"),
        ("9600 8N1", "9888 8N1", False, "01 03 00 00 00 02 C4 0B"),
    ],
)
def test_the_receiver_shows_known_signatures(
    sent: str, received: str, inverted: bool, expected: str
) -> None:
    baud, shape = int(sent[:-4]), form(sent[-3:])
    bit = 1e9 / baud
    changes = edges([at * shape.bits * bit for at in range(8)], REQUEST, bit, shape)
    for votes in (1, 3):
        uart = Uart(1e9 / int(received[:-4]), form(received[-3:]), votes)
        heard = uart.decode(changes, 0 if inverted else 1)
        assert " ".join(map(_shown, heard)) == expected


def _shown(each: Heard) -> str:
    errors = "".join(kind.name[0] for kind in each.errors)
    return f"{each.value:02X}" + (f"/{errors}" if errors else "")


# What holds for all


@pytest.mark.parametrize("style", STYLES)
def test_the_same_case_gives_the_same_bytes(tmp_path: Path, style: str) -> None:
    case = Case((("arc-noise", 0.5),), seed=4, transactions=60, style=style, timing="host")
    notes = [make_capture(tmp_path / name, case) for name in ("one", "two")]
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    assert notes[0] == notes[1]
    make_capture(tmp_path / "three", Case((("arc-noise", 0.5),), seed=5, transactions=60))
    assert (tmp_path / "three").read_bytes() != (tmp_path / "one").read_bytes()


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("cause", ["healthy", "random-noise", "missing-bias", "second-client"])
def test_the_quick_way_hears_what_the_bits_say(cause: str, style: str) -> None:
    run = played(cause, "tap", style)
    ear = run.plan.ears["tap"]
    slowly = run.bus.wire.hear(ear, 0.0, run.end, quick=False)
    assert [(each.value, each.errors) for each in slowly] == [
        (each.value, each.errors) for each in run.heard
    ]


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
@pytest.mark.parametrize("baud", [9600, 115200])
def test_a_healthy_line_loses_nothing(vantage: str, style: str, baud: int) -> None:
    run = played("healthy", vantage, style, baud=baud)
    assert not wrong(run)
    assert all(turn.answered for turn in run.bus.turns)


@pytest.mark.parametrize(
    ("number", "cause"),
    [(number, cause) for number, cause in enumerate(CAUSES) if cause not in FULL],
)
def test_severities_are_middling_and_the_file_says_what_it_should(
    tmp_path: Path, number: int, cause: str
) -> None:
    vantage = VANTAGES[cause][number % len(VANTAGES[cause])]
    case = replace(random_case(cause, vantage, STYLES[number % 2], number), transactions=100)
    note = make_capture(tmp_path / "a.pcapng", case)
    capture = read_capture(tmp_path / "a.pcapng")
    records = list(capture.records)
    assert LOW <= note.hurt <= HIGH
    assert note.causes == (cause,)
    assert note.requests == case.transactions
    assert (capture.info.vantage, capture.info.timing) == (vantage, case.timing)
    stamps = [each.at for each in records]
    assert stamps == sorted(stamps)
    marks = [each for each in records if isinstance(each, LineEvent)]
    assert any("arc=" in each.comment for each in marks) == note.marks
    errors = [each for each in records if isinstance(each, Burst) and each.errors]
    assert note.reports or not errors
    assert any(each.outbound for each in records if isinstance(each, Burst)) == (vantage != "tap")


# What each cause does


@pytest.mark.parametrize("style", STYLES)
def test_arc_noise_is_there_only_with_the_arc(style: str) -> None:
    run = played("arc-noise", "tap", style)
    arcs = run.plan.arc.between(0, run.end)
    damaged = wrong(run)
    assert damaged
    slack = 0.07 * max(off - on for on, off in arcs)
    for talk, place in damaged:
        assert any(on - slack <= talk.starts[place] <= off + slack for on, off in arcs)


@pytest.mark.parametrize("style", STYLES)
def test_random_noise_is_everywhere(style: str) -> None:
    damaged = wrong(played("random-noise", "tap", style))
    assert {talk.kind for talk, _ in damaged} == {"request", "reply"}
    thirds = Counter(3 * place // len(talk.data) for talk, place in damaged)
    assert len(thirds) == 3


@pytest.mark.slow
@pytest.mark.parametrize("style", STYLES)
def test_reflections_depend_on_who_talks_and_on_level_changes(style: str) -> None:
    run = played("missing-termination", "tap", style, baud=115200)
    damaged = wrong(run)
    by = Counter(talk.who for talk, _ in damaged)
    sent = Counter(talk.who for talk in run.bus.wire.talks for _ in talk.data)
    rates = sorted(by[who] / sent[who] for who in sent)
    assert damaged
    assert rates[-1] > 3 * rates[0]
    hit = Counter(
        talk.data[place] in (0x00, 0xFF) for talk, place in damaged if talk.who == max(by)
    )
    assert hit[False] > 0


@pytest.mark.parametrize("style", STYLES)
def test_without_bias_characters_come_out_of_silence(style: str) -> None:
    run = played("missing-bias", "tap", style)
    spans = [(talk.on, talk.end) for talk in run.bus.wire.talks]
    stray = [each for each in run.heard if not any(on <= each.start <= end for on, end in spans)]
    assert stray
    assert any(each.value & 0x80 or each.errors for each in stray)


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
def test_an_early_release_takes_the_tail_of_one_side(vantage: str, style: str) -> None:
    run = played("early-release", vantage, style)
    damaged = wrong(run)
    assert damaged
    assert {talk.who for talk, _ in damaged} == set(run.plan.facts["who"])  # type: ignore[call-overload]
    assert all(place >= len(talk.data) - 3 for talk, place in damaged)


@pytest.mark.parametrize("style", STYLES)
def test_a_late_release_takes_the_head_of_what_follows(style: str) -> None:
    run = played("late-release", "client", style)
    damaged = wrong(run)
    assert damaged
    assert {talk.kind for talk, _ in damaged} == {"reply"}
    first = Counter(place for _, place in damaged)
    assert first[0] == max(first.values())


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("vantage", ["client", "server"])
def test_an_echo_is_what_was_sent(vantage: str, style: str) -> None:
    run = played("echo", vantage, style)
    heard = bytes(each.value for each in run.heard)
    own = [talk.data for talk in run.bus.wire.talks if talk.who == run.plan.recorder]
    assert own
    assert all(data in heard for data in own[:-1])


@pytest.mark.parametrize("style", STYLES)
def test_adapter_gaps_change_no_character(tmp_path: Path, style: str) -> None:
    case = Case(
        (("adapter-gaps", 0.8),), "tap", timing="host", seed=3, transactions=80, style=style
    )
    make_capture(tmp_path / "a.pcapng", case)
    capture = read_capture(tmp_path / "a.pcapng")
    bursts = [each for each in capture.records if isinstance(each, Burst)]
    run = play(case, search(case), case.transactions)
    assert b"".join(each.data for each in bursts) in bytes(each.value for each in run.heard)
    whole = sum(crc_good(each.data) for each in bursts)
    assert whole < len(bursts)


@pytest.mark.parametrize("style", STYLES)
def test_only_a_shared_address_is_hurt(style: str) -> None:
    run = played("duplicate-address", "tap", style, seed=2)
    shared = run.plan.servers[0].address
    assert {talk.data[0] for talk, _ in wrong(run)} == {shared}
    assert not [talk for talk, _ in wrong(run) if talk.kind == "request"]


@pytest.mark.parametrize("style", STYLES)
def test_a_second_client_asks_what_the_first_did_not(style: str) -> None:
    run = played("second-client", "client", style)
    foreign = [talk.data for talk in run.bus.wire.talks if talk.kind == "foreign"]
    heard = bytes(each.value for each in run.heard)
    assert sum(data in heard for data in set(foreign)) > 0


@pytest.mark.parametrize("style", STYLES)
def test_an_open_pair_loses_all_at_once(style: str) -> None:
    run = played("intermittent-contact", "client", style)
    spans = run.plan.ears["client"].apart
    assert spans is not None
    lost = wrong(run)
    unanswered = [turn for turn in run.bus.turns if not turn.answered]
    assert unanswered
    for talk, place in lost:
        start = talk.starts[place]
        assert spans.between(start - 3 * run.plan.char, start + run.plan.char)


@pytest.mark.parametrize("style", STYLES)
def test_a_ground_offset_kills_one_direction_in_blocks(style: str) -> None:
    run = played("ground-offset", "client", style)
    ear = run.plan.ears["client"]
    assert ear.deaf is not None
    damaged = wrong(run)
    assert damaged
    assert {talk.kind for talk, _ in damaged} == {"reply"}
    for talk, _ in damaged:
        assert ear.deaf.between(talk.on - 2 * run.plan.char, talk.end)


@pytest.mark.parametrize("cause", ["swapped-pair", "wrong-baud"])
@pytest.mark.parametrize("style", STYLES)
def test_a_tap_with_wrong_pair_or_rate_hears_no_frame(cause: str, style: str) -> None:
    run = played(cause, "tap", style)
    heard = bytes(each.value for each in run.heard)
    assert all(turn.answered for turn in run.bus.turns)  # the line itself is well
    assert not any(turn.talk.data in heard for turn in run.bus.turns)


def test_a_wrong_format_leaves_values_and_a_fixed_pattern_of_errors() -> None:
    run = played("wrong-format", "tap", "A", format="8E1")
    sent = [talk for talk in run.bus.wire.talks if talk.end < run.end]
    first = Counter(each.value for each in run.heard)
    assert first[sent[0].data[0]] > 0
    by_value: dict[int, set[tuple[LineEventKind, ...]]] = {}
    for each in run.heard:
        by_value.setdefault(each.value, set()).add(each.errors)
    assert all(len(errors) == 1 for errors in by_value.values())
    assert any(errors != {()} for errors in by_value.values())


@pytest.mark.parametrize("cause", ["swapped-pair", "wrong-baud", "wrong-format", "no-server"])
def test_from_a_client_they_are_silence_and_nothing_else(cause: str) -> None:
    run = played(cause, "client", "B", seed=5)
    answered = {turn.ask.server for turn in run.bus.turns if turn.answered}
    silent = {turn.ask.server for turn in run.bus.turns if not turn.answered}
    assert silent
    assert not answered & silent
    assert not wrong(run)


@pytest.mark.parametrize("style", STYLES)
def test_a_slow_server_spoils_no_character(style: str) -> None:
    run = played("slow-server", "tap", style)
    replies = [talk for turn in run.bus.turns for talk in turn.replies]
    late = [turn for turn in run.bus.turns if not turn.answered and turn.replies]
    assert late
    alone = [talk for talk, _ in wrong(run) if len(run.bus.wire.around(talk.on, talk.end)) == 1]
    assert replies
    assert not alone
