"""Serial ports and raw TCP sockets, through pyserial.

The module that knows pyserial: it opens, sets and lists ports, and turns pyserial's errors into
ours. (`kerfbus.bench.rfc2217port`, beside it, mends pyserial's RFC 2217 client.) What carries the
characters then is `kerfbus.bench.posixport` where there is a file descriptor, else
`kerfbus.bench.threadedport`. The path for Windows is type-checked, and tested as far as it is the
one of URLs; it has not been run on Windows.
"""

from __future__ import annotations

import asyncio
import socket
import sys
from collections.abc import Callable
from typing import Protocol, TypeVar

import serial
from serial.tools import list_ports

from kerfbus.bench.clock import SystemClock
from kerfbus.bench.errors import KerfbusError, PortError, PortLostError, PortMissingError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portlist import PortEntry, find_device, links_by_id, usb_identity
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.porttrouble import (
    check_address,
    check_path,
    from_exception,
    lost_words,
    system_errors,
    words_of,
)
from kerfbus.bench.threadedport import ThreadedPort
from kerfbus.bench.transport import LineCounters, PortFacts, Transport

_FAILURES: tuple[type[Exception], ...] = (OSError, ValueError, NotImplementedError, OverflowError)
if sys.platform != "win32":
    import termios

    from kerfbus.bench.posixdevice import PosixDevice, carried, is_pty
    from kerfbus.bench.posixport import PosixPort

    _FAILURES = (*_FAILURES, termios.error)
_WRITE_FAILURES: tuple[type[Exception], ...] = (*_FAILURES, AttributeError)
"""AttributeError is what pyserial says to a write when it is closed in another thread."""

CLOCK = SystemClock()
"""One clock for all ports of the process: instants of two ports, and of a port before and after it
was reopened, can be compared."""
POLL_SECONDS = 0.1
"""How long a blocking read waits; so long may a reader thread take to end."""
READ_SIZE = 4096
REMOTE_NS = 50_000_000
"""How late a stamp of a remote port is believed to be: its adapter and the network (assumed)."""
WINDOWS_NS = 18_000_000
"""The same for a COM port: a latency timer of 16 ms, USB and scheduling (assumed)."""

_Opened = TypeVar("_Opened", bound="Closable")


class Closable(Protocol):
    """Something open."""

    def close(self) -> None:
        """Close it."""


class Line:
    """A port that pyserial has open, with our errors (KerfbusError) for its own."""

    def __init__(
        self,
        name: str,
        settings: LineSettings,
        *,
        exclusive: bool = False,
        make: Callable[..., serial.Serial] = serial.serial_for_url,
    ) -> None:
        self.name = name
        self.settings = settings
        try:
            self._serial: serial.Serial = make(
                name,
                settings.baud,
                settings.data_bits,
                settings.parity,
                settings.stop_bits,
                timeout=POLL_SECONDS,
                exclusive=True if exclusive else None,
            )
        except _FAILURES as error:
            raise from_exception(name, settings, error) from error

    @property
    def fd(self) -> int:
        """Return the file descriptor; POSIX ports and sockets have one."""
        return int(self._serial.fileno())

    @property
    def connection(self) -> socket.socket | None:
        """Return the socket below a URL port; pyserial shows it nowhere."""
        found = getattr(self._serial, "_socket", None)
        return found if isinstance(found, socket.socket) else None

    def apply(self, settings: LineSettings) -> None:
        """Set rate and format; when refused, any of the settings may be in force."""
        wanted = {
            "baudrate": settings.baud,
            "bytesize": settings.data_bits,
            "parity": settings.parity,
            "stopbits": settings.stop_bits,
        }
        try:
            for name, value in wanted.items():
                if getattr(self._serial, name) != value:
                    setattr(self._serial, name, value)
        except _FAILURES as error:
            raise from_exception(self.name, settings, error) from error
        self.settings = settings

    def abandon(self) -> None:
        """Close the socket below a URL port at once; pyserial's close would sleep 0.3 s."""
        below = self.connection
        self._serial.is_open = False
        if below is not None:
            below.close()

    def close(self) -> None:
        """Close it."""
        below = self.connection
        self._serial.close()
        if below is not None:  # pyserial forgets to when the peer was first
            below.close()


class BlockingPort(Line):
    """A port as `kerfbus.bench.threadedport.BlockingHandle`."""

    def __init__(
        self,
        name: str,
        settings: LineSettings,
        facts: PortFacts,
        late_ns: int,
        *,
        make: Callable[..., serial.Serial] = serial.serial_for_url,
    ) -> None:
        super().__init__(name, settings, make=make)
        self._facts = facts
        self._late_ns = late_ns
        if self.connection is not None:
            _tune(self.connection)

    def read(self) -> bytes:
        """Return what is there, b"" after a short wait for nothing; PortLostError at the end."""
        try:
            data = self._serial.read(1)
        except _FAILURES as error:
            raise self._lost(error) from error
        try:
            while data and len(data) < READ_SIZE and (more := self._serial.in_waiting):
                data += self._serial.read(more)
        except _FAILURES:
            pass  # the next read meets it; what is in hand comes first
        return data

    def write(self, data: bytes) -> None:
        """Send all of it."""
        try:
            self._serial.write(data)
        except _WRITE_FAILURES as error:
            raise self._lost(error) from error

    def apply(self, settings: LineSettings) -> None:
        """Put settings into force; when they are refused the old ones are put back."""
        before = self.settings
        try:
            super().apply(settings)
        except KerfbusError:
            super().apply(before)
            raise

    def facts(self) -> PortFacts:
        """Return what the port can and cannot say."""
        return self._facts

    def uncertainty_ns(self) -> int:
        """Return how late a stamp may be."""
        return self._late_ns

    def _lost(self, error: Exception) -> PortLostError:
        """Return the error for a port that failed in use."""
        return PortLostError(self.name, lost_words(next(system_errors(error), None)))


if sys.platform != "win32":

    class _Socket:
        """A raw TCP socket as `kerfbus.bench.posixport.FdHandle`."""

        marks = False

        def __init__(self, name: str, settings: LineSettings) -> None:
            self.name = name
            self.settings = settings
            self._line = Line(name, settings)
            assert self._line.connection is not None
            self._socket = self._line.connection
            self.fd = self._socket.fileno()
            _tune(self._socket)

        def apply(self, settings: LineSettings) -> None:
            """Note the settings; the far end has its own."""
            self.settings = settings

        def facts(self) -> PortFacts:
            """Return what a socket can and cannot say."""
            return _socket_facts(self.name)

        def uncertainty_ns(self) -> int:
            """Return how late a stamp may be."""
            return REMOTE_NS

        def counters(self) -> LineCounters | None:
            """Return None: a socket counts no line errors."""
            return None

        def close(self) -> None:
            """Close it without pyserial, which would sleep in the event loop first."""
            self._line.abandon()


async def open_device(port: str, settings: LineSettings, options: PortOptions) -> Transport:
    """Open a device by path or COM name.

    Raises:
        KerfbusError: it is missing, busy, denied, no tty, or does not take the settings.
    """
    if sys.platform == "win32":
        return await _open_com(port, settings, options)
    else:  # noqa: RET505 (so that the type checker leaves it out on Windows)
        try:
            pty = is_pty(port, check_path(port))
        except PortMissingError as error:
            here = ", ".join(entry.device for entry in list_devices()) or "none"
            words = words_of(error)
            link = " Ports" if words.endswith("?") else "; ports"
            raise PortMissingError(port, f"{words}{link} here: {here}") from error
        entry = None if pty else find_device(list_devices(), port)
        line = Line(port, carried(settings) if pty else settings, exclusive=options.exclusive)
        try:
            device = PosixDevice(
                line, settings, options, pty=pty, identity=entry.identity if entry else ""
            )
        except BaseException:
            line.close()
            raise
        return PosixPort(device, CLOCK)


async def _open_com(port: str, settings: LineSettings, options: PortOptions) -> Transport:
    """Open a COM port: Windows locks it, marks no errors and tells no counters."""
    refuse_rs485(port, options)
    entry = find_device(list_devices(), port)

    facts = PortFacts(
        counters=False,
        reports_errors=False,
        exclusive=True,
        paced=True,
        identity=entry.identity if entry else "",
        notes=(
            f"times may be {WINDOWS_NS / 1e6:.0f} ms late (assumed)",
            "line errors are not reported: Windows tells pyserial, which drops them",
        ),
    )
    return await open_threaded(lambda: BlockingPort(port, settings, facts, WINDOWS_NS))


async def open_socket(port: str, settings: LineSettings, options: PortOptions) -> Transport:
    """Open a raw TCP connection to a serial server, ``socket://host:port``.

    Raises:
        KerfbusError: nothing listens there, or the address is not of that form.
    """
    check_address(port)
    refuse_rs485(port, options)
    if sys.platform == "win32":
        return await open_socket_threaded(port, settings)
    else:  # noqa: RET505 (as above)
        return PosixPort(await _in_thread(lambda: _Socket(port, settings)), CLOCK)


async def open_socket_threaded(port: str, settings: LineSettings) -> Transport:
    """Open a raw TCP connection with a reader thread, as is needed on Windows."""
    return await open_threaded(lambda: BlockingPort(port, settings, _socket_facts(port), REMOTE_NS))


async def open_threaded(make: Callable[[], BlockingPort]) -> Transport:
    """Return a transport with a reader thread over what `make` opens."""
    return ThreadedPort(await _in_thread(make), CLOCK)


async def _in_thread(make: Callable[[], _Opened]) -> _Opened:
    """Open in the executor; when the caller is cancelled, what opens later is closed again."""
    loop = asyncio.get_running_loop()

    def close_unwanted(late: asyncio.Future[_Opened]) -> None:
        if late.exception() is None:
            loop.run_in_executor(None, late.result().close)

    future = loop.run_in_executor(None, make)
    try:
        return await asyncio.shield(future)
    except asyncio.CancelledError:
        future.add_done_callback(close_unwanted)
        raise


def _tune(connection: socket.socket) -> None:
    """Send at once, and notice within half a minute when the far end is dead."""
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, name):
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


def refuse_rs485(port: str, options: PortOptions) -> None:
    """Raise PortError when RS-485 mode is asked of a port that cannot have it."""
    if options.rs485 is not None:
        raise PortError(port, "RS-485 mode can be set on local ports of Linux only")


def _socket_facts(port: str) -> PortFacts:
    return PortFacts(
        reports_errors=False,
        counters=False,
        paced=False,
        identity=port,
        notes=(
            f"times may be {REMOTE_NS / 1e6:.0f} ms late: network and remote adapter (assumed)",
            "rate and format are set at the far end; they are not sent to it",
            "line errors are not reported over TCP",
        ),
    )


def list_devices() -> tuple[PortEntry, ...]:
    """Return the serial ports of this machine, in order of their names."""
    links = links_by_id()
    entries = []
    for found in sorted(list_ports.comports()):
        usb = found.vid is not None and found.pid is not None
        number, location = found.serial_number or "", found.location or ""
        entries.append(
            PortEntry(
                device=found.device,
                identity=usb_identity(found.vid, found.pid, number, location) if usb else "",
                description=found.description if found.description != "n/a" else "",
                by_id=links.get(found.device, ""),
                vid=found.vid,
                pid=found.pid,
                serial_number=number,
                location=location,
            )
        )
    return tuple(entries)
