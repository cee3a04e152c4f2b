"""Decoding in bulk gives the same as the framer over the records, piece for piece."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from random import Random

import numpy as np
import pytest
from framing_corpus import (
    CHARACTER_NS,
    FRAMES,
    SETTINGS,
    T15_NS,
    T35_NS,
    damage,
    pieces_of_line,
    traffic,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.bulk import UNKNOWN, BulkFramer, FrameColumns, iter_frames
from kerfbus.bench.bulkcrc import residues
from kerfbus.bench.capture import CaptureReader, CaptureWriter
from kerfbus.bench.capturecolumns import CaptureColumns, iter_columns, read_columns
from kerfbus.bench.capturerecords import Burst, LineEvent, Record
from kerfbus.bench.crc import crc16, with_crc
from kerfbus.bench.decode import Decoder
from kerfbus.bench.errors import CaptureError, UsageError
from kerfbus.bench.frames import BREAKS
from kerfbus.bench.framing import Frame, Framer, Piece, Stray
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind, Timing

Found = list[tuple[Piece, bool]]


def write(
    path: Path, records: Sequence[Record], timing: Timing = "exact", uncertainty_ns: int = 0
) -> Path:
    """Write records as they stand."""
    with CaptureWriter(
        path,
        settings=SETTINGS,
        vantage="client",
        timing=timing,
        clock="virtual",
        uncertainty_ns=uncertainty_ns,
        overwrite=True,
        buffered=True,
    ) as writer:
        for record in records:
            if isinstance(record, LineEvent):
                writer.event(*record)
            elif record.outbound:
                writer.outbound(record.data, record.at)
            else:
                writer.inbound(Chunk(record.data, record.at, record.errors))
    return path


def streamed(path: Path) -> Found:
    """Return the pieces that a framer gives, record by record, and whether each was sent."""
    found: Found = []
    with CaptureReader(path) as reader:
        info, line = reader.info, reader.info.settings
        framer = Framer(line, info.timing, info.uncertainty_ns)
        for record in reader:
            if isinstance(record, LineEvent):
                if record.kind in BREAKS:
                    found += [(piece, False) for piece in framer.flush()]
                if record.kind is LineEventKind.SETTINGS:
                    line = LineSettings.parse(int(record.comment[5:].split()[0]))
                    framer = Framer(line, info.timing, info.uncertainty_ns)
            elif record.outbound:
                heard, sent = framer.outbound(record.data, record.at)
                found += [(piece, False) for piece in heard] + [(piece, True) for piece in sent]
            else:
                pieces = framer.receive(record.data, record.at, record.errors)
                found += [(piece, False) for piece in pieces]
        return found + [(piece, False) for piece in framer.flush()]


def in_bulk(path: Path, batch_bytes: int = 1 << 23) -> Found:
    """Return the pieces of all batches, each batch checked against its own columns."""
    found: Found = []
    for columns in iter_frames(path, batch_bytes):
        check_columns(columns)
        found += columns.pieces()
    return found


def check_columns(columns: FrameColumns) -> None:
    """Check that the columns say what the pieces say."""
    pieces = [piece for piece, _ in columns.pieces()]
    assert len(columns) == len(pieces)
    assert columns.servers.tolist() == [piece.data[0] for piece in pieces]
    seconds = [piece.data[1] if len(piece.data) > 1 else 0 for piece in pieces]
    assert columns.functions.tolist() == seconds
    assert columns.lengths.tolist() == [len(piece.data) for piece in pieces]
    assert columns.at.tolist() == [piece.at for piece in pieces]
    assert columns.errors.tolist() == [piece.errors for piece in pieces]
    assert columns.stray.tolist() == [isinstance(piece, Stray) for piece in pieces]
    gaps = [UNKNOWN if p.gap_before_ns is None else p.gap_before_ns for p in pieces]
    assert columns.gaps.tolist() == gaps
    assert columns.bursts.tolist() == sorted(columns.bursts.tolist())


def same(one: Found, other: Found) -> None:
    assert [(type(piece), piece, sent) for piece, sent in one] == [
        (type(piece), piece, sent) for piece, sent in other
    ]


@st.composite
def records(draw: st.DrawFn) -> list[Record]:
    """Draw bursts of both directions, line errors, events, silences, a clock set back."""
    made: list[Record] = []
    at = 0
    gaps = st.sampled_from((T35_NS + CHARACTER_NS, T35_NS + CHARACTER_NS, 0, T15_NS, 60 * T35_NS))
    bursts = st.lists(st.tuples(burst_data(), gaps, st.integers(0, 19)), max_size=25)
    for data, gap, what in draw(bursts):
        at += gap + SETTINGS.characters_ns(len(data))
        if what == 1:
            at = max(0, at - 50_000_000)
        errors: tuple[CharacterError, ...] = ()
        if what == 2:
            kinds = st.sampled_from(list(LineEventKind)[:4])
            errors = (CharacterError(draw(st.integers(0, len(data) - 1)), draw(kinds)),)
        if what == 3:
            kind = draw(st.sampled_from(("OPENED", "LOST", "DROPPED", "SETTINGS", "MARK")))
            comment = {"SETTINGS": "baud=9600 format=8E1", "MARK": "arc=on"}.get(kind, "")
            made.append(LineEvent(LineEventKind[kind], at, comment=comment))
        made.append(Burst(data, at, what in (4, 5, 6), errors))
    return made


def burst_data() -> st.SearchStrategy[bytes]:
    two = st.tuples(pieces_of_line(), pieces_of_line()).map(lambda pair: pair[0] + pair[1])
    return st.one_of(
        st.sampled_from(FRAMES),
        st.sampled_from(FRAMES),
        st.sampled_from(DOUBTFUL),
        pieces_of_line(),
        two,
        st.binary(min_size=250, max_size=300),
    )


def doubtful() -> list[bytes]:
    """Return frames of which the CRC fits one character earlier, and such that may be meant so."""
    random = Random(1)
    frames = [with_crc(bytes((1, 3, 4, number, 0, 2))) for number in range(4)]
    frames += [with_crc(bytes((1, 3, 2, number, 0, 1))) for number in range(4)]
    frames += [with_crc(bytes((1, 3, 2, number, number))) for number in range(4)]
    frames += [with_crc(bytes((1, 3, 0, number, 0, 1))) for number in range(4)]
    frames += [with_crc(bytes((1, 3, 0, number, 0, 2))) for number in range(4)]
    head = bytes((1, 3, 40, 1, 2, 3))
    frames.append(with_crc(with_crc(head) + bytes(35)))  # a good request stands at its start
    while len(frames) < 30:
        size = random.choice((1, 2))
        frame = with_crc(bytes((1, 3, 2 * size)) + random.randbytes(2 * size))
        if frame[-1] == 0:
            frames.append(frame)
    return frames


DOUBTFUL = doubtful()


@given(
    records(),
    st.sampled_from(("exact", "host")),
    st.sampled_from((0, 3_000_000)),
    st.sampled_from((1 << 23, 4_000, 700)),
)
@settings(max_examples=120, deadline=None)
def test_the_same_as_the_framer(
    tmp_path_factory: pytest.TempPathFactory,
    made: list[Record],
    timing: Timing,
    uncertainty_ns: int,
    batch_bytes: int,
) -> None:
    path = tmp_path_factory.getbasetemp() / "bulk.pcapng"
    write(path, made, timing, uncertainty_ns if timing == "host" else 0)
    same(in_bulk(path, batch_bytes), streamed(path))


def quiet(frames: Sequence[bytes], gap: int = T35_NS + CHARACTER_NS) -> list[Record]:
    """Return a burst for each frame, with a silence between them."""
    made: list[Record] = []
    at = 0
    for frame in frames:
        at += gap + SETTINGS.characters_ns(len(frame))
        made.append(Burst(frame, at))
    return made


BROADCAST = with_crc(bytes.fromhex("00 06 00 01 00 03"))
ASKS_LIKE_A_REPLY = with_crc(bytes.fromhex("01 03 04 00 00 02"))
"""With the 00 of a broadcast behind it, the CRC of this request fits over nine characters too."""


@pytest.mark.parametrize(
    "before",
    [
        [b"\x01\x03\x04\x99\x99\x99\x99\x99"],  # damage that is found side by side
        [b"\x01\x06\x04\x99\x99\x99\x99\x99"],
        [FRAMES[0] + FRAMES[1]],  # two frames, which the framer takes
        [FRAMES[1], FRAMES[0] + FRAMES[1]],
        [FRAMES[0]],
        [FRAMES[0], FRAMES[1]],
        [],
    ],
    ids=lambda before: "-".join(data[:8].hex() for data in before) or "nothing",
)
def test_what_was_said_before_decides_in_bulk_as_in_the_framer(
    tmp_path: Path, before: list[bytes]
) -> None:
    made = quiet([FRAMES[0], *before], 60 * T35_NS)
    at = made[-1].at + 60 * T35_NS
    for data in (ASKS_LIKE_A_REPLY, BROADCAST, BROADCAST):
        at += SETTINGS.characters_ns(len(data))
        made.append(Burst(data, at))
    path = write(tmp_path / "said.pcapng", made, "host")
    same(in_bulk(path), streamed(path))


@pytest.mark.parametrize("share", [0.0, 0.01, 0.2])
@pytest.mark.parametrize("batch_bytes", [1 << 23, 50_000])
def test_a_long_capture(tmp_path: Path, share: float, batch_bytes: int) -> None:
    parts = damage(traffic(6_000, 9), 9, share, share / 2)
    path = write(tmp_path / "long.pcapng", quiet([part.data for part in parts]))
    same(in_bulk(path, batch_bytes), streamed(path))


def test_most_of_a_capture_needs_no_framer(tmp_path: Path) -> None:
    """Else the speed would be that of the framer."""
    parts = damage(traffic(6_000, 9), 9, 0.01, 0.005)
    path = write(tmp_path / "long.pcapng", quiet([part.data for part in parts]))
    loose = sum(len(columns.loose) for columns in iter_frames(path))
    assert loose < 0.005 * len(parts)


def test_a_capture_without_times_in_which_bursts_are_frames(tmp_path: Path) -> None:
    """No silence is proved, so frames that may go on by a character lean on what was said."""
    frames = traffic(4_000, 5)
    path = write(tmp_path / "zero.pcapng", [Burst(frame, 0) for frame in frames], "host")
    same(in_bulk(path), streamed(path))
    loose = sum(len(columns.loose) for columns in iter_frames(path))
    assert loose < 0.05 * len(frames)


def test_the_same_as_decoding_row_by_row(tmp_path: Path) -> None:
    """The command's decoder cuts alike; what it calls damage depends on what was asked."""
    random = Random(3)
    made: list[Record] = []
    for burst in quiet([part.data for part in damage(traffic(1_000, 4), 4, 0.1, 0.1)]):
        assert isinstance(burst, Burst)
        made.append(burst._replace(outbound=random.random() < 0.3))
    path = write(tmp_path / "client.pcapng", made)
    with CaptureReader(path) as reader:
        decoder = Decoder(reader.info)
        rows = [row for record in reader for row in decoder.feed(record)] + decoder.finish()
    messages = [row.message for row in rows if row.message is not None]
    cut = [(m.piece.data, m.piece.at, m.piece.gap_before_ns, m.outbound) for m in messages]
    assert cut == [(p.data, p.at, p.gap_before_ns, sent) for p, sent in in_bulk(path)]


def test_an_empty_capture(tmp_path: Path) -> None:
    path = write(tmp_path / "empty.pcapng", [])
    assert in_bulk(path) == []


def test_damage_in_the_file_is_told_after_all_that_stands_before_it(tmp_path: Path) -> None:
    frames = traffic(200, 2)
    path = write(tmp_path / "broken.pcapng", quiet([*frames, frames[0][:4]]))
    whole = path.read_bytes()
    path.write_bytes(whole + struct.pack("<II", 6, 13) + bytes(40))
    found: list[Piece] = []
    with pytest.raises(CaptureError, match="broken"):
        found.extend(piece for columns in iter_frames(path) for piece, _ in columns.pieces())
    assert [piece.data for piece in found] == [*frames, frames[0][:4]]


def test_bursts_at_odd_places(tmp_path: Path) -> None:
    """As in columns that were packed; a file never has them."""
    parts = damage(traffic(300, 8), 8, 0.2, 0.2)
    path = write(tmp_path / "odd.pcapng", quiet([part.data for part in parts]))
    (columns,) = iter_columns(path)
    data, starts = columns.packed()
    moved = replace(columns, data=data, offsets=starts)
    assert (starts & 1).any()
    framer = BulkFramer()
    found = [*framer.take(moved).pieces(), *framer.finish().pieces()]
    same(found, streamed(path))


def test_several_spans_are_refused(tmp_path: Path) -> None:
    change = LineEvent(LineEventKind.SETTINGS, 10**9, comment="baud=9600 format=8N2")
    path = write(tmp_path / "spans.pcapng", [*quiet(FRAMES[:2]), change, *quiet(FRAMES[2:4])])
    whole: CaptureColumns = read_columns(path)
    with pytest.raises(UsageError, match="batch"):
        BulkFramer().take(whole)


def test_frames_of_two_rates_keep_their_own_silences(tmp_path: Path) -> None:
    change = LineEvent(LineEventKind.SETTINGS, 10**9, comment="baud=9600 format=8E1")
    later = [burst._replace(at=burst.at + 10**9) for burst in quiet(FRAMES[:3]) if burst]
    path = write(tmp_path / "rates.pcapng", [*quiet(FRAMES[:3]), change, *later])
    same(in_bulk(path), streamed(path))


@given(st.lists(st.binary(min_size=1, max_size=300), min_size=1, max_size=40))
@settings(max_examples=60, deadline=None)
def test_residues(stretches: list[bytes]) -> None:
    room = [len(each) + len(each) % 2 for each in stretches]
    offsets = np.cumsum([0, *room[:-1]])
    data = b"".join(each + bytes(len(each) % 2) for each in stretches)
    lengths = np.array([len(each) for each in stretches])
    found = residues(np.frombuffer(data, dtype=np.uint8), offsets, lengths)
    assert found.tolist() == [crc16(each) for each in stretches]


def test_frames_of_all_layouts_are_frames_in_bulk(tmp_path: Path) -> None:
    path = write(tmp_path / "layouts.pcapng", quiet(FRAMES))
    assert [p.data for p, _ in in_bulk(path) if isinstance(p, Frame) and not p.errors] == FRAMES
