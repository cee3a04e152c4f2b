"""From a recording to frames and transactions, one row each.

Job: put framing and conversation over the records of a capture, or over live traffic, and give rows
in the order of the line. It is sans-IO: records in, rows out. What a value means is for the
register map; how a row looks is for whoever prints it.

A row is held back while it is not settled: characters until the framer has decided, and a frame
that may be the station's own echo or the reply until what comes next tells.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

from kerfbus.bench.capturerecords import Burst, CaptureInfo, LineEvent, Record, changed_settings
from kerfbus.bench.conversation import Conversation, Message, Role
from kerfbus.bench.frames import BREAKS
from kerfbus.bench.framing import Frame, FrameError, Framer
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind

ERROR_NAMES = {error: (error.name or "").lower() for error in FrameError}
"""What each error is called in machine-readable output."""


@dataclass(frozen=True, slots=True)
class Row:
    """A frame, stray characters, or a line event.

    Attributes:
        message: the frame or stray characters; None for a line event.
        event: the line event, None for characters.
        settings: rate and format in force.
        exact: whether instants are exact.
    """

    message: Message | None
    event: LineEvent | None
    settings: LineSettings
    exact: bool

    @property
    def at(self) -> int:
        """Return the end of the last character, or when the event happened."""
        if self.message is not None:
            return self.message.piece.at
        assert self.event is not None
        return self.event.at

    @property
    def frame(self) -> Frame | None:
        """Return the frame, None for anything else."""
        piece = self.message.piece if self.message is not None else None
        return piece if isinstance(piece, Frame) else None

    @property
    def ok(self) -> bool:
        """Return whether it is a frame that a receiver accepts.

        A gap inside a frame spoils it where instants are exact (MODBUS over Serial Line V1.02,
        2.5.1.1). Where the host stamps them the gap is noted, but a good CRC outweighs it.
        """
        if self.frame is None or self.message is None:
            return False
        return not self.message.errors & (~0 if self.exact else ~FrameError.GAP)

    @property
    def exception(self) -> int | None:
        """Return the exception code of a good exception reply."""
        frame = self.frame
        if frame is None or not self.ok or not frame.data[1] & 0x80:
            return None
        return frame.data[2]

    def to_json(self) -> dict[str, Any]:
        """Return the row in the stable keys of ``decode --json``."""
        message = self.message
        if message is None:
            assert self.event is not None
            event = self.event
            return {
                "at_ns": event.at,
                "role": "event",
                "event": event.kind.name.lower(),
                "value": event.value,
                "comment": event.comment,
            }
        names = [name for error, name in ERROR_NAMES.items() if message.errors & error]
        data = message.piece.data
        if message.role is Role.STRAY:
            return {
                "at_ns": self.at,
                "role": "stray",
                "hex": data.hex(),
                "errors": names,
                "gap_before_chars": self.gap_before,
            }
        return {
            "at_ns": self.at,
            "role": message.role.value,
            "server": data[0],
            "function": data[1] & 0x7F if len(data) > 1 else None,
            "hex": data.hex(),
            "ok": self.ok,
            "errors": names,
            "exception": self.exception,
            "echo": message.echo,
            "late": message.late,
            "pairs_with": message.pairs_with,
            "gap_before_chars": self.gap_before,
            "outbound": message.outbound,
        }

    @property
    def gap_before(self) -> float | None:
        """Return the silence before the first character, in characters; None when unknown."""
        gap = self.message.piece.gap_before_ns if self.message is not None else None
        return None if gap is None else round(gap / self.settings.characters_ns(1), 2)


@dataclass(slots=True)
class Summary:
    """What a recording holds.

    Attributes:
        frames: all frames, good and damaged, sent and heard.
        ok: those that a receiver accepts.
        damaged: the others.
        stray_characters: characters that fit no frame.
        requests: frames that ask, echoes not counted.
        replies: frames that answer, exceptions among them.
        exceptions: good exception replies.
        unanswered: good requests to one server without a good reply in time.
        late: replies to requests that had been given up.
        echoes: the station's own frames, heard again.
    """

    frames: int = 0
    ok: int = 0
    damaged: int = 0
    stray_characters: int = 0
    requests: int = 0
    replies: int = 0
    exceptions: int = 0
    unanswered: int = 0
    late: int = 0
    echoes: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return the last line of ``decode --json``."""
        return {"summary": asdict(self)}

    def count(self, row: Row) -> None:
        """Add a row. `unanswered` is counted up by a request and down by its reply."""
        message = row.message
        if message is None:
            return
        if message.role is Role.STRAY:
            self.stray_characters += len(message.piece.data)
            return
        self.frames += 1
        self.ok += row.ok
        self.damaged += not row.ok
        self.late += message.late
        if message.echo:
            self.echoes += 1
        elif message.role is Role.REQUEST:
            self.requests += 1
            self.unanswered += row.ok and message.piece.data[0] != 0
        elif message.role is Role.REPLY:
            self.replies += 1
            self.exceptions += row.exception is not None
            if row.ok and message.pairs_with is not None and not message.late:
                self.unanswered -= 1


class Decoder:
    """Turns the records of one station into rows.

    Args:
        info: what the capture says about itself; for live traffic, the same of the port.
        paced: whether characters take their time on this line; by default where timing is exact.
    """

    def __init__(self, info: CaptureInfo, *, paced: bool | None = None) -> None:
        self.info = info
        self.summary = Summary()
        self._exact = info.timing == "exact"
        self._paced = self._exact if paced is None else paced
        self._settings = info.settings
        self._doubtful: Row | None = None
        self._conversation = Conversation(info.vantage, info.settings, paced=self._paced)
        self._framer = self._new_framer()

    def _new_framer(self) -> Framer:
        return Framer(self._settings, self.info.timing, self.info.uncertainty_ns)

    @property
    def deadline(self) -> int | None:
        """Return when `tick` has something to do, None while nothing is held back by time."""
        return self._framer.deadline

    def feed(self, record: Record) -> list[Row]:
        """Take the next record and return the rows that it completes."""
        if isinstance(record, LineEvent):
            return self._event(record)
        if record.outbound:
            return self._sent(record)
        pieces = self._framer.receive(record.data, record.at, record.errors)
        return self._rows([self._conversation.inbound(piece) for piece in pieces])

    def tick(self, now: int) -> list[Row]:
        """Take note that no character came up to `now`; for live traffic."""
        pieces = self._framer.tick(now)
        return self._rows([self._conversation.inbound(piece) for piece in pieces])

    def finish(self) -> list[Row]:
        """Return what is still held back, at the end of the recording."""
        rows = self._flush()
        if self._doubtful is not None:
            rows.append(self._settle(self._doubtful))
            self._doubtful = None
        return rows

    def _flush(self) -> list[Row]:
        pieces = self._framer.flush()
        return self._rows([self._conversation.inbound(piece) for piece in pieces])

    def _event(self, event: LineEvent) -> list[Row]:
        rows = self._flush() if event.kind in BREAKS else []
        if event.kind is LineEventKind.SETTINGS:
            self._settings = changed_settings(event.comment, self._settings)
            self._framer = self._new_framer()
            self._conversation.settings = self._settings
        return [*rows, Row(None, event, self._settings, self._exact)]

    def _sent(self, burst: Burst) -> list[Row]:
        """Take what the station sent: what was heard before ends here."""
        heard, sent = self._framer.outbound(burst.data, burst.at)
        messages = [self._conversation.inbound(piece) for piece in heard]
        for piece in sent:
            if isinstance(piece, Frame):
                messages.append(self._conversation.outbound(piece))
            else:
                messages.append(Message(piece, Role.STRAY, piece.errors, None, outbound=True))
        return self._rows(messages)

    def _rows(self, messages: list[Message]) -> list[Row]:
        """Make rows and hold back one that may be an echo until the next message tells."""
        rows = []
        for message in messages:
            row = Row(message, None, self._settings, self._exact)
            held = self._doubtful
            if held is not None and held.message is not None:
                self._doubtful = None
                if message.pairs_with == held.message.pairs_with and message.role is Role.REPLY:
                    echo = held.message._replace(
                        role=Role.REQUEST, echo=True, pairs_with=None, doubtful=False
                    )
                    held = replace(held, message=echo)
                rows.append(self._settle(held))
            if message.doubtful:
                self._doubtful = row
            else:
                rows.append(self._settle(row))
        return rows

    def _settle(self, row: Row) -> Row:
        self.summary.count(row)
        return row
