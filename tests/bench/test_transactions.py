"""Captures are cut into transactions without losing a character, an instant or a line error."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from kerfbus.bench import wire
from kerfbus.bench.capture import Burst, CaptureInfo, Record, read_capture
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transactions import Ending, cut_transactions, part_of, read_transactions
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind, Vantage
from kerfbus.sim.causerun import CauseRun, record_cause

LINE = LineSettings()
ASK = wire.adu(1, wire.ReadInputRegisters(0, 2))
ANSWER = wire.adu(1, wire.ReadInputRegistersReply((7, 8)))
REFUSAL = wire.adu(1, wire.ExceptionReply(4, 2))
MS = 1_000_000


def info(vantage: Vantage = "client") -> CaptureInfo:
    return CaptureInfo(LINE, vantage, "exact", "virtual")


def asked(at: int, frame: bytes = ASK) -> Burst:
    return Burst(frame, at, outbound=True)


def cut(*records: Record, vantage: Vantage = "client") -> list[tuple[Ending, bytes]]:
    found = cut_transactions(info(vantage), records)
    return [(each.ending, b"".join(chunk.data for chunk in each.heard)) for each in found]


def test_each_ending_is_told_from_the_others() -> None:
    spoilt = ANSWER[:-1] + b"\xff"
    assert cut(
        asked(10 * MS),
        Burst(ANSWER, 30 * MS),
        asked(110 * MS),
        Burst(REFUSAL, 130 * MS),
        asked(210 * MS),
        asked(310 * MS),
        Burst(spoilt, 330 * MS),
        asked(410 * MS, wire.adu(0, wire.WriteSingleRegister(0, 1))),
    ) == [
        (Ending.REPLY, ANSWER),
        (Ending.EXCEPTION, REFUSAL),
        (Ending.SILENCE, b""),
        (Ending.DAMAGED, spoilt),
        (Ending.BROADCAST, b""),
    ]


def test_a_late_reply_answers_nobody() -> None:
    other = wire.adu(1, wire.ReadInputRegisters(9, 5))
    found = list(
        cut_transactions(
            info(), [asked(10 * MS), asked(1010 * MS, other), Burst(ANSWER, 1030 * MS)]
        )
    )
    assert [each.ending for each in found] == [Ending.SILENCE, Ending.SILENCE]
    assert [each.late for each in found] == [0, 1]


def test_turnaround_counts_from_stop_bit_to_start_bit() -> None:
    (found,) = cut_transactions(info(), [asked(10 * MS), Burst(ANSWER, 30 * MS)])
    assert found.turnaround_ns == 20 * MS - LINE.characters_ns(len(ANSWER))
    assert found.heard == (Chunk(ANSWER, 20 * MS),)


def test_a_station_that_hears_itself_has_its_echo_apart() -> None:
    found = list(
        cut_transactions(
            info(),
            [
                *(asked(10 * MS), Burst(ASK, 10 * MS), Burst(ANSWER, 30 * MS)),
                *(asked(60 * MS), Burst(ASK, 60 * MS), Burst(ANSWER, 80 * MS)),
            ],
        )
    )
    assert [each.echo for each in found] == [(Chunk(ASK, 0),)] * 2
    assert [each.heard for each in found] == [(Chunk(ANSWER, 20 * MS),)] * 2


def test_a_lump_of_request_and_reply_is_cut_between_them() -> None:
    """A host behind a slow adapter hands over both at once."""
    error = CharacterError(len(ASK) + 1, LineEventKind.PARITY)
    lump = Burst(ASK + ANSWER, 30 * MS, errors=(error,))
    (found,) = cut_transactions(info("tap"), [lump])
    assert found.request == ASK
    (chunk,) = found.heard
    assert chunk.data == ANSWER
    assert chunk.errors == (CharacterError(1, LineEventKind.PARITY),)
    assert found.ending is Ending.DAMAGED
    assert chunk.at == LINE.characters_ns(len(ANSWER))


def test_part_of_a_burst_ends_with_its_own_character_where_times_are_exact() -> None:
    burst = Burst(b"abcdef", 100 * MS, errors=(CharacterError(3, LineEventKind.FRAMING),))
    assert part_of(burst, 2, 4, None) == Chunk(
        b"cd", 100 * MS, (CharacterError(1, LineEventKind.FRAMING),)
    )
    assert part_of(burst, 0, 2, LINE) == Chunk(b"ab", 100 * MS - LINE.characters_ns(4))


@pytest.mark.parametrize("vantage", get_args(Vantage))
@pytest.mark.parametrize("cause", ["arc-noise", "echo", "duplicate-address", "adapter-gaps"])
def test_no_character_and_no_line_error_is_lost(
    tmp_path: Path, cause: str, vantage: Vantage
) -> None:
    path = tmp_path / "damaged.pcapng"
    record_cause(CauseRun(cause, 0.6, path, vantage=vantage, seed=5, transactions=60))
    capture, recording = read_capture(path), read_transactions(path)
    bursts = [each for each in capture.records if isinstance(each, Burst)]
    first = recording.transactions[0].request
    line = b"".join(each.data for each in bursts)
    behind = line[line.index(first) :]
    told, errors = b"", 0
    for each in recording.transactions:
        told += each.request
        chunks = sorted((*each.echo, *each.heard), key=lambda chunk: chunk.at)
        told += b"".join(chunk.data for chunk in chunks)
        errors += sum(len(chunk.errors) for chunk in chunks)
        for chunk in chunks:
            places = [error.position for error in chunk.errors]
            assert all(0 <= place < len(chunk.data) for place in places)
    assert sorted(told) == sorted(behind)  # a server that talks over others: not in their order
    if vantage != "server":
        assert told == behind
    if vantage == "client":  # it hears no requests, so each line error is somewhere behind one
        assert errors == sum(len(each.errors) for each in bursts)


def test_a_server_records_the_request_before_its_own_reply(tmp_path: Path) -> None:
    path = tmp_path / "server.pcapng"
    record_cause(CauseRun("healthy", 0.5, path, vantage="server", seed=3, transactions=30))
    endings = {each.ending for each in read_transactions(path).transactions}
    assert endings == {Ending.REPLY}
