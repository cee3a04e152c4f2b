"""Captures cut, joined, shrunk, anonymised, exported: what must stay stays, bit for bit."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pcapng import FileScanner
from pcapng.blocks import EnhancedPacket
from scapy.utils import RawPcapNgReader

from kerfbus.bench import wire
from kerfbus.bench.capture import Burst, Capture, CaptureInfo, LineEvent, Record, read_capture
from kerfbus.bench.crc import crc16
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.errors import CaptureError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transactions import read_transactions
from kerfbus.bench.transport import LineEventKind, Vantage
from kerfbus.bench.trimming.anonymising import anonymise
from kerfbus.bench.trimming.columns import COLUMNS, KINDS, frame_tables
from kerfbus.bench.trimming.csvfile import CsvFile
from kerfbus.bench.trimming.cutting import (
    cut_by_time,
    cut_by_transactions,
    join,
    transaction_places,
    write_capture,
)
from kerfbus.bench.trimming.masking import Mask
from kerfbus.bench.trimming.shrinking import Shrinking, smallest
from kerfbus.sim.causerun import CauseRun, record_cause

LINE = LineSettings()
INFO = CaptureInfo(LINE, "client", "exact", "virtual", program="a test")
MS = 1_000_000
CAUSES = ("arc-noise", "second-client", "intermittent-contact")


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, Vantage], Path]:
    folder = tmp_path_factory.mktemp("captures")
    made: dict[tuple[str, Vantage], Path] = {}
    for cause in CAUSES:
        for vantage in get_args(Vantage):
            path = made[cause, vantage] = folder / f"{cause}-{vantage}.pcapng"
            record_cause(CauseRun(cause, 0.6, path, vantage=vantage, seed=8, transactions=40))
    return made


# Cut and join

instants = st.integers(0, 3000)


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    """Return a capture with changes of settings and records a little out of order."""
    records: list[Record] = []
    at = 10 * MS
    for kind in draw(st.lists(st.sampled_from("iiioms"), min_size=1, max_size=20)):
        at += draw(st.integers(-2, 40)) * MS
        at = max(at, 5 * MS)
        if kind == "s":
            baud = draw(st.sampled_from([9600, 19200]))
            comment = f"baud={baud} format=8E1"
            records.append(LineEvent(LineEventKind.SETTINGS, at, comment=comment))
        elif kind == "m":
            records.append(LineEvent(LineEventKind.MARK, at, comment="arc=on"))
        else:
            records.append(Burst(draw(st.binary(min_size=1, max_size=12)), at, kind == "o"))
    return Capture(INFO, tuple(records), None)


@settings(max_examples=60, deadline=None)
@given(captures(), st.lists(instants, max_size=4))
def test_parts_put_together_are_the_whole(capture: Capture, places: list[int]) -> None:
    edges = [None, *(place * MS for place in sorted(places)), None]
    parts = []
    for begin, end in pairwise(edges):
        try:
            parts.append(cut_by_time(capture, begin, end))
        except UsageError as error:
            assert "would be empty" in str(error)  # noqa: PT017
    whole = join(parts)
    assert whole.records == capture.records
    assert whole.info == capture.info


def test_transactions_cut_out_are_those(recorded: dict[tuple[str, Vantage], Path]) -> None:
    for path in recorded.values():
        capture, whole = read_capture(path), read_transactions(path).transactions
        places = transaction_places(capture)
        assert len(places) == len(whole)
        part = cut_by_transactions(capture, 5, 11)
        wanted = [each for each in whole if 5 <= each.index <= 11]
        found = [each for each in part.records if isinstance(each, Burst)]
        assert found[0].data.startswith(wanted[0].request[:1])
        assert sum(len(each.data) for each in found) == sum(
            len(each.request) + sum(len(c.data) for c in (*each.heard, *each.echo))
            for each in wanted
        )
        assert (
            join(
                [
                    cut_by_time(capture, None, None)._replace(records=capture.records[: places[5]]),
                    part,
                    part._replace(records=capture.records[places[12] :]),
                ]
            ).records
            == capture.records
        )


def test_what_cannot_be_cut_or_joined() -> None:
    capture = Capture(INFO, (Burst(b"a", 10 * MS), Burst(b"b", 5000 * MS)), None)
    with pytest.raises(UsageError, match="would be empty"):
        cut_by_time(capture, 9000 * MS, None)
    with pytest.raises(UsageError, match="the capture has none"):
        cut_by_transactions(capture, 0, 0)
    with pytest.raises(UsageError, match="begins before the one before it ends"):
        join([capture, capture])
    tap = Capture(CaptureInfo(LINE, "tap", "exact", "virtual"), capture.records, None)
    with pytest.raises(UsageError, match="capture 2: vantage tap and not client"):
        join([capture, tap])


def test_a_gap_puts_captures_behind_each_other() -> None:
    first = Capture(INFO, (Burst(b"ab", 10 * MS), Burst(b"c", 5000 * MS)), None)
    whole = join([first, first], gap_ns=100 * MS)
    start = whole.records[2].at - LINE.characters_ns(2)
    assert start - whole.records[1].at == 100 * MS
    assert [each.data for each in whole.records if isinstance(each, Burst)] == [b"ab", b"c"] * 2


@pytest.mark.filterwarnings("ignore:Field type should not be:DeprecationWarning")
def test_what_is_written_is_a_capture_for_others_too(
    tmp_path: Path, recorded: dict[tuple[str, Vantage], Path]
) -> None:
    capture = read_capture(recorded["arc-noise", "tap"])
    for number, each in enumerate(
        (
            cut_by_transactions(capture, 3, 20),
            join([capture, capture], gap_ns=0),
            anonymise(capture, b"key").capture,
        )
    ):
        path = tmp_path / f"{number}.pcapng"
        write_capture(path, each)
        again = read_capture(path)
        assert again.records == each.records
        assert again.info == each.info
        with path.open("rb") as file:
            packets = sum(isinstance(block, EnhancedPacket) for block in FileScanner(file))
        with RawPcapNgReader(str(path)) as reader:
            assert sum(1 for _ in reader) == packets
        errors = sum(len(r.errors) for r in each.records if isinstance(r, Burst))
        assert packets == len(each.records) + errors
        with pytest.raises(CaptureError, match="exists"):
            write_capture(path, each)


# Shrink


@settings(max_examples=80, deadline=None)
@given(st.integers(1, 40), st.data())
def test_the_smallest_is_what_is_needed_and_no_more(count: int, data: st.DataObject) -> None:
    needed = data.draw(st.sets(st.integers(0, count - 1), min_size=1))
    found = smallest(range(count), lambda some: needed <= set(some))
    assert found == sorted(needed)


def test_nothing_can_be_left_out_of_a_shrunk_capture(
    recorded: dict[tuple[str, Vantage], Path],
) -> None:
    capture = read_capture(recorded["arc-noise", "client"])

    def damaged(each: Capture) -> bool:
        return any(row.message is not None and row.message.errors for row in decoded(each))

    shrinking = Shrinking(capture, damaged)
    small = shrinking.run()
    assert damaged(small)
    assert len(small.records) <= 3
    assert shrinking.tried < 200
    for place in range(len(small.records)):
        less = small.records[:place] + small.records[place + 1 :]
        assert not damaged(small._replace(records=less))


def test_what_does_not_fail_is_not_shrunk() -> None:
    capture = Capture(INFO, (Burst(b"a", 10 * MS),), None)
    with pytest.raises(UsageError, match="does not fail"):
        Shrinking(capture, lambda _: False).run()


# Anonymise


def decoded(capture: Capture) -> list[Row]:
    decoder = Decoder(capture.info)
    rows = [row for record in capture.records for row in decoder.feed(record)]
    return rows + decoder.finish()


def structure(rows: Sequence[Row]) -> list[tuple[Any, ...]]:
    return [
        (each.message._replace(piece=None), each.at, len(each.message.piece.data))  # type: ignore[arg-type]
        for each in rows
        if each.message is not None
    ]


def syndrome(frame: bytes) -> int:
    return crc16(frame[:-2]) ^ int.from_bytes(frame[-2:], "little")


@pytest.mark.parametrize("vantage", get_args(Vantage))
@pytest.mark.parametrize("cause", CAUSES)
def test_damage_and_structure_stay_bit_for_bit(
    recorded: dict[tuple[str, Vantage], Path], cause: str, vantage: Vantage
) -> None:
    capture = read_capture(recorded[cause, vantage])
    result = anonymise(capture, b"some key")
    before, after = decoded(capture), decoded(result.capture)
    assert structure(after) == structure(before)
    damaged = 0
    for one, other in zip(before, after, strict=True):
        if one.frame is None or other.frame is None:
            continue
        assert one.ok == other.ok
        if one.frame.data != other.frame.data and len(one.frame.data) > 4:
            damaged += not one.ok
            if one.ok or result.uneven == 0:
                assert syndrome(one.frame.data) == syndrome(other.frame.data)
    assert [each.at for each in result.capture.records] == [each.at for each in capture.records]
    assert [e.errors for e in result.capture.records if isinstance(e, Burst)] == [
        e.errors for e in capture.records if isinstance(e, Burst)
    ]


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20),
    hit=st.lists(st.integers(0, 500), max_size=4),
    key=st.binary(min_size=1, max_size=8),
)
def test_the_hit_bits_of_a_frame_stay_the_hit_bits(
    values: list[int], hit: list[int], key: bytes
) -> None:
    """Masked and then hit is the same as hit and then masked."""
    request = wire.adu(1, wire.ReadHoldingRegisters(7, len(values)))
    good = wire.adu(1, wire.ReadHoldingRegistersReply(tuple(values)))
    bad = bytearray(good)
    for bit in hit:
        bad[2 + bit // 8 % (len(good) - 2)] ^= 1 << bit % 8
    mask = Mask(key)
    assert mask.of_reply(request, bytes(bad)) == mask.of_reply(request, good)
    masked = bytes(a ^ b for a, b in zip(good, mask.of_reply(request, good), strict=True))
    assert crc16(masked) == 0
    assert masked[:3] == good[:3]


def test_equal_values_of_a_register_stay_equal_and_others_tell_nothing() -> None:
    def capture(*pairs: tuple[int, int]) -> Capture:
        records: list[Record] = []
        for number, (start, value) in enumerate(pairs):
            at = (100 + 100 * number) * MS
            asked = wire.adu(1, wire.ReadHoldingRegisters(start, 1))
            said = wire.adu(1, wire.ReadHoldingRegistersReply((value,)))
            records += [Burst(asked, at, True), Burst(said, at + 20 * MS)]
        return Capture(INFO, tuple(records), None)

    def words(result: Capture) -> list[int]:
        bursts = [each for each in result.records if isinstance(each, Burst)]
        return [int.from_bytes(each.data[3:5], "big") for each in bursts[1::2]]

    first = words(anonymise(capture((0, 600), (0, 600), (0, 601), (1, 600)), b"k").capture)
    assert first[0] == first[1] != 600
    assert first[2] != first[0]
    assert first[3] != first[0]
    assert words(anonymise(capture((0, 600)), b"k").capture) == first[:1]
    assert words(anonymise(capture((0, 600)), b"other").capture) != first[:1]


def test_a_write_and_a_read_of_one_register_agree() -> None:
    request = wire.adu(1, wire.WriteSingleRegister(5, 1234))
    records = (
        Burst(request, 100 * MS, True),
        Burst(request, 120 * MS),
        Burst(wire.adu(1, wire.ReadHoldingRegisters(5, 1)), 200 * MS, True),
        Burst(wire.adu(1, wire.ReadHoldingRegistersReply((1234,))), 220 * MS),
        Burst(wire.adu(1, wire.WriteMultipleRegisters(4, (9, 1234))), 300 * MS, True),
    )
    masked = anonymise(Capture(INFO, records, None), b"k").capture.records
    data = [each.data for each in masked if isinstance(each, Burst)]
    assert data[0] == data[1] != request
    assert data[0][4:6] == data[3][3:5] == data[4][9:11]


def test_texts_of_the_identification_and_notes_are_hidden() -> None:
    objects = (wire.IdentificationObject(0, b"SOME MAKER"),)
    reply = wire.adu(1, wire.ReadDeviceIdentificationReply(1, 0x81, False, 0, objects))
    records: tuple[Record, ...] = (
        LineEvent(LineEventKind.MARK, 50 * MS, comment="note=hall 3, Miller"),
        LineEvent(LineEventKind.MARK, 60 * MS, comment="arc=on"),
        Burst(wire.adu(1, wire.ReadDeviceIdentification(1, 0)), 100 * MS, True),
        Burst(reply, 150 * MS),
    )
    masked = anonymise(Capture(INFO, records, None), b"k").capture.records
    assert masked[0] == LineEvent(LineEventKind.MARK, 50 * MS, comment="note=removed")
    assert masked[1] == records[1]
    assert masked[2] == records[2]
    assert isinstance(masked[3], Burst)
    assert b"MAKER" not in masked[3].data
    assert len(masked[3].data) == len(reply)
    assert crc16(masked[3].data) == 0


# Export


def exported(path: Path, to: Path, add: Callable[[Path], Any]) -> None:
    with add(to) as file:
        for table in frame_tables(path, path.name):
            file.add(table)


def test_csv_has_a_row_for_each_frame_as_decode_has_it(
    tmp_path: Path, recorded: dict[tuple[str, Vantage], Path]
) -> None:
    for number, path in enumerate(recorded.values()):
        to = tmp_path / f"{number}.csv"
        exported(path, to, CsvFile)
        with to.open(newline="") as file:
            rows = list(csv.DictReader(file))
        assert list(rows[0]) == [name for name, _, _ in COLUMNS]
        capture = read_capture(path)
        wanted = [row for row in decoded(capture) if row.message is not None]
        assert [row["hex"] for row in rows] == [row.to_json()["hex"] for row in wanted]
        assert [row["at_ns"] for row in rows] == [str(row.at) for row in wanted]
        assert [int(row["frame"]) for row in rows] == list(range(len(rows)))
        for row, frame in zip(rows, wanted, strict=True):
            said = frame.to_json()
            assert row["capture"] == path.name
            assert row["kind"] in KINDS
            assert (row["kind"] == "stray") == (said["role"] == "stray")
            if said["role"] != "stray" and said["ok"]:
                assert row["ok"] == "true"
                assert row["server"] == str(said["server"])
                assert row["function"] == str(said["function"])
                exception = said["exception"]
                assert row["exception"] == ("" if exception is None else str(exception))
            # What only the conversation knows, that a frame is too short for its request, is not
            # in a table of frames.
            told = {*said["errors"]} - {"short", "long", "crc"}
            assert {*row["errors"].split(";")} - {"", "crc", "short", "long"} == told


def test_parquet_has_the_same(tmp_path: Path, recorded: dict[tuple[str, Vantage], Path]) -> None:
    import duckdb

    from kerfbus.bench.trimming.parquetfile import ParquetFile

    with (
        CsvFile(tmp_path / "all.csv") as text,
        ParquetFile(tmp_path / "all.parquet") as binary,
    ):
        for path in recorded.values():
            for table in frame_tables(path, path.stem):
                text.add(table)
                binary.add(table)
        assert text.rows == binary.rows > 0
    names = [name for name, _, _ in COLUMNS]
    csv_rows = duckdb.sql(
        f"select {', '.join(names)} from read_csv('{tmp_path}/all.csv', all_varchar=true)"
    ).fetchall()
    columns = ", ".join("hex(data)" if name == "hex" else name for name in names)
    rows = duckdb.sql(f"select {columns} from '{tmp_path}/all.parquet'").fetchall()
    assert len(rows) == len(csv_rows)
    for one, other in zip(rows, csv_rows, strict=True):
        assert [_told(each) for each in one[:-1]] == [each or "" for each in other[:-1]]
        assert one[-1].lower() == other[-1]
    with pytest.raises(CaptureError, match="exists already"):
        ParquetFile(tmp_path / "all.parquet")


def _told(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else str(value)


def test_an_empty_capture_has_no_rows(tmp_path: Path) -> None:
    path = tmp_path / "empty.pcapng"
    write_capture(path, Capture(INFO, (), None))
    tables = list(frame_tables(path, "empty"))
    assert sum(map(len, tables)) == 0
    assert Counter(kind for each in tables for kind in each.kinds.tolist()) == {}
    write_capture(
        tmp_path / "one.pcapng",
        Capture(INFO, (Burst(wire.adu(1, wire.ReadCoils(0, 1)), 100 * MS, True),), None),
    )
    (row,) = [row for each in frame_tables(tmp_path / "one.pcapng", "x") for row in each.rows()]
    assert row[:5] == ("x", 0, 100 * MS, True, "request")
