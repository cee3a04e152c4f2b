"""Captures: what was written is read, however the file ends and whoever reads it meanwhile."""

from __future__ import annotations

import itertools
import json
import struct
import threading
from collections.abc import Iterator
from pathlib import Path

import capturefiles
import pytest
from capturefiles import (
    COMMENT,
    INBOUND,
    OUTBOUND,
    block,
    characters,
    event_data,
    events,
    flags,
    interface,
    options,
    packet,
    plain_header,
    section,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench import capturefile
from kerfbus.bench.capture import (
    Burst,
    CaptureInfo,
    CaptureReader,
    CaptureWriter,
    LineEvent,
    Record,
    read_capture,
)
from kerfbus.bench.errors import CaptureError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind

FRAMING = CharacterError(1, LineEventKind.FRAMING, 7)
BREAK = CharacterError(0, LineEventKind.BREAK)
RECORDS: list[Record] = [
    LineEvent(LineEventKind.OPENED, 1000),
    Burst(b"\x11\x03\x00\x6b\x00\x03\x76\x87", 2000, True),
    Burst(b"\x11\x03\x06", 3000),
    Burst(b"\x00\xff\x01", 4000, False, (BREAK, FRAMING)),
    LineEvent(LineEventKind.MARK, 4500, comment="arc=on"),
    LineEvent(LineEventKind.SETTINGS, 5000, comment="baud=9600 format=8N2"),
    Burst(b"x" * 300, 6000),
    LineEvent(LineEventKind.DROPPED, 7000, value=12),
    LineEvent(LineEventKind.LOST, 8000),
]


def writer_to(path: Path, **changes: object) -> CaptureWriter:
    """Return a writer; what is not said is of no interest to the test."""
    arguments: dict[str, object] = {
        "settings": LineSettings(),
        "vantage": "client",
        "timing": "exact",
        "clock": "virtual",
    }
    return CaptureWriter(path, **(arguments | changes))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a path that examples may write to again and again."""
    return tmp_path_factory.mktemp("captures") / "some.pcapng"


# Identity


@settings(max_examples=150, deadline=None)
@given(capturefiles.records, st.booleans())
def test_what_was_written_is_read(again: Path, records: list[Record], buffered: bool) -> None:
    with writer_to(again, overwrite=True, buffered=buffered) as writer:
        for record in records:
            writer.write(record)
    found = read_capture(again)
    assert list(found.records) == records
    assert found.warning is None


@settings(max_examples=100, deadline=None)
@given(
    st.builds(
        CaptureInfo,
        settings=capturefiles.line_settings,
        vantage=st.sampled_from(["client", "server", "tap"]),
        timing=st.sampled_from(["exact", "host"]),
        clock=st.sampled_from(["wall", "virtual"]),
        uncertainty_ns=st.integers(0, 10**12),
        seed=st.none() | st.integers(-(2**63), 2**64),
        program=capturefiles.comments,
    )
)
def test_what_a_capture_says_of_itself_is_read(again: Path, info: CaptureInfo) -> None:
    said = {name: getattr(info, name) for name in CaptureInfo.__slots__ if name != "version"}
    with CaptureWriter(again, overwrite=True, **said) as writer:
        assert writer.info == info
    assert read_capture(again).info == info


def test_equal_recordings_are_equal_bytes(tmp_path: Path) -> None:
    contents = set()
    for name in ("one", "two"):
        with writer_to(tmp_path / name, seed=7, buffered=name == "two") as writer:
            for record in RECORDS:
                writer.write(record)
        contents.add((tmp_path / name).read_bytes())
    assert len(contents) == 1


def test_convenience_methods_write_their_records(tmp_path: Path) -> None:
    with writer_to(tmp_path / "a.pcapng") as writer:
        writer.event(LineEventKind.OPENED, 1)
        writer.inbound(Chunk(b"ab", 2, (FRAMING,)))
        writer.inbound(Chunk(b"", 2))
        writer.outbound(b"c", 3)
        writer.outbound(b"", 3)
        writer.mark("note", "a=b, then ümlaut", 4)
        writer.settings_changed(LineSettings.parse(1200, "7O1"), 5)
    assert list(read_capture(tmp_path / "a.pcapng").records) == [
        LineEvent(LineEventKind.OPENED, 1),
        Burst(b"ab", 2, False, (FRAMING,)),
        Burst(b"c", 3, True),
        LineEvent(LineEventKind.MARK, 4, comment="note=a=b, then ümlaut"),
        LineEvent(LineEventKind.SETTINGS, 5, comment="baud=1200 format=7O1"),
    ]


def test_a_burst_may_be_of_any_length(tmp_path: Path) -> None:
    long = Burst(bytes(range(256)) * 8192, 5, False, (FRAMING,))
    with writer_to(tmp_path / "a.pcapng") as writer:
        writer.write(long)
        writer.write(RECORDS[1])
    assert list(read_capture(tmp_path / "a.pcapng").records) == [long, RECORDS[1]]


@pytest.mark.parametrize("timing", ["exact", "host"])
def test_a_line_error_that_the_format_cannot_name_parts_its_burst(
    tmp_path: Path, timing: str
) -> None:
    data = bytes(range(256)) * 512 + b"end"
    errors = [CharacterError(at, LineEventKind.PARITY) for at in (0, 65535, 65536, len(data) - 1)]
    at = LineSettings().characters_ns(len(data))
    with writer_to(tmp_path / "a.pcapng", timing=timing) as writer:
        writer.inbound(Chunk(data, at, tuple(errors)))
    found = read_capture(tmp_path / "a.pcapng").records
    assert [len(part.data) for part in found] == [65536, 65536, 3]
    assert b"".join(part.data for part in found) == data
    places = itertools.accumulate([0, 65536, 65536])
    assert errors == [
        error._replace(position=error.position + start)
        for part, start in zip(found, places, strict=True)
        for error in part.errors
    ]
    if timing == "exact":
        ends = [LineSettings().characters_ns(65536 * parts) for parts in (1, 2)]
        for part, end in zip(found, [*ends, at], strict=True):
            assert abs(part.at - end) <= 1  # rounded once each
    else:
        assert {part.at for part in found} == {at}


# The end of the file


def sizes_after(path: Path) -> list[int]:
    """Record `RECORDS` and return the file's size before each and after the last."""
    with writer_to(path) as writer:
        sizes = [path.stat().st_size]
        for record in RECORDS:
            writer.write(record)
            sizes.append(path.stat().st_size)
    return sizes


def block_ends(data: bytes) -> list[int]:
    """Return where each block of a little-endian file ends."""
    ends = [0]
    while ends[-1] < len(data):
        ends.append(ends[-1] + int.from_bytes(data[ends[-1] + 4 : ends[-1] + 8], "little"))
    return ends


def test_every_cut_leaves_exactly_the_whole_blocks(tmp_path: Path) -> None:
    path, cut_path = tmp_path / "whole.pcapng", tmp_path / "cut.pcapng"
    sizes = sizes_after(path)
    data = path.read_bytes()
    ends = block_ends(data)
    described = ends[2]  # section and characters; the line events' interface may be cut off
    for cut in range(len(data)):
        cut_path.write_bytes(data[:cut])
        if cut < described:
            with pytest.raises(CaptureError, match=r"is empty|inside its header|describes no i"):
                CaptureReader(cut_path)
            continue
        whole = sum(size <= cut for size in sizes[1:])
        expected = RECORDS[:whole]
        if whole < len(RECORDS) and (errors := getattr(RECORDS[whole], "errors", ())):
            # Each stands in its own block; those whose burst is missing stand alone.
            there = sum(sizes[whole] < end <= cut for end in ends)
            expected = expected + [
                LineEvent(error.kind, RECORDS[whole].at, error.position, error.value)
                for error in errors[:there]
            ]
        found = read_capture(cut_path)
        assert list(found.records) == expected
        assert (found.warning is None) == (cut in ends)
        if found.warning:
            assert f"byte {max(end for end in ends if end <= cut)}" in found.warning


def test_each_record_is_in_the_file_when_its_call_returns(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    with writer_to(path) as writer:
        for count, record in enumerate(RECORDS, 1):
            writer.write(record)
            assert list(read_capture(path).records) == RECORDS[:count]


def test_a_buffered_writer_hands_over_when_told(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    with writer_to(path, buffered=True) as writer:
        for count, record in enumerate(RECORDS, 1):
            writer.write(record)
            writer.flush()
            assert list(read_capture(path).records) == RECORDS[:count]


def test_a_buffered_writer_closes_at_the_moment_at_which_it_flushes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(capturefile, "FLUSH_SECONDS", 0.01)
    waiting, go = threading.Event(), threading.Event()

    class Closing(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            waiting.set()
            return not go.wait(20)  # the time is up, and meanwhile the file is being closed

    writer = writer_to(tmp_path / "a.pcapng", buffered=True)
    file = writer._file
    assert isinstance(file, capturefile.BufferedCaptureFile)
    file._closing = Closing()
    while not waiting.wait(0.02):
        writer.write(RECORDS[0])
    join = file._thread.join

    def join_then() -> None:
        go.set()
        join()

    monkeypatch.setattr(file._thread, "join", join_then)
    closer = threading.Thread(target=writer.close, daemon=True)
    closer.start()
    closer.join(20)
    assert not closer.is_alive()


# Reading while it grows


def test_a_reader_follows_a_writer(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    with writer_to(path) as writer, CaptureReader(path, follow=True) as reader:
        assert reader.info == writer.info
        assert reader.poll() == []
        for record in RECORDS:
            writer.write(record)
            assert reader.poll() == [record]
        for record in RECORDS:
            writer.write(record)
        assert list(reader) == RECORDS
        assert list(reader) == []
    assert reader.warning is None


def test_a_reader_follows_byte_by_byte(tmp_path: Path) -> None:
    path, grown = tmp_path / "a.pcapng", tmp_path / "grown.pcapng"
    sizes = sizes_after(path)
    data = path.read_bytes()
    found: list[Record] = []
    with grown.open("wb", buffering=0) as file, CaptureReader(grown, follow=True) as reader:
        with pytest.raises(CaptureError, match="nothing is recorded in it yet"):
            reader.info.settings  # noqa: B018 (raises)
        for size, byte in enumerate(data, 1):
            file.write(bytes([byte]))
            found += reader.poll()
            assert found == RECORDS[: sum(end <= size for end in sizes[1:])]
    assert reader.info.vantage == "client"


def test_a_follower_forgets_a_block_that_was_taken_back(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    header = plain_header()
    record = packet("<", 0, 5, b"abc", flags("<", INBOUND))
    path.write_bytes(header + record + record[:20])
    with CaptureReader(path, follow=True) as reader:
        assert reader.poll() == [Burst(b"abc", 5)]
        path.write_bytes(header + record)
        assert reader.poll() == []
        other = packet("<", 0, 6, b"defg", flags("<", OUTBOUND))
        path.write_bytes(header + record + other)
        assert reader.poll() == [Burst(b"defg", 6, True)]


def test_a_follower_notices_that_another_recording_began(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    sizes_after(path)
    with CaptureReader(path, follow=True) as reader:
        assert reader.poll() == RECORDS
        with writer_to(path, overwrite=True), pytest.raises(CaptureError, match="open it again"):
            reader.poll()


def test_a_follower_delivers_what_stands_before_damage_then_raises(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(plain_header() + packet("<", 0, 5, b"abc") + bytes(40))
    with CaptureReader(path, follow=True) as reader:
        assert reader.poll() == [Burst(b"abc", 5)]
        for _ in range(2):
            with pytest.raises(CaptureError, match="damaged at byte"):
                reader.poll()


# What a reader must put up with


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("swapped", [False, True])
def test_order_of_bytes_and_interfaces_does_not_matter(
    again: Path, order: str, swapped: bool
) -> None:
    described = [characters(order), interface(order, 1, [(2, b"eth0")]), events(order)]
    number = {"characters": 0, "ethernet": 1, "events": 2}
    if swapped:
        described.reverse()
        number = {"characters": 2, "ethernet": 1, "events": 0}
    again.write_bytes(
        section(order)
        + b"".join(described)
        + packet(order, number["ethernet"], 1, b"skip me")
        + packet(order, number["events"], 2, event_data(1, 2, 3))
        + packet(order, number["characters"], 2, b"abc", flags(order, INBOUND))
        + packet(order, 99, 3, b"of an interface that nobody described")
        + packet(order, number["characters"], 4, b"d", flags(order, OUTBOUND))
    )
    assert list(read_capture(again).records) == [
        Burst(b"abc", 2, False, (CharacterError(2, LineEventKind.FRAMING, 3),)),
        Burst(b"d", 4, True),
    ]


@pytest.mark.parametrize(
    ("resolution", "offset", "ticks", "instant"),
    [
        (9, 0, 1_735_689_600_123_456_789, 1_735_689_600_123_456_789),
        (9, 10, 5, 10_000_000_005),
        (9, -1, 1_000_000_005, 5),
        (6, 0, 123_456, 123_456_000),
        (None, 0, 123_456, 123_456_000),  # microseconds when it is not said (draft, 4.2)
        (0, 0, 7, 7_000_000_000),
        (12, 0, 1_999, 1),
        (0x80 | 10, 0, 1024 + 512, 1_500_000_000),
        (0x80 | 32, 0, 2**32 + 2**31, 1_500_000_000),
        (0x80 | 0, 3, 2, 5_000_000_000),
    ],
)
@pytest.mark.parametrize("order", ["<", ">"])
def test_any_resolution_of_time(
    again: Path, order: str, resolution: int | None, offset: int, ticks: int, instant: int
) -> None:
    again.write_bytes(
        section(order)
        + characters(order, resolution=resolution, offset=offset)
        + events(order, resolution, offset)
        + packet(order, 0, ticks, b"a")
        + packet(order, 1, ticks, event_data(16))
    )
    assert [record.at for record in read_capture(again).records] == [instant, instant]


def test_what_is_unknown_is_skipped(again: Path) -> None:
    again.write_bytes(
        section("<", {**COMMENT, "later": [1, {"a": 2}]}, more=[(3, b"an os"), (0x8001, b"?")])
        + block("<", 10, b"secrets!")
        + characters("<")
        + block("<", 0x80000BAD, b"local")
        + interface("<", 147, [(2, b"of another name"), (8, bytes(8))])
        + interface("<", 149, [(2, b"characters")])
        + events("<")
        + packet("<", 1, 1, b"none of ours")
        + packet("<", 2, 1, b"neither")
        + packet("<", 3, 1, event_data(200))
        + packet("<", 3, 1, event_data(0))
        + packet("<", 3, 1, event_data(2, 0, 1))
        + block("<", 5, bytes(12))  # between a line error and its burst
        + packet(
            "<", 0, 1, b"a", options("<", [(7, b"verdict"), (2, b"\2\0\0\0"), (2988, b"1234")])
        )
        + packet("<", 0, 2, b"")
        + packet("<", 0, 3, b"b", options("<", [(2, b"odd size")], end=False))
        + packet("<", 3, 4, event_data(19) + b"more", options("<", [(5, b"12345678"), (1, b"k=v")]))
    )
    assert list(read_capture(again).records) == [
        LineEvent(LineEventKind.PARITY, 1, 0, 1),
        Burst(b"a", 1, True),
        Burst(b"b", 3),
        LineEvent(LineEventKind.MARK, 4, comment="k=v"),
    ]


def test_a_name_may_be_missing(again: Path) -> None:
    pairs = [(3, b"8N1"), (8, (9600).to_bytes(8, "little"))]
    again.write_bytes(
        section("<")
        + interface("<", 148, [])
        + interface("<", 147, pairs)
        + packet("<", 1, 1, b"a")
    )
    found = read_capture(again)
    assert str(found.info.settings) == "9600 8N1"
    assert list(found.records) == [Burst(b"a", 1)]


def test_strings_need_not_be_strings(again: Path) -> None:
    """Invalid UTF-8 is replaced, a zero ends a string (pcapng draft, 3.5 and 3.6.3)."""
    again.write_bytes(
        section("<", more=[(4, b"program \xff\xfe"), (1, b"\xc3\x28"), (1, b"[1]")])
        + characters("<")
        + events("<")
        + packet("<", 1, 1, event_data(19), options("<", [(1, b"note=\xff\0hidden")]))
    )
    found = read_capture(again)
    assert found.info.program == "program \ufffd\ufffd"
    assert found.records == (LineEvent(LineEventKind.MARK, 1, comment="note=\ufffd"),)


def test_settings_follow_the_record_at_hand(tmp_path: Path) -> None:
    changed = packet("<", 1, 2, event_data(18), options("<", [(1, b"baud=9600 x=y format=8N2")]))
    rate_only = packet("<", 1, 4, event_data(18), options("<", [(1, b"baud=1200")]))
    path = tmp_path / "a.pcapng"
    path.write_bytes(
        plain_header()
        + packet("<", 0, 1, b"a")
        + changed
        + packet("<", 0, 3, b"b")
        + rate_only
        + packet("<", 0, 5, b"c")
    )
    with CaptureReader(path) as reader:
        found = [(record.at, str(reader.settings)) for record in reader]
        assert str(reader.info.settings) == "19200 8E1"
    assert found == [
        (1, "19200 8E1"),
        (2, "9600 8N2"),
        (3, "9600 8N2"),
        (4, "1200 8N2"),
        (5, "1200 8N2"),
    ]


def test_sections_have_their_own_settings_interfaces_and_byte_order(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    other = section(">", {**COMMENT, "vantage": "tap"})
    path.write_bytes(
        plain_header()
        + packet("<", 0, 1, b"a", flags("<", OUTBOUND))
        + packet("<", 1, 1, event_data(4, 0))  # its burst never comes
        + other
        + events(">")
        + characters(">", LineSettings.parse(9600, "8N1"))
        + packet(">", 1, 2, b"b", flags(">", OUTBOUND))
    )
    with CaptureReader(path) as reader:
        found = [(record, reader.info.vantage, str(reader.settings)) for record in reader]
    assert found == [
        (Burst(b"a", 1, True), "client", "19200 8E1"),
        (LineEvent(LineEventKind.OVERRUN, 1), "client", "19200 8E1"),
        (Burst(b"b", 2, True), "tap", "9600 8N1"),
    ]


# What a reader must refuse


def refusals() -> Iterator[tuple[str, bytes, str]]:
    """Yield a name, a file, and what is said about it."""
    body = characters("<") + events("<")
    yield "empty", b"", "is empty; nothing was recorded"
    yield "text", b"at_ns;data\n1;2\n", "is not a capture"
    yield "classic pcap", bytes.fromhex("d4c3b2a1 0200 0400") + bytes(16), "is not a capture"
    yield "half a header", plain_header()[:60], "ends inside its header"
    yield "no interface", section("<"), "describes no interface"
    yield "ethernet", section("<") + interface("<", 1, []), "describes no interface"
    yield "other pcapng", section("<", None) + body, "was not recorded by kerfbus"
    yield "a comment", section("<", "made on Monday") + body, "was not recorded by kerfbus"
    yield "other JSON", section("<", {"tool": 1}) + body, "was not recorded by kerfbus"
    yield "bad JSON", section("<", '{"kerfbus": 1,') + body, "section comment is damaged"
    deep = b'"kerfbus"' + b"[" * 60000
    yield "deep JSON", section("<", deep) + body, "section comment is damaged"
    yield "newer", section("<", {**COMMENT, "kerfbus": 2}) + body, "version 2.*update"
    yield "version 0", section("<", {**COMMENT, "kerfbus": 0}) + body, "version 0"
    yield "version x", section("<", {**COMMENT, "kerfbus": "1"}) + body, "kerfbus '1'"
    yield "vantage", section("<", {**COMMENT, "vantage": "roof"}) + body, "vantage 'roof'"
    yield "timing", section("<", {**COMMENT, "timing": None}) + body, "timing None"
    yield "clock", section("<", {**COMMENT, "clock": []}) + body, r"clock \[\]"
    yield "seed", section("<", {**COMMENT, "seed": 1.5}) + body, "seed 1.5"
    yield "uncertainty", section("<", {**COMMENT, "uncertainty_ns": -1}) + body, "uncertainty_ns -1"
    yield "true", section("<", {**COMMENT, "uncertainty_ns": True}) + body, "uncertainty_ns True"
    yield "pcapng 2", section("<", version=(2, 0)) + body, "pcapng version 2"
    yield "big pcapng 2", section(">", version=(2, 0)), "pcapng version 2"
    yield "no rate", section("<") + interface("<", 147, [(3, b"8E1")]), "states no line settings"
    rate = (8, (9600).to_bytes(8, "little"))
    yield "no format", section("<") + interface("<", 147, [rate]), "states no line settings"
    yield "magic", section("<").replace(b"\x4d\x3c\x2b\x1a", bytes(4)), "byte-order magic"


@pytest.mark.parametrize(
    ("data", "says"), [pytest.param(*case[1:], id=case[0]) for case in refusals()]
)
def test_what_is_no_capture_is_refused_in_one_line(again: Path, data: bytes, says: str) -> None:
    again.write_bytes(data)
    with pytest.raises(CaptureError, match=says) as caught:
        CaptureReader(again)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"{again}: ")


def test_minor_version_two_reads_as_zero(again: Path) -> None:
    """Pcapng draft, 4.1: readers must treat a minor version of 2 as 0."""
    again.write_bytes(section("<", version=(1, 2)) + characters("<"))
    assert read_capture(again).records == ()


@pytest.mark.parametrize(
    ("path", "says"),
    [("absent.pcapng", "no such file"), (".", "cannot be read"), ("a\0b", "cannot be read")],
)
def test_what_cannot_be_opened(tmp_path: Path, path: str, says: str) -> None:
    with pytest.raises(CaptureError, match=says):
        CaptureReader(f"{tmp_path}/{path}")


GOOD = packet("<", 0, 5, b"abcde", flags("<", INBOUND))


def spoilt(at: int, what: bytes) -> bytes:
    """Return a good packet with some bytes replaced."""
    return GOOD[:at] + what + GOOD[at + len(what) :]


@pytest.mark.parametrize(
    "bad",
    [
        pytest.param(spoilt(4, b"\x2d"), id="length not a multiple of four"),
        pytest.param(
            struct.pack("<IIBI", 0xBAD, 13, 0, 13), id="length not a multiple of four, repeated"
        ),
        pytest.param(spoilt(4, b"\x08"), id="length below the least"),
        pytest.param(spoilt(4, b"\x28"), id="shorter length"),
        pytest.param(spoilt(4, b"\x34\x01"), id="longer length"),
        pytest.param(spoilt(4, b"\0\0\0\x7f"), id="length past the end"),
        pytest.param(spoilt(len(GOOD) - 4, b"\xff"), id="repeated length"),
        pytest.param(spoilt(20, b"\xff"), id="size of the data"),
        pytest.param(spoilt(20, b"\xff\xff\xff\xff"), id="size at its limit"),
        pytest.param(spoilt(12, b"\xff\xff\xff\xff"), id="time stamp beyond all"),
        pytest.param(bytes(44), id="zeros"),
        pytest.param(
            packet(
                "<", 1, 5, event_data(19), options("<", [(1, b"k=v")]).replace(b"\3\0", b"\xff\0")
            ),
            id="option longer than its block",
        ),
        pytest.param(packet("<", 1, 5, b"short"), id="line event too short"),
        pytest.param(
            packet("<", 1, 5, event_data(18), options("<", [(1, b"baud=fast")])), id="settings"
        ),
        pytest.param(
            packet("<", 1, 5, event_data(18), options("<", [(1, b"format=9X9")])), id="format"
        ),
        pytest.param(section("<", None), id="a section of another kind"),
        pytest.param(section("<", version=(3, 0)), id="a section of another version"),
        pytest.param(plain_header()[: len(section("<"))] + section("<"), id="an empty section"),
    ],
)
def test_damage_in_the_middle_names_its_offset(again: Path, bad: bytes) -> None:
    before = plain_header() + GOOD + packet("<", 1, 6, event_data(1, 9))
    again.write_bytes(before + bad + GOOD * 20)
    found: list[Record] = []
    with CaptureReader(again) as reader:
        records = iter(reader)
        found += itertools.islice(records, 2)
        with pytest.raises(CaptureError) as caught:
            list(records)
        with pytest.raises(CaptureError):
            list(reader)
    # The line error before the damage lost its burst; it is delivered all the same.
    assert found == [Burst(b"abcde", 5), LineEvent(LineEventKind.FRAMING, 6, 9)]
    assert caught.value.offset == len(before)


def test_a_last_block_that_is_all_there_was_not_cut_off(again: Path) -> None:
    """Its damaged length says that it goes on; its repeated length says that it does not."""
    before = plain_header() + GOOD
    for last in (packet("<", 0, 5, b"abcdefgh"), GOOD):
        again.write_bytes(before + last[:4] + b"\x80" + last[5:])
        with pytest.raises(CaptureError, match=f"damaged at byte {len(before)}"):
            read_capture(again)


def refusal(path: Path) -> str:
    """Return what is said about a file that cannot be read, "" for one that can."""
    try:
        read_capture(path)
    except CaptureError as error:
        return str(error)
    return ""


def test_a_flipped_bit_is_damage_or_other_content_but_never_a_crash(
    tmp_path: Path, again: Path
) -> None:
    sizes_after(tmp_path / "a.pcapng")
    data = (tmp_path / "a.pcapng").read_bytes()
    refused = 0
    for at, bit in itertools.product(range(len(data)), (0, 7)):
        again.write_bytes(data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :])
        said = refusal(again)
        refused += bool(said)
        assert "\n" not in said
    assert len(data) // 2 < refused < 2 * len(data)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200), st.booleans())
def test_rubbish_is_refused(again: Path, rubbish: bytes, headed: bool) -> None:
    again.write_bytes((plain_header() if headed else b"") + rubbish)
    assert "\n" not in refusal(again)


# What a writer must refuse


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda to: to.inbound(Chunk(b"a", -1)), "instant -1"),
        (lambda to: to.outbound(b"a", 2**63), "instant 9223372036854775808"),
        (lambda to: to.inbound(Chunk(b"a", 1, (FRAMING,))), "line error 1 at 1 of 1"),
        (lambda to: to.inbound(Chunk(b"", 1, (FRAMING,))), "line error 1 at 1 of 0"),
        (
            lambda to: to.inbound(Chunk(b"ab", 1, (FRAMING._replace(kind=LineEventKind.MARK),))),
            "line error 19",
        ),
        (lambda to: to.event(LineEventKind.LOST, -5), "instant -5"),
        (lambda to: to.event(LineEventKind.LOST, 1, index=65536), "index 65536"),
        (lambda to: to.event(LineEventKind.DROPPED, 1, value=2**32), "value 4294967296"),
        (lambda to: to.mark("", "x", 1), "without an equals sign"),
        (lambda to: to.mark("a=b", "x", 1), "without an equals sign"),
        (lambda to: to.mark("note", "a\0b", 1), "zero character"),
        (lambda to: to.mark("note", "x" * 65531, 1), "at most 65535"),
    ],
)
def test_what_does_not_fit_is_refused_and_leaves_no_trace(again: Path, call, says: str) -> None:  # type: ignore[no-untyped-def]
    with writer_to(again, overwrite=True) as writer:
        writer.write(RECORDS[0])
        with pytest.raises(UsageError, match=says):
            call(writer)
        writer.write(RECORDS[1])
    assert list(read_capture(again).records) == RECORDS[:2]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"vantage": "roof"}, "vantage 'roof'"),
        ({"timing": "rough"}, "timing 'rough'"),
        ({"clock": "sun"}, "clock 'sun'"),
        ({"uncertainty_ns": -1}, "uncertainty -1"),
        ({"program": "x" * 70000}, "program"),
        ({"program": "a\0b"}, "program"),
    ],
)
def test_what_a_capture_cannot_say_of_itself(
    tmp_path: Path, changes: dict[str, object], says: str
) -> None:
    with pytest.raises(UsageError, match=says):
        writer_to(tmp_path / "a.pcapng", **changes)
    assert not (tmp_path / "a.pcapng").exists()


@pytest.mark.parametrize("buffered", [False, True])
def test_a_closed_writer_says_so(tmp_path: Path, buffered: bool) -> None:
    writer = writer_to(tmp_path / "a.pcapng", buffered=buffered)
    writer.close()
    writer.close()
    assert writer.closed
    with pytest.raises(UsageError, match="was closed"):
        writer.write(RECORDS[0])


def test_the_section_comment_is_one_line_of_json_in_a_fixed_order(tmp_path: Path) -> None:
    with writer_to(tmp_path / "a.pcapng", timing="host", uncertainty_ns=16_000_000, seed=3):
        data = (tmp_path / "a.pcapng").read_bytes()
    comment = data[data.index(b"{") : data.index(b"}") + 1].decode()
    assert list(json.loads(comment).items()) == [
        ("kerfbus", 1),
        ("vantage", "client"),
        ("timing", "host"),
        ("clock", "virtual"),
        ("uncertainty_ns", 16_000_000),
        ("seed", 3),
    ]
    assert "\n" not in comment
