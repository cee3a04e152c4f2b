"""Every trouble with a port is one line that says what, where and what to do."""

from __future__ import annotations

import errno
import os
import socket
import stat
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

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
from kerfbus.bench.porttrouble import (
    check_address,
    check_path,
    from_errno,
    from_exception,
    lost_words,
    words_of,
)

grp = pytest.importorskip("grp", reason="other platform: groups of a POSIX system")


def one_line(error: KerfbusError, port: str) -> bool:
    """Return whether a message is one line that begins with the port."""
    return str(error).startswith(f"{port}: ") and "\n" not in str(error)


def test_what_is_no_device_is_refused_unopened(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "dangling").symlink_to(tmp_path / "gone")
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(tmp_path / "socket"))
    cases: list[tuple[str, type[PortError], str]] = [
        (".", NotAPortError, "is a folder, not a serial port"),
        ("file", NotAPortError, "is a file, not a serial port"),
        ("pipe", NotAPortError, "is a named pipe, not a serial port"),
        ("socket", NotAPortError, "is a socket, not a serial port"),
        ("nothing", PortMissingError, "no such port"),
        ("dangling", PortMissingError, f"leads to {tmp_path / 'gone'}, which is not there"),
        ("file/below", PortMissingError, "no such port: Not a directory"),
        ("a\0b", PortMissingError, "no such port: the name holds a NUL"),
        ("n" * 300, PortMissingError, "no such port: File name too long"),
    ]
    for name, kind, words in cases:
        port = str(tmp_path / name)
        with pytest.raises(kind) as caught:
            check_path(port)
        assert words in str(caught.value)
        assert one_line(caught.value, port)


def test_a_name_without_its_folder_is_completed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("/")
    with pytest.raises(PortMissingError, match=r"^null: no such port; write /dev/null$"):
        check_path("null")


NUMBERS: list[tuple[int, type[PortError], str]] = [
    (errno.EBUSY, PortBusyError, "another program holds it"),
    (errno.EAGAIN, PortBusyError, "another program holds it"),
    (errno.EACCES, PortDeniedError, "not permitted"),
    (errno.EPERM, PortDeniedError, "not permitted"),
    (errno.ENODEV, PortMissingError, "no such port"),
    (errno.ENXIO, PortMissingError, "no such port"),
    (errno.EIO, PortMissingError, "there is nothing behind it"),
    (errno.ENOTTY, NotAPortError, "is not a serial port"),
    (errno.EMFILE, PortError, "cannot be opened: Too many open files"),
]


@pytest.mark.parametrize(("number", "kind", "words"), NUMBERS)
def test_error_numbers(number: int, kind: type[PortError], words: str) -> None:
    error = from_errno("/dev/nope", OSError(number, "..."))
    assert type(error) is kind
    assert str(error).startswith(f"/dev/nope: {words}")


def test_a_group_that_may_is_named(tmp_path: Path) -> None:
    device = tmp_path / "device"
    device.touch()
    device.chmod(0o660)
    group = grp.getgrgid(device.stat().st_gid).gr_name
    message = str(from_errno(str(device), PermissionError(errno.EACCES, "...")))
    assert message == (
        f"{device}: not permitted: the group {group} owns it and you are not in it; "
        f"sudo usermod -aG {group} $USER, then log in again"
    )


def test_without_such_a_group_the_owner_is_named(tmp_path: Path) -> None:
    device = tmp_path / "device"
    device.touch()
    device.chmod(0o620)
    message = str(from_errno(str(device), PermissionError(errno.EACCES, "...")))
    assert message.startswith(f"{device}: not permitted: only ")
    assert "usermod" not in message


def test_a_user_outside_the_group_is_told_so_by_a_real_open(tmp_path: Path) -> None:
    """Open a pty as somebody who may not: as nobody where the tests run as root."""
    master, slave = os.openpty()
    path = os.ttyname(slave)
    if os.getuid() == 0:
        os.chown(path, 0, grp.getgrnam("dialout").gr_gid)
        os.chmod(path, 0o660)  # noqa: PTH101
        expected = "the group dialout owns it and you are not in it; sudo usermod -aG dialout"
    else:
        os.chmod(path, 0)  # noqa: PTH101
        expected = "only "
    attempt = (
        "import asyncio, os, sys\n"
        "from kerfbus.bench.line import LineSettings\n"
        "from kerfbus.bench.ports import open_port\n"
        "import kerfbus.bench.serialport\n"  # while it may still be read
        "if os.getuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: asyncio.run(open_port(sys.argv[1], LineSettings()))\n"
        "except Exception as error: print(type(error).__name__, error)"
    )
    command = [sys.executable, "-c", attempt, path]
    run = subprocess.run(command, check=True, capture_output=True, text=True)
    os.close(slave)
    os.close(master)
    assert run.stdout.startswith(f"PortDeniedError {path}: not permitted: {expected}")
    assert run.stdout.count("\n") == 1


ADDRESSES = [
    ("socket://host", "the port number is missing; give socket://HOST:PORT"),
    ("socket://:7000", "the host is missing; give socket://HOST:PORT"),
    ("socket:host:7000", "the host is missing"),
    ("rfc2217://host:0", "the port number is missing"),
    ("rfc2217://host:70000", "Port out of range 0-65535"),
    ("rfc2217://host:x", "Port could not be cast"),
    ("socket://host:7000/x", "nothing may follow the port"),
    ("socket://host:7000?logging=debug", "nothing may follow the port"),
    ("socket://[::1:7000", "Invalid IPv6 URL"),
]


@pytest.mark.parametrize(("port", "words"), ADDRESSES)
def test_addresses_of_another_form(port: str, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        check_address(port)
    assert words in str(caught.value)
    assert one_line(caught.value, port)


@pytest.mark.parametrize(
    "port",
    [
        "socket://host:7000",
        "rfc2217://[::1]:4001",
        "rfc2217://h:1?ign_set_control",
        "socket://h:1/",
    ],
)
def test_addresses_of_the_right_form(port: str) -> None:
    check_address(port)


def chained(*errors: Exception) -> Exception:
    """Return the first error, raised while the second was handled, and so on."""
    for outer, inner in pairwise(errors):
        outer.__context__ = inner
    return errors[0]


WRAPPED: list[tuple[str, Exception, type[KerfbusError], str]] = [
    (
        "socket://h:1",
        chained(OSError("Could not open port"), socket.gaierror(-2, "Name or service not known")),
        PortMissingError,
        "no such host",
    ),
    (
        "socket://h:1",
        chained(OSError("Could not open port"), ConnectionRefusedError(111, "refused")),
        PortMissingError,
        "nothing listens there",
    ),
    (
        "socket://h:1",
        chained(OSError("Could not open port"), TimeoutError("timed out")),
        PortMissingError,
        "no answer",
    ),
    (
        "socket://h:1",
        chained(OSError("Could not open port"), OSError(errno.EHOSTUNREACH, "No route")),
        PortMissingError,
        "the host cannot be reached",
    ),
    ("rfc2217://h:1", BrokenPipeError(32, "Broken pipe"), PortBusyError, "the server hung up"),
    (
        "rfc2217://h:1",
        OSError("Remote does not seem to support RFC2217 or BINARY mode []"),
        NotAPortError,
        "no RFC 2217 server answers there",
    ),
    (
        "rfc2217://h:1",
        OSError("Remote does not accept parameter change (RFC2217): []"),
        PortError,
        "the server does not take 19200 8E1",
    ),
    (
        "rfc2217://h:1?x",
        OSError('expected a string in the form "rfc2217://<host>:<port>[?option]": unknown'),
        SettingsError,
        "not understood; give rfc2217://HOST:PORT",
    ),
    ("/dev/x", ValueError("Invalid baud rate: 3"), PortError, "it does not take 19200 8E1"),
    ("/dev/x", OSError(errno.EINVAL, "Invalid"), PortError, "it does not take 19200 8E1"),
    (
        "/dev/x",
        chained(OSError("Could not configure port: (5, 'I/O')"), OSError(errno.EIO, "I/O")),
        PortMissingError,
        "there is nothing behind it",
    ),
    (
        "COM5",
        OSError("could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)"),
        PortBusyError,
        "access is denied; another program may hold it",
    ),
    (
        "COM5",
        OSError("could not open port 'COM5': FileNotFoundError(2, 'The system cannot ...')"),
        PortMissingError,
        "no such port",
    ),
]


@pytest.mark.parametrize(("port", "error", "kind", "words"), WRAPPED)
def test_what_a_library_raised(
    port: str, error: Exception, kind: type[KerfbusError], words: str
) -> None:
    made = from_exception(port, LineSettings(), error)
    assert type(made) is kind
    assert str(made).startswith(f"{port}: {words}")
    assert one_line(made, port)


def test_loss_is_told_apart_from_other_failures() -> None:
    assert lost_words(None) == "the other side closed it"
    assert lost_words(OSError(errno.ECONNRESET, "")) == "the other side closed it"
    assert "unplugged, or the other side hung up" in lost_words(OSError(errno.EIO, ""))
    assert lost_words(OSError(errno.ENOMEM, "")) == "the port failed: Cannot allocate memory"


def test_words_without_the_port() -> None:
    assert words_of(PortError("COM5", "is odd: very")) == "is odd: very"


def test_a_fifo_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    with pytest.raises(NotAPortError):  # opening would wait for a writer
        check_path(str(tmp_path / "pipe"))
