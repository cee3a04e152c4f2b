"""Marked streams: cut anywhere they give the same, and marks get their kind."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.parmrk import ErrorSorter, Mark, MarkDecoder, encode
from kerfbus.bench.transport import CharacterError, LineCounters, LineEventKind

FRAMING, PARITY, BREAK, OVERRUN = (
    LineEventKind.FRAMING,
    LineEventKind.PARITY,
    LineEventKind.BREAK,
    LineEventKind.OVERRUN,
)
NONE = LineCounters(0, 0, 0, 0, 0)

# FF and 00 are what can go wrong, so they come often.
CHARACTERS = st.lists(
    st.one_of(st.sampled_from((0xFF, 0x00)), st.integers(0, 255)), max_size=60
).map(bytes)


def decoded(pieces: list[bytes]) -> tuple[bytes, list[Mark], bool]:
    """Decode pieces one after the other; marks are counted from the start of the whole."""
    decoder = MarkDecoder()
    data, marks = b"", []
    for piece in pieces:
        characters, found = decoder.decode(piece)
        marks += [mark._replace(position=mark.position + len(data)) for mark in found]
        data += characters
    return data, marks, decoder.pending


@settings(max_examples=150, deadline=None)
@given(CHARACTERS, st.data())
def test_any_chunking_of_what_a_driver_delivers_gives_what_came_over_the_line(
    data: bytes, draw: st.DataObject
) -> None:
    bad = draw.draw(st.sets(st.integers(0, max(len(data) - 1, 0)))) if data else set()
    stream = encode(data, bad)
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert decoded(pieces) == (data, [Mark(at, data[at]) for at in sorted(bad)], False)


STREAM = bytes.fromhex("01 ff ff ff 00 00 ff 00 ff 00 ff ff ff ff ff 00 41 02")
WHOLE = (bytes.fromhex("01 ff 00 ff 00 ff ff 41 02"), [Mark(2, 0), Mark(3, 0xFF), Mark(7, 0x41)])


@pytest.mark.parametrize("cut", range(len(STREAM) + 1))
def test_every_split_point(cut: int) -> None:
    assert decoded([STREAM[:cut], STREAM[cut:]]) == (*WHOLE, False)


def test_byte_by_byte() -> None:
    assert decoded([STREAM[i : i + 1] for i in range(len(STREAM))]) == (*WHOLE, False)


@pytest.mark.parametrize("tail", ["ff", "ff 00"])
def test_the_beginning_of_a_mark_is_held_back(tail: str) -> None:
    assert decoded([b"\x01" + bytes.fromhex(tail)]) == (b"\x01", [], True)


@pytest.mark.parametrize("cut", range(4))
def test_an_ff_that_no_marking_driver_delivers_is_a_plain_ff(cut: int) -> None:
    stream = b"\xff\x07\x08"
    assert decoded([stream[:cut], stream[cut:]]) == (stream, [], False)


def test_a_stream_without_ff_is_passed_on_as_it_is() -> None:
    data = bytes(range(255))
    assert MarkDecoder().decode(data)[0] is data


# Marks, parity of the line, what was counted: what they are called.
SORTED = [
    ("no counters, no parity", [7], "N", None, [FRAMING]),
    ("no counters, parity", [7], "E", None, [PARITY]),
    ("no counters, 00", [0], "E", None, [BREAK]),
    ("no counters, 00 without parity", [0], "N", None, [BREAK]),
    ("framing counted", [7], "E", LineCounters(1, 0, 0, 0, 0), [FRAMING]),
    ("parity counted", [7], "E", LineCounters(0, 1, 0, 0, 0), [PARITY]),
    ("break counted", [0], "E", LineCounters(0, 0, 1, 0, 0), [BREAK]),
    ("a damaged 00, no break", [0], "E", LineCounters(0, 1, 0, 0, 0), [PARITY]),
    ("a break and a damaged 00", [0, 0], "E", LineCounters(1, 0, 1, 0, 0), [BREAK, FRAMING]),
    ("a break is never a 07", [7, 0], "E", LineCounters(1, 0, 1, 0, 0), [FRAMING, BREAK]),
    ("both counted", [7, 8], "E", LineCounters(1, 1, 0, 0, 0), [FRAMING, PARITY]),
    ("counted too late", [7], "E", NONE, [PARITY]),
    ("nothing marked", [], "E", LineCounters(1, 0, 0, 0, 0), []),
    ("parity not counted by this driver", [7], "E", LineCounters(framing=1), [FRAMING]),
]


@pytest.mark.parametrize(
    ("values", "parity", "counted", "kinds"),
    [row[1:] for row in SORTED],
    ids=[r[0] for r in SORTED],
)
def test_marks_get_their_kind(
    values: list[int], parity: str, counted: LineCounters | None, kinds: list[LineEventKind]
) -> None:
    marks = [Mark(2 * i, value) for i, value in enumerate(values)]
    assert ErrorSorter(parity).sort(marks, 9, counted) == tuple(
        CharacterError(2 * i, kind) for i, kind in enumerate(kinds)
    )


def test_what_was_counted_before_its_character_came_is_kept_for_one_read() -> None:
    sorter = ErrorSorter("E")
    assert sorter.sort([], 3, LineCounters(1, 0, 0, 0, 0)) == ()
    assert sorter.sort([Mark(0, 7)], 1, NONE) == (CharacterError(0, FRAMING),)
    assert sorter.sort([], 3, LineCounters(1, 0, 0, 0, 0)) == ()
    assert sorter.sort([], 3, NONE) == ()
    assert sorter.sort([Mark(0, 7)], 1, NONE) == (CharacterError(0, PARITY),)  # a guess again


def test_an_overrun_is_tied_to_the_end_of_the_chunk() -> None:
    found = ErrorSorter("E").sort([Mark(1, 7)], 5, LineCounters(1, 0, 0, 2, 4))
    assert found == (CharacterError(1, FRAMING), CharacterError(4, OVERRUN))
