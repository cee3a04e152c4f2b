"""From records to rows: roles, pairs, damage and the summary, in the keys of `decode --json`."""

from __future__ import annotations

import random
from typing import Any

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadCoilsResponse,
    WriteSingleCoilRequest,
    WriteSingleCoilResponse,
)
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    WriteMultipleRegistersRequest,
    WriteMultipleRegistersResponse,
)

from kerfbus.bench.capturerecords import Burst, CaptureInfo, LineEvent, Record
from kerfbus.bench.crc import with_crc
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, LineEventKind, Timing, Vantage

SETTINGS = LineSettings()
MS = 1_000_000
KEYS = {
    "at_ns",
    "role",
    "server",
    "function",
    "hex",
    "ok",
    "errors",
    "exception",
    "echo",
    "late",
    "pairs_with",
    "gap_before_chars",
}


def frame(text: str) -> bytes:
    return with_crc(bytes.fromhex(text))


READ = frame("01 03 00 10 00 02")
REPLY = frame("01 03 04 00 01 00 02")
WRITE = frame("01 06 00 20 01 2C")
REFUSAL = frame("01 83 02")


class Recording:
    """Records of one station, made frame by frame."""

    def __init__(self, vantage: Vantage, timing: Timing = "exact") -> None:
        self.info = CaptureInfo(SETTINGS, vantage, timing, "virtual")
        self.records: list[Record] = []
        self.now = 0

    def add(
        self, data: bytes, *, out: bool = False, pause_ns: int = 5 * MS, errors: Any = ()
    ) -> Recording:
        self.now += pause_ns + SETTINGS.characters_ns(len(data))
        self.records.append(Burst(data, self.now, out, tuple(errors)))
        return self

    def event(self, kind: LineEventKind, comment: str = "") -> Recording:
        self.records.append(LineEvent(kind, self.now, comment=comment))
        return self

    def decode(self) -> tuple[list[Row], dict[str, int]]:
        decoder = Decoder(self.info)
        rows = [row for record in self.records for row in decoder.feed(record)]
        rows += decoder.finish()
        summary: dict[str, int] = decoder.summary.to_json()["summary"]
        return rows, summary


def table(rows: list[Row]) -> list[tuple[str, int | None, bool]]:
    found = [row.to_json() for row in rows]
    return [(r["role"], r.get("pairs_with"), r.get("ok", False)) for r in found]


@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
def test_transactions_from_each_vantage(vantage: Vantage) -> None:
    asks, answers = vantage == "client", vantage == "server"
    recording = Recording(vantage)
    for _ in range(2):
        recording.add(READ, out=asks).add(REPLY, out=answers)
        recording.add(WRITE, out=asks).add(WRITE, out=answers)
    recording.add(READ, out=asks).add(REFUSAL, out=answers).add(READ, out=asks)
    rows, summary = recording.decode()
    assert table(rows) == [
        *(pair for n in range(0, 8, 2) for pair in (("request", None, True), ("reply", n, True))),
        ("request", None, True),
        ("reply", 8, True),
        ("request", None, True),
    ]
    assert summary == {
        "frames": 11,
        "ok": 11,
        "damaged": 0,
        "stray_characters": 0,
        "requests": 6,
        "replies": 5,
        "exceptions": 1,
        "unanswered": 1,
        "late": 0,
        "echoes": 0,
    }


def test_row_has_the_stable_keys() -> None:
    rows, _ = Recording("tap").add(READ).add(REFUSAL).decode()
    request, reply = (row.to_json() for row in rows)
    assert request.keys() >= KEYS
    assert request["hex"] == READ.hex()
    assert (request["server"], request["function"], request["exception"]) == (1, 3, None)
    assert request["gap_before_chars"] is None  # nothing is known of what was before
    assert (reply["function"], reply["exception"]) == (3, 2)
    assert reply["gap_before_chars"] == round(5 * MS / SETTINGS.characters_ns(1), 2)
    assert reply["at_ns"] == 2 * 5 * MS + SETTINGS.characters_ns(8) + SETTINGS.characters_ns(5)


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        (LineEventKind.FRAMING, "framing"),
        (LineEventKind.PARITY, "parity"),
        (LineEventKind.BREAK, "break"),
        (LineEventKind.OVERRUN, "overrun"),
    ],
)
def test_line_errors_come_with_the_frame_that_bears_them(kind: LineEventKind, name: str) -> None:
    rows, summary = Recording("tap").add(READ).add(REPLY, errors=[CharacterError(4, kind)]).decode()
    assert [row.to_json()["errors"] for row in rows] == [[], [name]]
    assert summary["damaged"] == 1


def test_wrong_crc_short_and_long() -> None:
    spoilt = bytearray(REPLY)
    spoilt[4] ^= 1
    recording = Recording("client")
    for answer in (bytes(spoilt), REPLY[:-2], REPLY[:-2] + b"\x01\x02\x03\x04"):
        recording.add(READ, out=True).add(answer)
    rows, summary = recording.decode()
    errors = [row.to_json()["errors"] for row in rows[1::2]]
    assert errors == [["crc"], ["crc", "short"], ["crc", "long"]]
    assert [row.to_json()["pairs_with"] for row in rows[1::2]] == [0, 2, 4]
    assert summary["unanswered"] == 3


def test_strays_between_frames() -> None:
    rows, summary = Recording("tap").add(READ).add(REPLY).add(b"\x00\xff").add(READ).decode()
    stray = rows[2].to_json()
    assert (stray["role"], stray["hex"], stray["errors"]) == ("stray", "00ff", [])
    assert summary["stray_characters"] == 2
    assert rows[3].to_json()["role"] == "request"


def test_gap_spoils_a_frame_only_where_times_are_exact() -> None:
    for timing, ok in (("exact", False), ("host", True)):
        recording = Recording("tap", timing)  # type: ignore[arg-type]
        rows, _ = recording.add(READ[:3]).add(READ[3:], pause_ns=SETTINGS.t15_ns + MS).decode()
        (row,) = [row.to_json() for row in rows]
        assert row["errors"] == ["gap"]
        assert row["ok"] is ok


def test_echo_is_shown_as_one() -> None:
    recording = Recording("client", "host").add(READ, out=True).add(READ).add(REPLY)
    rows, summary = recording.decode()
    found = [row.to_json() for row in rows]
    assert [r["echo"] for r in found] == [False, True, False]
    assert found[2]["pairs_with"] == 0
    assert (summary["echoes"], summary["requests"], summary["unanswered"]) == (1, 1, 0)


def test_echo_of_the_first_write_is_seen_by_what_follows() -> None:
    recording = Recording("client", "host").add(WRITE, out=True).add(WRITE).add(WRITE)
    rows, summary = recording.decode()
    assert [row.to_json()["echo"] for row in rows] == [False, True, False]
    assert rows[2].to_json()["pairs_with"] == 0
    assert summary["echoes"] == 1


def test_late_reply() -> None:
    other = frame("01 03 00 10 00 03")
    recording = Recording("client").add(other, out=True).add(READ, out=True)
    recording.add(frame("01 03 06 00 01 00 02 00 03")).add(REPLY)
    rows, summary = recording.decode()
    found = [row.to_json() for row in rows]
    assert [(r["late"], r["pairs_with"]) for r in found[2:]] == [(True, 0), (False, 1)]
    assert (summary["late"], summary["unanswered"]) == (1, 1)


def test_settings_change_on_the_way() -> None:
    recording = Recording("tap").add(READ).add(REPLY)
    recording.event(LineEventKind.SETTINGS, "baud=9600 format=8N2")
    rows, _ = recording.add(READ, pause_ns=20 * MS).decode()
    assert rows[-1].settings == LineSettings.parse(9600, "8N2")
    assert rows[2].event is not None


def test_a_mark_does_not_tear_a_frame() -> None:
    recording = Recording("tap").add(READ[:4])
    recording.event(LineEventKind.MARK, "arc=on")
    rows, summary = recording.add(READ[4:], pause_ns=0).decode()
    assert summary["ok"] == 1
    assert rows[0].event is not None


def test_lost_port_ends_a_frame() -> None:
    recording = Recording("tap").add(READ[:4]).event(LineEventKind.LOST)
    recording.event(LineEventKind.OPENED)
    rows, summary = recording.add(READ, pause_ns=50 * MS).decode()
    assert summary["ok"] == 1
    assert summary["damaged"] == 1
    assert [row.event is not None for row in rows] == [False, True, True, False]


def pymodbus_stream(seed: int, transactions: int) -> tuple[bytes, int]:
    """Return a stream of transactions with many servers, encoded by pymodbus."""
    chance = random.Random(seed)
    encoder = FramerRTU(DecodePDU(True))
    stream, frames = b"", 0
    for _ in range(transactions):
        server, address = chance.randint(1, 247), chance.randint(0, 60000)
        count = chance.randint(1, 20)
        words = [chance.randint(0, 65535) for _ in range(count)]
        bits = [chance.random() < 0.5 for _ in range(8 * chance.randint(1, 5))]
        on = chance.random() < 0.5
        pairs = [
            (
                ReadHoldingRegistersRequest(address=address, count=count, dev_id=server),
                ReadHoldingRegistersResponse(registers=words, dev_id=server),
            ),
            (
                ReadCoilsRequest(address=address, count=len(bits), dev_id=server),
                ReadCoilsResponse(bits=bits, dev_id=server),
            ),
            (
                WriteSingleCoilRequest(address=address, bits=[on], dev_id=server),
                WriteSingleCoilResponse(address=address, bits=[on], dev_id=server),
            ),
            (
                WriteMultipleRegistersRequest(address=address, registers=words, dev_id=server),
                WriteMultipleRegistersResponse(address=address, count=count, dev_id=server),
            ),
        ]
        for pdu in chance.choice(pairs):
            stream += encoder.buildFrame(pdu)
            frames += 1
    return stream, frames


@pytest.mark.parametrize("size", [1, 7, 64, 100_000])
@pytest.mark.parametrize("seed", range(3))
def test_mixed_stream_encoded_by_pymodbus(size: int, seed: int) -> None:
    """No frame of it was made by us; no silence helps; times are useless."""
    stream, frames = pymodbus_stream(seed, 200)
    decoder = Decoder(CaptureInfo(SETTINGS, "tap", "host", "virtual"))
    rows = []
    for start in range(0, len(stream), size):
        rows += decoder.feed(Burst(stream[start : start + size], 0))
    rows += decoder.finish()
    assert b"".join(bytes.fromhex(row.to_json()["hex"]) for row in rows) == stream
    assert decoder.summary.ok == decoder.summary.frames == frames
    assert decoder.summary.requests == decoder.summary.replies == frames // 2
    assert decoder.summary.unanswered == 0
    pairs = [row.to_json()["pairs_with"] for row in rows]
    assert pairs == [None if n % 2 == 0 else n - 1 for n in range(frames)]
