"""One TCP port for both ways of Modbus over TCP, told apart by each client's first request.

RTU over TCP carries serial frames with their CRC; Modbus TCP puts a header before the PDU and
leaves the CRC out. Clients of both kinds are common and their users seldom know which kind they
have. Each connection is a line of its own to the same servers. What either kind is answered: see
`kerfbus.sim.tcp` and `kerfbus.sim.modbustcp`.

Source of the header: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (transaction,
protocol 0, length, unit).
"""

from __future__ import annotations

import asyncio
import contextlib
from enum import Enum

from kerfbus.bench import wire
from kerfbus.bench.clock import Clock
from kerfbus.bench.crc import crc16
from kerfbus.bench.errors import PortLostError, WireError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.shapes import Shape, candidates
from kerfbus.bench.transport import Chunk
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.modbustcp import MAX_LENGTH, MIN_LENGTH, ModbusTcp
from kerfbus.sim.station import Station
from kerfbus.sim.tcp import READ_SIZE, SocketTransport, TcpLines

HEADER = 6
"""Bytes of the header before those that its length counts: unit and PDU."""
LONGEST_FIRST = HEADER + MAX_LENGTH
PATIENCE_SECONDS = 0.5
"""How long the rest of a first request is waited for; then what there is must do."""

Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class Speech(Enum):
    """What a client speaks."""

    RTU = "RTU over TCP"
    MBAP = "Modbus TCP"


def mbap_size(data: bytes) -> int | None:
    """Return the size of the message at the start, 0 when more is needed, None when it is none."""
    if len(data) < HEADER:
        return 0 if data[2:4] in (b"", b"\0", b"\0\0") else None
    length = int.from_bytes(data[4:6], "big")
    if data[2:4] != b"\0\0" or not MIN_LENGTH <= length <= MAX_LENGTH:
        return None
    return HEADER + length if len(data) >= HEADER + length else 0


def told_apart(data: bytes) -> Speech | None:
    """Return what a client speaks that has sent `data` first, None when that is not enough.

    Either kind can look like the other; then the kind of which all of `data` is exactly one request
    wins, and the CRC, which fits by chance once in 65,536 times, before the header.

    >>> told_apart(bytes.fromhex("01030000000ac5cd")), told_apart(bytes.fromhex("000100000006"))
    (<Speech.RTU: 'RTU over TCP'>, None)
    """
    frames = [
        each.length
        for each in (candidates(data, 0) if len(data) >= 2 else ())
        if each.shape & Shape.REQUEST
        and each.length <= len(data)
        and not crc16(data[: each.length])
    ]
    message = mbap_size(data)
    if len(data) in frames:
        return Speech.RTU
    if message and _is_request(data[HEADER + 1 : message]):
        return Speech.MBAP if message == len(data) or not frames else Speech.RTU
    return Speech.RTU if frames or len(data) >= LONGEST_FIRST else None


def _is_request(pdu: bytes) -> bool:
    """Return whether a PDU keeps to its format; a torn frame taken for a message seldom does."""
    try:
        wire.parse_request(pdu)
    except WireError:
        return False
    return True


class _Begun(SocketTransport):
    """A connection of which the first characters have been read already."""

    def __init__(
        self, name: str, streams: Streams, settings: LineSettings, clock: Clock, first: bytes
    ) -> None:
        super().__init__(name, streams, settings, clock)
        self._first: Chunk | None = Chunk(first, clock.now())

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`."""
        first, self._first = self._first, None
        return first or await super().receive(until)


class TcpDoor(TcpLines):
    """Listens and serves every connection in what its client speaks.

    Used like `TcpLines`; `wrap` gets the transports of RTU connections only, for there are no
    characters of a line to be recorded in Modbus TCP.
    """

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            await self._serve((reader, writer))
        except (PortLostError, OSError, asyncio.CancelledError):
            pass  # the client has gone, or we are closing: both end this line and nothing else
        finally:
            self._tasks.discard(task)
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

    async def _serve(self, streams: Streams) -> None:
        """Serve one connection until its client goes."""
        reader, writer = streams
        first, speech = await _first_request(reader)
        if speech is Speech.MBAP:
            await self._serve_mbap(streams, first)
            return
        peer = writer.get_extra_info("peername")
        name = f"{self.endpoint} from {Endpoint(*peer[:2])}" if peer else str(self.endpoint)
        begun = _Begun(name, streams, self.servers[0].settings, self._clock, first)
        transport = self._wrap(begun)
        try:
            await Station(self.servers, transport, self._options).run()
        finally:
            await transport.close()

    async def _serve_mbap(self, streams: Streams, data: bytes) -> None:
        """Answer until the client goes or is out of step."""
        reader, writer = streams
        desk = ModbusTcp(self.servers, self.endpoint, self._clock)
        while (size := mbap_size(data)) is not None:
            if not size:
                more = await reader.read(READ_SIZE)
                if not more:
                    return
                data += more
                continue
            message, data = data[:size], data[size:]
            reply = desk.answer(message[6], message[7:])
            length = (1 + len(reply)).to_bytes(2, "big")
            writer.write(message[:4] + length + message[6:7] + reply)
            await writer.drain()


async def _first_request(reader: asyncio.StreamReader) -> tuple[bytes, Speech]:
    """Return what a client sent first, and what it speaks.

    Raises:
        PortLostError: it went without a word.
    """
    data = await reader.read(READ_SIZE)
    if not data:
        raise PortLostError("TCP", "the client went without a request")
    try:
        async with asyncio.timeout(PATIENCE_SECONDS):
            while (speech := told_apart(data)) is None:
                more = await reader.read(READ_SIZE)
                if not more:
                    break
                data += more
            else:
                return data, speech
    except TimeoutError:
        pass
    return data, Speech.MBAP if mbap_size(data) else Speech.RTU
