"""Registers by address: the four tables of the data model, laid out by a register map.

The bank answers reads from an image of the raw words. What changes by itself is a *reading*, asked
for when it is read; everything else comes from *pages*, groups of registers whose values are made
together and only when something can have changed. So a poll costs what it reads.

It also turns writes into changes by name, after checking addresses, access and the map's limits.
What a change does is not known here. Exception codes: see `kerfbus.sim.refusal`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from enum import Enum, auto
from struct import Struct
from struct import error as struct_error
from typing import NamedTuple

from kerfbus.bench.errors import KerfbusError, LimitError, MapError
from kerfbus.bench.regmap import Register, RegisterMap, Table, Type
from kerfbus.sim.cells import Cell, Writer, writer
from kerfbus.sim.curves import NEVER
from kerfbus.sim.refusal import cannot, no_address
from kerfbus.sim.settings import Setting, engineering

MAX_KNOWN_SPANS = 4096
"""Spans of which is remembered what fills them."""
_NOTHING = float("nan")
"""Equal to no value, itself included."""
_DIGITS = bytes.maketrans(b"\0\1", b"01")


class Change(NamedTuple):
    """A register that is to be written.

    Attributes:
        register: which.
        raw: its words (or bit), all of them.
        value: what they mean: a number, a choice's code, a text.
    """

    register: Register
    raw: tuple[int, ...]
    value: Setting


class Freshness(Enum):
    """How long a page stays true."""

    REVISION = auto()
    """Until the supply's revision changes."""
    INSTANT = auto()
    """Until then, or until another instant is asked for."""
    NEVER = auto()
    """Not at all: it is filled for every request."""


_LASTS = {Freshness.REVISION: NEVER, Freshness.INSTANT: 1, Freshness.NEVER: 0}
"""How long, in ns."""


class _Place(NamedTuple):
    """Where a value goes: an image, the offset in it, and the way from value to bytes in it."""

    register: Register
    image: bytearray
    offset: int
    write: Writer

    def put(self, value: Cell) -> None:
        """Put a value there."""
        self.write(self.image, self.offset, value)


class Page:
    """Registers whose values come together.

    Args:
        names: of the registers; those that the map lacks are left out.
        sample: gives the values in the order of `names` at an instant.
        freshness: how long the values stay true.
    """

    def __init__(
        self,
        names: Sequence[str],
        sample: Callable[[int], Sequence[Cell]],
        freshness: Freshness,
    ) -> None:
        self.names = names
        self.places: list[tuple[int, _Place]] = []
        self._sample = sample
        self._freshness = freshness
        self.revision = self.until = -1
        self._shown: list[Cell] = []

    def refresh(self, revision: int, now: int) -> None:
        """Fill the image; whoever calls this has found `until` or `revision` out of date."""
        self.revision, self.until = revision, now + _LASTS[self._freshness]
        values = list(self._sample(now))
        if len(self._shown) != len(values):
            self._shown = [_NOTHING] * len(values)
        if values == self._shown:
            return
        for index, place in self.places:
            if values[index] != self._shown[index]:
                place.put(values[index])
        self._shown = values

    def values(self, now: int) -> list[tuple[_Place, Cell]]:
        """Return where each value at `now` goes."""
        values = self._sample(now)
        return [(place, values[index]) for index, place in self.places]


class Sample(NamedTuple):
    """When readings are looked at, and for how long what is seen then is shown.

    Attributes:
        at: instant to look at, not after the one that was asked about.
        until: what is seen is shown to before this instant, unless the edition changes.
    """

    at: int
    until: int


Sampling = Callable[[int], Sample]
"""Gives the sample that is shown at an instant. Nothing but the instant and the edition may decide
on it: then it does not matter how often anybody asks."""


def always(now: int) -> Sample:
    """Look at every instant that is asked about."""
    return Sample(now, now)


class _Reading(NamedTuple):
    """A register that changes by itself, and the function that gives its value at an instant."""

    place: _Place
    value: Callable[[int], Cell]
    sampling: Sampling


_Entry = tuple[Writer, bytearray, int, Callable[[int], Cell]]


class _Group:
    """The readings of a span that are looked at together."""

    def __init__(self, sampling: Sampling, readings: Sequence[_Reading]) -> None:
        self._sampling = sampling
        self._entries: list[_Entry] = [
            (to.write, to.image, to.offset, value) for to, value, _ in readings
        ]
        self.until = self.edition = -1

    def refresh(self, edition: int, now: int) -> None:
        """Fill the image; whoever calls this has found `until` or `edition` out of date."""
        self.edition = edition
        at, self.until = (now, now) if self._sampling is always else self._sampling(now)
        for write, image, offset, value in self._entries:
            write(image, offset, value(at))


class _Touched(NamedTuple):
    """What must be brought up to date before a span is read."""

    pages: tuple[Page, ...]
    groups: tuple[_Group, ...]


class _Image:
    """One table: raw content, and what may be done with each address."""

    def __init__(self, table: Table, register_map: RegisterMap) -> None:
        self.table = table
        registers = [each for each in register_map.registers if each.table is table]
        self.size = max((each.end for each in registers), default=0)
        self.width = 1 if table.of_bits else 2
        self.data = bytearray(self.size * self.width)
        self.readable = bytearray(self.size)
        self.source_at: list[Page | _Reading | None] = [None] * self.size
        self.known_spans: dict[tuple[int, int], _Touched] = {}
        for register in registers:
            if register.readable:
                self.readable[register.address : register.end] = b"\1" * register.words
            if register.default is not None:
                self.put(register, register.encode(register.default))

    def put(self, register: Register, raw: Sequence[int]) -> None:
        """Write a register's words (or bit) into the image."""
        width = self.width
        for place, word in enumerate(raw, register.address):
            self.data[place * width : (place + 1) * width] = word.to_bytes(width, "big")

    def raw(self, start: int, count: int) -> list[int]:
        """Return words (or bits) as they stand."""
        if self.width == 1:
            return list(self.data[start : start + count])
        data = self.data[2 * start : 2 * (start + count)]
        return list(Struct(f">{count}H").unpack(data))

    def ready(self, start: int, count: int) -> _Touched:
        """Return what fills a span that is read; remembered, because clients poll the same spans.

        Raises:
            RefusedError: an address is a hole or cannot be read.
        """
        if start + count > self.size or self.readable.find(0, start, start + count) >= 0:
            raise no_address(f"{self.table} {start} to {start + count - 1}: cannot all be read")
        if len(self.known_spans) >= MAX_KNOWN_SPANS:
            self.known_spans.clear()
        self.known_spans[start, count] = found = self.touched(start, count)
        return found

    def touched(self, start: int, count: int) -> _Touched:
        """Return what fills a span."""
        sources = {id(each): each for each in self.source_at[start : start + count]}.values()
        readings = [each for each in sources if isinstance(each, _Reading)]
        samplings = {id(each.sampling): each.sampling for each in readings}.values()
        groups = (_Group(own, [each for each in readings if each[2] is own]) for own in samplings)
        return _Touched(tuple(each for each in sources if isinstance(each, Page)), tuple(groups))


class Bank:
    """The four tables.

    Args:
        register_map: what is where.
        revision: tells how often anything but a live reading has changed.
        edition: tells how often anything has changed that a reading does not know in advance.
    """

    def __init__(
        self,
        register_map: RegisterMap,
        revision: Callable[[], int],
        edition: Callable[[], int] | None = None,
    ) -> None:
        self.map = register_map
        self._revision = revision
        self._edition = edition or revision
        self._images = {table: _Image(table, register_map) for table in Table}
        self._names = {register.name: register for register in register_map.registers}

    def find(self, name: str) -> Register | None:
        """Return the register called `name`, None when the map has none."""
        return self._names.get(name)

    def add(self, page: Page) -> None:
        """Let a page fill its registers from now on."""
        for index, name in enumerate(page.names):
            place = self._claim(name, page)
            if place is not None:
                page.places.append((index, place))

    def show(
        self, readings: Mapping[str, Callable[[int], Cell]], sampling: Sampling = always
    ) -> None:
        """Let functions give the values of registers, each asked only when its register is read.

        Args:
            readings: by the register's name.
            sampling: says when they are looked at; the same object for all that go together.
        """
        for name, value in readings.items():
            register = self._names.get(name)
            if register is not None:
                self._claim(name, _Reading(self._place(register), value, sampling))

    def _claim(self, name: str, source: Page | _Reading) -> _Place | None:
        """Let `source` fill the register called `name`, when the map has it."""
        register = self._names.get(name)
        if register is None:
            return None
        image = self._images[register.table]
        image.known_spans.clear()
        image.source_at[register.address : register.end] = [source] * register.words
        return self._place(register)

    def _place(self, register: Register) -> _Place:
        image = self._images[register.table]
        return _Place(register, image.data, register.address * image.width, writer(register))

    def check(self, now: int) -> None:
        """Fill every register once.

        Raises:
            MapError: a register is of a kind that cannot show what the supply has for it.
        """
        for image in self._images.values():
            for source in {id(each): each for each in image.source_at}.values():
                if isinstance(source, _Reading):
                    self._try(source.place, source.value(now))
                elif source is not None:
                    for place, value in source.values(now):
                        self._try(place, value)

    def _try(self, place: _Place, value: Cell) -> None:
        try:
            place.put(value)
        except (KerfbusError, TypeError, ValueError, struct_error) as error:
            register = place.register
            raise MapError(
                self.map.file,
                f"a register of this type cannot show what the supply has for it, e.g. {value!r}",
                register.name,
                "type",
            ) from error

    def read_words(self, table: Table, start: int, count: int, now: int) -> bytes:
        """Return `count` words from `start`, high byte first.

        Raises:
            RefusedError: an address is a hole or cannot be read.
        """
        image = self._images[table]
        self._refresh(image.known_spans.get((start, count)) or image.ready(start, count), now)
        return bytes(image.data[2 * start : 2 * (start + count)])

    def read_bits(self, table: Table, start: int, count: int, now: int) -> bytes:
        """Return `count` bits from `start`, packed: first bit lowest, padded with zeros.

        Raises:
            RefusedError: an address is a hole or cannot be read.
        """
        image = self._images[table]
        self._refresh(image.known_spans.get((start, count)) or image.ready(start, count), now)
        digits = image.data[start : start + count][::-1].translate(_DIGITS)
        return int(digits, 2).to_bytes((count + 7) // 8, "little")

    def changes(self, table: Table, start: int, raw: Sequence[int], now: int) -> list[Change]:
        """Return what writing `raw` from `start` would change, by rising address.

        A text may be written in part; a number of two words only as a whole.

        Raises:
            RefusedError: an address is a hole or read only, a number is written in part, or a value
                is outside the map's limits. Nothing has changed.
        """
        end, image = start + len(raw), self._images[table]
        found = self.map.covering(table, start, len(raw))
        covered = sum(min(each.end, end) - max(each.address, start) for each in found)
        if covered != len(raw):
            raise no_address(
                f"{table} {start} to {end - 1}: there are addresses without a register"
            )
        changes = []
        for register in found:
            if not register.writable:
                raise no_address(f"{register.name}: is read only")
            whole = register.address >= start and register.end <= end
            if not whole and register.type is not Type.STRING:
                raise no_address(f"{register.name}: write all of its {register.words} words")
            if not whole:
                self._refresh(image.touched(register.address, register.words), now)
            words = image.raw(register.address, register.words)
            first = max(register.address, start)
            part = raw[first - start : min(register.end, end) - start]
            words[first - register.address : first - register.address + len(part)] = part
            changes.append(_checked(register, tuple(words)))
        return changes

    def remember(self, changes: Sequence[Change]) -> None:
        """Keep what was written to registers that no page fills; they are plain memory."""
        for change in changes:
            image = self._images[change.register.table]
            if image.source_at[change.register.address] is None and change.register.readable:
                image.put(change.register, change.raw)

    def _refresh(self, touched: _Touched, now: int) -> None:
        pages, groups = touched
        if pages:
            revision = self._revision()
            for page in pages:
                if now >= page.until or revision != page.revision:
                    page.refresh(revision, now)
        if groups:
            edition = self._edition()
            for group in groups:
                if now >= group.until or edition != group.edition:
                    group.refresh(edition, now)


def _checked(register: Register, raw: tuple[int, ...]) -> Change:
    """Return the change when the map's limits allow it."""
    value = register.decode(raw)
    if value is None:
        raise cannot(f"{register.name}: this raw value means invalid")
    try:
        register.encode(value)
    except LimitError as error:
        raise cannot(str(error)) from error
    return Change(register, raw, engineering(register, raw))
