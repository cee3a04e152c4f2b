"""Why a port cannot be opened, in one line: what, where, what to do.

Looks at paths and addresses before anything is opened, and turns what was raised while opening into
the fitting `PortError`. It reads pyserial's messages where they are all there is, but does not
import pyserial.
"""

from __future__ import annotations

import errno
import os
import socket
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

from kerfbus.bench.errors import (
    KerfbusError,
    NotAPortError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortMissingError,
    SettingsError,
)
from kerfbus.bench.line import LineSettings

if sys.platform != "win32":
    import grp
    import pwd
    import termios

_GONE = frozenset({errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF})
"""What reads and writes say after an unplug or a hang-up."""
_CLOSED = frozenset({errno.EPIPE, errno.ECONNRESET, errno.ECONNABORTED, errno.ENOTCONN})
_DENIED = frozenset({errno.EACCES, errno.EPERM})
_BUSY = frozenset({errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK})
_MISSING = frozenset({errno.ENOENT, errno.ENXIO, errno.ENODEV})


def check_path(port: str) -> os.stat_result:
    """Return the status of the device at `port`.

    Opening alone can do harm (a FIFO blocks, a tape rewinds), so what is no tty is refused first.

    Raises:
        PortMissingError: there is nothing.
        PortDeniedError: a folder on the way is closed to us.
        NotAPortError: it is a folder, a file or the like.
    """
    try:
        status = Path(port).stat()
    except OSError as error:
        raise from_errno(port, error) from error
    except ValueError as error:  # a NUL in the path
        raise PortMissingError(port, "no such port: the name holds a NUL character") from error
    if not stat.S_ISCHR(status.st_mode):
        raise NotAPortError(
            port, f"is {_kind(status.st_mode)}, not a serial port; give a device such as {_EXAMPLE}"
        )
    return status


def from_errno(port: str, error: OSError) -> PortError:
    """Return the error to raise for what the operating system said while opening `port`."""
    number = error.errno
    if sys.platform != "win32" and number in _DENIED:
        return PortDeniedError(port, _denied(port))
    if number in _BUSY:
        return PortBusyError(port, "another program holds it; close that program")
    if number in _MISSING:
        return PortMissingError(port, _missing(port))
    if number == errno.EIO:
        return PortMissingError(
            port, "there is nothing behind it: no UART, or the other side of the pty is closed"
        )
    if number == errno.ENOTTY:
        return NotAPortError(port, f"is not a serial port; give a device such as {_EXAMPLE}")
    if number in (errno.ENOTDIR, errno.ENAMETOOLONG, errno.ELOOP):
        return PortMissingError(port, f"no such port: {_words(error)}")
    return PortError(port, f"cannot be opened: {_words(error)}")


def check_address(port: str) -> None:
    """Check that a port string is of the form ``scheme://host:port``.

    Raises:
        SettingsError: it is not.
    """
    try:
        parts = urlsplit(port)
        number = parts.port
    except ValueError as error:
        raise SettingsError(f"{port}: {error}; give {parts_wanted(port)}") from error
    if not parts.hostname or not number:
        missing = "host" if not parts.hostname else "port number"
        raise SettingsError(f"{port}: the {missing} is missing; give {parts_wanted(port)}")
    # An RFC 2217 client has options, for servers that answer out of the ordinary.
    rest = parts.path.strip("/") or (parts.query and parts.scheme == "socket")
    if rest:
        raise SettingsError(f"{port}: nothing may follow the port; give {parts_wanted(port)}")


def parts_wanted(port: str) -> str:
    """Return the form of an address of this scheme, for messages."""
    scheme = port.partition(":")[0]
    return f"{scheme}://HOST:PORT, e.g. {scheme}://192.0.2.1:4001"


def system_errors(error: BaseException) -> Iterator[OSError]:
    """Return the operating system's errors behind one that a library raised, nearest first."""
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, OSError) and (seen.errno or isinstance(seen, TimeoutError)):
            yield seen
        elif sys.platform != "win32" and isinstance(seen, termios.error):
            yield OSError(*seen.args)
        seen = seen.__cause__ or seen.__context__


def from_exception(port: str, settings: LineSettings, error: Exception) -> KerfbusError:
    """Return the error to raise for what opening or setting a port raised."""
    words = str(error)
    for part, kind, message in _BY_WORDS:
        if part in words:
            return kind(port, message.format(settings=settings))
    below = next(system_errors(error), None)
    if "expected a string in the form" in words:
        return SettingsError(f"{port}: not understood; give {parts_wanted(port)}")
    if below is None or below.errno == errno.EINVAL:
        return PortError(port, f"it does not take {settings}")
    return _from_network(port, below) if "://" in port else from_errno(port, below)


_NO_RFC2217 = (
    "no RFC 2217 server answers there; it may serve another client, or be a raw TCP port: then "
    "write socket://"
)
_BY_WORDS: tuple[tuple[str, type[PortError], str], ...] = (
    ("does not seem to support RFC2217", NotAPortError, _NO_RFC2217),
    ("Remote does not accept parameter change", PortError, "the server does not take {settings}"),
    ("remote rejected value", PortError, "the server does not take {settings}"),
    # Windows: the system's error is there as words only.
    ("FileNotFoundError(", PortMissingError, "no such port; is it plugged in?"),
    ("PermissionError(", PortBusyError, "access is denied; another program may hold it"),
)


def _from_network(port: str, error: OSError) -> PortError:
    """Return the error for what the network said while connecting."""
    if isinstance(error, socket.gaierror):
        return PortMissingError(port, "no such host; check its name")
    if isinstance(error, ConnectionRefusedError):
        return PortMissingError(port, "nothing listens there; start the server or check the port")
    if isinstance(error, TimeoutError):
        return PortMissingError(port, "no answer; check host, port and firewall")
    if error.errno in _CLOSED:
        return PortBusyError(port, "the server hung up; another client may hold the port")
    if error.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH):
        return PortMissingError(port, "the host cannot be reached; check the network")
    return PortError(port, f"cannot be opened: {_words(error)}")


def words_of(error: PortError) -> str:
    """Return the message of a port's error without the port that stands before it."""
    return str(error).removeprefix(f"{error.port}: ")


def lost_words(error: OSError | None) -> str:
    """Return why a port went away in use; None = end of file."""
    if error is None:
        return "the other side closed it"
    if error.errno in _CLOSED:
        return "the other side closed it"
    if error.errno in _GONE:
        return "the port is gone: unplugged, or the other side hung up"
    return f"the port failed: {_words(error)}"


_EXAMPLE = "COM3" if sys.platform == "win32" else "/dev/ttyUSB0"


def _words(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno else str(error)


def _kind(mode: int) -> str:
    if stat.S_ISDIR(mode):
        return "a folder"
    if stat.S_ISREG(mode):
        return "a file"
    if stat.S_ISFIFO(mode):
        return "a named pipe"
    return "a socket" if stat.S_ISSOCK(mode) else "a block device"


def _missing(port: str) -> str:
    path = Path(port)
    if path.is_symlink():
        return (
            f"leads to {path.readlink()}, which is not there; the device was unplugged, or the "
            "program that made the pty has ended"
        )
    if "/" not in port and (Path("/dev") / port).is_char_device():
        return f"no such port; write /dev/{port}"
    return "no such port; is it plugged in?"


if sys.platform != "win32":

    def _denied(port: str) -> str:
        """Say which group may, when one may; otherwise whose it is."""
        try:
            status = Path(port).stat()
        except OSError:
            return "not permitted: a folder on the way is closed to you"
        group, owner = _group_name(status.st_gid), _owner_name(status.st_uid)
        both = stat.S_IRGRP | stat.S_IWGRP
        if status.st_mode & both == both:
            return (
                f"not permitted: the group {group} owns it and you are not in it; "
                f"sudo usermod -aG {group} $USER, then log in again"
            )
        return f"not permitted: only {owner} may use it (owner {owner}, group {group})"

    def _group_name(number: int) -> str:
        try:
            return grp.getgrgid(number).gr_name
        except KeyError:
            return f"number {number}"

    def _owner_name(number: int) -> str:
        try:
            return pwd.getpwuid(number).pw_name
        except KeyError:
            return f"number {number}"
