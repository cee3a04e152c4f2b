"""What a caller may ask of a port besides rate and format.

Plain data, imported by the openers and by whoever calls them; it must not know what a port is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kerfbus.bench.errors import SettingsError
from kerfbus.bench.transport import Vantage

MAX_DELAY_MS = 100
"""The kernel's serial layer cuts longer driver-enable delays to this (RS485_MAX_RTS_DELAY)."""


@dataclass(frozen=True, slots=True)
class Rs485Options:
    """The kernel's RS-485 mode: who switches the driver on, and when.

    Source: struct serial_rs485 of Linux, Documentation/driver-api/serial/serial-rs485.rst.

    Attributes:
        rts_on_send: level of RTS while sending; True = asserted.
        rts_after_send: level of RTS while not sending.
        delay_before_ms: between driver on and first start bit, 0 to 100 ms.
        delay_after_ms: between last stop bit and driver off, 0 to 100 ms.
        hear_own: keep the receiver on while sending.
        terminate: switch a software-controlled termination resistor on.

    Raises:
        SettingsError: a delay is out of range, or RTS would never change.
    """

    rts_on_send: bool = True
    rts_after_send: bool = False
    delay_before_ms: int = 0
    delay_after_ms: int = 0
    hear_own: bool = False
    terminate: bool = False

    def __post_init__(self) -> None:
        for name in ("delay_before_ms", "delay_after_ms"):
            value = getattr(self, name)
            if not 0 <= value <= MAX_DELAY_MS:
                raise SettingsError(f"rs485 {name} {value}: give 0 to {MAX_DELAY_MS} milliseconds")
        if self.rts_on_send == self.rts_after_send:
            raise SettingsError(
                "rs485: RTS has the same level while sending and after it, so it would switch "
                "nothing; make rts_on_send and rts_after_send differ"
            )

    def __str__(self) -> str:
        """Return e.g. ``on, RTS high while sending, 0 ms before, 0 ms after``."""
        parts = [
            "on",
            f"RTS {'high' if self.rts_on_send else 'low'} while sending",
            f"{self.delay_before_ms} ms before",
            f"{self.delay_after_ms} ms after",
        ]
        if self.hear_own:
            parts.append("hears itself")
        if self.terminate:
            parts.append("terminated")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class PortOptions:
    """How a port is to be opened. An opener ignores what does not concern its scheme.

    Attributes:
        vantage: which station we are on the line; a simulated line puts us there.
        exclusive: lock the port against other programs.
        rs485: switch the kernel's RS-485 mode on; None leaves it as it is.
        low_latency: ask the driver for low latency (True), for the opposite (False) or leave it as
            it is (None). A driver that cannot is no error; the port's facts say so.
        speed: simulated lines: keep pace with wall time (``real``) or run as fast as it goes.
        seed: simulated lines: of all chance.
        address: simulated lines: of the simulated server.
    """

    vantage: Vantage = "client"
    exclusive: bool = True
    rs485: Rs485Options | None = None
    low_latency: bool | None = True
    speed: Literal["real", "fast"] = "real"
    seed: int = 0
    address: int = 1


DEFAULT_OPTIONS = PortOptions()
