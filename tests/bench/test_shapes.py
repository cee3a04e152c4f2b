"""Lengths of frames, against the layouts of the MODBUS Application Protocol V1.1b3, section 6."""

from __future__ import annotations

import pytest
from standards.worked_examples import EXAMPLES, Example

from kerfbus.bench.shapes import (
    PUBLIC,
    USER_DEFINED,
    Shape,
    candidates,
    echoes_request,
    expected_reply_length,
    layouts,
)


def lengths(frame: bytes, shape: Shape) -> list[int]:
    return [c.length for c in candidates(frame) if c.shape & shape]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda each: each.label)
def test_the_worked_examples_have_one_of_the_lengths(example: Example) -> None:
    request, reply = example.request_frame, example.reply_frame
    assert len(request) in lengths(request, Shape.REQUEST)
    if reply:
        assert len(reply) in lengths(reply, Shape.REPLY)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda each: each.label)
def test_a_length_is_known_from_the_first_characters_or_not_claimed(example: Example) -> None:
    for frame in filter(None, (example.request_frame, example.reply_frame)):
        final = {c.shape: c.length for c in candidates(frame)}
        for count in range(2, len(frame)):
            for candidate in candidates(frame[:count]):
                if candidate.length:
                    assert candidate.length in final.values()
                    assert candidate.known_after <= count
                else:
                    assert candidate.known_after > count


@pytest.mark.parametrize(
    ("start", "shape", "length"),
    [
        # 6.1, 6.2: the reply has 1 to 250 bytes of bits, the request a fixed length.
        ("01 01 00", Shape.REPLY, []),
        ("01 01 01", Shape.REPLY, [6]),
        ("01 02 FA", Shape.REPLY, [255]),
        ("01 01 FC", Shape.REPLY, []),  # longer than a frame may be
        ("01 01 00", Shape.REQUEST, [8]),
        # 6.3, 6.4: registers have two bytes.
        ("01 03 03", Shape.REPLY, []),
        ("01 03 FA", Shape.REPLY, [255]),
        ("01 04 02", Shape.REPLY, [7]),
        # 6.11, 6.12: the byte count is the seventh character.
        ("01 0F 00 13 00 0A 02", Shape.REQUEST, [11]),
        ("01 10 00 01 00 02 04", Shape.REQUEST, [13]),
        ("01 10 00 01 00 02 03", Shape.REQUEST, []),
        ("01 10 00 01 00 02 04", Shape.REPLY, [8]),
        # 6.17: two counts in two places.
        ("01 17 00 03 00 06 00 0E 00 03 06", Shape.REQUEST, [19]),
        ("01 17 0C", Shape.REPLY, [17]),
        # 6.18: a count of two bytes.
        ("01 18 00 06", Shape.REPLY, [12]),
        ("01 18 01 00", Shape.REPLY, []),
        # 6.21: objects one after the other.
        ("01 2B 0E 01 01 00 00 02 00 02 41 42 01 01", Shape.REPLY, [17]),
        ("01 2B 0D 01", Shape.REQUEST, []),  # another MEI type has no layout on RTU
        # 7: an exception has one byte, whatever the function.
        ("01 83", Shape.REPLY, [5]),
        ("01 E5", Shape.REPLY, [5]),
        ("01 83", Shape.REQUEST, []),
        ("01 80", Shape.REPLY, []),  # there is no function 0
        ("01 00", Shape.REPLY, []),
    ],
)
def test_lengths(start: str, shape: Shape, length: list[int]) -> None:
    assert lengths(bytes.fromhex(start), shape) == length


def test_a_length_that_is_the_same_for_request_and_reply_is_one_candidate() -> None:
    (only,) = candidates(bytes.fromhex("01 06 00 01"))
    assert only.length == 8
    assert only.shape == Shape.REQUEST | Shape.REPLY


def test_shortest_first() -> None:
    assert [c.length for c in candidates(bytes.fromhex("01 03 02"))] == [7, 8]
    assert [c.length for c in candidates(bytes.fromhex("01 03 28"))] == [8, 45]


@pytest.mark.parametrize(
    ("request_pdu", "length"),
    [
        ("01 00 13 00 13", 8),  # 19 bits are 3 bytes
        ("02 00 00 00 08", 6),
        ("03 00 6B 00 03", 11),
        ("04 00 08 00 7D", 255),
        ("05 00 AC FF 00", 8),
        ("06 00 01 00 03", 8),
        ("07", 5),
        ("08 00 00 A5 37", 8),
        ("0B", 8),
        ("0C", 0),  # the number of events is the server's
        ("0F 00 13 00 0A 02 CD 01", 8),
        ("11", 0),
        ("15 0D 06 00 04 00 07 00 03 06 AF 04 BE 10 0D", 18),
        ("16 00 04 00 F2 00 25", 10),
        ("17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF", 17),
        ("18 04 DE", 0),
        ("41 01", 0),
    ],
)
def test_expected_reply_length(request_pdu: str, length: int) -> None:
    frame = bytes((17, *bytes.fromhex(request_pdu), 0, 0))
    assert expected_reply_length(frame) == length


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda each: each.label)
def test_expected_reply_length_of_the_worked_examples(example: Example) -> None:
    expected = expected_reply_length(example.request_frame)
    if example.reply_frame and example.reply_frame[1] < 0x80 and expected:
        assert len(example.reply_frame) == expected


def test_echoing_functions_have_replies_of_the_requests_length() -> None:
    echoing = [function for function in range(256) if echoes_request(function)]
    assert echoing == [0x05, 0x06, 0x08, 0x15, 0x16]
    for function in echoing:
        found = layouts(function)
        assert found is not None
        assert found[0] == found[1]


def test_user_defined_functions_are_those_of_section_5() -> None:
    assert sorted(USER_DEFINED) == [*range(65, 73), *range(100, 111)]
    assert not USER_DEFINED & PUBLIC
