"""Serial-line diagnostics of a server: counters, event log, listen-only mode.

Sources: MODBUS Application Protocol V1.1b3, 6.8 (function 08 and its sub-functions), 6.9 (0B), 6.10
(0C, event bytes); counter rules: MODBUS over Serial Line V1.02, appendix A. Counters have 16 bits
and wrap.

What the standard leaves open, and what is so here: a sub-function's counter includes the very
request that asks for it; the diagnostic register (02) latches what has happened since it was
cleared; a foreign frame is counted as a bus message but is not an event.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from enum import IntEnum, IntFlag
from types import MappingProxyType

from kerfbus.bench.wire import ExceptionCode
from kerfbus.sim.refusal import RefusedError, bad_value

LOG_EVENTS = 64
"""Events that the log keeps (6.10)."""
WORD = 0xFFFF


class Count(IntEnum):
    """Counters, by the sub-function of function 08 that returns each."""

    BUS_MESSAGES = 0x0B
    """Good frames heard, to whomever."""
    BUS_ERRORS = 0x0C
    """Frames with a wrong CRC, line errors, or fewer than three characters."""
    EXCEPTIONS = 0x0D
    """Exceptions answered, or that a broadcast would have been answered with."""
    SERVER_MESSAGES = 0x0E
    """Frames to this server, broadcasts included."""
    NO_RESPONSES = 0x0F
    """Of those, the ones that got no reply."""
    NAKS = 0x10
    """Replies with exception 07."""
    BUSY = 0x11
    """Replies with exception 06."""
    OVERRUNS = 0x12
    """Frames in which the receiver lost characters."""


class Register(IntFlag):
    """Bits of the diagnostic register (sub-function 02); the meaning is ours."""

    DAMAGED_FRAME = 1
    OVERRUN = 2
    EXCEPTION = 4
    LISTENED_ONLY = 8
    RESTARTED = 16


class Receive(IntFlag):
    """Bits of a receive event (6.10)."""

    EVENT = 0x80
    COMM_ERROR = 0x02
    OVERRUN = 0x10
    LISTEN_ONLY = 0x20
    BROADCAST = 0x40


class Send(IntFlag):
    """Bits of a send event (6.10)."""

    EVENT = 0x40
    READ_EXCEPTION = 0x01
    """Exceptions 1 to 3."""
    ABORT_EXCEPTION = 0x02
    """Exception 4."""
    BUSY_EXCEPTION = 0x04
    """Exceptions 5 and 6."""
    NAK_EXCEPTION = 0x08
    """Exception 7."""
    WRITE_TIMEOUT = 0x10
    LISTEN_ONLY = 0x20


ENTERED_LISTEN_ONLY = 0x04
RESTARTED = 0x00

_SEND_BITS: Mapping[int, Send] = MappingProxyType(
    {
        1: Send.READ_EXCEPTION,
        2: Send.READ_EXCEPTION,
        3: Send.READ_EXCEPTION,
        4: Send.ABORT_EXCEPTION,
        5: Send.BUSY_EXCEPTION,
        6: Send.BUSY_EXCEPTION,
        7: Send.NAK_EXCEPTION,
    }
)
_BUS_MESSAGES, _SERVER_MESSAGES = int(Count.BUS_MESSAGES), int(Count.SERVER_MESSAGES)
_ANSWERED = (int(Receive.EVENT), int(Send.EVENT))
_CLEAR_LOG, _KEEP_LOG = b"\xff\x00", b"\x00\x00"


class Diagnostics:
    """Counters, event log and listen-only mode of one server.

    Attributes:
        counts: by counter, a `Count`.
        events: successful requests since the last clearing, what function 0B returns.
        listen_only: the server hears and does nothing.
        delimiter: what sub-function 03 set; it has no effect in RTU mode.
    """

    def __init__(self) -> None:
        self.listen_only = False
        self.delimiter = 0x0A
        self.counts = [0] * (max(Count) + 1)
        self.events = 0
        self._register = Register(0)
        self._log: deque[int] = deque(maxlen=LOG_EVENTS)
        self._just_cleared = False

    @property
    def log(self) -> bytes:
        """Return the event log, newest first."""
        return bytes(self._log)

    def clear_counters(self) -> None:
        """Set every counter and the diagnostic register to zero.

        The request that does this is not counted any more, so that they are zero after it.
        """
        self._just_cleared = True
        self.counts = [0] * (max(Count) + 1)
        self.events = 0
        self._register = Register(0)

    def count(self, counter: Count) -> None:
        """Count one more."""
        self.counts[counter] = (self.counts[counter] + 1) & WORD

    # --- what happens on the line ----------------------------------------------------------------

    def damaged(self, *, overrun: bool) -> None:
        """Take note of a frame that cannot be trusted; to whom it was is unknown."""
        self.count(Count.BUS_ERRORS)
        self._register |= Register.DAMAGED_FRAME
        event = Receive.EVENT | Receive.COMM_ERROR
        if overrun:
            self.count(Count.OVERRUNS)
            self._register |= Register.OVERRUN
            event |= Receive.OVERRUN
        self._log.appendleft(int(event | self._listening(Receive.LISTEN_ONLY)))

    def addressed(self, *, broadcast: bool) -> None:
        """Take note of a good frame to this server, before it is obeyed."""
        self.count(Count.SERVER_MESSAGES)
        event = 0x80
        if broadcast:
            event |= 0x40
        if self.listen_only:
            event |= 0x20
        self._log.appendleft(event)

    def finished(self, exception: int, *, replied: bool) -> None:
        """Take note that a request to this server is done with.

        Args:
            exception: the exception code, 0 for success.
            replied: whether a reply goes out.
        """
        cleared, self._just_cleared = self._just_cleared, False
        if not replied and not cleared:
            self.count(Count.NO_RESPONSES)
        if exception:
            self._refused(exception)
        elif not self.listen_only and not cleared:
            self.events = (self.events + 1) & WORD
        event = 0x40 | _SEND_BITS.get(exception, 0)
        if self.listen_only:
            event |= 0x20
        self._log.appendleft(event)

    def answered(self) -> None:
        """Take note of a request that is answered without an exception, all of it in one.

        The same as counting a bus message, `addressed` and `finished`; not in listen-only mode.
        """
        counts = self.counts
        counts[_BUS_MESSAGES] = (counts[_BUS_MESSAGES] + 1) & WORD
        counts[_SERVER_MESSAGES] = (counts[_SERVER_MESSAGES] + 1) & WORD
        if self._just_cleared:
            self._just_cleared = False
        else:
            self.events = (self.events + 1) & WORD
        self._log.extendleft(_ANSWERED)

    def _refused(self, exception: int) -> None:
        self.count(Count.EXCEPTIONS)
        self._register |= Register.EXCEPTION
        if exception == ExceptionCode.SERVER_DEVICE_BUSY:
            self.count(Count.BUSY)
        elif exception == 7:
            self.count(Count.NAKS)

    def _listening(self, bit: Receive) -> Receive:
        return bit if self.listen_only else Receive(0)

    # --- function 08 -----------------------------------------------------------------------------

    def answer(self, sub_function: int, data: bytes) -> bytes | None:
        """Obey function 08 and return the data field of the reply, None for no reply.

        Raises:
            RefusedError: 01 for a sub-function that there is not, 03 for a wrong data field.
        """
        handler = _SUB_FUNCTIONS.get(sub_function)
        if handler is None:
            raise RefusedError(
                f"diagnostics {sub_function:04X}: there is no such sub-function",
                ExceptionCode.ILLEGAL_FUNCTION,
            )
        return handler(self, data)

    def _restart(self, data: bytes) -> bytes | None:
        if data not in (_KEEP_LOG, _CLEAR_LOG):
            raise bad_value("restart communications: the data field is 0000 or FF00")
        was_listening = self.listen_only
        self.listen_only = False
        self.clear_counters()
        if data == _CLEAR_LOG:
            self._log.clear()
        self._log.appendleft(RESTARTED)
        self._register |= Register.RESTARTED
        return None if was_listening else data

    def _diagnostic_register(self, data: bytes) -> bytes:
        _expect(data, _KEEP_LOG)
        return int(self._register).to_bytes(2, "big")

    def _change_delimiter(self, data: bytes) -> bytes:
        if len(data) != 2 or data[1] or not data[0] < 0x80:
            raise bad_value("change delimiter: the data field is a character and 00")
        self.delimiter = data[0]
        return data

    def _listen_only_mode(self, data: bytes) -> None:
        _expect(data, _KEEP_LOG)
        self.listen_only = True
        self._register |= Register.LISTENED_ONLY
        self._log.appendleft(ENTERED_LISTEN_ONLY)

    def _clear(self, data: bytes) -> bytes:
        _expect(data, _KEEP_LOG)
        self.clear_counters()
        return data

    def _clear_overrun(self, data: bytes) -> bytes:
        _expect(data, _KEEP_LOG)
        self.counts[Count.OVERRUNS] = 0
        self._register &= ~Register.OVERRUN
        return data

    def returned(self, counter: Count, data: bytes) -> bytes:
        """Return a counter as the data field of a reply."""
        _expect(data, _KEEP_LOG)
        return self.counts[counter].to_bytes(2, "big")


def _expect(data: bytes, wanted: bytes) -> None:
    if data != wanted:
        raise bad_value(f"diagnostics: the data field is {wanted.hex()}, not {data.hex()}")


def _counter(counter: Count) -> Callable[[Diagnostics, bytes], bytes]:
    return lambda diagnostics, data: diagnostics.returned(counter, data)


_SUB_FUNCTIONS: Mapping[int, Callable[[Diagnostics, bytes], bytes | None]] = MappingProxyType(
    {
        0x00: lambda _, data: data,
        0x01: Diagnostics._restart,
        0x02: Diagnostics._diagnostic_register,
        0x03: Diagnostics._change_delimiter,
        0x04: Diagnostics._listen_only_mode,
        0x0A: Diagnostics._clear,
        **{int(counter): _counter(counter) for counter in Count},
        0x14: Diagnostics._clear_overrun,
    }
)
"""Sub-functions of function 08; all others are reserved (6.8, annex A)."""
