"""Roles, pairs, echo and late replies on a line."""

from __future__ import annotations

import pytest

from kerfbus.bench.conversation import REMEMBERED, Conversation, Message, Role
from kerfbus.bench.crc import with_crc
from kerfbus.bench.framing import Frame, FrameError, Framer, Stray
from kerfbus.bench.line import LineSettings

SETTINGS = LineSettings()
MS = 1_000_000


def frame(text: str) -> bytes:
    """Return a frame from hexadecimal text without CRC."""
    return with_crc(bytes.fromhex(text))


READ = frame("01 03 00 10 00 02")
REPLY = frame("01 03 04 00 01 00 02")
WRITE = frame("01 06 00 20 01 2C")
EXCEPTION = frame("01 83 02")


class Line:
    """A line on which frames follow each other, decoded by a real framer."""

    def __init__(self, conversation: Conversation) -> None:
        self.conversation = conversation
        self.framer = Framer(SETTINGS, "exact")
        self.now = 0

    def hear(self, data: bytes, pause_ns: int = 5 * MS) -> list[Message]:
        """Let characters arrive after a pause."""
        self.now += pause_ns + SETTINGS.characters_ns(len(data))
        pieces = self.framer.receive(data, self.now) + self.framer.flush()
        return [self.conversation.inbound(piece) for piece in pieces]

    def send(self, data: bytes, pause_ns: int = 5 * MS) -> Message:
        """Send a frame after a pause."""
        self.now += pause_ns + SETTINGS.characters_ns(len(data))
        return self.conversation.outbound(Frame(data, self.now, 0, None, 1))


def tap() -> Line:
    return Line(Conversation("tap", SETTINGS, paced=True))


def client(*, paced: bool | None = True, echoes: bool | None = None) -> Line:
    return Line(Conversation("client", SETTINGS, paced=paced, echoes=echoes))


def brief(messages: list[Message]) -> list[tuple[str, int | None, bool, bool]]:
    return [(m.role.value, m.pairs_with, m.echo, m.late) for m in messages]


def test_tap_pairs_request_and_reply() -> None:
    line = tap()
    assert brief(line.hear(READ) + line.hear(REPLY)) == [
        ("request", None, False, False),
        ("reply", 0, False, False),
    ]


def test_tap_tells_a_write_from_its_reply_by_turn() -> None:
    line = tap()
    heard = [line.hear(WRITE)[0] for _ in range(4)]
    assert [m.role for m in heard] == [Role.REQUEST, Role.REPLY] * 2
    assert [m.pairs_with for m in heard] == [None, 0, None, 2]


def test_tap_follows_several_servers() -> None:
    line = tap()
    other = frame("02 03 00 10 00 02")
    line.hear(READ)
    line.hear(other)  # server 1 did not answer
    late = line.hear(REPLY)  # and does now, while server 2 is asked
    assert brief(late) == [("reply", 0, False, True)]
    assert brief(line.hear(frame("02 03 04 00 05 00 06"))) == [("reply", 1, False, False)]


def test_exception_answers_its_request() -> None:
    line = tap()
    line.hear(READ)
    assert brief(line.hear(EXCEPTION)) == [("reply", 0, False, False)]


def test_reply_of_another_length_does_not_answer() -> None:
    line = client()
    line.send(READ)
    assert brief(line.hear(frame("01 03 06 00 01 00 02 00 03"))) == [("reply", None, False, False)]
    assert brief(line.hear(REPLY)) == [("reply", 0, False, False)]


def test_write_reply_must_repeat_the_address() -> None:
    line = client(echoes=False)
    line.send(WRITE)
    assert line.hear(frame("01 06 00 21 01 2C"))[0].pairs_with is None
    assert line.hear(WRITE)[0].pairs_with == 0


def test_broadcast_is_never_answered() -> None:
    line = tap()
    line.hear(frame("00 06 00 20 00 01"))
    assert brief(line.hear(READ)) == [("request", None, False, False)]


@pytest.mark.parametrize("count", [1, 3])
def test_late_reply_is_flagged_and_pairs_with_its_own_request(count: int) -> None:
    line = client()
    for index in range(count):
        line.send(frame(f"01 03 00 10 00 {index + 4:02X}"))
        line.conversation.give_up()
    line.send(READ)
    late = line.hear(frame("01 03 08" + " 00 01" * 4))
    assert brief(late) == [("reply", 0, False, True)]
    assert brief(line.hear(REPLY)) == [("reply", count, False, False)]


def test_hasty_reply_to_an_equal_request_is_late() -> None:
    line = client()
    line.send(READ)
    line.conversation.give_up()
    line.send(READ)
    hasty = line.hear(REPLY, pause_ns=0)  # no server answers without a silent interval
    assert brief(hasty) == [("reply", 0, False, True)]
    assert brief(line.hear(REPLY)) == [("reply", 1, False, False)]


def test_requests_remembered_for_late_replies_are_bounded() -> None:
    line = client()
    for index in range(REMEMBERED + 3):
        line.send(frame(f"01 03 00 10 00 {index + 4:02X}"))
        line.conversation.give_up()
    line.send(READ)
    assert line.hear(frame("01 03 08" + " 00 01" * 4))[0].late is False  # forgotten
    assert line.hear(frame("01 03 1A" + " 00 01" * 13))[0].late is True


def test_echo_of_a_read_is_recognised_and_learnt() -> None:
    line = client(paced=None)
    line.send(READ)
    assert brief(line.hear(READ)) == [("request", None, True, False)]
    assert line.conversation.echoes is True
    assert brief(line.hear(REPLY)) == [("reply", 0, False, False)]


def test_no_echo_is_learnt_from_a_reply() -> None:
    line = client(paced=None)
    line.send(READ)
    line.hear(REPLY)
    assert line.conversation.echoes is False
    line.send(WRITE)
    assert brief(line.hear(WRITE)) == [("reply", 2, False, False)]


def test_echo_of_a_write_is_told_by_time_where_time_is_real() -> None:
    line = client()
    line.send(WRITE)
    line.now -= SETTINGS.characters_ns(len(WRITE))  # an echo comes while the frame is sent
    echo = line.hear(WRITE, pause_ns=-1000)
    assert brief(echo) == [("request", None, True, False)]
    assert brief(line.hear(WRITE)) == [("reply", 0, False, False)]


def test_echo_of_a_write_without_time_is_in_doubt_until_a_second_frame() -> None:
    line = client(paced=None)
    line.send(WRITE)
    first = line.hear(WRITE)[0]
    assert first.doubtful
    assert first.role is Role.REPLY
    second = line.hear(WRITE)[0]
    assert not second.doubtful
    assert second.pairs_with == 0
    assert line.conversation.echoes is True


def test_damaged_echo_is_evidence_not_a_reply() -> None:
    line = client(paced=None, echoes=True)
    line.send(READ)
    spoilt = bytearray(READ)
    spoilt[3] ^= 0x40
    message = line.hear(bytes(spoilt))[0]
    assert message.echo
    assert message.errors & FrameError.CRC
    assert brief(line.hear(REPLY)) == [("reply", 0, False, False)]


def test_server_hears_its_own_echo() -> None:
    line = Line(Conversation("server", SETTINGS, paced=None))
    line.hear(READ)
    assert line.send(REPLY).pairs_with == 0
    assert brief(line.hear(REPLY)) == [("reply", None, True, False)]
    assert brief(line.hear(READ)) == [("request", None, False, False)]


def test_server_with_an_echo_does_not_take_its_write_reply_for_a_request() -> None:
    line = Line(Conversation("server", SETTINGS, paced=None, echoes=True))
    line.hear(WRITE)
    line.send(WRITE)
    assert brief(line.hear(WRITE)) == [("reply", None, True, False)]
    assert brief(line.hear(WRITE)) == [("request", None, False, False)]


@pytest.mark.parametrize(
    ("cut", "errors"),
    [(slice(0, -1), FrameError.SHORT), (slice(0, 5), FrameError.SHORT)],
)
def test_short_reply_is_a_damaged_reply(cut: slice, errors: FrameError) -> None:
    line = client()
    line.send(READ)
    message = line.hear(REPLY[cut])[0]
    assert message.role is Role.REPLY
    assert message.errors == FrameError.CRC | errors
    assert message.pairs_with == 0


def test_long_reply_is_a_damaged_reply() -> None:
    line = client()
    line.send(READ)
    spoilt = REPLY[:-2] + b"\x55\xaa\x99" + REPLY[-2:]
    message = line.hear(spoilt)[0]
    assert message.errors == FrameError.CRC | FrameError.LONG


def test_reply_of_two_characters_is_a_damaged_reply_not_a_stray() -> None:
    line = client()
    line.send(READ)
    message = line.hear(REPLY[:3])[0]
    assert message.role is Role.REPLY
    assert message.errors & FrameError.SHORT


def test_strays_stay_strays() -> None:
    line = tap()
    message = line.hear(b"\x00\xff")[0]
    assert isinstance(message.piece, Stray)
    assert (message.role, message.number) == (Role.STRAY, None)


def test_damaged_request_on_a_tap() -> None:
    line = tap()
    line.hear(READ)
    line.hear(REPLY)
    spoilt = bytearray(READ)
    spoilt[4] ^= 1
    assert line.hear(bytes(spoilt))[0].role is Role.REQUEST


def test_foreign_reply_does_not_answer() -> None:
    line = client()
    line.send(READ)
    assert brief(line.hear(frame("02 03 04 00 01 00 02"))) == [("reply", None, False, False)]
    assert line.hear(REPLY)[0].pairs_with == 0
