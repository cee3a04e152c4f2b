"""Addresses to listen on, and what must be said of them."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from typing import Self

from kerfbus.bench.errors import SettingsError

LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Host and TCP port.

    Attributes:
        host: name or address; loopback unless one is given.
        port: 0 to 65535; 0 lets the system choose.
    """

    host: str
    port: int

    @classmethod
    def parse(cls, text: str, port: int = 0) -> Self:
        """Return the endpoint in ``HOST:PORT``, ``:PORT``, ``PORT`` or ``[IPv6]:PORT``.

        A host is what is told to listen beyond this machine; without one it is loopback.

        Args:
            text: what a person gave.
            port: when `text` has a host only.

        Raises:
            SettingsError: it has not that form.
        """
        host, colon, number = text.strip().rpartition(":")
        if not colon:
            if not number.isdigit() and not port:
                raise SettingsError(
                    f"{text!r}: the port is missing; give HOST:PORT, e.g. {LOOPBACK}:5020"
                )
            host, number = ("", number) if number.isdigit() else (number, str(port))
        if host.startswith("[") and host.endswith("]"):
            host = host[1:-1]
        elif ":" in host:
            raise SettingsError(f"{text!r}: put an IPv6 address in brackets, e.g. [::1]:502")
        if not (number.isascii() and number.isdigit()) or int(number) > 65535:
            raise SettingsError(f"{text!r}: give HOST:PORT or PORT, e.g. {LOOPBACK}:5020")
        return cls(host or LOOPBACK, int(number))

    @property
    def loopback(self) -> bool:
        """Return whether only this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"

    @property
    def notice(self) -> str:
        """Return what a person must be told when this is listened on."""
        reach = "any program on this machine" if self.loopback else "anyone who reaches it"
        return f"{self}: the protocol has no authentication; {reach} can command the supply"

    def __str__(self) -> str:
        """Return ``HOST:PORT``."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"
