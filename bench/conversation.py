"""Who says what on the line: request or reply, echo, late, and which answers which.

RTU frames do not say whether they ask or answer. This module decides it from the shape of a frame,
from what the station itself has sent, and from whose turn it is. It is sans-IO: frames in, messages
out, in the order of the line. It must not know what a PDU means beyond what pairs a reply with its
request (server, function code, length, repeated address).

A reply pairs with the youngest request that it fits and that is unanswered, the station's own
before others'. A reply that fits only an older request is *late*: it belongs to a request that was
given up. Two requests that ask for the same thing cannot be told apart by their replies; there a
reply is late when it starts sooner after the younger request than any server may answer (t3.5,
MODBUS over Serial Line V1.02, 2.5.1.1), and only on lines where time is real. What else can be done
about it needs waiting, which is the client's part (`kerfbus.bench.exchange`).

A station's own echo is recognised without a setting: a frame equal to what was just sent is an echo
unless it may also be the reply (function codes whose reply repeats the request). There the line's
timing decides, or what earlier transactions showed; where neither does, the message is `doubtful`.
"""

from __future__ import annotations

from collections import deque
from enum import Enum
from typing import NamedTuple

from kerfbus.bench.framing import Frame, FrameError, Piece, Stray
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import Shape, echoes_request, expected_reply_length
from kerfbus.bench.transport import Vantage

REMEMBERED = 8
"""How many unanswered requests are kept to recognise late replies (chosen: more than any sane
client sends within a server's longest delay)."""

_REQUEST = int(Shape.REQUEST)
_REPLY = int(Shape.REPLY)


class Role(Enum):
    """What a piece of the line is."""

    REQUEST = "request"
    REPLY = "reply"
    UNKNOWN = "unknown"
    """A frame, damaged or foreign, of which neither can be said."""
    STRAY = "stray"


class Message(NamedTuple):
    """A piece of the line and its part in the conversation.

    Attributes:
        piece: the frame or stray characters.
        role: what it is.
        errors: `FrameError` bits, with SHORT or LONG where the request tells the length.
        number: counts the frames, from 0; None for stray characters.
        pairs_with: number of the request that it answers, None where there is none.
        echo: the station hears itself.
        late: it answers a request that was given up.
        outbound: the station sent it.
        doubtful: it may be an echo or the reply; what comes next tells.
    """

    piece: Piece
    role: Role
    errors: int
    number: int | None
    pairs_with: int | None = None
    echo: bool = False
    late: bool = False
    outbound: bool = False
    doubtful: bool = False


_IS_REQUEST, _IS_REPLY = Role.REQUEST, Role.REPLY
_new = tuple.__new__


def _plain(piece: Frame, role: Role, number: int, pairs_with: int | None) -> Message:
    """Return a message with nothing special about it, without the cost of keyword arguments."""
    fields = (piece, role, piece.errors, number, pairs_with, False, False, False, False)
    return _new(Message, fields)


class _Request:
    """A request and what has become of it."""

    __slots__ = ("answered", "asked", "at", "damaged", "data", "doubtful", "function", "number")

    def __init__(self, number: int, data: bytes, at: int, asked: int | None = None) -> None:
        self.number = number
        self.data = data
        self.at = at
        self.function = data[1]
        if asked is None:
            asked = expected_reply_length(data) if len(data) >= 8 else 0
        self.asked = asked
        self.answered = data[0] == 0  # nobody answers a broadcast
        self.damaged = False  # something came in place of the reply
        self.doubtful = False  # what answered it may have been an echo

    def fits(self, reply: bytes) -> bool:
        """Return whether `reply` can answer this request."""
        asked = self.data
        if reply[0] != asked[0]:
            return False
        if reply[1] == self.function | 0x80:
            return True
        if reply[1] != self.function or (self.asked and len(reply) != self.asked):
            return False
        if self.function in (0x0F, 0x10, 0x16):
            return reply[2:6] == asked[2:6]
        if self.function in (0x05, 0x06, 0x08):
            return reply[2:4] == asked[2:4]
        return True


def _similar(one: bytes, other: bytes) -> bool:
    """Return whether at least half of the characters agree, place by place."""
    agree = sum(a == b for a, b in zip(one, other, strict=False))
    return 2 * agree >= max(len(one), len(other))


def _likely(piece: Frame, waiting: _Request) -> bool:
    """Return whether damaged characters are the reply that is due: by header or length."""
    head = piece.data[:2]
    exception = bytes((waiting.data[0], waiting.function | 0x80))
    return head in (waiting.data[:2], exception) or len(piece.data) == waiting.asked


def _spoilt_echo(piece: Frame, sent: bytes, vantage: Vantage, echoes: bool | None) -> bool:
    """Return whether `piece` is what was sent, changed on the line: a collision or noise.

    Before it is known whether the station hears itself, that is said only of a frame that cannot be
    a reply: of the request's length, nearly the same, and nobody repeats it.
    """
    if piece.shapes or echoes is False or not _similar(piece.data, sent):
        return False
    if echoes:
        return True
    differ = sum(a != b for a, b in zip(piece.data, sent, strict=False))
    repeated = vantage != "client" or echoes_request(sent[1])
    return not repeated and len(piece.data) == len(sent) and differ <= 2


class Conversation:
    """Follows the requests and replies of one line.

    Args:
        vantage: what the station is.
        settings: rate and format, for the time that characters take.
        paced: whether instants are those of a real wire; None when unknown.
        echoes: whether the station hears itself; None to find out.
    """

    def __init__(
        self,
        vantage: Vantage,
        settings: LineSettings,
        *,
        paced: bool | None = None,
        echoes: bool | None = None,
    ) -> None:
        self.vantage = vantage
        self.settings = settings
        self.echoes = echoes
        self._paced = bool(paced)
        self._count = 0
        self._own: _Request | None = None
        self._other: _Request | None = None
        self._older: deque[_Request] = deque(maxlen=REMEMBERED)
        self._sent = b""
        self._sent_at = 0
        self._echo_due = False

    def outbound(self, frame: Frame, asked: int | None = None) -> Message:
        """Take a frame that the station sends, stamped with the end of its last character.

        Args:
            frame: request or reply, by vantage.
            asked: length of the reply to a request where it is known already.
        """
        self._sent, self._sent_at, self._echo_due = frame.data, frame.at, True
        number = self._next()
        if self.vantage == "server":
            pairs = None
            if self._other is not None and self._other.fits(frame.data):
                self._other.answered = True
                pairs = self._other.number
            return Message(frame, Role.REPLY, frame.errors, number, pairs, outbound=True)
        self.give_up()
        self._own = _Request(number, frame.data, frame.at, asked)
        return Message(frame, Role.REQUEST, frame.errors, number, outbound=True)

    def inbound(self, piece: Piece) -> Message:
        """Take what the station hears and say what it is."""
        if isinstance(piece, Stray):
            return self._stray(piece)
        other = self._other
        if (
            other is not None
            and self._own is None
            and piece.shapes & _REPLY
            and not (other.answered or self._echo_due or (self._paced and self._older))
            and other.fits(piece.data)
        ):
            # What a tap hears every other time. The same as below, with nothing else to weigh.
            other.answered = True
            return _plain(piece, _IS_REPLY, self._next(), other.number)
        if self._echo_due:
            message = self._echo(piece)
            if message is not None:
                return message
        if not piece.shapes:
            return self._damaged(piece)
        if piece.shapes != _REQUEST:
            message = self._reply(piece)
            if message is not None:
                return message
        return self._request(piece)

    def give_up(self) -> None:
        """Note that the station no longer waits for the reply to its last request."""
        if self._own is not None:
            self._retire(self._own)
            self._own = None

    @property
    def last_own(self) -> int | None:
        """Return the number of the station's own last request, None once it is given up."""
        return self._own.number if self._own is not None else None

    def confusable(self, request: bytes) -> bool:
        """Return whether a reply to a request that was given up could pass for one to `request`."""
        if not self._older:
            return False
        probe = _Request(-1, request, 0)
        return any(
            old.data[0] == request[0]
            and old.function == probe.function
            and old.asked == probe.asked
            and (old.function not in (0x05, 0x06, 0x0F, 0x10) or old.data[2:6] == request[2:6])
            for old in self._older
        )

    def _next(self) -> int:
        self._count += 1
        return self._count - 1

    def _retire(self, request: _Request) -> None:
        if not request.answered and not request.damaged:
            self._older.append(request)

    def _stray(self, piece: Stray) -> Message:
        waiting = self._waiting()
        if waiting is not None and len(piece.data) >= 2 and piece.data[:2] == waiting.data[:2]:
            # A reply cut down to its first two or three characters.
            frame = Frame(
                piece.data, piece.at, piece.errors | FrameError.CRC, piece.gap_before_ns, 0
            )
            return self._damaged(frame)
        return Message(piece, Role.STRAY, piece.errors, None)

    def _waiting(self) -> _Request | None:
        """Return the request whose reply is due, the station's own first."""
        for request in (self._own, self._other):
            if request is not None and not request.answered and not request.damaged:
                return request
        return None

    def _start(self, piece: Piece) -> int:
        return piece.at - self.settings.characters_ns(len(piece.data))

    def _echo(self, piece: Frame) -> Message | None:
        """Return `piece` as an echo, None when it is none or may as well be the reply."""
        if piece.data != self._sent:
            if _spoilt_echo(piece, self._sent, self.vantage, self.echoes):
                self._echo_due = False
                errors = piece.errors | FrameError.CRC
                role = Role.REPLY if self.vantage == "server" else Role.REQUEST
                return Message(piece, role, errors, self._next(), echo=True)
            return None
        if not self._repeats(piece) or (self.echoes is None and self._too_early(piece)):
            self.echoes = True
        own = self._own
        if self.echoes is not True and own is not None and own.doubtful:
            # The second of two equal frames: the first was the echo, this is the reply.
            self.echoes, own.answered, own.doubtful = True, False, False
            self._echo_due = False
            return None
        if not self.echoes:
            return None
        self._echo_due = False
        role = Role.REPLY if self.vantage == "server" else Role.REQUEST
        return Message(piece, role, piece.errors, self._next(), echo=True)

    def _repeats(self, piece: Frame) -> bool:
        """Return whether a frame equal to what was sent may be the other side's own."""
        if self.vantage == "server":
            return bool(piece.shapes & _REQUEST)
        return echoes_request(piece.data[1])

    def _too_early(self, piece: Frame) -> bool:
        """Return whether `piece` started before what was sent had ended."""
        return self._paced and self._start(piece) < self._sent_at

    def _reply(self, piece: Frame) -> Message | None:
        """Return `piece` as a reply, None when it is rather a request."""
        data = piece.data
        for request in (self._own, self._other):
            if request is None or not request.fits(data):
                continue
            if request.answered and not request.doubtful:
                continue
            if self._hasty(piece, request):
                break
            return self._answer(piece, request)
        for request in self._older:
            if request.fits(data):
                self._older.remove(request)
                return Message(
                    piece, Role.REPLY, piece.errors, self._next(), request.number, late=True
                )
        if piece.shapes & _REQUEST:
            return None
        role = Role.REPLY if piece.shapes & _REPLY else Role.UNKNOWN
        if role is Role.UNKNOWN and self._waiting() is None:
            return None  # a user-defined frame when nothing is asked: a request
        return Message(piece, role, piece.errors, self._next())

    def _hasty(self, piece: Frame, request: _Request) -> bool:
        """Return whether `piece` came too soon to answer `request` and another request fits it."""
        return (
            bool(self._older)  # first, because there hardly ever is one
            and self._paced
            and self._start(piece) < request.at + self.settings.t15_ns
            and any(old.fits(piece.data) for old in self._older)
        )

    def _answer(self, piece: Frame, request: _Request) -> Message:
        own = request is self._own
        if request.doubtful:
            # Another answer to a request whose reply was in doubt: that one was the echo.
            self.echoes, self._echo_due = True, False
        doubtful = own and self._echo_due and self.echoes is None and piece.data == self._sent
        if own and self._echo_due and not doubtful and self.echoes is None and not piece.errors:
            self.echoes = False  # the reply came and no echo before it
        request.answered = True
        request.doubtful = doubtful
        return Message(
            piece, Role.REPLY, piece.errors, self._next(), request.number, doubtful=doubtful
        )

    def _request(self, piece: Frame) -> Message:
        if self._other is not None:
            self._retire(self._other)
        number = self._next()
        self._other = _Request(number, piece.data, piece.at)
        return _plain(piece, _IS_REQUEST, number, None)

    def _damaged(self, piece: Frame) -> Message:
        """Say what a damaged frame was to be, from whose turn it is."""
        waiting = self._waiting()
        errors = piece.errors | FrameError.CRC
        if waiting is None or self.vantage == "server":
            role = Role.REQUEST if self._turn_to_ask(piece) else Role.UNKNOWN
            return Message(piece, role, errors, self._next())
        if waiting is not self._own and _similar(piece.data, waiting.data):
            # It looks more like the request said again than like a reply.
            return Message(piece, Role.REQUEST, errors, self._next())
        if not _likely(piece, waiting):
            # Noise while a reply is due. The reply may still come, so the request stays open.
            role = Role.REPLY if waiting is self._own else Role.UNKNOWN
            return Message(piece, role, errors, self._next())
        waiting.damaged = True
        if waiting.asked and piece.data[1] != waiting.function | 0x80:
            if len(piece.data) < waiting.asked:
                errors |= FrameError.SHORT
            elif len(piece.data) > waiting.asked:
                errors |= FrameError.LONG
        return Message(piece, Role.REPLY, errors, self._next(), waiting.number)

    def _turn_to_ask(self, piece: Frame) -> bool:
        """Return whether a damaged frame, with no reply due, was most likely a request."""
        if self.vantage == "client":
            return False  # the station itself asks
        last = self._other
        return last is None or len(piece.data) <= len(last.data) or _similar(piece.data, last.data)
