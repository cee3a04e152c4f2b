"""Any place of a capture at once: the same records as read from the front."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.capture import Burst, CaptureReader, CaptureWriter
from kerfbus.bench.captureoverview import Overview, overview_of
from kerfbus.bench.captureplace import CapturePlace
from kerfbus.bench.crc import with_crc
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind

CAPTURES = sorted((Path(__file__).parents[2] / "captures").glob("*.pcapng"))
MS = 1_000_000


@pytest.fixture(scope="module")
def long_capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a capture of 20,000 exchanges, every thousandth reply damaged."""
    path = tmp_path_factory.mktemp("place") / "long.pcapng"
    writer = CaptureWriter(
        path,
        settings=LineSettings(),
        vantage="client",
        timing="exact",
        clock="virtual",
        buffered=True,
    )
    request = with_crc(bytes((1, 3, 0, 0, 0, 1)))
    for number in range(20_000):
        at = (number + 1) * 50 * MS
        writer.outbound(request, at)
        reply = with_crc(bytes((1, 3, 2, number >> 8 & 255, number & 255)))
        if number % 1000 == 999:
            reply = reply[:-1] + bytes((reply[-1] ^ 1,))
        errors = (CharacterError(2, LineEventKind.PARITY),) if number % 5000 == 4999 else ()
        writer.inbound(Chunk(reply, at + 10 * MS, errors))
        if number == 10_000:
            writer.mark("arc", "on", at + 11 * MS)
    writer.close()
    return path


@pytest.mark.parametrize("path", CAPTURES, ids=lambda each: each.name)
def test_from_its_beginning_it_gives_what_the_reader_gives(path: Path) -> None:
    with CaptureReader(path) as reader:
        records = list(reader)
    place = CapturePlace(path)
    assert [each for _, each in place.records(place.begin, place.size)] == records
    assert (place.first_at, place.last_at) == (records[0].at, max(each.at for each in records))
    place.close()


@settings(max_examples=25, deadline=None)
@given(share=st.floats(0, 1))
def test_an_instant_is_found(long_capture: Path, share: float) -> None:
    place = CapturePlace(long_capture)
    at = round(place.first_at + share * (place.last_at - place.first_at))
    offset = place.offset_of(at)
    records = [each for _, each in place.records(offset, 1 << 18)]
    assert records[0].at <= at
    assert records[-1].at >= at or records[-1].at == place.last_at
    place.close()


def test_what_is_read_in_the_middle_is_what_stands_there(long_capture: Path) -> None:
    with CaptureReader(long_capture) as reader:
        records = list(reader)
    place = CapturePlace(long_capture)
    for share in (3, 5, 7):
        part = [each for _, each in place.records(place.size // share + 1, 1 << 16)]
        begin = records.index(part[0])
        assert records[begin : begin + len(part)] == part
        assert any(isinstance(each, Burst) for each in part)
    place.close()


def test_the_overview_counts_frames_and_damage(long_capture: Path) -> None:
    place = CapturePlace(long_capture)
    shares: list[float] = []

    def tell(found: Overview) -> bool:
        shares.append(found.done)
        return True

    span = (place.first_at, place.last_at)
    found = overview_of(long_capture, span, 100, place.size, tell)
    assert sum(found.frames) == 40_000
    assert sum(found.damaged) == 20
    assert [each.comment for each in found.events] == ["arc=on"]
    assert found.slice_of(found.events[0].at) == pytest.approx(50, abs=1)
    assert shares[-1] == 1.0
    stopped = overview_of(long_capture, span, 100, place.size, lambda _: False)
    assert sum(stopped.frames) < 40_000
    place.close()


def test_what_is_no_capture_is_said(tmp_path: Path) -> None:
    for name, data in (("text.txt", b"hello, this is no capture at all"), ("empty", b"")):
        path = tmp_path / name
        path.write_bytes(data)
        with pytest.raises(CaptureError, match=name):
            CapturePlace(path)
    with pytest.raises(CaptureError, match="no such file"):
        CapturePlace(tmp_path / "missing")


def test_a_cut_off_file_is_read_up_to_there(long_capture: Path, tmp_path: Path) -> None:
    path = tmp_path / "cut.pcapng"
    path.write_bytes(long_capture.read_bytes()[:100_003])
    place = CapturePlace(path)
    with CaptureReader(path) as reader:
        records = list(reader)
    assert [each for _, each in place.records(place.begin, place.size)] == records
    assert place.last_at == max(each.at for each in records)
    place.close()
