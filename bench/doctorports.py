"""What can be said of the serial ports of this machine without opening one.

Opening a serial port raises RTS and DTR, and with an adapter whose driver hangs on RTS that alone
disturbs the line. So permissions, latency timers, who holds a port and which services meddle with
ports are read from the file system; only `look_inside`, asked for by name, opens a port, for
reading alone.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from kerfbus.bench import linuxserial
from kerfbus.bench.doctor import Check, Level
from kerfbus.bench.errors import PortDeniedError, PortError, PortMissingError
from kerfbus.bench.portlist import PortEntry, find_device
from kerfbus.bench.porttrouble import check_path, from_errno, words_of

if sys.platform != "win32":
    import grp

TOPIC = "ports"
PROC = Path("/proc")
SLOW_LATENCY_MS = 2
"""A latency timer above this hides gaps of the length of a silent interval at 19200 baud (chosen;
Modbus over Serial Line V1.02, 2.5.1.1: 1.75 ms above 19200 baud)."""
MEDDLERS = {
    "ModemManager": "it opens new serial adapters and sends to them; stop it while you measure "
    "(sudo systemctl stop ModemManager)",
    "brltty": "it takes some USB adapters for itself; remove it where nobody reads Braille",
}
"""Services that are known to take serial ports, by process name, and what to do (common practice,
no source)."""


def check_ports(entries: Iterable[PortEntry], proc: Path = PROC) -> Iterator[Check]:
    """Yield what is found of each port, and of what meddles with them."""
    none = True
    for entry in entries:
        none = False
        yield check_port(entry, proc)
        yield from _latency(entry.device)
    if none:
        yield Check(
            TOPIC,
            "serial ports",
            "none found",
            Level.NOTE,
            "plug an adapter in; commands without --port use a simulated supply (sim:)",
        )
    for name in sorted(MEDDLERS.keys() & running(proc)):
        yield Check(TOPIC, name, "is running", Level.NOTE, MEDDLERS[name])


def check_port(entry: PortEntry, proc: Path = PROC) -> Check:
    """Say whether a port is there, may be used, and who holds it. It is not opened."""
    name = entry.device
    about = ", ".join(filter(None, (entry.description, entry.by_id)))
    if sys.platform == "win32":
        return Check(TOPIC, name, about or "found")
    try:
        check_path(name)
    except PortError as error:
        return Check(TOPIC, name, words_of(error), Level.BAD, _plug_in(error))
    if not may_use(name):
        words = words_of(from_errno(name, PermissionError(13, "")))
        state, _, step = words.partition("; ")
        return Check(TOPIC, name, state, Level.BAD, step_to_group(name) or step or _ASK_OWNER)
    if held := holders(name, proc):
        return Check(
            TOPIC, name, f"held by {', '.join(held)}", Level.NOTE, "close that program first"
        )
    return Check(TOPIC, name, f"may be used{f': {about}' if about else ''}")


_ASK_OWNER = "run kerfbus as its owner, or ask the owner for access"


def may_use(path: str) -> bool:
    """Return whether this process may read and write a device; nothing is opened."""
    effective = os.access in os.supports_effective_ids
    return os.access(path, os.R_OK | os.W_OK, effective_ids=effective)


def step_to_group(path: str) -> str:
    """Return what to do where the user is in the port's group but this login is older; else ""."""
    if sys.platform == "win32":
        return ""
    number = Path(path).stat().st_gid
    try:
        group = grp.getgrgid(number)
        user = os.environ.get("USER", "")
    except KeyError:
        return ""
    if user and user in group.gr_mem and number not in os.getgroups():
        return f"you are in the group {group.gr_name} since your last login: log in again"
    return ""


def _plug_in(error: PortError) -> str:
    """Return what to do about a port that is not there or no port."""
    if isinstance(error, PortMissingError):
        return "plug it in, or start the program that makes it"
    return "give a serial port" if not isinstance(error, PortDeniedError) else _ASK_OWNER


def _latency(path: str) -> Iterator[Check]:
    """Yield how long an adapter keeps characters back, where that is known."""
    adapter = linuxserial.read_adapter(path)
    if not adapter.usb:
        return
    what = f"{path} latency timer"
    if adapter.latency_ms is None:
        yield Check(
            TOPIC, what, "not told by the driver", Level.NOTE, "times are taken to be 16 ms unsure"
        )
    elif adapter.latency_ms > SLOW_LATENCY_MS:
        timer = f"{adapter.device}/latency_timer"
        yield Check(
            TOPIC,
            what,
            f"{adapter.latency_ms} ms: characters come in lumps, gaps cannot be seen",
            Level.NOTE,
            f"echo 1 | sudo tee {timer}",
        )
    else:
        yield Check(TOPIC, what, f"{adapter.latency_ms} ms")


def running(proc: Path = PROC) -> set[str]:
    """Return the names of the programs that run, as far as they can be seen."""
    return {_name_of(each) for each in _processes(proc)} - {""}


def holders(path: str, proc: Path = PROC) -> list[str]:
    """Return which other programs have a device open, as ``name (number)``.

    What other users run stays hidden from everyone but root.
    """
    real = os.path.realpath(path)
    return [
        f"{_name_of(each) or 'a program'} ({each.name})"
        for each in _processes(proc)
        if each.name != str(os.getpid()) and real in _open_files(each)
    ]


def _processes(proc: Path) -> list[Path]:
    try:
        return sorted(
            (each for each in proc.iterdir() if each.name.isdigit()),
            key=lambda each: int(each.name),
        )
    except OSError:
        return []


def _name_of(process: Path) -> str:
    try:
        return (process / "comm").read_text().strip()
    except (OSError, UnicodeDecodeError):
        return ""


def _open_files(process: Path) -> Iterator[str]:
    """Yield what a process has open; nothing where it is gone or another user's."""
    try:
        for link in (process / "fd").iterdir():
            yield str(link.readlink())
    except OSError:
        return


def look_inside(port: str, entries: Iterable[PortEntry]) -> Iterator[Check]:
    """Open a port for reading and yield what its driver can do; nothing is sent or set.

    Opening raises RTS and DTR on most drivers.
    """
    found = check_port(find_device(entries, port) or PortEntry(port))
    yield found
    if found.level is Level.BAD or not sys.platform.startswith("linux"):
        return
    try:
        fd = os.open(port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as error:
        trouble = from_errno(port, error)
        yield Check(TOPIC, f"{port} opened", words_of(trouble), Level.BAD, _plug_in(trouble))
        return
    try:
        yield from _driver(port, fd)
    except OSError as error:
        yield Check(TOPIC, f"{port} driver", words_of(from_errno(port, error)), Level.BAD, "")
    finally:
        os.close(fd)


def _driver(port: str, fd: int) -> Iterator[Check]:
    """Yield what the driver behind a descriptor says of itself."""
    if linuxserial.is_pty_number(os.major(os.fstat(fd).st_rdev)):
        yield Check(
            TOPIC,
            f"{port} kind",
            "a pty: no wire, no pace, no line errors",
            Level.NOTE,
            "good for software; what a cable does cannot be seen here",
        )
        return
    mode = linuxserial.read_rs485(fd)
    if mode is None:
        yield Check(
            TOPIC,
            f"{port} kernel RS-485",
            "none in this driver",
            Level.NOTE,
            "use an adapter that switches its driver by itself, as most USB ones do",
        )
    else:
        yield Check(TOPIC, f"{port} kernel RS-485", f"there; now {mode}")
    counts = linuxserial.read_counters(fd)
    if counts is None:
        yield Check(
            TOPIC,
            f"{port} error counters",
            "none in this driver",
            Level.NOTE,
            "whether line errors are reported is unknown; quality figures rest on CRCs alone",
        )
    else:
        yield Check(
            TOPIC,
            f"{port} error counters",
            f"framing {counts.framing}, parity {counts.parity}, break {counts.break_}, "
            f"overrun {counts.overrun}",
        )
    low = linuxserial.read_low_latency(fd)
    words = {None: "not told", True: "on", False: "off"}[low]
    yield Check(TOPIC, f"{port} low latency", words)
