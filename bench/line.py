"""Arithmetic of the serial line: characters, silent intervals, time on the wire.

Source: MODBUS over Serial Line V1.02, 2.5.1 (character, frame) and 2.5.1.1 (t1.5, t3.5). All
results are exact rational numbers rounded once, to whole nanoseconds.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Self

from kerfbus.bench.errors import SettingsError

NS = 1_000_000_000
FIXED_ABOVE_BAUD = 19200
"""Above this rate the silent intervals are fixed (2.5.1.1)."""
FIXED_T15_NS = 750_000
FIXED_T35_NS = 1_750_000
USUAL_BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
MAX_BAUD = 4_000_000
MAX_ADU = 256
"""Longest RTU frame: 1 address + 253 PDU + 2 CRC (2.5.1, figure 12)."""

_PARITIES = "NEOMS"


def _ratio(numerator: int, denominator: int) -> int:
    """Return the quotient rounded to the nearest integer, halves up."""
    return (2 * numerator + denominator) // (2 * denominator)


_FORMAT = re.compile("[0-9][A-Z][0-9]")
"""As typed; which of them there are is checked later. (`str.isdigit` also takes a raised 2.)"""


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Bit rate and character format of a line.

    Attributes:
        baud: bits per second, 1 to 4,000,000.
        data_bits: 5 to 8. RTU needs 8; fewer are allowed for arithmetic and for odd captures.
        parity: N none, E even, O odd, M mark, S space.
        stop_bits: 1 or 2.

    Raises:
        SettingsError: a value is out of range.
    """

    baud: int = 19200
    data_bits: int = 8
    parity: str = "E"
    stop_bits: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.baud <= MAX_BAUD:
            raise SettingsError(
                f"baud {self.baud}: not a bit rate; give 1 to {MAX_BAUD}, usually one of "
                + ", ".join(map(str, USUAL_BAUDS))
            )
        if self.data_bits not in (5, 6, 7, 8) or self.stop_bits not in (1, 2):
            raise SettingsError(f"format {self.format}: give 5-8 data bits and 1 or 2 stop bits")
        if len(self.parity) != 1 or self.parity not in _PARITIES:
            raise SettingsError(f"format {self.format}: parity is one of N, E, O, M, S")

    @classmethod
    def parse(cls, baud: int = 19200, text: str = "8E1") -> Self:
        """Make settings from a rate and a format such as ``8E1``, ``8N2``, ``8n1``.

        Raises:
            SettingsError: the format is not three characters of that form.
        """
        form = text.strip().upper()
        if not _FORMAT.fullmatch(form):
            raise SettingsError(
                f"format {text!r}: give data bits, parity and stop bits, e.g. 8E1, 8N1, 8N2, 8O1"
            )
        return cls(baud, int(form[0]), form[1], int(form[2]))

    @property
    def format(self) -> str:
        """Return the character format, e.g. ``8E1``."""
        return f"{self.data_bits}{self.parity}{self.stop_bits}"

    @property
    def character_bits(self) -> int:
        """Return the bits of a character with start, parity and stop bits (11 for 8E1 and 8N2)."""
        return 1 + self.data_bits + (self.parity != "N") + self.stop_bits

    def characters_ns(self, count: int) -> int:
        """Return the time of `count` characters without gaps, in nanoseconds."""
        # Written out, because every transaction asks several times.
        bits = 1 + self.data_bits + (self.parity != "N") + self.stop_bits
        return (2 * NS * count * bits + self.baud) // (2 * self.baud)

    @property
    def character_ns(self) -> int:
        """Return the time of one character in nanoseconds, rounded.

        Use `characters_ns` for spans: it rounds once.
        """
        return self.characters_ns(1)

    @property
    def bit_ns(self) -> int:
        """Return the time of one bit in nanoseconds, rounded."""
        return _ratio(NS, self.baud)

    @property
    def t15_ns(self) -> int:
        """Return the longest silence allowed inside a frame, in nanoseconds (2.5.1.1)."""
        if self.baud > FIXED_ABOVE_BAUD:
            return FIXED_T15_NS
        return _ratio(3 * self.character_bits * NS, 2 * self.baud)

    @property
    def t35_ns(self) -> int:
        """Return the shortest silence between frames, in nanoseconds (2.5.1.1)."""
        if self.baud > FIXED_ABOVE_BAUD:
            return FIXED_T35_NS
        return _ratio(7 * self.character_bits * NS, 2 * self.baud)

    def transaction_ns(
        self, request_characters: int, reply_characters: int, turnaround_ns: int = 0
    ) -> int:
        """Return how long a transaction occupies the wire, in nanoseconds.

        Request, turnaround (never less than t3.5, which the server must wait), reply, and the
        silent interval before the next request. A broadcast has no reply (0 characters): then it is
        the request and the larger of turnaround and t3.5.

        Args:
            request_characters: length of the request with address and CRC.
            reply_characters: length of the reply, 0 for none.
            turnaround_ns: from the request's last stop bit to the reply's first start bit.
        """
        pause = max(turnaround_ns, self.t35_ns)
        if not reply_characters:
            return self.characters_ns(request_characters) + pause
        return self.characters_ns(request_characters + reply_characters) + pause + self.t35_ns

    def __str__(self) -> str:
        """Return e.g. ``19200 8E1``."""
        return f"{self.baud} {self.format}"


def check_server_address(address: int, *, broadcast: bool = False) -> int:
    """Return `address` when a server may have it (1-247; 0 too when `broadcast`).

    Source: MODBUS over Serial Line V1.02, 2.2.

    Raises:
        SettingsError: it may not.
    """
    if not (0 if broadcast else 1) <= address <= 247:
        raise SettingsError(
            f"server address {address}: individual addresses are 1 to 247"
            + (", 0 is broadcast" if broadcast else "; 0 is broadcast and gets no reply")
        )
    return address
