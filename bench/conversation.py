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
from kerfbus.bench.openrequest import OpenRequest
from kerfbus.bench.shapes import Shape, echoes_request
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
    own = (piece, role, piece.errors, number, pairs_with)
    return _new(Message, (*own, False, False, False, False))


def _similar(one: bytes, other: bytes) -> bool:
    """Return whether at least half of the characters agree, place by place."""
    agree = sum(a == b for a, b in zip(one, other, strict=False))
    return 2 * agree >= max(len(one), len(other))


def _likely(piece: Frame, waiting: OpenRequest) -> bool:
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
        self._own: OpenRequest | None = None
        self._other: OpenRequest | None = None
        self._older: deque[OpenRequest] = deque(maxlen=REMEMBERED)
        self._sent = b""
        self._sent_at = 0
        self._echo_due = False

    def outbound(self, frame: Frame) -> Message:
        """Take a frame, request or reply by vantage, that the station sends.

        It is stamped with the end of its last character.
        """
        if self.vantage != "server":
            number = self.asks(frame.data, frame.at)
            return Message(frame, Role.REQUEST, frame.errors, number, outbound=True)
        self._sent, self._sent_at, self._echo_due = frame.data, frame.at, True
        number, pairs = self._next(), None
        if self._other is not None and self._other.fits(frame.data):
            self._other.answered = True
            pairs = self._other.number
        return Message(frame, Role.REPLY, frame.errors, number, pairs, outbound=True)

    def asks(self, data: bytes, at: int, asked: int | None = None) -> int:
        """Take a request that this client sends, as `outbound` does; return its number.

        Args:
            data: the request.
            at: end of its last character.
            asked: length of the reply where it is known already.
        """
        self._sent, self._sent_at, self._echo_due = data, at, True
        self.give_up()
        self._own = OpenRequest(self._next(), data, at, asked)
        return self._own.number

    def inbound(self, piece: Piece) -> Message:
        """Take what the station hears and say what it is."""
        own = self._own
        asker = self._other if own is None else own
        if (
            asker is not None
            and not asker.answered
            and isinstance(piece, Frame)
            and piece.shapes & _REPLY
            and not (self._paced and self._older)
            and not (self._echo_due and (own is None or piece.data == self._sent))
            and asker.fits(piece.data)
        ):
            # What is heard every other time: as by `_weigh`, with nothing else to weigh.
            if self._echo_due and self.echoes is None and not piece.errors:
                self.echoes = False
            asker.answered = True
            return _plain(piece, _IS_REPLY, self._next(), asker.number)
        return self._weigh(piece)

    def _weigh(self, piece: Piece) -> Message:
        if isinstance(piece, Stray):
            return self._stray(piece)
        if self._echo_due and (message := self._echo(piece)) is not None:
            return message
        if not piece.shapes:
            return self._damaged(piece)
        if piece.shapes != _REQUEST and (message := self._reply(piece)) is not None:
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
        probe = OpenRequest(-1, request, 0)
        return any(old.resembles(probe) for old in self._older)

    def _next(self) -> int:
        self._count += 1
        return self._count - 1

    def _retire(self, request: OpenRequest) -> None:
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

    def _waiting(self) -> OpenRequest | None:
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

    def _hasty(self, piece: Frame, request: OpenRequest) -> bool:
        """Return whether `piece` came too soon to answer `request` and another request fits it."""
        return (
            bool(self._older)  # first, because there hardly ever is one
            and self._paced
            and self._start(piece) < request.at + self.settings.t15_ns
            and any(old.fits(piece.data) for old in self._older)
        )

    def _answer(self, piece: Frame, request: OpenRequest) -> Message:
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
        self._other = OpenRequest(number, piece.data, piece.at)
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
