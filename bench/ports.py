"""A port is a string: open what it names.

``sim:`` (the default; a simulated supply), a device path or COM name, ``rfc2217://host:port``,
``socket://host:port``, ``capture:FILE`` (a recording, played again), and whatever scheme an entry
point of the group ``kerfbus.ports`` names.
An entry point's name is the scheme, its value an `Opener`.

Openers are loaded when they are needed: the built-in ones by name, entry points looked up only for
schemes that are not built in. So this module is quick to import.
"""

from __future__ import annotations

import difflib
import importlib
import re
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, cast

from kerfbus.bench.errors import PortError, PortMissingError, SettingsError
from kerfbus.bench.portlist import PortEntry, find_identity, same_device
from kerfbus.bench.portoptions import DEFAULT_OPTIONS, PortOptions, Rs485Options

if TYPE_CHECKING:
    from importlib.metadata import EntryPoints

    from kerfbus.bench.line import LineSettings
    from kerfbus.bench.transport import Transport

__all__ = [
    "DEFAULT_PORT",
    "ENTRY_POINTS",
    "Opener",
    "PortEntry",
    "PortOptions",
    "Rs485Options",
    "SamePort",
    "is_simulated",
    "known_schemes",
    "list_ports",
    "open_port",
    "scheme_of",
]

Opener = Callable[[str, "LineSettings", PortOptions], Awaitable["Transport"]]
"""Opens a port string; raises KerfbusError."""

DEFAULT_PORT = "sim:"
ENTRY_POINTS = "kerfbus.ports"
_SERIAL = "kerfbus.bench.serialport"
_BUILT_IN = {
    "": (_SERIAL, "open_device"),  # a path or COM name
    "capture": ("kerfbus.bench.recordedline", "open_capture"),
    "rfc2217": ("kerfbus.bench.rfc2217port", "open_rfc2217"),
    "socket": (_SERIAL, "open_socket"),
}
# Two letters or more, so that a drive letter is none.
_SCHEME = re.compile(r"([a-zA-Z][a-zA-Z0-9+.-]+):")


def scheme_of(port: str) -> str:
    """Return the scheme of a port string in lower case, "" for a device path or COM name.

    >>> [scheme_of(port) for port in ("sim:", "rfc2217://host:4001", "/dev/ttyUSB0", "COM5")]
    ['sim', 'rfc2217', '', '']
    """
    found = _SCHEME.match(port)
    return found[1].lower() if found else ""


def is_simulated(port: str) -> bool:
    """Return whether a port string names a simulated or recorded line: nothing real can move."""
    return scheme_of(port) in ("sim", "capture")


def known_schemes() -> tuple[str, ...]:
    """Return the schemes that can be opened here, in order."""
    return tuple(sorted({*filter(None, _BUILT_IN), *(point.name for point in _plugged())}))


def _plugged() -> EntryPoints:
    from importlib.metadata import entry_points  # noqa: PLC0415 (slow to import, seldom needed)

    return entry_points(group=ENTRY_POINTS)


async def open_port(
    port: str, settings: LineSettings, options: PortOptions = DEFAULT_OPTIONS
) -> Transport:
    """Open a port.

    Args:
        port: the port string.
        settings: rate and format to be put into force.
        options: what else is asked of the port.

    Raises:
        SettingsError: the string is empty, not of its form, or its scheme is unknown.
        PortError: the port is missing, busy, denied, no port, or does not take the settings.
    """
    return await _opener(port)(port, settings, options)


def list_ports() -> tuple[PortEntry, ...]:
    """Return the serial ports of this machine. What a remote server has is not among them."""
    devices = importlib.import_module(_SERIAL).list_devices
    return cast("Callable[[], tuple[PortEntry, ...]]", devices)()


def _opener(port: str) -> Opener:
    scheme = scheme_of(port)
    if not port.strip():
        raise SettingsError(
            f"port {port!r}: nothing is named; give sim:, a device such as /dev/ttyUSB0 or COM3, "
            "rfc2217://HOST:PORT or socket://HOST:PORT"
        )
    if scheme in _BUILT_IN:
        module, name = _BUILT_IN[scheme]
        return cast("Opener", getattr(importlib.import_module(module), name))
    for point in _plugged().select(name=scheme):
        try:
            return cast("Opener", point.load())
        except (ImportError, AttributeError) as error:
            raise PortError(
                port, f"the plug-in for {scheme}: cannot be loaded ({point.value}): {error}"
            ) from error
    raise SettingsError(_unknown(port, scheme))


def _unknown(port: str, scheme: str) -> str:
    known = known_schemes()
    rest = port[len(scheme) + 1 :]
    if rest.isdigit():
        return f"port {port!r}: for TCP port {rest} of host {scheme} write socket://{port}"
    close = difflib.get_close_matches(scheme, known, n=1)
    meant = f"did you mean {close[0]}:? " if close else ""
    listed = ", ".join(f"{name}:" for name in known)
    return f"port {port!r}: unknown scheme {scheme}:; {meant}known are {listed} and device paths"


class SamePort:
    """Opens one port again and again, also when its device comes back under another name.

    The first open goes by the port string and notes the hardware's identity. From then on the
    device with that identity is opened, whatever it is called; another one that took the name is
    not. Ports without an identity are opened by their string.
    """

    def __init__(
        self, port: str, settings: LineSettings, options: PortOptions = DEFAULT_OPTIONS
    ) -> None:
        self.port = port
        self.settings = settings
        self.options = options
        self._identity = ""

    async def __call__(self) -> Transport:
        """Open it; raises as `open_port` does."""
        transport = await open_port(self._device(), self.settings, self.options)
        if not scheme_of(self.port):
            self._identity = self._identity or transport.facts.identity
        return transport

    def _device(self) -> str:
        """Return the port string to open now."""
        if not self._identity:
            return self.port
        found = find_identity(list_ports(), self._identity)
        by_name = [entry for entry in found if same_device(entry.device, self.port)]
        if len(found) == 1 or by_name:
            # The name that the user gave is kept where it still leads there: messages bear it.
            return self.port if by_name else found[0].device
        if not found:
            raise PortMissingError(self.port, f"{self._identity} is not plugged in")
        names = ", ".join(entry.device for entry in found)
        raise PortMissingError(self.port, f"{self._identity} is there more than once: {names}")
