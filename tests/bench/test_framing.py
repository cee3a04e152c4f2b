"""What the framer makes of single situations."""

from __future__ import annotations

from itertools import cycle

import pytest
from framing_corpus import (
    CHARACTER_NS,
    FRAMES,
    SETTINGS,
    T15_NS,
    T35_NS,
    USER_FRAMES,
    bursts,
    decoded,
    good_frames,
    on_the_line,
)

from kerfbus.bench.crc import crc16, with_crc
from kerfbus.bench.framing import JOIN_NS, Frame, FrameError, Framer, Piece, Stray
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import Shape
from kerfbus.bench.transport import CharacterError, LineEventKind

REQUEST = with_crc(bytes.fromhex("01 03 00 0A 00 0A"))
REPLY = with_crc(bytes.fromhex("01 03 14") + bytes(range(1, 21)))
DAMAGED = REQUEST[:4] + b"\x99" + REQUEST[5:]
GOOD = REQUEST + REPLY
GOOD_FRAMES = [REQUEST, REPLY] * 8
SECOND = 1_000_000_000


def exact(*parts: tuple[int, bytes]) -> list[Piece]:
    """Return what comes of parts of a line, each behind a silence in ns, at 19200 8E1."""
    line = on_the_line([data for _, data in parts], [gap for gap, _ in parts], SECOND)
    return decoded(Framer(SETTINGS, "exact"), bursts(line, cycle((1000,))))


def at_once(data: bytes, size: int = 10_000) -> list[Piece]:
    """Return what comes of characters that all bear the same stamp."""
    chunks = [(data[start : start + size], 0) for start in range(0, len(data), size)]
    return decoded(Framer(SETTINGS), chunks)


# Frames as they should be


@pytest.mark.parametrize("frame", FRAMES, ids=lambda frame: frame[:8].hex())
def test_every_layout_alone(frame: bytes) -> None:
    (piece,) = exact((T35_NS, frame))
    assert isinstance(piece, Frame)
    assert piece.data == frame
    assert piece.errors == 0
    assert piece.at == SECOND + T35_NS + SETTINGS.characters_ns(len(frame))
    assert piece.gap_before_ns is None


def test_shapes_say_what_a_length_allows() -> None:
    write = with_crc(bytes.fromhex("01 06 00 01 00 03"))
    shapes = [piece.shapes for piece in at_once(GOOD + write) if isinstance(piece, Frame)]
    assert shapes == [Shape.REQUEST, Shape.REPLY, Shape.REQUEST | Shape.REPLY]


def test_the_silence_before_a_frame_is_that_of_the_line() -> None:
    pieces = exact((T35_NS, REQUEST), (9 * CHARACTER_NS, REPLY), (0, REQUEST))
    assert [piece.gap_before_ns for piece in pieces][0::2] == [None, 0]
    gap = pieces[1].gap_before_ns
    assert gap is not None
    assert abs(gap - 9 * CHARACTER_NS) < 10


def test_instants_in_the_middle_of_a_chunk_are_computed_back() -> None:
    framer = Framer(SETTINGS)
    first, second = framer.receive(GOOD, 5 * SECOND)
    assert second.at == 5 * SECOND
    assert abs(first.at - (5 * SECOND - SETTINGS.characters_ns(len(REPLY)))) < 10


def test_an_instant_is_never_before_the_stamp_before() -> None:
    framer = Framer(SETTINGS)
    framer.receive(REQUEST, 5 * SECOND)
    pieces = framer.receive(REPLY + REQUEST, 5 * SECOND + 1000)
    assert [piece.at for piece in pieces] == [5 * SECOND, 5 * SECOND + 1000]


@pytest.mark.parametrize("address", [0, 1, 247, 248, 255])
def test_any_address_is_heard_where_a_frame_may_stand(address: int) -> None:
    """A broadcast and a reserved address too: that it was on the line is worth knowing."""
    frame = with_crc(bytes((address, 6, 0, 1, 0, 3)))
    assert good_frames(at_once(REQUEST + frame)) == [REQUEST, frame]


def test_a_reserved_address_is_not_looked_for_behind_damage() -> None:
    """Each place that is tried is a chance in 65,536 to be wrong (Serial Line V1.02, 2.2)."""
    frame = with_crc(bytes((250, 6, 0, 1, 0, 3)))
    assert good_frames(at_once(DAMAGED + frame + REQUEST)) == [REQUEST]


def test_bytes_of_any_kind_are_taken_and_bytes_come_out() -> None:
    framer = Framer(SETTINGS)
    pieces = framer.receive(bytearray(GOOD), 0) + framer.receive(bytearray(GOOD[:5]), 0)
    assert [piece.data for piece in pieces] == [REQUEST, REPLY]
    assert all(type(piece.data) is bytes for piece in pieces + framer.flush())


def test_nothing_comes_of_nothing() -> None:
    framer = Framer(SETTINGS)
    assert framer.receive(b"", 7) == []
    assert framer.tick(10 * SECOND) == []
    assert framer.flush() == []
    assert framer.deadline is None
    assert framer.newest is None


# The end of a frame that only silence or the next frame tells


@pytest.mark.parametrize("frame", USER_FRAMES, ids=lambda frame: frame.hex())
def test_a_frame_without_a_layout_ends_by_silence(frame: bytes) -> None:
    pieces = exact((T35_NS, REQUEST), (T35_NS, frame), (T35_NS, REPLY))
    assert good_frames(pieces) == [REQUEST, frame, REPLY]
    assert isinstance(pieces[1], Frame)
    assert pieces[1].shapes == Shape.RAW


@pytest.mark.parametrize("frame", USER_FRAMES[:2], ids=lambda frame: frame.hex())
def test_a_user_defined_frame_ends_where_a_frame_with_a_layout_begins(frame: bytes) -> None:
    framer = Framer(SETTINGS)
    assert [piece.data for piece in framer.receive(frame + REQUEST, 0)] == [frame, REQUEST]


def test_user_defined_frames_in_a_row_fill_the_space_up_to_the_next_frame() -> None:
    stream = USER_FRAMES[0] + USER_FRAMES[1] + USER_FRAMES[0]
    assert good_frames(at_once(stream + REQUEST)) == [
        USER_FRAMES[0],
        USER_FRAMES[1],
        USER_FRAMES[0],
        REQUEST,
    ]


def test_a_user_defined_frame_is_cut_out_by_crc_when_nothing_else_tells() -> None:
    stream = USER_FRAMES[1] * 40
    framer = Framer(SETTINGS)
    assert framer.receive(stream, 0)[0].data == USER_FRAMES[1]


def test_a_function_code_that_only_looks_user_defined_swallows_nothing() -> None:
    spoilt = b"\x01\x41" + REQUEST[2:]
    assert good_frames(at_once(spoilt + GOOD + GOOD)) == [REQUEST, REPLY] * 2


def test_a_malformed_frame_of_a_public_function_is_a_frame_by_its_crc() -> None:
    """A byte count that is wrong: the server is to answer exception 3, so it must get it."""
    frame = with_crc(bytes.fromhex("11 10 00 01 00 02 05 00 0A 01 02"))
    (piece,) = exact((T35_NS, frame))
    assert piece[:3] == (frame, piece.at, 0)
    assert isinstance(piece, Frame)
    assert piece.shapes == Shape.RAW


# Frames that end in 00: the CRC fits one character earlier too


def ending_in_zero(head: bytes, length: int) -> bytes:
    """Return a frame of a length that ends in 00, its data found by trying."""
    for number in range(1 << 16):
        frame = with_crc(head + number.to_bytes(length - 2 - len(head), "big"))
        if frame[-1] == 0:
            return frame
    raise AssertionError("there is one in 256")


TWO_REGISTERS = with_crc(bytes.fromhex("01 03 00 10 00 02"))
NINE = ending_in_zero(bytes.fromhex("01 03 04 00 01"), 9)
LIKE_A_REPLY = with_crc(bytes.fromhex("01 03 04 00 00 02"))
"""A request of which the third character would be the byte count of a reply of nine."""


def test_what_makes_the_doubt() -> None:
    assert len(NINE) == 9
    assert crc16(NINE) == crc16(NINE[:-1]) == 0


def test_a_reply_that_ends_in_zero_after_its_request() -> None:
    framer = Framer(SETTINGS)
    pieces = framer.receive(TWO_REGISTERS, 0) + framer.receive(NINE, 0)
    assert [piece.data for piece in pieces] == [TWO_REGISTERS, NINE]


@pytest.mark.parametrize("size", [1, 2, 8, 9, 100])
def test_a_request_before_a_broadcast(size: int) -> None:
    """The broadcast's address 00 could be the last character of a longer reply."""
    broadcast = with_crc(bytes.fromhex("00 06 00 01 00 03"))
    stream = TWO_REGISTERS + NINE + LIKE_A_REPLY + broadcast
    assert good_frames(at_once(stream, size)) == [TWO_REGISTERS, NINE, LIKE_A_REPLY, broadcast]


def test_a_request_is_not_held_back_after_a_reply() -> None:
    framer = Framer(SETTINGS)
    framer.receive(GOOD, 0)
    assert [piece.data for piece in framer.receive(LIKE_A_REPLY, 0)] == [LIKE_A_REPLY]


def test_a_request_said_again_is_not_held_back() -> None:
    framer = Framer(SETTINGS)
    framer.receive(GOOD + LIKE_A_REPLY, 0)
    assert [piece.data for piece in framer.receive(LIKE_A_REPLY, 0)] == [LIKE_A_REPLY]


def test_a_request_to_another_server_is_not_held_back() -> None:
    framer = Framer(SETTINGS)
    framer.receive(GOOD + REQUEST, 0)
    other = with_crc(b"\x02" + LIKE_A_REPLY[1:6])
    assert [piece.data for piece in framer.receive(other, 0)] == [other]


def test_without_context_silence_decides() -> None:
    framer = Framer(SETTINGS, "exact")
    assert framer.receive(LIKE_A_REPLY, SECOND) == []
    assert framer.deadline is not None
    (piece,) = framer.tick(framer.deadline)
    assert piece[:3] == (LIKE_A_REPLY, SECOND, 0)


def test_the_stations_own_request_is_context() -> None:
    framer = Framer(SETTINGS)
    framer.sent(with_crc(bytes.fromhex("01 03 00 10 00 01")))
    reply = with_crc(bytes.fromhex("01 03 02 00 01"))  # a request could be one character longer
    assert [piece.data for piece in framer.receive(reply, 0)] == [reply]


# Gaps and torn frames


@pytest.mark.parametrize(
    ("gap", "errors"),
    [
        (CHARACTER_NS, 0),
        (T15_NS, 0),
        (T15_NS + CHARACTER_NS // 4, FrameError.GAP),
        (T35_NS - CHARACTER_NS // 4, FrameError.GAP),
        (T35_NS + CHARACTER_NS, FrameError.GAP),
    ],
)
def test_a_gap_inside_a_frame(gap: int, errors: int) -> None:
    """More than 1.5 characters (Serial Line V1.02, 2.5.1.1); the content is good all the same."""
    (piece,) = exact((T35_NS, REPLY[:10]), (gap, REPLY[10:]))
    assert isinstance(piece, Frame)
    assert piece.data == REPLY
    assert piece.errors == errors
    assert piece.usable


def test_a_frame_torn_into_three() -> None:
    gap = T35_NS + JOIN_NS // 2
    pieces = exact((T35_NS, REPLY[:6]), (gap, REPLY[6:9]), (gap, REPLY[9:]), (T35_NS, REQUEST))
    assert [(piece.data, piece.errors) for piece in pieces] == [
        (REPLY, FrameError.GAP),
        (REQUEST, 0),
    ]


def test_parts_that_are_too_far_apart_are_not_one_frame() -> None:
    pieces = exact((T35_NS, REPLY[:10]), (T35_NS + JOIN_NS + CHARACTER_NS, REPLY[10:]))
    assert len(pieces) == 2
    assert good_frames(pieces) == []


def test_a_good_frame_behind_a_torn_one_is_not_swallowed() -> None:
    """The lost last character of the first is the first character of the second."""
    first = next(
        frame
        for number in range(1 << 16)
        if (frame := with_crc(REPLY[:21] + number.to_bytes(2, "big")))[-1] == REQUEST[0]
    )
    pieces = exact((T35_NS, first[:-1]), (T35_NS, REQUEST), (T35_NS, REPLY))
    assert good_frames(pieces) == [REQUEST, REPLY]
    assert [piece.data for piece in pieces] == [first[:-1], REQUEST, REPLY]


def test_a_good_frame_behind_a_torn_one_is_not_held_back() -> None:
    framer = Framer(SETTINGS, "exact")
    framer.receive(REPLY[:10], SECOND)
    at = SECOND + T35_NS + SETTINGS.characters_ns(len(REQUEST))
    pieces = framer.receive(REQUEST, at)
    assert [piece.data for piece in pieces] == [REPLY[:10], REQUEST]


def test_a_good_frame_behind_a_silence_is_not_held_back_by_damage_before_it() -> None:
    """The damage bears a line error and waits for more characters than the frame has."""
    framer = Framer(SETTINGS, "exact")
    framer.receive(REPLY[:10], SECOND, [CharacterError(3, LineEventKind.PARITY)])
    at = SECOND + T35_NS + SETTINGS.characters_ns(len(REQUEST))
    assert [piece.data for piece in framer.receive(REQUEST, at)] == [REPLY[:10], REQUEST]


# The passing of time


def test_the_deadline_leaves_time_for_a_character_that_has_begun() -> None:
    framer = Framer(SETTINGS, "exact")
    framer.receive(REPLY[:10], SECOND)
    late = SECOND + T35_NS - SETTINGS.bit_ns + CHARACTER_NS
    assert framer.deadline is not None
    assert late < framer.deadline <= late + SETTINGS.bit_ns
    assert framer.tick(late) == []
    assert [piece.data for piece in framer.receive(REPLY[10:], late + 14 * CHARACTER_NS)] == [REPLY]


def test_after_the_silence_a_torn_frame_is_waited_for_and_then_given_up() -> None:
    framer = Framer(SETTINGS, "exact")
    framer.receive(REPLY[:10], SECOND)
    first = framer.deadline
    assert first is not None
    assert framer.tick(first) == []
    second = framer.deadline
    assert second == first + JOIN_NS
    assert framer.tick(second - 1) == []
    assert [piece.data for piece in framer.tick(second)] == [REPLY[:10]]
    assert framer.deadline is None


def test_damage_that_no_torn_frame_could_be_ends_with_the_silence() -> None:
    framer = Framer(SETTINGS, "exact")
    framer.receive(DAMAGED, SECOND)
    assert framer.deadline is not None
    assert [piece.data for piece in framer.tick(framer.deadline)] == [DAMAGED]


def test_a_tick_that_came_too_early_has_done_no_harm() -> None:
    """The host was late: by its stamps there was no silence at all."""
    framer = Framer(SETTINGS)
    framer.receive(REPLY[:10], SECOND)
    due = framer.deadline
    assert due is not None
    assert framer.tick(due) == []
    (piece,) = framer.receive(REPLY[10:], due + CHARACTER_NS)
    assert piece[:3] == (REPLY, piece.at, 0)


def test_a_long_silence_is_a_silence() -> None:
    year = 365 * 24 * 3600 * SECOND
    pieces = exact((T35_NS, REPLY[:10]), (100 * year, REQUEST))
    assert [piece.data for piece in pieces] == [REPLY[:10], REQUEST]
    gap = pieces[1].gap_before_ns
    assert gap is not None
    assert abs(gap - 100 * year) < 10


@pytest.mark.parametrize("back", [1, CHARACTER_NS, 10 * SECOND])
def test_a_clock_that_was_set_back(back: int) -> None:
    """The silence is unknown, not 0; what follows is heard as ever."""
    framer = Framer(SETTINGS, "exact")
    framer.receive(REQUEST, 100 * SECOND)
    pieces = framer.receive(REPLY, 100 * SECOND - back)
    assert pieces == [Frame(REPLY, 100 * SECOND - back, 0, None, Shape.REPLY)]
    assert framer.receive(REQUEST, 200 * SECOND)[0].data == REQUEST


def test_a_clock_that_was_set_back_inside_a_frame() -> None:
    framer = Framer(SETTINGS, "exact")
    framer.receive(REPLY[:10], 100 * SECOND)
    (piece,) = framer.receive(REPLY[10:], 50 * SECOND)
    assert piece == Frame(REPLY, 50 * SECOND, 0, None, Shape.REPLY)


def test_what_the_station_sends_ends_what_it_hears() -> None:
    framer = Framer(SETTINGS, "exact")
    framer.receive(REPLY[:10], SECOND)
    heard, sent = framer.outbound(REQUEST, 2 * SECOND)
    assert [piece.data for piece in heard] == [REPLY[:10]]
    assert [(piece.data, piece.errors) for piece in sent] == [(REQUEST, 0)]
    end = 2 * SECOND + 5 * CHARACTER_NS + SETTINGS.characters_ns(len(REPLY))
    (reply,) = framer.receive(REPLY, end)
    assert reply.gap_before_ns is not None
    assert abs(reply.gap_before_ns - 5 * CHARACTER_NS) < 10


# Damage


def test_damage_alone_is_a_frame_with_a_wrong_crc() -> None:
    pieces = exact((T35_NS, REQUEST), (T35_NS, DAMAGED), (T35_NS, REPLY))
    assert [(piece.data, piece.errors) for piece in pieces] == [
        (REQUEST, 0),
        (DAMAGED, FrameError.CRC),
        (REPLY, 0),
    ]
    assert isinstance(pieces[1], Frame)
    assert pieces[1].shapes == 0
    assert not pieces[1].usable


@pytest.mark.parametrize(
    ("data", "errors"),
    [
        (REPLY[:7], FrameError.CRC | FrameError.SHORT),
        (REPLY[:10], FrameError.CRC),  # a reply cut short, or a request with something behind it
        (REQUEST[:5], FrameError.CRC | FrameError.SHORT),
        (DAMAGED + b"\x12\x34", FrameError.CRC | FrameError.LONG),
        (b"\x01\x10\x00\x01\x00", FrameError.CRC | FrameError.SHORT),
        (b"\x01\x2b\x0e\x01\x01\x00\x00\x01", FrameError.CRC),
        (b"\x55\x55\x55\x55\x55", FrameError.CRC),
    ],
)
def test_damage_between_two_silences_is_too_short_or_too_long(data: bytes, errors: int) -> None:
    pieces = exact((T35_NS, REQUEST), (40 * T35_NS, data), (40 * T35_NS, REPLY))
    assert [piece.data for piece in pieces] == [REQUEST, data, REPLY]
    assert pieces[1].errors == errors


@pytest.mark.parametrize(
    "data", [b"\x00", b"\x01\x03\x00", b"\x00" * 9, b"\xff" * 9, b"\x00" * 300], ids=bytes.hex
)
def test_what_looks_like_no_frame_is_stray(data: bytes) -> None:
    """Up to three characters, and a line that floats: all 00 or all FF."""
    pieces = exact((T35_NS, REQUEST), (40 * T35_NS, data), (40 * T35_NS, REPLY))
    assert good_frames(pieces) == [REQUEST, REPLY]
    assert all(type(piece) is Stray for piece in pieces[1:-1])


@pytest.mark.parametrize(
    "garbage", [b"\x00", b"\xff", b"\xff\xfe", b"\x01\x03", REPLY[:9], DAMAGED]
)
@pytest.mark.parametrize("size", [1, 3, 1000])
def test_good_frames_behind_damage_without_silence(garbage: bytes, size: int) -> None:
    pieces = at_once(GOOD + garbage + GOOD + GOOD, size)
    assert good_frames(pieces) == [REQUEST, REPLY] * 3
    assert pieces[2].data == garbage


def test_frames_that_waited_for_damage_bear_their_own_instants() -> None:
    """A false head asks for 245 characters; what came meanwhile is decided only then."""
    framer = Framer(SETTINGS, "exact")
    at = SECOND + 3 * CHARACTER_NS
    pieces = framer.receive(b"\x01\x03\xf0", at)
    sent = []
    for frame in GOOD_FRAMES:
        at += SETTINGS.characters_ns(len(frame))
        sent.append((frame, at))
        pieces += framer.receive(frame, at)
        assert len(sent) == len(GOOD_FRAMES) or framer.held > 3
    assert pieces[0].at == SECOND + 3 * CHARACTER_NS
    assert [(piece.data, piece.at) for piece in pieces[1:]] == sent


def test_instants_of_what_waited_twice() -> None:
    """The first chunk is gone when the rest is decided; its stamp still bounds the second's."""
    framer = Framer(SETTINGS)
    framer.receive(b"\x55", 1000)
    framer.receive(b"\x01\x03\xf0", 2000)
    framer.receive(GOOD + b"\x01\x03\xf2" + GOOD * 6, 2001)
    pieces = framer.receive(GOOD * 8, 9 * SECOND) + framer.flush()
    in_the_second = [piece.at for piece in pieces[1:16]]
    assert in_the_second == [2000] * 14 + [2001]
    assert good_frames(pieces) == [REQUEST, REPLY] * 15


def test_damage_of_which_a_part_is_reported_goes_on() -> None:
    """What is not looked for behind damage is not looked for behind a part of it either."""
    pieces = exact((T35_NS, b"\x55" * 256 + USER_FRAMES[2]), (T35_NS, REQUEST))
    assert [piece.data for piece in pieces] == [b"\x55" * 256, USER_FRAMES[2], REQUEST]
    assert good_frames(pieces) == [REQUEST]


# Line errors


@pytest.mark.parametrize(
    ("kind", "bit"),
    [
        (LineEventKind.FRAMING, FrameError.FRAMING),
        (LineEventKind.PARITY, FrameError.PARITY),
        (LineEventKind.BREAK, FrameError.BREAK),
        (LineEventKind.OVERRUN, FrameError.OVERRUN),
    ],
)
@pytest.mark.parametrize("position", [0, len(REQUEST) - 1, len(REQUEST), len(GOOD) - 1])
def test_a_line_error_belongs_to_the_frame_of_its_character(
    kind: LineEventKind, bit: FrameError, position: int
) -> None:
    framer = Framer(SETTINGS)
    pieces = framer.receive(GOOD + REQUEST[:3], 0, [CharacterError(position, kind)])
    pieces += framer.receive(REQUEST[3:], 0)
    expected = [0, 0, 0]
    expected[position >= len(REQUEST)] = bit
    assert [piece.errors for piece in pieces] == expected
    assert [isinstance(piece, Frame) and piece.usable for piece in pieces].count(False) == 1


def test_line_errors_of_a_frame_that_came_in_parts() -> None:
    framer = Framer(SETTINGS)
    framer.receive(REPLY[:5], 0, [CharacterError(4, LineEventKind.PARITY)])
    framer.receive(REPLY[5:9], 0)
    (piece,) = framer.receive(REPLY[9:], 0, [CharacterError(0, LineEventKind.OVERRUN)])
    assert piece.errors == FrameError.PARITY | FrameError.OVERRUN
    assert framer.receive(REQUEST, 0)[0].errors == 0


def test_line_errors_in_any_order() -> None:
    errors = [CharacterError(9, LineEventKind.PARITY), CharacterError(1, LineEventKind.FRAMING)]
    pieces = Framer(SETTINGS).receive(GOOD, 0, errors)
    assert [piece.errors for piece in pieces] == [FrameError.FRAMING, FrameError.PARITY]


def test_line_errors_of_damage() -> None:
    framer = Framer(SETTINGS)
    errors = [CharacterError(4, LineEventKind.FRAMING)]
    pieces = framer.receive(DAMAGED + REQUEST, 0, errors) + framer.flush()
    assert [piece.errors for piece in pieces] == [FrameError.CRC | FrameError.FRAMING, 0]


# Rates


@pytest.mark.parametrize("baud", [300, 1200, 9600, 19200, 38400, 115200, 4_000_000])
@pytest.mark.parametrize("form", ["8E1", "8N1", "8N2"])
def test_limits_follow_the_rate(baud: int, form: str) -> None:
    """T3.5 tells two halves apart as segments, less does not (2.5.1.1; fixed above 19200)."""
    settings = LineSettings.parse(baud, form)
    for gap, errors in ((settings.t15_ns, 0), (settings.t35_ns, FrameError.GAP)):
        framer = Framer(settings, "exact")
        at = SECOND + gap + settings.characters_ns(len(REPLY) - 9)
        (piece,) = framer.receive(REPLY[:9], SECOND) + framer.receive(REPLY[9:], at) or [None]
        assert piece is not None
        assert piece.errors == errors
