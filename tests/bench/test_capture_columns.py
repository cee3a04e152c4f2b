"""Columns mean what the reader delivers, record for record, whatever the file looks like."""

from __future__ import annotations

import random
from pathlib import Path

import capturefiles
import numpy as np
import pytest
from capturefiles import INBOUND, OUTBOUND, event_data, flags, packet, plain_header
from hypothesis import example, given, settings
from hypothesis import strategies as st

from kerfbus.bench.capture import Burst, CaptureReader, CaptureWriter, LineEvent
from kerfbus.bench.capturecolumns import iter_columns, read_columns
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind

Outcome = tuple[list[object], list[str], str | None]


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a path that examples may write to again and again."""
    return tmp_path_factory.mktemp("columns") / "some.pcapng"


def by_reader(path: Path) -> Outcome:
    """Return records with the settings in force, warnings, and the error that ended it."""
    found: list[object] = []
    try:
        with CaptureReader(path) as reader:
            for record in reader:
                burst = isinstance(record, Burst)
                found.append((record, reader.info, reader.settings) if burst else record)
    except CaptureError as error:
        return found, [], f"{error} at {error.offset}"
    return found, [reader.warning] if reader.warning else [], None


def by_columns(path: Path, batch_bytes: int) -> Outcome:
    """Return the same from columns."""
    found: list[object] = []
    warnings = []
    try:
        for batch in iter_columns(path, batch_bytes):
            for record in batch.records():
                burst = isinstance(record, Burst)
                found.append((record, batch.info, batch.settings) if burst else record)
            if batch.warning:
                warnings.append(batch.warning)
    except CaptureError as error:
        return found, [], f"{error} at {error.offset}"
    return found, warnings, None


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.integers(0, 60), st.sampled_from([40, 3000, 1 << 20]))
def test_any_file_is_read_the_same(path: Path, seed: int, items: int, batch_bytes: int) -> None:
    path.write_bytes(capturefiles.odd_file(seed, items))
    reference = by_reader(path)
    assert reference[2] is None
    assert by_columns(path, batch_bytes) == reference


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**32), st.integers(0, 40), st.randoms(use_true_random=False))
def test_a_damaged_or_cut_file_is_read_the_same(
    path: Path, seed: int, items: int, chance: random.Random
) -> None:
    data = bytearray(capturefiles.odd_file(seed, items))
    for _ in range(chance.randrange(3)):
        data[chance.randrange(len(data))] = chance.choice([0, 1, 6, 255, chance.randrange(256)])
    path.write_bytes(data[: chance.randrange(len(data) + 1)])
    assert by_columns(path, 2000) == by_reader(path)


@settings(max_examples=60, deadline=None)
@given(capturefiles.records, st.integers(1, 400))
@example([LineEvent(LineEventKind.OPENED, 0)], 1)
def test_what_a_writer_wrote_is_read_the_same(
    path: Path, records: list[Burst | LineEvent], batch_bytes: int
) -> None:
    with CaptureWriter(
        path,
        settings=LineSettings(),
        vantage="tap",
        timing="exact",
        clock="virtual",
        overwrite=True,
    ) as writer:
        for record in records * 8:
            writer.write(record)
    assert by_columns(path, batch_bytes) == by_reader(path)
    assert [*read_columns(path).records()] == records * 8


def test_a_whole_capture_joins_its_batches(path: Path) -> None:
    data = capturefiles.odd_file(9, 400)
    assert data.count(b"\n\r\r\n") > 2
    path.write_bytes(data)
    whole = read_columns(path)
    with CaptureReader(path) as reader:
        assert [*whole.records()] == [*reader]
    batches = [*iter_columns(path, 1000)]
    assert len(batches) > len(whole.spans) > 2
    starts = [span.first_burst for span in whole.spans]
    for batch, first in zip(batches, np.cumsum([0, *map(len, batches)]), strict=False):
        span = whole.spans[np.searchsorted(starts, first, side="right") - 1]
        if len(batch):
            assert (span.info, span.settings) == (batch.info, batch.settings)


def test_a_settings_event_begins_a_span(path: Path) -> None:
    with CaptureWriter(
        path,
        settings=LineSettings(),
        vantage="tap",
        timing="exact",
        clock="virtual",
        overwrite=True,
    ) as writer:
        writer.inbound(Chunk(b"a", 1))
        writer.settings_changed(LineSettings.parse(9600, "8N2"), 2)
        writer.inbound(Chunk(b"bc", 3, (CharacterError(1, LineEventKind.PARITY, 9),)))
        writer.outbound(b"def", 4)
    first, second = iter_columns(path)
    assert str(first.settings) == "19200 8E1"
    assert str(second.settings) == "9600 8N2"
    assert second.events[0].kind is LineEventKind.SETTINGS
    assert second.event_bursts.tolist() == [0]
    whole = read_columns(path)
    assert [span[:2] for span in whole.spans] == [(0, 0), (1, 0)]
    assert len(whole) == 3
    assert whole.lengths.tolist() == [1, 2, 3]
    assert whole.at.tolist() == [1, 3, 4]
    assert whole.outbound.tolist() == [False, False, True]
    assert whole.error_bursts.tolist() == [1]
    assert whole.error_positions.tolist() == [1]
    assert whole.error_kinds.tolist() == [LineEventKind.PARITY]
    assert whole.error_values.tolist() == [9]
    assert whole.event_bursts.tolist() == [1]
    packed, starts = whole.packed()
    assert packed.tobytes() == b"abcdef"
    assert starts.tolist() == [0, 1, 3]


def lures() -> list[bytes]:
    """Return characters that look like blocks, aligned to words within their burst."""
    whole = packet("<", 0, 5, b"lure", flags("<", OUTBOUND))
    return [
        whole,
        whole * 3,
        whole[:-4],
        b"abcd" + whole + b"efgh",
        bytes.fromhex("06000000 20000000") * 8,
        plain_header() + whole,
    ]


@pytest.mark.parametrize("lure", lures())
@pytest.mark.parametrize("batch_bytes", [100, 1 << 20])
def test_characters_that_look_like_blocks_stay_characters(
    path: Path, lure: bytes, batch_bytes: int
) -> None:
    bursts = [b"plain", lure] * 40 + [lure] * 40
    path.write_bytes(
        plain_header()
        + b"".join(packet("<", 0, at, data, flags("<", INBOUND)) for at, data in enumerate(bursts))
    )
    batches = [*iter_columns(path, batch_bytes)]
    found = [record for batch in batches for record in batch.records()]
    assert found == [Burst(data, at) for at, data in enumerate(bursts)]


def common(count: int, first: int = 0) -> bytes:
    """Return bursts of the common form, enough of them to be gathered together."""
    return b"".join(
        packet("<", 0, at, b"abc", flags("<", INBOUND)) for at in range(first, first + count)
    )


def test_a_line_error_that_belongs_nowhere_stands_alone(path: Path) -> None:
    beyond = packet("<", 1, 100, event_data(1, 3))
    before_sent = packet("<", 1, 200, event_data(2, 0))
    good = packet("<", 1, 300, event_data(3, 2, 5))
    sent = packet("<", 0, 200, b"s", flags("<", OUTBOUND))
    path.write_bytes(
        plain_header()
        + common(50)
        + (beyond + common(50, 100))
        + (before_sent + sent)
        + (good + common(50, 300))
        + good
    )
    found = [*read_columns(path).records()]
    assert found[50:52] == [LineEvent(LineEventKind.FRAMING, 100, 3), Burst(b"abc", 100)]
    assert found[101:103] == [LineEvent(LineEventKind.PARITY, 200, 0), Burst(b"s", 200, True)]
    assert found[103] == Burst(b"abc", 300, False, (CharacterError(2, LineEventKind.BREAK, 5),))
    assert found[-1] == LineEvent(LineEventKind.BREAK, 300, 2, 5)
    with CaptureReader(path) as reader:
        assert [*reader] == found


@pytest.mark.parametrize(
    ("where", "what"),
    [(4, b"\x10"), (4, b"\0\0\0\x7f"), (-4, b"\0"), (20, b"\xff\xff\xff\xff"), (12, b"\xff" * 4)],
    ids=["length", "length past the end", "repeated length", "size of the data", "time stamp"],
)
def test_all_before_damage_is_yielded(path: Path, where: int, what: bytes) -> None:
    data = bytearray(plain_header() + common(100))
    good = len(data)
    data += common(1)
    start = (good if where > 0 else len(data)) + where
    data[start : start + len(what)] = what
    data += common(100)
    path.write_bytes(data)
    batches = iter_columns(path)
    assert len(next(batches)) == 100
    with pytest.raises(CaptureError, match=f"damaged at byte {good}: ") as caught:
        next(batches)
    assert caught.value.offset == good
    assert by_columns(path, 500) == by_reader(path)


def test_a_line_error_before_damage_is_yielded(path: Path) -> None:
    error = packet("<", 1, 7, event_data(1, 2))
    # An option that reaches beyond its block, behind the flags.
    bad = packet("<", 1, 8, event_data(2), flags("<", INBOUND)[:-4] + b"\1\0\x20\0")
    path.write_bytes(plain_header() + common(50) + error + bad + common(50))
    batches = iter_columns(path)
    assert [*next(batches).records()][50:] == [LineEvent(LineEventKind.FRAMING, 7, 2)]
    with pytest.raises(CaptureError, match="option 1 is longer than its block"):
        next(batches)
    assert by_columns(path, 500) == by_reader(path)


def test_an_empty_capture_has_one_batch_that_says_what_it_is(path: Path) -> None:
    path.write_bytes(plain_header())
    (only,) = iter_columns(path)
    assert len(only) == 0
    assert only.info.vantage == "client"
    assert [*only.records()] == []
    assert only.packed()[0].tobytes() == b""


def test_a_burst_longer_than_a_batch(path: Path) -> None:
    big = random.Random(1).randbytes(3_000_000)
    path.write_bytes(plain_header() + common(5) + packet("<", 0, 9, big) + common(5))
    found = [record for batch in iter_columns(path, 1000) for record in batch.records()]
    assert found[5] == Burst(big, 9)
    assert len(found) == 11
