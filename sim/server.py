"""The Modbus server in front of a simulated supply: a frame in, a reply or silence out.

Sans-IO: nothing here opens a port or reads a clock. Rules, with their sources:

* No answer to a damaged frame, to another server's address, to a broadcast, in listen-only mode
  (MODBUS Application Protocol V1.1b3, 7 and 6.8; MODBUS over Serial Line V1.02, 2.1).
* Order of refusals: function (01), the request's own values (03), addresses (02), execution (04 or
  06), as in the state diagrams of 6.1 to 6.21. Which code stands for what: `kerfbus.sim.refusal`.
* A refused request changes nothing.
"""

from __future__ import annotations

from struct import Struct
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.crc import crc16, with_crc
from kerfbus.bench.errors import WireError
from kerfbus.bench.framing import FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.regmap import Table
from kerfbus.bench.wire import ExceptionCode
from kerfbus.sim.device import Device
from kerfbus.sim.diagnostics import Count, Diagnostics
from kerfbus.sim.functions import (
    BROADCAST,
    BROADCAST_DIAGNOSTICS,
    HANDLERS,
    SERIAL_ONLY,
    SUPPORTED,
    Context,
)
from kerfbus.sim.refusal import RefusedError

_READS = {0x03: Table.HOLDING, 0x04: Table.INPUT}
_READ_LAYOUT = Struct(">BHH")
READ_LENGTH = _READ_LAYOUT.size
MAX_REGISTERS_READ = 125
"""Functions 03 and 04 (6.3, 6.4)."""
MAX_KNOWN_READS = 1024
"""Requests that are remembered, because clients send the same ones again and again."""
_crc_bytes = Struct("<H").pack
_COUNTERS = {
    "bus_messages": Count.BUS_MESSAGES,
    "bus_errors": Count.BUS_ERRORS,
    "bus_exceptions": Count.EXCEPTIONS,
    "server_messages": Count.SERVER_MESSAGES,
    "server_no_responses": Count.NO_RESPONSES,
    "bus_overruns": Count.OVERRUNS,
}


class Read(NamedTuple):
    """A request to read words that can be answered.

    Attributes:
        table: of which.
        start: first address.
        words: how many.
        head: what stands before the words in the reply.
    """

    table: Table
    start: int
    words: int
    head: bytes


class SupplyServer:
    """One server on a serial line.

    Its address and line settings are those of the supply's link and may be changed over the link.

    Args:
        device: the supply and its registers.

    Attributes:
        device: as given.
        diagnostics: counters, event log, listen-only mode.
    """

    def __init__(self, device: Device) -> None:
        self.device = device
        self.diagnostics = Diagnostics()
        self._reads: dict[bytes, Read] = {}
        self._context = Context(device, self.diagnostics)
        self._tcp_context = Context(device, None)
        device.orders.on_clear_counters.append(self.diagnostics.clear_counters)
        device.show_counters(
            tuple(_COUNTERS),
            lambda: [self.diagnostics.counts[counter] for counter in _COUNTERS.values()],
        )

    @property
    def address(self) -> int:
        """Return the server address in force."""
        return self.device.supply.link.active.address

    @property
    def settings(self) -> LineSettings:
        """Return the line settings in force."""
        return self.device.supply.link.active.line

    @property
    def reply_delay_ns(self) -> int:
        """Return what the settings add to the silent interval before each reply."""
        return self.device.supply.settings.reply_delay * 1_000_000

    def handle(self, frame: bytes, now: int, errors: int = 0) -> bytes | None:
        """Take a frame from the line and return the reply with its CRC, None for silence.

        Args:
            frame: address, PDU and CRC as heard.
            now: end of its last character.
            errors: `FrameError` bits that the framer found; a frame with any is damaged.
        """
        diagnostics = self.diagnostics
        read = self._reads.get(frame)
        if read is not None and not (errors or diagnostics.listen_only):
            return self._read_again(frame, read, now)
        if errors or len(frame) < 4 or crc16(frame):
            self.damaged(errors)
            return None
        diagnostics.count(Count.BUS_MESSAGES)
        address = frame[0]
        if address and address != self.device.supply.link.active.address:
            return None
        function = frame[1]
        if not 0 < function < 0x80:
            return None  # no request has such a code
        self.device.advance(now)
        diagnostics.addressed(broadcast=not address)
        listening = diagnostics.listen_only
        if listening and not _is_restart(frame):
            diagnostics.finished(0, replied=False)
            return None
        self.device.supply.heard()
        if not address:
            self._obey_broadcast(frame[1:-2])
            return None
        pdu = self._respond(frame[1:-2], self._context)
        replies = bool(pdu) and not listening
        if pdu[:1] == frame[1:2] and function in _READS:
            self._remember(frame)
        diagnostics.finished(pdu[1] if pdu and pdu[0] & 0x80 else 0, replied=replies)
        return with_crc(frame[:1] + pdu) if replies else None

    def _read_again(self, frame: bytes, read: Read, now: int) -> bytes | None:
        """Answer a read of words that has been answered before, as `handle` does.

        Nearly all traffic is this, and a simulated day is to pass in seconds.
        """
        device, diagnostics = self.device, self.diagnostics
        supply = device.supply
        if frame[0] != supply.link.active.address:
            diagnostics.count(Count.BUS_MESSAGES)
            return None
        device.advance(now)
        diagnostics.answered()
        supply.heard()
        table, start, count, head = read
        reply = head + device.bank.read_words(table, start, count, supply.now)
        return reply + _crc_bytes(crc16(reply))

    def overhear(self, errors: int = 0) -> None:
        """Take note of a frame that is certainly not a request, such as another server's reply.

        Args:
            errors: `FrameError` bits.
        """
        if errors:
            self.damaged(errors)
        else:
            self.diagnostics.count(Count.BUS_MESSAGES)

    def damaged(self, errors: int = 0) -> None:
        """Take note of characters that are no good frame.

        Args:
            errors: `FrameError` bits.
        """
        self.diagnostics.damaged(overrun=bool(errors & FrameError.OVERRUN))

    def handle_tcp(self, pdu: bytes, now: int) -> bytes:
        """Answer a PDU that came over Modbus TCP; the line's counters do not see it.

        The function codes that the standard has on serial lines only are refused with 01.
        """
        self.device.advance(now)
        if pdu[:1] and pdu[0] in SERIAL_ONLY:
            return bytes((pdu[0] | 0x80, ExceptionCode.ILLEGAL_FUNCTION))
        self.device.supply.heard()
        return self._respond(pdu, self._tcp_context)

    def _obey_broadcast(self, pdu: bytes) -> None:
        """Obey a broadcast: writes, and diagnostics that change something; nothing is answered."""
        exception = 0
        if pdu[0] in BROADCAST or (
            pdu[0] == 0x08 and int.from_bytes(pdu[1:3], "big") in BROADCAST_DIAGNOSTICS
        ):
            answer = self._respond(pdu, self._context)
            exception = answer[1] if answer and answer[0] & 0x80 else 0
        self.diagnostics.finished(exception, replied=False)

    def _respond(self, pdu: bytes, context: Context) -> bytes:
        """Return the PDU of the reply, empty for none."""
        function = pdu[0]
        table = _READS.get(function)
        if table is not None and len(pdu) == READ_LENGTH:
            return self._read(table, pdu)
        if function not in SUPPORTED:
            return bytes((function | 0x80, ExceptionCode.ILLEGAL_FUNCTION))
        try:
            request = wire.parse_request(pdu)
        except WireError as error:
            return bytes((function | 0x80, error.exception or ExceptionCode.ILLEGAL_DATA_VALUE))
        handler = HANDLERS.get(type(request))
        if handler is None:
            return bytes((function | 0x80, ExceptionCode.ILLEGAL_FUNCTION))
        refused = wire.check_limits(request)
        if refused is not None:
            return bytes((function | 0x80, refused))
        try:
            answer = handler(context, request)
        except RefusedError as error:
            return bytes((function | 0x80, error.code))
        if answer is None:
            return b""
        return answer if isinstance(answer, bytes) else wire.build(answer)

    def _read(self, table: Table, pdu: bytes) -> bytes:
        """Return the reply to a read of words: what `_respond` would give, on the short way."""
        function, start, count = _READ_LAYOUT.unpack(pdu)
        if not 1 <= count <= MAX_REGISTERS_READ:
            return bytes((function | 0x80, ExceptionCode.ILLEGAL_DATA_VALUE))
        try:
            data = self.device.read_words(table, start, count)
        except RefusedError as error:
            return bytes((function | 0x80, error.code))
        return bytes((function, len(data))) + data

    def _remember(self, frame: bytes) -> None:
        """Keep a read of words that could be answered: whether it can is a matter of the map."""
        function, start, count = _READ_LAYOUT.unpack(frame[1:-2])
        if len(self._reads) >= MAX_KNOWN_READS:
            self._reads.clear()
        head = bytes((frame[0], function, 2 * count))
        self._reads[frame] = Read(_READS[function], start, count, head)


def _is_restart(frame: bytes) -> bool:
    """Return whether a frame asks to restart communications, the way out of listen-only mode."""
    return frame[1:4] == b"\x08\x00\x01"
