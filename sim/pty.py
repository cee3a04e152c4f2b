"""A pty that a controller opens: `--pty PATH`.

PATH becomes a symbolic link to the slave side. Linux and other POSIX systems only.

Whose PATH it is: a supply holds an open-file-description lock on its slave side, so that a second
one on the same PATH sees that the first one lives. Clients may lock the port for themselves with
flock, as usual; the two kinds of lock do not see each other. A link whose supply is gone is
replaced; anything that is not such a link is left alone.
"""

from __future__ import annotations

import asyncio
import errno
import fcntl
import os
import struct
import sys
import termios
import tty
from pathlib import Path
from types import TracebackType

from kerfbus.bench.clock import Clock, SystemClock
from kerfbus.bench.errors import (
    NotAPortError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortLostError,
    PortMissingError,
)
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk, PortFacts, Transport

UNCERTAINTY_NS = 5_000_000
"""A pty has no wire; this is how late the host's scheduler may be (chosen)."""
READ_SIZE = 4096
PATIENCE_SECONDS = 0.1
"""How long a full pty is waited for before characters are dropped, as a line drops them."""

_FACTS = PortFacts(
    reports_errors=False,
    counters=False,
    paced=False,
    notes=(
        "a pty: no line errors, no modem lines, no pace of a wire",
        "a pty has no parity; some clients fail when they ask it for one, let them use 8N1",
    ),
)
RUFFLE_NS = 50_000_000
"""How often at most the slave side is ruffled while nothing comes."""
# struct flock: type, whence, start, length, pid, for the whole file.
_FLOCK = struct.Struct("hhqqi4x")


class PtyTransport(Transport):
    """The master side of a pty; the clients' side is `slave_path`, and PATH when there is one.

    The slave side is held open, so that clients may come and go. What nobody reads is dropped once
    the pty is full, as it would be lost on a line.

    Attributes:
        slave_path: the device that clients open.
        link: the symbolic link to it, None without one.
        dropped: characters that nobody read in time.
    """

    def __init__(
        self,
        fds: tuple[int, int],
        link: Path | None,
        settings: LineSettings,
        clock: Clock | None = None,
    ) -> None:
        self._master, self._slave = fds
        self.slave_path = os.ttyname(self._slave)
        self.link = link
        self.name = str(link or self.slave_path)
        self.settings = settings
        self.clock = clock or SystemClock()
        self.timing = "host"
        self.uncertainty_ns = UNCERTAINTY_NS
        self.facts = _FACTS
        self.dropped = 0
        self._ruffled_at = 0
        self._closed = False
        self._waiter: asyncio.Future[None] | None = None

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send`. What finds no room in time is dropped."""
        self._check()
        rest = memoryview(data)
        while rest:
            try:
                rest = rest[os.write(self._master, rest) :]
            except BlockingIOError:
                if not await self._writable():
                    self.dropped += len(rest)
                    break
            except OSError as error:
                raise PortLostError(self.name, f"the pty is gone: {error.strerror}") from error
        return self.clock.now()

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`."""
        while True:
            self._check()
            try:
                data = os.read(self._master, READ_SIZE)
            except BlockingIOError:
                data = b""
            except OSError as error:
                raise PortLostError(self.name, f"the pty is gone: {error.strerror}") from error
            now = self.clock.now()
            self._ruffle(now, at_once=bool(data))
            if data:
                return Chunk(data, now)
            if until is not None and until <= now:
                return None
            left = RUFFLE_NS if until is None else min(until - now, RUFFLE_NS)
            await self._readable(left / 1e9)

    async def close(self) -> None:
        """Remove the link and release the pty."""
        if self._closed:
            return
        self._closed = True
        if self.link is not None:
            _remove_own_link(self.link, self.slave_path)
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)
            await asyncio.sleep(0)  # let the waiting receive see it before its descriptor goes
        os.close(self._master)
        os.close(self._slave)

    def _ruffle(self, now: int, *, at_once: bool) -> None:
        """Let the next client that sets parity succeed.

        Linux ptys have no parity and drop the flag. glibc's tcsetattr reports that as an error, but
        only when nothing else has changed, which is so for every client but the first because we
        hold the slave side open. So a flag is set that clients clear and that means nothing here.
        A client that has sent characters has made its settings, so the flag is set `at_once` for
        the next one, which may come right after it. A client that opens the port and then sets
        nothing but parity still fails.
        """
        if not at_once and now - self._ruffled_at < RUFFLE_NS:
            return
        self._ruffled_at = now
        _set_ruffle(self._slave)

    def _check(self) -> None:
        if self._closed:
            raise PortLostError(self.name, "the port is closed")

    async def _readable(self, seconds: float) -> None:
        """Wait until there is something to read, the time is over, or the port is closed."""
        loop = asyncio.get_running_loop()
        self._waiter = waiter = loop.create_future()
        timer = loop.call_later(seconds, _wake, waiter)
        loop.add_reader(self._master, _wake, waiter)
        try:
            await waiter
        finally:
            loop.remove_reader(self._master)
            timer.cancel()
            self._waiter = None

    async def _writable(self) -> bool:
        """Wait a little for room and return whether there is some."""
        loop = asyncio.get_running_loop()
        waiter: asyncio.Future[None] = loop.create_future()
        loop.add_writer(self._master, _wake, waiter)
        try:
            async with asyncio.timeout(PATIENCE_SECONDS):
                await waiter
        except TimeoutError:
            return False
        finally:
            loop.remove_writer(self._master)
        return True


def _set_ruffle(slave: int) -> None:
    flags = termios.tcgetattr(slave)
    if not flags[0] & (termios.IXON | termios.IXANY):
        flags[0] |= termios.IXANY
        termios.tcsetattr(slave, termios.TCSANOW, flags)


def _wake(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)


def open_pty(
    path: str | Path | None, settings: LineSettings, clock: Clock | None = None
) -> PtyTransport:
    """Open a pty and let `path` lead to it.

    Args:
        path: where clients find it; None for the bare device.
        settings: rate and format that the line is said to have.
        clock: of the instants; None for wall time.

    Raises:
        PortBusyError: a living supply has this path.
        NotAPortError: something else is there.
        PortMissingError: the folder is missing.
        PortDeniedError: the folder may not be written.
        PortError: there are no ptys.
    """
    where = str(path) if path is not None else "pty"
    try:
        master, slave = os.openpty()
    except OSError as error:
        raise PortError(where, f"no pty can be had: {error.strerror}") from error
    try:
        tty.setraw(slave)
        _set_ruffle(slave)
        os.set_blocking(master, False)
        _lock(slave)
        link = None if path is None else _make_link(Path(path), os.ttyname(slave))
    except BaseException:
        os.close(master)
        os.close(slave)
        raise
    return PtyTransport((master, slave), link, settings, clock)


class _Folder:
    """A folder locked against other supplies while one decides about a link in it."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self._fd = -1

    def __enter__(self) -> None:
        try:
            self._fd = os.open(self._link.parent, os.O_RDONLY | os.O_DIRECTORY)
        except (FileNotFoundError, NotADirectoryError) as error:
            raise PortMissingError(
                str(self._link), f"there is no folder {self._link.parent}; make it first"
            ) from error
        except PermissionError as error:
            raise _denied(self._link) from error
        fcntl.flock(self._fd, fcntl.LOCK_EX)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._fd)


def _denied(link: Path) -> PortDeniedError:
    return PortDeniedError(
        str(link), f"the folder {link.parent} may not be written; choose another PATH"
    )


def _make_link(link: Path, slave: str) -> Path:
    """Make the link, replacing one whose supply is gone; return it as an absolute path."""
    link = link.absolute()
    with _Folder(link):
        if os.path.lexists(link):
            _check_stale(link, slave)
        try:
            link.unlink(missing_ok=True)
            link.symlink_to(slave)
        except PermissionError as error:
            raise _denied(link) from error
        except OSError as error:
            raise PortError(str(link), f"cannot be made: {error.strerror}") from error
    return link


def _check_stale(link: Path, own: str) -> None:
    """Check that what is at `link` is a link that a dead supply left.

    A dead supply's device is gone. It may also have been given to somebody else since: then nobody
    can tell whose link this is, and it is left alone, unless that somebody is us (`own`).

    Raises:
        PortBusyError: its supply lives, or its device is in use by something else.
        NotAPortError: it is something else.
    """
    if not link.is_symlink():
        raise NotAPortError(str(link), "exists and is no link of a supply; choose another PATH")
    target = str(link.readlink())
    if not target.startswith("/dev/pts/" if sys.platform == "linux" else "/dev/tty"):
        raise NotAPortError(
            str(link), f"is a link to {target}, not to a supply's pty; choose another PATH"
        )
    if target != own and _in_use(target):
        raise PortBusyError(
            str(link), "another supply answers there; stop it or choose another PATH"
        )
    if target != own and os.path.lexists(target):
        raise PortBusyError(
            str(link),
            f"is a link to {target}, which something else uses; remove the link if a supply that "
            "was killed has left it, or choose another PATH",
        )


def _in_use(slave: str) -> bool:
    """Return whether a living supply holds this slave side."""
    try:
        fd = os.open(slave, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except PermissionError:
        return True  # another user's; it cannot be asked, so it is left alone
    except OSError:
        return False
    try:
        return _locked(fd)
    finally:
        os.close(fd)


if sys.platform == "linux":

    def _lock(slave: int) -> None:
        """Mark a slave side as a living supply's."""
        fcntl.fcntl(slave, fcntl.F_OFD_SETLK, _FLOCK.pack(fcntl.F_WRLCK, 0, 0, 0, 0))

    def _locked(fd: int) -> bool:
        """Return whether somebody else has marked it."""
        asked = _FLOCK.pack(fcntl.F_WRLCK, 0, 0, 0, 0)
        answer = fcntl.fcntl(fd, fcntl.F_OFD_GETLK, asked)
        return bool(_FLOCK.unpack(answer)[0] != fcntl.F_UNLCK)

else:

    def _lock(slave: int) -> None:
        """Do nothing: there are no such locks here."""

    def _locked(fd: int) -> bool:
        """Return True: a slave side that can be opened has a living master."""
        return fd >= 0


def _remove_own_link(link: Path, slave: str) -> None:
    """Remove the link unless somebody else has put another one there."""
    try:
        if str(link.readlink()) == slave:
            link.unlink()
    except OSError as error:
        if error.errno not in (errno.ENOENT, errno.EINVAL):
            raise PortError(str(link), f"cannot be removed: {error.strerror}") from error
