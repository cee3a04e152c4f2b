"""A tty of a POSIX system: settings with read-back, marked line errors, lock, Linux extras.

Opens nothing itself: it takes over what pyserial opened (behind `OpenLine`) and sees to it that
line errors stay marked, that what was asked for is in force, and that what the driver cannot say is
said so. Not importable on Windows.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol

from kerfbus.bench import linuxserial
from kerfbus.bench.errors import PortError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions, Rs485Options
from kerfbus.bench.porttrouble import from_errno
from kerfbus.bench.transport import LineCounters, PortFacts

if sys.platform == "win32":
    raise ImportError("Windows has no termios")

import os
import termios

SCHEDULING_NS = 1_000_000
"""Allowance for the host to be scheduled and to read (assumed)."""
USB_FRAME_NS = 1_000_000
"""A full-speed USB frame (USB 2.0, 8.4.3)."""
ASSUMED_LATENCY_MS = 16
"""Latency timer of an adapter that does not tell; the usual default of those that do (MEMORY)."""
FIFO_CHARACTERS = 4
"""A UART with a FIFO hands over what is below its trigger level after this many silent character
times (16550 data sheets; MEMORY)."""
BAUD_TOLERANCE = 0.02
"""A driver may round the rate; this much is half of what a UART at the other end can stand."""

_CMSPAR = 0o10000000000  # asm-generic/termbits.h: mark and space parity; not in module termios
_SIZES = {termios.CS5: 5, termios.CS6: 6, termios.CS7: 7, termios.CS8: 8}
_OTHER_PTYS = re.compile(r"/dev/(pts/\d+|ttys\d+|tty[p-za-e][0-9a-f])")


class OpenLine(Protocol):
    """What pyserial opened. Every `apply` takes the marking of line errors away again."""

    name: str

    @property
    def fd(self) -> int:
        """Return the file descriptor."""

    def apply(self, settings: LineSettings) -> None:
        """Set rate and format; PortError when refused, with any of the settings in force."""

    def close(self) -> None:
        """Close it."""


def is_pty(path: str, status: os.stat_result) -> bool:
    """Return whether the device is a pty: no wire, no pace, no line errors."""
    if sys.platform.startswith("linux") and linuxserial.is_pty_number(os.major(status.st_rdev)):
        return True
    return bool(_OTHER_PTYS.fullmatch(str(Path(path).resolve())))


def carried(settings: LineSettings) -> LineSettings:
    """Return what a pty can be set to. It carries bytes; some systems refuse it a parity."""
    return LineSettings(settings.baud, 8, "N", settings.stop_bits)


def arm(fd: int) -> None:
    """Have line errors marked in the stream, and make an empty read differ from a hang-up.

    INPCK is needed without parity, too: Linux marks framing errors under it only. With VMIN 0,
    which pyserial sets, a read answers "nothing" and "hung up" alike.
    """
    attributes = termios.tcgetattr(fd)
    attributes[0] &= ~(termios.IGNPAR | termios.ISTRIP | termios.BRKINT | termios.IGNBRK)
    attributes[0] |= termios.PARMRK | termios.INPCK
    attributes[6][termios.VMIN] = 1
    attributes[6][termios.VTIME] = 0
    termios.tcsetattr(fd, termios.TCSANOW, attributes)


def is_armed(fd: int) -> bool:
    """Return whether marking is in force."""
    wanted = termios.PARMRK | termios.INPCK
    against = termios.IGNPAR | termios.ISTRIP | termios.BRKINT | termios.IGNBRK
    return bool(termios.tcgetattr(fd)[0] & (wanted | against) == wanted)


def read_format(fd: int) -> str:
    """Return the character format in force, e.g. ``8E1``."""
    flags = termios.tcgetattr(fd)[2]
    parity = "N"
    if flags & termios.PARENB:
        odd = bool(flags & termios.PARODD)
        stick = sys.platform.startswith("linux") and flags & _CMSPAR
        parity = ("SM" if stick else "EO")[odd]
    return f"{_SIZES[flags & termios.CSIZE]}{parity}{2 if flags & termios.CSTOPB else 1}"


def check_in_force(name: str, asked: LineSettings, baud: int | None, form: str) -> None:
    """Compare what was asked with what was read back; `baud` None = cannot be read.

    Raises:
        PortError: the driver took something else without a word.
    """
    if form != asked.format:
        raise PortError(name, f"the driver does not take {asked.format}: it stays at {form}")
    if baud is not None and abs(baud - asked.baud) > BAUD_TOLERANCE * asked.baud:
        raise PortError(
            name, f"the driver does not take {asked.baud} baud: the nearest it has is {baud}"
        )


@contextmanager
def _translated(name: str) -> Iterator[None]:
    """Raise our errors for the operating system's."""
    try:
        yield
    except PortError:
        raise
    except termios.error as error:
        raise from_errno(name, OSError(*error.args)) from error
    except OSError as error:
        raise from_errno(name, error) from error


class PosixDevice:
    """A tty as `kerfbus.bench.posixport.FdHandle`.

    Args:
        line: what pyserial opened; it belongs to this object once the constructor has returned.
        settings: to be put into force.
        options: of these, exclusive, rs485 and low_latency.
        pty: whether it is one.
        identity: of the hardware, "" when it has none.

    Raises:
        PortError: the driver refuses the settings or the RS-485 mode.
    """

    marks = True

    def __init__(
        self,
        line: OpenLine,
        settings: LineSettings,
        options: PortOptions,
        *,
        pty: bool = False,
        identity: str = "",
    ) -> None:
        self.name = line.name
        self.fd = line.fd
        self.settings = settings
        self._line = line
        self._pty = pty
        self._exclusive = options.exclusive
        self._identity = identity
        with _translated(self.name):
            self._put(settings)
            self._rs485 = self._set_rs485(options.rs485)
            self._low_latency = self._set_low_latency(options.low_latency)
            # After low latency: some drivers set their latency timer by it.
            self._adapter = linuxserial.read_adapter(self.name)
            self._counts = linuxserial.read_counters(self.fd) is not None
            # A pty would stay locked after its program was killed, for as long as its other side
            # lives; there pyserial's advisory lock has to do.
            self._locked = options.exclusive and not pty and linuxserial.lock(self.fd)

    def _put(self, settings: LineSettings) -> None:
        """Set, mark, and see what is in force."""
        self._line.apply(carried(settings) if self._pty else settings)
        arm(self.fd)
        if not self._pty:
            check_in_force(
                self.name, settings, linuxserial.read_baud(self.fd), read_format(self.fd)
            )

    def _set_rs485(self, wanted: Rs485Options | None) -> str | None:
        if wanted is not None and not linuxserial.set_rs485(self.fd, wanted):
            raise PortError(
                self.name,
                "its driver has no RS-485 mode; leave the option out when the adapter switches "
                "its driver by itself, as most USB ones do",
            )
        return linuxserial.read_rs485(self.fd)

    def _set_low_latency(self, wanted: bool | None) -> bool | None:
        if wanted is not None:
            with suppress(OSError):  # not permitted, say: the facts tell what is in force
                return linuxserial.set_low_latency(self.fd, wanted)
        return linuxserial.read_low_latency(self.fd)

    def apply(self, settings: LineSettings) -> None:
        """Put settings into force; when they are refused the old ones are put back."""
        with _translated(self.name):
            try:
                self._put(settings)
            except (PortError, OSError, termios.error):
                self._put(self.settings)
                raise
        self.settings = settings

    def counters(self) -> LineCounters | None:
        """Return the driver's counts since it was loaded, None when it has none."""
        return linuxserial.read_counters(self.fd) if self._counts else None

    def uncertainty_ns(self) -> int:
        """Return how late a stamp may be with the settings in force."""
        return self._lateness()[0]

    def _lateness(self) -> tuple[int, str]:
        """Return how late a stamp may be, and how that was got."""
        if self._pty:
            return SCHEDULING_NS, "1 ms for scheduling (assumed)"
        if self._adapter.usb:
            told = self._adapter.latency_ms
            timer = ASSUMED_LATENCY_MS if told is None else told
            how = "assumed: the adapter does not tell" if told is None else "read back"
            return (
                timer * 1_000_000 + USB_FRAME_NS + SCHEDULING_NS,
                f"latency timer {timer} ms ({how}), 2 ms for USB and scheduling (assumed)",
            )
        return (
            self.settings.characters_ns(FIFO_CHARACTERS) + SCHEDULING_NS,
            f"{FIFO_CHARACTERS} characters in the UART and 1 ms for scheduling (assumed)",
        )

    def facts(self) -> PortFacts:
        """Return what the port can and cannot say."""
        return PortFacts(
            reports_errors=self._reports_errors(),
            counters=self._counts,
            rs485=self._rs485,
            low_latency=self._low_latency,
            exclusive=self._exclusive,
            paced=not self._pty,
            identity=self._identity,
            notes=tuple(self._notes()),
        )

    def _reports_errors(self) -> bool | None:
        """Return False for a pty, True when the driver counts errors too, else None."""
        if self._pty or not is_armed(self.fd):
            return False
        return True if self._counts else None

    def _notes(self) -> Iterator[str]:
        late, how = self._lateness()
        yield f"times may be {late / 1e6:.1f} ms late: {how}"
        if self._pty:
            yield "a pty: no wire, no pace, no line errors"
            if self.settings != carried(self.settings):
                yield f"a pty carries bytes; {self.settings.format} is not in force anywhere"
        elif not self._counts:
            guess = "framing error" if self.settings.parity == "N" else "parity error"
            yield (
                "the driver counts no line errors; whether it reports any is unknown. A marked "
                f"character is called a {guess}, a marked 00 a break: a guess"
            )
        if self._exclusive and not self._locked:
            yield "locked against programs that ask for a lock, not against others"

    def close(self) -> None:
        """Release the port and its lock."""
        if self._locked:
            with suppress(OSError):  # it may be gone
                linuxserial.unlock(self.fd)
        self._line.close()
