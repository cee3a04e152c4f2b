"""Damaged lines: what is good is kept, all is accounted for, nothing grows without bound."""

from __future__ import annotations

import sys
from itertools import cycle
from random import Random
from typing import Any

import pytest
from framing_corpus import (
    FRAMES,
    SETTINGS,
    T35_NS,
    Character,
    Part,
    ambiguous,
    bursts,
    chunk_sizes,
    damage,
    decoded,
    exact_lines,
    good_frames,
    in_chunks,
    missing,
    on_the_line,
    pieces_of_line,
    traffic,
)
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu import bit_message as bits
from pymodbus.pdu import register_message as registers

from kerfbus.bench import seek, walk
from kerfbus.bench.framing import Frame, Framer, Piece
from kerfbus.bench.transport import CharacterError, LineEventKind

MOST_HELD = 512
PARTS = st.lists(pieces_of_line(), min_size=1, max_size=12)
SILENCES = st.sampled_from((T35_NS, T35_NS, 5 * T35_NS, 60 * T35_NS))


@given(PARTS, st.data(), chunk_sizes())
@settings(max_examples=150, deadline=None)
def test_no_good_frame_is_lost_that_a_silence_separates_from_damage(
    parts: list[bytes], data: st.DataObject, sizes: list[int]
) -> None:
    gaps = data.draw(st.lists(SILENCES, min_size=len(parts), max_size=len(parts)))
    line = on_the_line(parts, gaps)
    pieces = decoded(Framer(SETTINGS, "exact"), bursts(line, cycle(sizes)))
    assert missing([Part(part, part in FRAMES) for part in parts], pieces) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_long_line_with_damage_of_all_kinds_and_silences(seed: int) -> None:
    """8,000 frames, 5 % flipped, cut, merged, stuffed; garbage behind 2 %."""
    parts = damage(traffic(8_000, seed), seed, share=0.05, bursts=0.02)
    line = on_the_line([part.data for part in parts], [T35_NS] * len(parts))
    pieces = decoded(Framer(SETTINGS, "exact"), bursts(line, cycle((1000,))))
    assert [frame for frame in missing(parts, pieces) if not ambiguous(frame)] == []


@pytest.mark.parametrize(
    ("seed", "share", "bursts_share", "kept"),
    [(1, 0.01, 0.005, 0.999), (2, 0.01, 0.005, 0.999), (3, 0.05, 0.02, 0.999), (4, 0.2, 0.1, 0.99)],
)
def test_a_long_line_without_any_silence(
    seed: int, share: float, bursts_share: float, kept: float
) -> None:
    parts = damage(traffic(16_000, seed), seed, share, bursts_share)
    stream = b"".join(part.data for part in parts)
    pieces = decoded(Framer(SETTINGS), [(chunk, 0) for chunk in in_chunks(stream, 64, seed)])
    lost = missing(parts, pieces)
    assert len(lost) <= (1 - kept) * sum(part.good for part in parts)


@given(exact_lines(), chunk_sizes())
@settings(max_examples=100, deadline=None)
def test_a_good_frame_starts_and_ends_where_characters_were_sent_together_or_is_proved_by_its_crc(
    line: list[Character], sizes: list[int]
) -> None:
    """Whatever is called good has a good CRC over 4 to 256 characters; nothing else is shaped."""
    for piece in decoded(Framer(SETTINGS, "exact"), bursts(line, cycle(sizes))):
        good = isinstance(piece, Frame) and piece.shapes > 0
        if good:
            assert 4 <= len(piece.data) <= 256
            assert seek.crc16(piece.data) == 0
        else:
            assert 1 <= len(piece.data) <= 256


# pymodbus as the sender


def by_pymodbus(seed: int, count: int) -> list[bytes]:
    """Return `count` requests and replies in turn, each encoded by pymodbus."""
    random = Random(seed)
    framer = FramerRTU(DecodePDU(is_server=False))

    def encoded(pdu: ModbusPDU, server: int) -> bytes:
        pdu.dev_id = server
        return bytes(framer.buildFrame(pdu))

    def words(number: int) -> list[int]:
        return [random.randrange(1 << 16) for _ in range(number)]

    frames = []
    while len(frames) < count:
        server, start = random.randint(1, 247), random.randrange(5000)
        number, flags = random.randint(1, 60), [random.random() < 0.5 for _ in range(80)]
        pair: tuple[ModbusPDU, ModbusPDU] = random.choice(
            (
                (
                    registers.ReadHoldingRegistersRequest(address=start, count=number),
                    registers.ReadHoldingRegistersResponse(registers=words(number)),
                ),
                (
                    registers.ReadInputRegistersRequest(address=start, count=number),
                    registers.ReadInputRegistersResponse(registers=words(number)),
                ),
                (
                    bits.ReadCoilsRequest(address=start, count=number),
                    bits.ReadCoilsResponse(bits=flags[: (number + 7) // 8 * 8]),
                ),
                (
                    bits.ReadDiscreteInputsRequest(address=start, count=number),
                    bits.ReadDiscreteInputsResponse(bits=flags[: (number + 7) // 8 * 8]),
                ),
                (
                    bits.WriteSingleCoilRequest(address=start, bits=[True]),
                    bits.WriteSingleCoilResponse(address=start, bits=[True]),
                ),
                (
                    registers.WriteSingleRegisterRequest(address=start, registers=[number]),
                    registers.WriteSingleRegisterResponse(address=start, registers=[number]),
                ),
                (
                    registers.WriteMultipleRegistersRequest(address=start, registers=words(number)),
                    registers.WriteMultipleRegistersResponse(address=start, count=number),
                ),
                (
                    bits.WriteMultipleCoilsRequest(address=start, bits=flags[:number]),
                    bits.WriteMultipleCoilsResponse(address=start, count=number),
                ),
                (
                    registers.ReadWriteMultipleRegistersRequest(
                        read_address=start,
                        read_count=number,
                        write_address=start,
                        write_registers=words(3),
                    ),
                    registers.ReadWriteMultipleRegistersResponse(registers=words(number)),
                ),
                (
                    registers.ReadHoldingRegistersRequest(address=start, count=number),
                    ExceptionResponse(3, 2),
                ),
            )
        )
        frames += [encoded(pdu, server) for pdu in pair]
    return frames


@pytest.mark.parametrize("most", [1, 7, 64, 100_000])
def test_a_stream_that_pymodbus_made(most: int) -> None:
    frames = [frame for frame in by_pymodbus(5, 1_000) if not ambiguous(frame) or frame[-1] == 0]
    stream = b"".join(frames)
    pieces = decoded(Framer(SETTINGS), [(chunk, 0) for chunk in in_chunks(stream, most, 1)])
    assert good_frames(pieces) == frames


# Bounds


@given(exact_lines(gaps=(0, 0, 0, T35_NS, 60 * T35_NS)), chunk_sizes(), st.booleans())
@settings(max_examples=100, deadline=None)
def test_little_is_held_back(line: list[Character], sizes: list[int], stamped: bool) -> None:
    framer = Framer(SETTINGS, "exact")
    for data, at in bursts(line, cycle(sizes)):
        framer.receive(data, at if stamped else 0)
        assert framer.held <= MOST_HELD
        assert (framer.deadline is None) == (framer.held == 0)


@given(st.integers(0, 2**32), st.sampled_from([1, 5, 64, 10_000]), st.integers(0, 5))
@example(seed=0, most=1, torn=5)
@settings(max_examples=15, deadline=None)
def test_little_is_held_back_of_garbage(seed: int, most: int, torn: int) -> None:
    """Garbage of random heads: lengths that never come true, silences that tear it."""
    random = Random(seed)
    framer = Framer(SETTINGS, "exact")
    given_, taken, at = 0, 0, 0
    for chunk in in_chunks(garbage(4_000, random), most, seed):
        at += SETTINGS.characters_ns(len(chunk)) + (T35_NS if random.randrange(10) < torn else 0)
        taken += sum(len(piece.data) for piece in framer.receive(chunk, at))
        given_ += len(chunk)
        assert given_ - taken == framer.held <= MOST_HELD
    assert sum(len(piece.data) for piece in framer.flush()) == given_ - taken
    assert framer.held == 0


def garbage(size: int, random: Random) -> bytes:
    """Return characters that hold many heads of frames, long ones above all."""
    made = bytearray()
    while len(made) < size:
        made += bytes((random.randint(1, 247), random.choice((1, 3, 16, 23, 43, 65))))
        made += random.randbytes(random.randint(0, 8))
    return bytes(made[:size])


class Work:
    """Counts characters over which a CRC is made, and function calls."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.characters = 0
        self.calls = 0
        original = seek.crc16

        def counting(data: bytes) -> int:
            self.characters += len(data)
            return original(data)

        monkeypatch.setattr(seek, "crc16", counting)
        monkeypatch.setattr(walk, "crc16", counting)

    def of(self, chunks: list[bytes]) -> tuple[int, int]:
        """Return characters and calls for chunks that all bear one stamp."""
        self.characters = self.calls = 0

        def called(frame: Any, event: str, arg: Any) -> None:
            self.calls += event in ("call", "c_call")

        framer = Framer(SETTINGS)
        before = sys.getprofile()
        sys.setprofile(called)
        try:
            for chunk in chunks:
                framer.receive(chunk, 0)
            framer.flush()
        finally:
            sys.setprofile(before)
        return self.characters, self.calls


@pytest.mark.parametrize("most", [1, 64, 10**9])
@pytest.mark.parametrize("kind", ["random", "heads", "zeros", "damaged traffic", "user-defined"])
def test_work_grows_with_the_number_of_characters_only(
    kind: str, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eight times as many characters, eight times the work, in one chunk or in small ones."""
    work = Work(monkeypatch)
    sizes = (4_000, 32_000)
    made = []
    for size in sizes:
        random = Random(size)
        stream = {
            "random": random.randbytes(size),
            "heads": garbage(size, random),
            "zeros": bytes(size),
            "damaged traffic": b"".join(
                p.data for p in damage(traffic(size // 12, 1), 1, 0.3, 0.1)
            ),
            "user-defined": b"".join(
                FRAMES[0][:1] + b"\x41" + random.randbytes(6) for _ in range(size // 8)
            ),
        }[kind]
        made.append(work.of(in_chunks(stream, most, 1)))
    (small, few), (large, many) = made
    assert large <= 12 * max(small, sizes[0])
    assert many <= 12 * few


def test_a_megabyte_of_garbage(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Random(1).randbytes(1_000_000)
    pieces: list[Piece] = decoded(Framer(SETTINGS), [(stream, 0)])
    assert b"".join(piece.data for piece in pieces) == stream
    by_character = decoded(Framer(SETTINGS), ((stream[i : i + 1], 0) for i in range(100_000)))
    assert [p.data for p in by_character[:300]] == [p.data for p in pieces[:300]]


@given(st.binary(min_size=1, max_size=600), st.integers(0, 3))
@settings(max_examples=100, deadline=None)
def test_usable_again_after_anything(data: bytes, how: int) -> None:
    """After any input, once it is flushed, a frame is heard as by a new framer."""
    framer = Framer(SETTINGS, "exact")
    framer.receive(data, 10**9)
    assume(how or not framer.held)
    if how == 1:
        framer.tick(10**10)
    elif how == 2:
        framer.flush()
    elif how == 3:
        framer.outbound(FRAMES[0], 2 * 10**9)
    assert framer.held == 0
    frame = FRAMES[1]
    pieces = framer.receive(frame, 10**11) + framer.flush()
    assert [(piece.data, piece.errors) for piece in pieces] == [(frame, 0)]


@given(exact_lines(), chunk_sizes(), pieces_of_line(), st.booleans())
@settings(max_examples=80, deadline=None)
def test_a_segment_alone_is_the_same_as_all_that_is_held_let_go_before_and_behind_it(
    line: list[Character], sizes: list[int], data: bytes, marked: bool
) -> None:
    errors = [CharacterError(len(data) - 1, LineEventKind.PARITY)] if marked else []
    framers = (Framer(SETTINGS, "exact"), Framer(SETTINGS, "exact"))
    at = 0
    for chunk, at in bursts(line, cycle(sizes)):
        assert framers[0].receive(chunk, at) == framers[1].receive(chunk, at)
    at += SETTINGS.characters_ns(len(data)) + 2 * T35_NS
    one = framers[0].segment(data, at, errors)
    other = framers[1].flush() + framers[1].receive(data, at, errors) + framers[1].flush()
    assert one == other
    assert framers[0].receive(FRAMES[1], 2 * at) == framers[1].receive(FRAMES[1], 2 * at)
