"""A whole register map: finding registers, and reading many of them in few requests."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.regmap.register import Register, Table

MAX_READ_WORDS = 125
"""Most registers one read may ask for (MODBUS Application Protocol V1.1b3, 6.3 and 6.4)."""
MAX_READ_BITS = 2000
"""Most coils or discrete inputs one read may ask for (6.1 and 6.2)."""
BRIDGE_WORDS = 16
"""Longest gap of unwanted words that is read over rather than split at. At 19200 8E1 sixteen words
take 18 ms; another request and reply take 11 ms with their silent intervals, and the server's
thinking time, commonly some milliseconds."""


class ReadSpan(NamedTuple):
    """One read request: `quantity` addresses of `table` from `start`."""

    table: Table
    start: int
    quantity: int

    def pick(self, register: Register, raw: Sequence[int]) -> tuple[int, ...]:
        """Return the words (bits) of `register` out of the `raw` ones that this read gave.

        Raises:
            UsageError: the register is not inside this span, or `raw` is too short for it.
        """
        first = register.address - self.start
        picked = tuple(raw[first : first + register.words]) if first >= 0 else ()
        if register.table != self.table or len(picked) != register.words:
            raise UsageError(
                f"{register.name}: not in the {len(raw)} values read from {self.table}:{self.start}"
            )
        return picked


@dataclass(frozen=True, slots=True)
class MapHeader:
    """What a map says of itself and of the unit it describes.

    Attributes:
        title: one line for people.
        note: caution or origin, e.g. that everything is invented.
        version: the author's version of the map, "" for none.
        server: server address the unit has from the factory.
        settings: line settings the unit has from the factory.
        max_read_words: most registers that the unit gives in one reply.
        max_read_bits: most coils or discrete inputs that the unit gives in one reply.
    """

    title: str = ""
    note: str = ""
    version: str = ""
    server: int = 1
    settings: LineSettings = field(default_factory=LineSettings)
    max_read_words: int = MAX_READ_WORDS
    max_read_bits: int = MAX_READ_BITS


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """All registers of a unit, checked.

    Attributes:
        name: the map's name.
        file: where it was read from.
        header: title, note, factory settings, read limits.
        registers: by table (in the order of `Table`) and address.
        groups: group to its description, in the author's order; empty when the map names none.
        facts: plain metadata of the author, not interpreted here.
    """

    name: str
    file: str
    registers: tuple[Register, ...]
    header: MapHeader = MapHeader()
    groups: Mapping[str, str] = field(default_factory=dict, hash=False)
    facts: Mapping[str, str | int | float | bool] = field(default_factory=dict, hash=False)
    _names: Mapping[str, Register] = field(init=False, repr=False, compare=False)
    _tables: Mapping[str, tuple[list[int], list[Register]]] = field(
        init=False, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        order = list(Table)
        ordered = sorted(
            self.registers, key=lambda entry: (order.index(entry.table), entry.address)
        )
        object.__setattr__(self, "registers", tuple(ordered))
        object.__setattr__(self, "_names", {entry.name: entry for entry in ordered})
        tables: dict[str, tuple[list[int], list[Register]]] = {table: ([], []) for table in Table}
        for entry in ordered:
            tables[entry.table][0].append(entry.address)
            tables[entry.table][1].append(entry)
        object.__setattr__(self, "_tables", tables)

    def by_name(self, name: str) -> Register:
        """Return the register called `name`.

        Raises:
            UsageError: there is none; the nearest name is given.
        """
        entry = self._names.get(name)
        if entry is None:
            raise UsageError(
                f"map {self.name} has no register {name!r}" + close_match(name, self._names)
            )
        return entry

    def at(self, table: str, address: int) -> Register | None:
        """Return the register that covers `address`, first word or not; None when none does."""
        starts, entries = self._tables[table]
        index = bisect_right(starts, address) - 1
        if index < 0 or address >= entries[index].end:
            return None
        return entries[index]

    def covering(self, table: str, start: int, count: int) -> tuple[Register, ...]:
        """Return every register of which at least one word is in the span, by address."""
        starts, entries = self._tables[table]
        first = max(bisect_right(starts, start) - 1, 0)
        found = []
        for entry in entries[first:]:
            if entry.address >= start + count:
                break
            if entry.end > start:
                found.append(entry)
        return tuple(found)

    def plan_reads(self, names: Iterable[str], bridge: int = BRIDGE_WORDS) -> list[ReadSpan]:
        """Return few reads that fetch all registers named.

        Neighbours are merged, also over a gap of at most `bridge` words (16 times as many bits),
        but only where the map has readable registers all the way: some units refuse a read that
        touches an address they do not have. A register is never split between two reads.

        Raises:
            UsageError: a name is unknown, or its register can only be written.
        """
        wanted = {name: self.by_name(name) for name in names}
        for entry in wanted.values():
            if not entry.readable:
                raise UsageError(f"{entry.name}: the map lets it be written only, not read")
        spans: list[ReadSpan] = []
        for table in Table:
            entries = sorted(
                (entry for entry in wanted.values() if entry.table is table),
                key=lambda entry: entry.address,
            )
            spans.extend(self._merge(table, entries, bridge))
        return spans

    def to_json(self) -> dict[str, Any]:
        """Return the map as ``map show --json`` prints it."""
        return {
            "name": self.name,
            "file": self.file,
            "title": self.header.title,
            "note": self.header.note,
            "version": self.header.version,
            "server": self.header.server,
            "baud": self.header.settings.baud,
            "format": self.header.settings.format,
            "groups": dict(self.groups),
            "facts": dict(self.facts),
            "registers": [entry.to_json() for entry in self.registers],
        }

    def _merge(self, table: Table, entries: list[Register], bridge: int) -> list[ReadSpan]:
        """Return the reads for registers of one table, in rising order of address."""
        most = self.header.max_read_bits if table.of_bits else self.header.max_read_words
        gap = bridge * 16 if table.of_bits else bridge
        spans: list[ReadSpan] = []
        for entry in entries:
            if spans:
                last = spans[-1]
                end = last.start + last.quantity
                near = entry.address - end <= gap and entry.end - last.start <= most
                if near and self._readable_all(table, end, entry.address):
                    spans[-1] = ReadSpan(table, last.start, entry.end - last.start)
                    continue
            spans.append(ReadSpan(table, entry.address, entry.words))
        return spans

    def _readable_all(self, table: Table, start: int, end: int) -> bool:
        """Return whether readable registers cover start to end without a hole."""
        if start >= end:
            return True
        between = self.covering(table, start, end - start)
        if not between or between[0].address > start or between[-1].end < end:
            return False
        gapless = all(one.end == two.address for one, two in pairwise(between))
        return gapless and all(entry.readable for entry in between)
