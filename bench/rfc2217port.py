"""Ports of RFC 2217 servers, ``rfc2217://host:port``.

pyserial's client does the work. `Rfc2217Serial` mends three things of it: a server that hangs up in
the middle of the negotiation leaves a traceback on standard error, a socket open and, when the
server has no modem lines, the negotiation undone.
"""

from __future__ import annotations

import queue
import socket
import warnings
from collections.abc import Callable
from contextlib import suppress
from typing import cast

import serial.rfc2217

from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.porttrouble import check_address
from kerfbus.bench.serialport import REMOTE_NS, BlockingPort, open_threaded, refuse_rs485
from kerfbus.bench.transport import PortFacts, Transport


class Rfc2217Serial(serial.rfc2217.Serial):
    """pyserial's client, without what the module's text says."""

    # Not in the stubs.
    _socket: socket.socket | None
    _read_buffer: queue.Queue[bytes | None]

    def from_url(self, url: str) -> tuple[str, int]:
        """Return host and port; do not wait for answers about modem lines.

        A server whose port has none (a pty, an RS-485 card) never gives them, and nothing here
        depends on them.
        """
        address = super().from_url(url)
        self._ignore_set_control_answer = True
        return address

    def open(self) -> None:
        """Connect and negotiate."""
        # It starts its thread in a deprecated way.
        warnings.filterwarnings("ignore", category=DeprecationWarning, module=r"serial\.rfc2217")
        super().open()

    def _telnet_read_loop(self) -> None:
        with suppress(OSError):  # from an answer to a server that has hung up
            super()._telnet_read_loop()  # type: ignore[misc]  # not in the stubs
        self._read_buffer.put(None)  # wakes who waits in read

    def close(self) -> None:
        """Close the connection, also one that the server closed before."""
        connection = self._socket
        super().close()
        if connection is not None:
            connection.close()


async def open_rfc2217(port: str, settings: LineSettings, options: PortOptions) -> Transport:
    """Open a port of an RFC 2217 server.

    Raises:
        KerfbusError: no server there, not an RFC 2217 one, or it does not take the settings.
    """
    check_address(port)
    refuse_rs485(port, options)
    facts = PortFacts(
        reports_errors=False,
        counters=False,
        paced=None,  # there is a wire behind it, or a pty
        identity=port,
        notes=(
            f"times may be {REMOTE_NS / 1e6:.0f} ms late: network and remote adapter (assumed)",
            "line errors are not reported: the server may tell them, pyserial keeps them to itself",
        ),
    )
    make = cast("Callable[..., serial.Serial]", Rfc2217Serial)  # its interface is the same
    return await open_threaded(lambda: BlockingPort(port, settings, facts, REMOTE_NS, make=make))
