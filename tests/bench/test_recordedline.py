"""A recording played as a port: the same characters, times and line errors, and only those."""

from __future__ import annotations

from pathlib import Path

import pytest

from kerfbus.bench import wire
from kerfbus.bench.answerbook import AnswerBook, Repeat, Surprise
from kerfbus.bench.capture import Burst, CaptureWriter, read_capture
from kerfbus.bench.client import Client, Outcome, Policy
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.errors import CaptureError, PortError, PortLostError, SettingsError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.ports import open_port
from kerfbus.bench.recordedline import PlayOptions, RecordedTraffic, open_recording
from kerfbus.bench.transactions import Ending, read_transactions
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind
from kerfbus.sim.causerun import CauseRun, record_cause

LINE = LineSettings()
MS = 1_000_000
ASK = wire.adu(1, wire.ReadInputRegisters(0, 2))
ANSWERS = [wire.adu(1, wire.ReadInputRegistersReply((7, value))) for value in range(3)]
FAST = PortOptions(speed="fast")
POLICY = Policy(retries=0)


@pytest.fixture
def three(tmp_path: Path) -> Path:
    """The same request three times, with three answers; the last one damaged, with a gap."""
    path = tmp_path / "three.pcapng"
    with CaptureWriter(
        path, settings=LINE, vantage="client", timing="exact", clock="virtual"
    ) as writer:
        for number, answer in enumerate(ANSWERS):
            at = (10 + 100 * number) * MS
            writer.outbound(ASK, at)
            if number < 2:
                writer.inbound(Chunk(answer, at + 20 * MS))
                continue
            writer.inbound(Chunk(answer[:4], at + 20 * MS))
            error = CharacterError(1, LineEventKind.PARITY)
            writer.inbound(Chunk(answer[4:], at + 30 * MS, (error,)))
    return path


async def test_each_answer_comes_behind_its_request_at_its_time(three: Path) -> None:
    line = open_recording(three, port=FAST)
    client = Client(line, POLICY)
    for answer in ANSWERS[:2]:
        result = await client.request(1, wire.ReadInputRegisters(0, 2))
        assert result.frame == answer
        assert result.turnaround_ns == 20 * MS - LINE.characters_ns(len(answer))
    at = await line.send(ASK)
    first = await line.receive(None)
    assert first == Chunk(ANSWERS[2][:4], at + 20 * MS)
    rest = await line.receive(None)
    assert rest == Chunk(ANSWERS[2][4:], at + 30 * MS, (CharacterError(1, LineEventKind.PARITY),))
    assert await line.receive(at + 1000 * MS) is None
    assert line.clock.now() == at + 1000 * MS


async def test_single_characters_have_their_own_times_and_errors(three: Path) -> None:
    whole = open_recording(three, PlayOptions(Repeat.LAST), PortOptions("tap", speed="fast"))
    single = open_recording(three, PlayOptions(by_character=True), PortOptions("tap", speed="fast"))
    bursts = await everything(whole)
    characters = await everything(single)
    assert b"".join(each.data for each in bursts) == b"".join(each.data for each in characters)
    assert {len(each.data) for each in characters} == {1}
    marked = [each for each in characters if each.errors]
    assert [each.errors for each in marked] == [(CharacterError(0, LineEventKind.PARITY),)]
    assert marked[0].data == ANSWERS[2][5:6]
    begin = characters[0].at - bursts[0].at + LINE.characters_ns(len(bursts[0].data) - 1)
    assert begin == 0


async def everything(line: object) -> list[Chunk]:
    assert isinstance(line, RecordedTraffic)
    found = []
    try:
        while (chunk := await line.receive(None)) is not None:
            found.append(chunk)
    except PortLostError as error:
        assert "the recording ends here" in str(error)  # noqa: PT017
        return found
    raise AssertionError("it does not end")


@pytest.mark.parametrize("cause", ["arc-noise", "adapter-gaps"])
@pytest.mark.parametrize("single", [False, True])
async def test_a_decoder_hears_the_damage_as_it_was(
    tmp_path: Path, cause: str, single: bool
) -> None:
    path = tmp_path / "damage.pcapng"
    record_cause(CauseRun(cause, 0.6, path, seed=2, transactions=40))
    capture = read_capture(path)
    original = Decoder(capture.info)
    rows = [row for each in capture.records for row in original.feed(each)] + original.finish()
    line = open_recording(path, PlayOptions(by_character=single), PortOptions("tap", speed="fast"))
    again = Decoder(capture.info)
    heard = [
        row
        for each in await everything(line)
        for row in again.feed(Burst(each.data, each.at, False, each.errors))
    ] + again.finish()
    begin = capture.records[0].at
    expected = [told(row, 0) for row in rows if row.message]
    found = [told(row, begin) for row in heard]
    assert [each[:2] for each in found] == [each[:2] for each in expected]
    # Each character's instant is rounded for itself.
    assert all(abs(one[2] - other[2]) <= single for one, other in zip(found, expected, strict=True))


def told(row: Row, begin: int) -> tuple[bytes, int, int]:
    assert row.message is not None
    return row.message.piece.data, row.message.errors, row.at + begin


async def test_the_client_meets_what_the_recorded_one_met(tmp_path: Path) -> None:
    """Good replies, refusals, silence and damage: each request ends as it did in the recording."""
    path = tmp_path / "damage.pcapng"
    record_cause(CauseRun("intermittent-contact", 0.6, path, "client", seed=4, transactions=80))
    line = open_recording(path, port=FAST)
    client = Client(line, POLICY)
    ends = {
        Ending.REPLY: {Outcome.REPLY},
        Ending.EXCEPTION: {Outcome.EXCEPTION},
        Ending.SILENCE: {Outcome.TIMEOUT, Outcome.LATE},
        Ending.DAMAGED: {Outcome.DAMAGED, Outcome.TIMEOUT},
        Ending.BROADCAST: {Outcome.SENT},
    }
    seen = set()
    for each in read_transactions(path).transactions:
        request = wire.parse_request(each.request[1:-2])
        result = await client.request(each.request[0], request)
        assert result.outcome in ends[each.ending], each
        seen.add(each.ending)
    assert {Ending.REPLY, Ending.SILENCE} <= seen
    assert not line.book.unexpected  # type: ignore[attr-defined]
    assert not line.book.left  # type: ignore[attr-defined]


def test_what_comes_when_the_answers_are_used_up(three: Path) -> None:
    recorded = read_transactions(three).transactions

    def given(repeat: Repeat) -> list[int | None]:
        book = AnswerBook(recorded, repeat)
        found = [book.find(ASK, 0) for _ in range(5)]
        assert len(book.unexpected) == found.count(None)
        return [None if each is None else each.index for each in found]

    assert given(Repeat.ORDER) == [0, 1, 2, None, None]
    assert given(Repeat.LAST) == [0, 1, 2, 2, 2]
    assert given(Repeat.CYCLE) == [0, 1, 2, 0, 1]


def test_what_nobody_recorded_and_what_nobody_asked_is_told(three: Path) -> None:
    book = AnswerBook(read_transactions(three).transactions, Repeat.ORDER)
    other = wire.adu(1, wire.ReadCoils(0, 1))
    assert book.find(other, 17) is None
    book.find(ASK, 18)
    assert [(each.request, each.at, each.why) for each in book.unexpected] == [
        (other, 17, Surprise.UNKNOWN)
    ]
    assert [each.index for each in book.left] == [1, 2]


async def test_noise_of_a_silence_that_is_not_kept_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "noise.pcapng"
    with CaptureWriter(
        path, settings=LINE, vantage="client", timing="exact", clock="virtual"
    ) as writer:
        writer.outbound(ASK, 10 * MS)
        writer.inbound(Chunk(ANSWERS[0], 30 * MS))
        writer.inbound(Chunk(b"\xff", 900 * MS))
        writer.outbound(ASK, 1000 * MS)
        writer.inbound(Chunk(ANSWERS[1], 1030 * MS))
    line = open_recording(path, port=FAST)
    client = Client(line, POLICY)
    results = [await client.request(1, wire.ReadInputRegisters(0, 2)) for _ in range(2)]
    assert [each.frame for each in results] == ANSWERS[:2]
    assert line.left_out == 1  # type: ignore[attr-defined]


async def test_a_server_hears_the_recorded_requests(three: Path) -> None:
    line = open_recording(three, port=PortOptions("server", speed="fast"))
    heard = []
    for _ in range(3):
        chunk = await line.receive(None)
        assert chunk is not None
        heard.append(chunk)
        await line.send(ANSWERS[0])
    assert [each.data for each in heard] == [ASK] * 3
    assert [each.at - heard[0].at for each in heard] == [0, 100 * MS, 200 * MS]
    assert [data for _, data in line.sent] == [ANSWERS[0]] * 3  # type: ignore[attr-defined]


async def test_as_a_port_string(three: Path) -> None:
    port = f"capture:{three}?repeat=order&characters=1"
    async with await open_port(port, LineSettings(9600), FAST) as line:
        assert line.settings == LINE  # those of the recording
        with pytest.raises(PortError, match="was recorded at 19200 8E1"):
            await line.reconfigure(LineSettings(9600))
        await line.send(ASK)
        chunk = await line.receive(None)
        assert chunk is not None
        assert len(chunk.data) == 1


async def test_in_real_time_as_well(three: Path) -> None:
    async with open_recording(three) as line:
        at = await line.send(ASK)
        chunk = await line.receive(None)
        assert chunk == Chunk(ANSWERS[0], at + 20 * MS)
        assert line.clock.now() >= at + 20 * MS


@pytest.mark.parametrize(
    ("port", "error", "words"),
    [
        ("capture:", UsageError, "name a file"),
        ("capture:x.pcapng?repeat=never", SettingsError, "repeat=order, last or cycle"),
        ("capture:x.pcapng?speed=2", SettingsError, "speed=2"),
        ("capture:no-such.pcapng", CaptureError, "there is no such file"),
    ],
)
async def test_what_cannot_be_opened(port: str, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        await open_port(port, LINE)


async def test_a_closed_one_stays_closed(three: Path) -> None:
    line = open_recording(three, port=FAST)
    await line.close()
    with pytest.raises(PortLostError, match="closed"):
        await line.send(ASK)
    with pytest.raises(PortLostError, match="closed"):
        await line.receive(None)


async def test_a_thousand_transactions_of_an_hour_are_played_in_virtual_time(
    tmp_path: Path,
) -> None:
    """How fast that is belongs to tests/benchmarks; here: an hour passes, and nothing waits."""
    path = tmp_path / "hour.pcapng"
    with CaptureWriter(
        path, settings=LINE, vantage="client", timing="exact", clock="virtual", buffered=True
    ) as writer:
        for number in range(1000):
            writer.outbound(ASK, (10 + number * 3600) * MS)
            writer.inbound(Chunk(ANSWERS[number % 3], (40 + number * 3600) * MS))
    played = open_recording(path, port=FAST)
    client = Client(played, POLICY)
    for number in range(1000):
        await played.clock.sleep_until(number * 3600 * MS)
        result = await client.request(1, wire.ReadInputRegisters(0, 2))
        assert result.frame == ANSWERS[number % 3]
    assert played.clock.now() > 3590 * 1000 * MS
