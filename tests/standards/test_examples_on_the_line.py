"""The worked examples of the application protocol on a line, cut out of its characters again.

Each example (MODBUS Application Protocol V1.1b3, 6.1-6.21 and 7) stands between transactions with
another server. The line has no time at all (all characters bear one stamp, as from a socket), or
exact times (MODBUS over Serial Line V1.02, 2.5.1: 11 bits a character; 2.5.1.1: t3.5 between
frames).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from standards.worked_examples import EXAMPLES, Example

from kerfbus.bench import wire
from kerfbus.bench.framing import Frame, Framer, Piece
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import Shape

LINE = LineSettings(19200)
CHARACTER = LINE.characters_ns(1)
BEFORE = [
    wire.adu(1, wire.ReadInputRegisters(0, 2)),
    wire.adu(1, wire.ReadInputRegistersReply((0x1234, 0xFFFF))),
]
AFTER = [
    wire.adu(2, wire.WriteSingleRegister(9, 500)),
    wire.adu(2, wire.WriteSingleRegisterReply(9, 500)),
    wire.adu(2, wire.ReadCoils(0, 8)),
    wire.adu(2, wire.ReadCoilsReply.padded((True,) * 7)),
]
RUBBISH = [
    b"\x00",  # what a line that is switched on often gives
    b"\xff",
    b"\x00\x00\x00",
    b"\xff\xfe\xf0",
    b"\x55" * 40,
    bytes.fromhex("01 03"),  # a head without its frame
    bytes.fromhex("01 03 14 00 00"),
    bytes.fromhex("11 03 00 6B 00 03 76 78"),  # a frame with a wrong CRC
]
by_section = pytest.mark.parametrize("example", EXAMPLES, ids=lambda each: each.label)
with_rubbish = pytest.mark.parametrize("rubbish", RUBBISH, ids=lambda each: each[:5].hex())
chunk_sizes = pytest.mark.parametrize("size", [1, 2, 3, 7, 1000])


def frames_of(example: Example) -> list[bytes]:
    """Return the example's frames; the reply is missing where the document has none (6.13)."""
    return [example.request_frame, *([example.reply_frame] if example.reply is not None else [])]


def good(pieces: Iterable[Piece]) -> list[bytes]:
    return [piece.data for piece in pieces if isinstance(piece, Frame) and piece.usable]


def at_once(data: bytes, size: int) -> list[Piece]:
    """Return what comes out when every character bears the same stamp."""
    framer = Framer(LINE)
    pieces: list[Piece] = []
    for place in range(0, len(data), size):
        pieces += framer.receive(data[place : place + size], 0)
    return pieces + framer.flush()


def timed(bursts: Iterable[bytes], size: int, silence: int) -> Iterator[Piece]:
    """Yield what comes out when each burst is followed by `silence` ns, all times exact."""
    framer = Framer(LINE, "exact")
    now = 0
    for burst in bursts:
        for place in range(0, len(burst), size):
            chunk = burst[place : place + size]
            now += LINE.characters_ns(len(chunk))
            yield from framer.receive(chunk, now)
        now += silence
        yield from framer.tick(now)
    yield from framer.flush()


@by_section
@chunk_sizes
def test_without_any_time(example: Example, size: int) -> None:
    frames = BEFORE + frames_of(example) + AFTER
    pieces = at_once(b"".join(frames), size)
    assert [piece.data for piece in pieces] == frames
    assert good(pieces) == frames


@by_section
@chunk_sizes
def test_with_exact_times(example: Example, size: int) -> None:
    frames = BEFORE + frames_of(example) + AFTER
    pieces = list(timed(frames, size, LINE.t35_ns))
    assert [piece.data for piece in pieces] == frames
    assert good(pieces) == frames
    assert [piece.gap_before_ns for piece in pieces[1:]] == [
        pytest.approx(LINE.t35_ns, abs=2) for _ in frames[1:]
    ]


@by_section
def test_what_a_frame_can_be(example: Example) -> None:
    """A request has the length of a request, a reply that of a reply."""
    frames = frames_of(example)
    found = [piece for piece in at_once(b"".join(BEFORE + frames), 1) if isinstance(piece, Frame)]
    assert found[len(BEFORE)].shapes & Shape.REQUEST
    if example.reply is not None:
        assert found[len(BEFORE) + 1].shapes & Shape.REPLY


@by_section
@with_rubbish
@pytest.mark.parametrize("size", [1, 1000])
def test_rubbish_that_silence_sets_apart(example: Example, rubbish: bytes, size: int) -> None:
    """2.5.1.1: what stands between two silences is one frame or none."""
    frames = frames_of(example)
    bursts = [*BEFORE, rubbish]
    for frame in frames:
        bursts += [frame, rubbish]
    # More than the time for which a torn frame is waited for.
    pieces = list(timed(bursts + AFTER, size, 50_000_000))
    assert good(pieces) == BEFORE + frames + AFTER
    lost = b"".join(piece.data for piece in pieces if piece.data not in BEFORE + frames + AFTER)
    assert lost == rubbish * (len(frames) + 1), "all that is no frame is reported"


@by_section
@with_rubbish
@pytest.mark.parametrize("size", [1, 1000])
def test_rubbish_without_any_time(example: Example, rubbish: bytes, size: int) -> None:
    """Nothing sets it apart but that it fits no frame; every frame is found all the same."""
    frames = frames_of(example)
    data = b"".join([*BEFORE, rubbish, *frames, rubbish, *AFTER])
    pieces = at_once(data, size)
    assert good(pieces) == BEFORE + frames + AFTER
    assert b"".join(piece.data for piece in pieces) == data, "nothing is lost or made up"


@given(st.data())
@settings(max_examples=60)
def test_all_examples_in_any_chunks(data: st.DataObject) -> None:
    frames = [
        frame for example in data.draw(st.permutations(EXAMPLES)) for frame in frames_of(example)
    ]
    stream = b"".join(frames)
    cuts = sorted(data.draw(st.sets(st.integers(1, len(stream) - 1), max_size=60)))
    framer = Framer(LINE)
    pieces: list[Piece] = []
    for start, stop in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        pieces += framer.receive(stream[start:stop], 0)
    assert good(pieces + framer.flush()) == frames
