"""What a search for rate, format and address asks, and in which order.

Sans-IO: probes come out, one after another; `kerfbus.bench.find` asks them.

The order is by likelihood, in passes with growing patience: the usual addresses with every setting
first, then all addresses with short waits, then all addresses for servers that take their time. A
late reply is recognised by its address, so a short wait loses only what is drowned by the next
request.

8N1 and 8N2 understand each other (a receiver checks the first stop bit only), so on a wire the
search asks with 8N2 alone; an exact simulated line knows the difference.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Self

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings, check_server_address

BAUDS = (19200, 9600, 115200, 38400, 57600, 4800, 2400, 1200)
"""Likely ones first: 19200 is the standard's default, 9600 its other required rate (MODBUS over
Serial Line V1.02, 3.2); the rest by common practice, no source."""
FORMATS = ("8E1", "8N1", "8N2", "8O1")
"""8E1 is the standard's default, 8N2 its form without parity (2.5.1); 8N1 is common practice."""
ADDRESSES = (1, 2, 3, 4, 5, 10, 16, 32, 100, 247)
"""Common practice, no source."""
FIRST, LAST = 1, 247
REPLY_LENGTH = 7
"""Characters of the reply to a read of one register; an exception has 5."""


class Pass(NamedTuple):
    """One round of the search.

    Attributes:
        what: for a person.
        addresses: asked in this order with each setting.
        wait_ns: beyond the silent interval, from the end of a request to the first character of its
            reply.
    """

    what: str
    addresses: tuple[int, ...]
    wait_ns: int


class Probe(NamedTuple):
    """One request.

    Attributes:
        settings: rate and format.
        address: of the server.
        wait_ns: patience.
        first: the first request with these settings in this pass.
    """

    settings: LineSettings
    address: int
    wait_ns: int
    first: bool


@dataclass(frozen=True, slots=True)
class SearchPlan:
    """Where to look.

    Attributes:
        bauds, formats: likely ones first.
        addresses: of servers, likely ones first.
        usual: how many of `addresses` make the first pass.
        short_ns, long_ns: the waits of the second pass, and of the first and third.

    Raises:
        UsageError: nothing is left to look at.
        SettingsError: a rate, a format or an address is none.
    """

    bauds: tuple[int, ...] = BAUDS
    formats: tuple[str, ...] = FORMATS
    addresses: tuple[int, ...] = ()
    usual: int = len(ADDRESSES)
    short_ns: int = 20_000_000
    long_ns: int = 300_000_000

    def __post_init__(self) -> None:
        if not self.bauds or not self.formats:
            raise UsageError("a search without a rate or a format: give at least one of each")
        if not self.addresses:
            rest = (each for each in range(FIRST, LAST + 1) if each not in ADDRESSES)
            object.__setattr__(self, "addresses", (*ADDRESSES, *rest))
        for address in self.addresses:
            check_server_address(address)
        self.settings  # noqa: B018 (refuses what is no rate or format)

    @property
    def settings(self) -> tuple[LineSettings, ...]:
        """Return all settings, likely ones first: a rate's place and a format's place together."""
        ranked = [
            ((row + 1) * (column + 1), row, LineSettings.parse(baud, form))
            for row, baud in enumerate(self.bauds)
            for column, form in enumerate(self.formats)
        ]
        ranked.sort(key=lambda each: each[:2])
        return tuple(settings for _, _, settings in ranked)

    def on_a_wire(self) -> Self:
        """Return the plan without formats that others make superfluous where a UART listens."""
        if not {"8N1", "8N2"} <= set(self.formats):
            return self
        return replace(self, formats=tuple(each for each in self.formats if each != "8N1"))

    @property
    def passes(self) -> tuple[Pass, ...]:
        """Return the rounds."""
        usual = self.addresses[: self.usual]
        rounds = [Pass("the usual addresses with every setting", usual, self.long_ns)]
        if len(self.addresses) > len(usual):
            rounds.append(Pass("all addresses, short waits", self.addresses, self.short_ns))
            rounds.append(Pass("all addresses, long waits", self.addresses, self.long_ns))
        return tuple(rounds)

    def probes(self, each: Pass) -> Iterator[Probe]:
        """Yield the requests of a round."""
        for settings in self.settings:
            for position, address in enumerate(each.addresses):
                yield Probe(settings, address, each.wait_ns, position == 0)

    def longest_ns(self, request: int, extra_ns: int = 0) -> int:
        """Return how long the whole search takes when nobody answers.

        Args:
            request: characters of a request.
            extra_ns: of the port, on top of each wait.
        """
        return sum(
            probe.settings.characters_ns(request + REPLY_LENGTH)
            + 2 * probe.settings.t35_ns
            + probe.wait_ns
            + extra_ns
            for each in self.passes
            for probe in self.probes(each)
        )


def without(addresses: Sequence[int], *found: int) -> tuple[int, ...]:
    """Return addresses without those that were found."""
    return tuple(each for each in addresses if each not in found)
