"""Which registers of a map a device really answers: read-only, each place for itself where needed.

A read of several registers is refused as a whole when one of them is not there (MODBUS Application
Protocol V1.1b3, exception 02), so what a merged read cannot tell is asked singly.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import Any, NamedTuple

from kerfbus.bench.access import READS, raw_of
from kerfbus.bench.client import Client, Outcome
from kerfbus.bench.regmap import ReadSpan, Register, RegisterMap

GIVE_UP_AFTER = 3
"""Reads in silence, from the first on, after which nobody is taken to be there (chosen)."""


class Standing(Enum):
    """What a device says to the read of a register."""

    ANSWERED = "answered"
    REFUSED = "refused"
    SILENT = "silent"
    """No whole answer, after all retries."""
    WRITE_ONLY = "not read"
    """The map says that it can only be written."""


class Probed(NamedTuple):
    """What became of one register.

    Attributes:
        register: of the map.
        standing: what the device said.
        exception: code of the refusal.
        raw: words that came.
    """

    register: Register
    standing: Standing
    exception: int | None = None
    raw: tuple[int, ...] | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the row of ``map probe --json``."""
        register = self.register
        return {
            "name": register.name,
            "table": str(register.table),
            "address": register.address,
            "words": register.words,
            "answer": self.standing.value,
            "exception": self.exception,
            "raw": None if self.raw is None else list(self.raw),
            "in_limits": self.in_limits,
        }

    @property
    def in_limits(self) -> bool | None:
        """Return whether the value is inside the map's limits; None where that means nothing."""
        register = self.register
        if self.raw is None or not register.type.numeric:
            return None
        value = register.decode(self.raw)
        if not isinstance(value, int | float) or (register.min is register.max is None):
            return None
        low, high = register.min, register.max
        return (low is None or value >= low) and (high is None or value <= high)


class MapProbe:
    """Asks a device for all that a map says can be read.

    Args:
        client: on the line.
        server: its address.
    """

    def __init__(self, client: Client, server: int) -> None:
        self._client = client
        self._server = server

    async def run(self, register_map: RegisterMap) -> list[Probed]:
        """Return what became of each register, in the map's order.

        A device that does not answer the first reads at all is given up soon.
        """
        readable = [each for each in register_map.registers if each.readable]
        found: dict[str, Probed] = {
            each.name: Probed(each, Standing.WRITE_ONLY)
            for each in register_map.registers
            if not each.readable
        }
        answered, silent = False, 0
        for span in register_map.plan_reads([each.name for each in readable], 0):
            members = [each for each in readable if _inside(each, span)]
            if not answered and silent >= GIVE_UP_AFTER:
                probes = [Probed(each, Standing.SILENT) for each in members]
            else:
                probes = await self._span(span, members)
            if all(each.standing is Standing.SILENT for each in probes):
                silent += 1
            else:
                answered = True
            found |= {each.register.name: each for each in probes}
        return [found[each.name] for each in register_map.registers]

    async def _span(self, span: ReadSpan, members: Sequence[Register]) -> list[Probed]:
        """Ask for a span, and for ever smaller parts of it where it is not answered."""
        result = await self._client.request(
            self._server, READS[span.table](span.start, span.quantity)
        )
        raw = raw_of(span, result.reply)
        if raw is not None and len(raw) == span.quantity:
            return [Probed(each, Standing.ANSWERED, raw=span.pick(each, raw)) for each in members]
        if result.outcome is not Outcome.EXCEPTION:
            return [Probed(each, Standing.SILENT) for each in members]
        if len(members) == 1:
            return [Probed(members[0], Standing.REFUSED, result.exception)]
        middle = len(members) // 2
        parts = members[:middle], members[middle:]
        return [probed for part in parts for probed in await self._span(_around(part), part)]


def _inside(register: Register, span: ReadSpan) -> bool:
    return (
        register.table is span.table
        and span.start <= register.address
        and register.end <= span.start + span.quantity
    )


def _around(members: Sequence[Register]) -> ReadSpan:
    """Return the span of some registers of one table, in rising order of address."""
    first = min(each.address for each in members)
    return ReadSpan(members[0].table, first, max(each.end for each in members) - first)
