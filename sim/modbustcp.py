"""Modbus TCP, through pymodbus: its transport and its MBAP framer, our server behind them.

pymodbus is imported here and nowhere else. Of its server only the two lowest layers are used: its
request handler answers one of two glued requests and its own datastore knows nothing of a supply.

Decisions (the Modbus messaging guide leaves them to the gateway): unit 0 and 255 mean the device
itself and are answered like its own address; any other unit is answered with exception 0B, gateway
target failed to respond, because silence would cost each client a time-out. Function codes that the
standard has on serial lines only (07, 08, 0B, 0C, 11) get exception 01. The protocol has no
authentication; loopback unless told otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Any, Self

from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.transport import CommParams, CommType, ModbusProtocol

from kerfbus.bench.clock import Clock, SystemClock
from kerfbus.bench.wire import ExceptionCode
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.tcp import listen_error

DEVICE_UNITS = frozenset({0x00, 0xFF})
"""Units that mean the device at this address itself."""
MIN_LENGTH = 2
MAX_LENGTH = 254
"""What the MBAP header may say: unit and PDU of 1 to 253 bytes (Application Protocol, 4.1)."""
MAX_GLUED = 1 << 20
"""Bytes of requests that may arrive together."""
_HEADER = 6


class ModbusTcp:
    """Listens and answers; use it as an async context manager.

    Args:
        servers: reached by their addresses as units; each has its own state.
        endpoint: where to listen.
        clock: of the instants; None for wall time.

    Attributes:
        endpoint: with the port that the system chose.
    """

    def __init__(
        self, servers: Sequence[SupplyServer], endpoint: Endpoint, clock: Clock | None = None
    ) -> None:
        self.servers = tuple(servers)
        self.endpoint = endpoint
        self._clock = clock or SystemClock()
        self._listener: _Listener | None = None

    async def __aenter__(self) -> Self:
        """Start to listen.

        Raises:
            PortBusyError: the port is taken.
            PortDeniedError: this user may not have it.
            PortError: there is no such address here.
        """
        self._listener = listener = _Listener(self, self.endpoint)
        # pymodbus logs a failure to listen and returns False; ask its own opener for the reason.
        try:
            server = await listener.call_create()
        except OSError as error:
            raise listen_error(self.endpoint, error) from error
        listener.transport = server
        listener.is_listener = True
        self.endpoint = Endpoint(self.endpoint.host, server.sockets[0].getsockname()[1])
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop to listen and close every connection."""
        if self._listener is not None:
            server = self._listener.transport
            self._listener.close()
            await server.wait_closed()  # type: ignore[attr-defined]

    def answer(self, unit: int, pdu: bytes) -> bytes:
        """Return the PDU of the reply to `pdu` for `unit`."""
        for server in self.servers:
            if unit == server.address or (unit in DEVICE_UNITS and len(self.servers) == 1):
                return server.handle_tcp(pdu, self._clock.now())
        return bytes((pdu[0] | 0x80, ExceptionCode.GATEWAY_TARGET_FAILED))


class _Connection(ModbusProtocol):
    """One client."""

    def __init__(self, owner: ModbusTcp, params: CommParams) -> None:
        super().__init__(params, True)
        self._owner = owner
        self._framer = FramerSocket(DecodePDU(True))
        self.max_buffer_size = MAX_GLUED  # pymodbus forgets everything above it

    def callback_new_connection(self) -> ModbusProtocol:
        """Never happen: only listeners get new connections."""
        raise AssertionError("a connection does not listen")

    def callback_connected(self) -> None:
        """Do nothing."""

    def callback_disconnected(self, exc: Exception | None) -> None:
        """Do nothing."""

    def callback_data(self, data: bytes, addr: tuple[Any, ...] | None = None) -> int:  # noqa: ARG002
        """Answer every whole request in `data` and return how much of it is done with."""
        used = 0
        while len(data) - used >= _HEADER:
            rest = data[used:]
            length = int.from_bytes(rest[4:6], "big")
            if rest[2:4] != b"\0\0" or not MIN_LENGTH <= length <= MAX_LENGTH:
                self.close()  # not Modbus, or out of step: nothing after it can be trusted
                return len(data)
            if len(rest) < _HEADER + length:
                break
            whole = rest[: _HEADER + length]
            _, unit, transaction, pdu = self._framer.decode(whole)
            used += len(whole)
            reply = self._owner.answer(unit, pdu)
            self._write(self._framer.encode(reply, unit, transaction))
        return used

    def _write(self, frame: bytes) -> None:
        # Not ModbusProtocol.send: that forgets what has been received behind this request.
        if self.transport is not None:
            self.transport.write(frame)  # type: ignore[attr-defined]


class _Listener(ModbusProtocol):
    """The listening socket."""

    def __init__(self, owner: ModbusTcp, endpoint: Endpoint) -> None:
        self._owner = owner
        params = CommParams(
            comm_name="supply",
            comm_type=CommType.TCP,
            source_address=(endpoint.host, endpoint.port),
        )
        super().__init__(params, True)

    def callback_new_connection(self) -> ModbusProtocol:
        """Return the protocol of a new client."""
        return _Connection(self._owner, self.comm_params)

    def callback_connected(self) -> None:
        """Do nothing."""

    def callback_disconnected(self, exc: Exception | None) -> None:
        """Do nothing."""

    def callback_data(self, data: bytes, addr: tuple[Any, ...] | None = None) -> int:  # noqa: ARG002
        """Never happen: a listener receives nothing."""
        raise AssertionError("a listener receives nothing")
