"""Capture files as tests need them: built from the pcapng draft alone, odd ones among them.

Nothing here uses the code under test to make bytes. Source: draft-ietf-opsawg-pcapng, 3.1 (blocks),
3.5 (options), 4.1 (section header), 4.2 (interface description), 4.3 (enhanced packet).
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Sequence
from dataclasses import dataclass

from hypothesis import strategies as st

from kerfbus.bench.capture import Burst, LineEvent
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, LineEventKind

COMMENT = {
    "kerfbus": 1,
    "vantage": "client",
    "timing": "exact",
    "clock": "virtual",
    "uncertainty_ns": 0,
}
NANOSECONDS = 9
INBOUND, OUTBOUND = 1, 2


def block(order: str, kind: int, body: bytes) -> bytes:
    """Return a block around a body (3.1)."""
    body += bytes(-len(body) % 4)
    length = struct.pack(f"{order}I", len(body) + 12)
    return struct.pack(f"{order}I", kind) + length + body + length


def options(order: str, pairs: Sequence[tuple[int, bytes]], *, end: bool = True) -> bytes:
    """Return options, with or without the end mark (3.5)."""
    made = b"".join(
        struct.pack(f"{order}HH", code, len(value)) + value + bytes(-len(value) % 4)
        for code, value in pairs
    )
    return made + (bytes(4) if end and made else b"")


def section(
    order: str = "<",
    comment: object = COMMENT,
    *,
    more: Sequence[tuple[int, bytes]] = (),
    version: tuple[int, int] = (1, 0),
) -> bytes:
    """Return a section header; a comment that is no text is written as JSON (4.1)."""
    if not isinstance(comment, bytes | str | None):
        comment = json.dumps(comment)
    if isinstance(comment, str):
        comment = comment.encode()
    pairs = [*more, *([(1, comment)] if comment is not None else [])]
    head = struct.pack(f"{order}IHHq", 0x1A2B3C4D, *version, -1)
    return block(order, 0x0A0D0D0A, head + options(order, pairs))


def interface(
    order: str,
    link: int,
    pairs: Sequence[tuple[int, bytes]],
    resolution: int | None = NANOSECONDS,
    offset: int = 0,
) -> bytes:
    """Return an interface description (4.2)."""
    pairs = [*pairs]
    if resolution is not None:
        pairs.append((9, bytes([resolution])))
    if offset:
        pairs.append((14, struct.pack(f"{order}q", offset)))
    return block(order, 1, struct.pack(f"{order}HHI", link, 0, 0) + options(order, pairs))


def characters(
    order: str = "<",
    settings: LineSettings = LineSettings(),  # noqa: B008 (frozen)
    resolution: int | None = NANOSECONDS,
    offset: int = 0,
) -> bytes:
    """Return the description of the characters' interface."""
    pairs = [
        (2, b"characters"),
        (3, settings.format.encode()),
        (8, struct.pack(f"{order}Q", settings.baud)),
    ]
    return interface(order, 147, pairs, resolution, offset)


def events(order: str = "<", resolution: int | None = NANOSECONDS, offset: int = 0) -> bytes:
    """Return the description of the line events' interface."""
    return interface(order, 148, [(2, b"line events")], resolution, offset)


def packet(
    order: str, number: int, ticks: int, data: bytes, pairs: bytes = b"", size: int | None = None
) -> bytes:
    """Return an enhanced packet; `pairs` is what `options` gave (4.3)."""
    head = struct.pack(
        f"{order}IIIII",
        number,
        ticks >> 32,
        ticks & 0xFFFFFFFF,
        len(data) if size is None else size,
        len(data),
    )
    return block(order, 6, head + data + bytes(-len(data) % 4) + pairs)


def flags(order: str, value: int) -> bytes:
    """Return the options of a burst: epb_flags alone."""
    return options(order, [(2, struct.pack(f"{order}I", value))])


def event_data(kind: int, index: int = 0, value: int = 0) -> bytes:
    """Return the eight bytes of a line event (capture format, version 1)."""
    return struct.pack(">BBHI", kind, 0, index, value)


def plain_header(order: str = "<") -> bytes:
    """Return what every test that looks at records begins with."""
    return section(order) + characters(order) + events(order)


# What a writer is given

instants = st.one_of(st.integers(0, 2**63 - 1), st.integers(10**18, 10**18 + 10**6))
kinds = st.sampled_from([kind for kind in LineEventKind if kind > LineEventKind.OVERRUN])
comments = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)), max_size=20)
line_settings = st.builds(
    LineSettings,
    baud=st.integers(1, 4_000_000),
    data_bits=st.integers(5, 8),
    parity=st.sampled_from("NEOMS"),
    stop_bits=st.sampled_from([1, 2]),
)


@st.composite
def bursts(draw: st.DrawFn) -> Burst:
    """Return a burst as a transport could deliver it."""
    data = draw(st.binary(min_size=1, max_size=40))
    if draw(st.booleans()):
        return Burst(data, draw(instants), True)
    errors = st.builds(
        CharacterError,
        st.integers(0, len(data) - 1),
        st.sampled_from([LineEventKind(kind) for kind in range(1, 5)]),
        st.integers(0, 2**32 - 1),
    )
    return Burst(data, draw(instants), False, tuple(draw(st.lists(errors, max_size=3))))


@st.composite
def line_events(draw: st.DrawFn) -> LineEvent:
    """Return a line event that stands alone."""
    kind = draw(kinds)
    comment = draw(comments)
    if kind is LineEventKind.SETTINGS:
        settings = draw(line_settings)
        comment = f"baud={settings.baud} format={settings.format}"
    index, value = draw(st.integers(0, 2**16 - 1)), draw(st.integers(0, 2**32 - 1))
    return LineEvent(kind, draw(instants), index, value, comment)


records = st.lists(st.one_of(bursts(), line_events()), max_size=12)


# What a reader may meet


@dataclass
class Odd:
    """A file in the making: valid blocks of many kinds, some of them none of ours."""

    chance: random.Random
    order: str = "<"

    def header(self) -> bytes:
        """Return a section header and interfaces in some order, resolution and company."""
        self.order = self.chance.choice("<<<>")
        plain = self.chance.random() < 0.8
        made = [
            (147, characters(self.order, resolution=self.resolution(plain), offset=0)),
            (148, events(self.order, self.resolution(plain), 0 if plain else 3)),
        ]
        if self.chance.random() < 0.3:
            made.append((0, interface(self.order, 1, [(2, b"eth0")])))
        if self.chance.random() < 0.3:
            self.chance.shuffle(made)
        self.numbers = {link: number for number, (link, _) in enumerate(made)}
        unknown = block(self.order, 0xBAD, b"????") if self.chance.random() < 0.3 else b""
        return section(self.order) + unknown + b"".join(each for _, each in made)

    def resolution(self, plain: bool) -> int | None:
        """Return a resolution; seconds to attoseconds, powers of two, or the default."""
        return NANOSECONDS if plain else self.chance.choice([None, 0, 3, 6, 12, 18, 0x80 | 30])

    def some_options(self) -> bytes:
        """Return options of a packet: the usual ones, none, unknown ones, invalid UTF-8."""
        chance = self.chance.random()
        if chance < 0.8:
            return flags(self.order, self.chance.choice([1, 1, 2]))
        pairs = [
            (self.chance.choice([1, 3, 4, 2988, 0x8001]), self.chance.randbytes(5)),
            (2, struct.pack(f"{self.order}I", self.chance.choice([0, 1, 2, 3, 0x01000001]))),
            (1, b"note=\xff\xfe"),
        ]
        self.chance.shuffle(pairs)
        wanted = pairs[: self.chance.randrange(4)]
        return options(self.order, wanted, end=self.chance.random() < 0.5)

    def characters(self) -> bytes:
        """Return the data of a burst; sometimes it looks like blocks."""
        chance = self.chance.random()
        if chance < 0.1:
            lures = [self.packet(147, b"lure"), struct.pack("<II", 6, 32) * 3, plain_header()]
            return self.chance.choice(lures) + self.chance.randbytes(self.chance.randrange(5))
        return self.chance.randbytes(self.chance.randrange(0 if chance < 0.12 else 1, 30))

    def packet(self, link: int, data: bytes, pairs: bytes | None = None) -> bytes:
        """Return a packet on the interface of a link type."""
        ticks = self.chance.randrange(10**6)
        number = self.numbers.get(link, 77)
        return packet(
            self.order, number, ticks, data, self.some_options() if pairs is None else pairs
        )

    def error(self) -> bytes:
        """Return a line error; now and then one that belongs nowhere."""
        index = self.chance.randrange(3) if self.chance.random() < 0.9 else 5000
        pairs = b"" if self.chance.random() < 0.9 else None
        return self.packet(148, event_data(self.chance.randint(1, 4), index, 7), pairs)

    def event(self) -> bytes:
        """Return a line event, of a known kind or not."""
        kind = self.chance.choice([0, 5, 6, 16, 17, 18, 19, 200])
        comment = {18: b"baud=9600 format=8N2", 19: b"arc=on"}.get(kind, b"")
        pairs = options(self.order, [(1, comment)]) if comment else b""
        return self.packet(148, event_data(kind, 0, 3) + b"xx"[: self.chance.randrange(3)], pairs)

    def item(self) -> bytes:
        """Return the next block or blocks; mostly bursts."""
        chance = self.chance.random()
        if chance < 0.9:
            return self.packet(147, self.characters())
        if chance < 0.95:
            return b"".join(self.error() for _ in range(self.chance.randint(1, 3)))
        if chance < 0.97:
            return self.event()
        if chance < 0.98:
            return self.packet(self.chance.choice([0, 99]), b"none of ours")
        if chance < 0.99:
            return block(self.order, self.chance.choice([3, 4, 5, 0xBAD, 2**31]), b"skip me")
        return self.header()

    def run(self) -> bytes:
        """Return bursts of the common form, many in a row."""
        made = []
        for _ in range(self.chance.randrange(30, 90)):
            if self.chance.random() < 0.05:
                made.append(self.packet(148, event_data(self.chance.randint(1, 4)), b""))
            pairs = flags(self.order, self.chance.choice([1, 2]))
            made.append(self.packet(147, self.chance.randbytes(self.chance.randint(1, 20)), pairs))
        return b"".join(made)


def odd_file(seed: int, items: int) -> bytes:
    """Return a valid file of many kinds of blocks, the same for the same seed."""
    odd = Odd(random.Random(seed))
    header = odd.header()
    body = [odd.run() if odd.chance.random() < 0.1 else odd.item() for _ in range(items)]
    return header + b"".join(body)
