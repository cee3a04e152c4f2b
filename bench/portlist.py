"""The serial ports of this machine and what they can be known by when their names change.

Plain data; where it comes from is `kerfbus.bench.serialport`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class PortEntry:
    """A serial port of this machine.

    Attributes:
        device: path or COM name, to be given as port string.
        identity: what stays the same when it is plugged in again; "" when nothing does.
        description: for a person.
        by_id: the stable link that udev made, "" when there is none.
        vid: USB vendor number, None when it is not USB; `pid` likewise.
        pid: USB product number.
        serial_number: of the adapter, "" when it has none.
        location: USB bus and plugs, e.g. ``1-1.2``, "" when it is not USB.
    """

    device: str
    identity: str = ""
    description: str = ""
    by_id: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str = ""
    location: str = ""


def usb_identity(vid: int, pid: int, serial_number: str, location: str) -> str:
    """Return the identity of a USB adapter: by its serial number, else by its place.

    An adapter with several ports has them at several interfaces of one location.

    >>> usb_identity(0x0403, 0x6001, "A10K", "1-1.2")
    'usb:0403:6001:A10K'
    >>> usb_identity(0x0403, 0x6011, "A10K", "1-1.2:1.3")
    'usb:0403:6011:A10K:1.3'
    >>> usb_identity(0x1A86, 0x7523, "", "1-1.2")
    'usb:1a86:7523@1-1.2'
    """
    place, _, interface = location.partition(":")
    numbers = f"usb:{vid:04x}:{pid:04x}"
    if serial_number:
        return f"{numbers}:{serial_number}" + (f":{interface}" if interface else "")
    return f"{numbers}@{location}" if place else ""


def same_device(one: str, other: str) -> bool:
    """Return whether two port strings name one device, links followed."""
    if one == other:
        return True
    if sys.platform == "win32":
        return one.removeprefix("\\\\.\\").upper() == other.removeprefix("\\\\.\\").upper()
    return Path(one).resolve() == Path(other).resolve()


def find_device(entries: Iterable[PortEntry], port: str) -> PortEntry | None:
    """Return the entry of the port string `port`, None when it is not among them."""
    return next((entry for entry in entries if same_device(entry.device, port)), None)


def find_identity(entries: Iterable[PortEntry], identity: str) -> tuple[PortEntry, ...]:
    """Return the entries with this identity: several when serial numbers are not unique."""
    return tuple(entry for entry in entries if entry.identity == identity)


def links_by_id(folder: Path = BY_ID) -> dict[str, str]:
    """Return the stable link of each device path that has one."""
    try:
        links = sorted(folder.iterdir())
    except OSError:
        return {}
    return {str(link.resolve()): str(link) for link in links}
