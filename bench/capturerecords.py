"""What a capture says, and the blocks that say it.

Job: the vocabulary of a capture, format version 1, and the bytes of each word. Rule: no file is
opened here. It must not know frames: what is recorded is characters, line errors and times. The way
back, from bytes to records, is `kerfbus.bench.captureparser`.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from kerfbus.bench import pcapng
from kerfbus.bench.clock import ClockKind
from kerfbus.bench.errors import SettingsError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind, Timing, Vantage

VERSION = 1
CHARACTERS_LINK, CHARACTERS_NAME = 147, "characters"
EVENTS_LINK, EVENTS_NAME = 148, "line events"
CHARACTERS, EVENTS = 0, 1
"""Numbers of the two interfaces as we write them; a reader takes them in any order."""
MAX_AT = 2**63 - 1
"""Last instant in nanoseconds, in the year 2262: what a signed 64-bit column holds."""
MAX_INDEX = 0xFFFF
CHARACTER_ERRORS = frozenset(LineEventKind(kind) for kind in range(1, 5))
OUTBOUND_FLAG = 2
"""epb_flags, bits 0-1 (pcapng draft, 4.3.1); 1 is inbound."""
NANOSECONDS = 9
"""if_tsresol of 10**-9 s."""

EVENT = struct.Struct(">BBHI")
"""Kind, zero, index, value."""
_FLAGS = {
    outbound: pcapng.option_list([(pcapng.EPB_FLAGS, struct.pack("<I", 1 + outbound))])
    for outbound in (False, True)
}


class Burst(NamedTuple):
    """Characters that were heard or sent together.

    Attributes:
        data: the characters, at least one.
        at: end of the last stop bit (``exact``) or the moment the read returned (``host``).
        outbound: whether the recording station sent them.
        errors: line errors, in the order in which they were recorded.
    """

    data: bytes
    at: int
    outbound: bool = False
    errors: tuple[CharacterError, ...] = ()


class LineEvent(NamedTuple):
    """Something that happened to the line or the port.

    Attributes:
        kind: what happened.
        at: when.
        index: of the character, for kinds 1-4.
        value: as the kind says, else 0.
        comment: as the kind says, else "".
    """

    kind: LineEventKind
    at: int
    index: int = 0  # type: ignore[assignment]  # hides a method of tuples that nobody calls
    value: int = 0
    comment: str = ""


Record = Burst | LineEvent


@dataclass(frozen=True, slots=True)
class CaptureInfo:
    """What a capture says about itself.

    Attributes:
        settings: line settings at the start of the section.
        vantage: whether the station is ``client``, ``server`` or ``tap``.
        timing: whether stamps are ``exact`` or the ``host``'s.
        clock: what instants count from: 1970 (``wall``) or the start of the run (``virtual``).
        uncertainty_ns: for ``host``: the longest believed delay from stop bit to stamp.
        seed: of the simulated line that made it, None for a real one.
        program: program and version that wrote it, "" when it does not say.
        version: format version.
    """

    settings: LineSettings
    vantage: Vantage
    timing: Timing
    clock: ClockKind
    uncertainty_ns: int = 0
    seed: int | None = None
    program: str = ""
    version: int = VERSION


def header(info: CaptureInfo) -> bytes:
    """Return the section header and the two interface descriptions; equal info, equal bytes."""
    said: dict[str, object] = {
        "kerfbus": info.version,
        "vantage": info.vantage,
        "timing": info.timing,
        "clock": info.clock,
        "uncertainty_ns": info.uncertainty_ns,
    }
    if info.seed is not None:
        said["seed"] = info.seed
    resolution = (pcapng.IF_TSRESOL, bytes([NANOSECONDS]))
    return (
        pcapng.section_header(
            [
                (pcapng.SHB_USERAPPL, info.program.encode()),
                (pcapng.OPT_COMMENT, json.dumps(said).encode()),
            ]
        )
        + pcapng.interface_description(
            CHARACTERS_LINK,
            [
                (pcapng.IF_NAME, CHARACTERS_NAME.encode()),
                (pcapng.IF_DESCRIPTION, info.settings.format.encode()),
                (pcapng.IF_SPEED, struct.pack("<Q", info.settings.baud)),
                resolution,
            ],
        )
        + pcapng.interface_description(
            EVENTS_LINK, [(pcapng.IF_NAME, EVENTS_NAME.encode()), resolution]
        )
    )


class BurstFormat:
    """Turns bursts into blocks; keeps what surrounds the short ones, which recur."""

    _KEPT = 512

    def __init__(self) -> None:
        self._frames = {
            (size, outbound): pcapng.packet_frame(CHARACTERS, size, flags)
            for size in range(self._KEPT)
            for outbound, flags in _FLAGS.items()
        }

    def block(self, data: bytes, at: int, outbound: bool) -> bytes:
        """Return the block of a burst without its errors.

        Raises:
            UsageError: the instant is out of range.
        """
        if not 0 <= at <= MAX_AT:
            raise _out_of_range(at)
        size = len(data)
        frame = self._frames.get((size, outbound))
        if frame is None:
            frame = pcapng.packet_frame(CHARACTERS, size, _FLAGS[outbound])
        before, between, behind = frame
        return before + pcapng.packed_pair(at >> 32, at & 0xFFFFFFFF) + between + data + behind


def event_block(event: LineEvent) -> bytes:
    """Return the block of a line event.

    Raises:
        UsageError: a field does not fit into its place.
    """
    kind, at, index, value, comment = event
    if not 0 <= at <= MAX_AT:
        raise _out_of_range(at)
    encoded = comment.encode("utf-8", "replace")
    if len(encoded) > pcapng.MAX_OPTION:
        raise UsageError(f"comment of {len(encoded)} bytes: at most {pcapng.MAX_OPTION} fit")
    if b"\0" in encoded:
        raise UsageError("comment with a zero character: it would end there, leave it out")
    try:
        data = EVENT.pack(kind, 0, index, value)
    except struct.error as error:
        raise UsageError(f"line event {kind}: index {index} or value {value} too big") from error
    options = pcapng.option_list([(pcapng.OPT_COMMENT, encoded)]) if encoded else b""
    return pcapng.enhanced_packet(EVENTS, at, data, options)


def _out_of_range(at: int) -> UsageError:
    return UsageError(f"instant {at}: a capture holds 0 to {MAX_AT} nanoseconds")


def settings_comment(settings: LineSettings) -> str:
    """Return the comment of a ``settings changed`` event, e.g. ``baud=9600 format=8N2``."""
    return f"baud={settings.baud} format={settings.format}"


def changed_settings(comment: str, before: LineSettings) -> LineSettings:
    """Return the settings that a ``settings changed`` event puts in force.

    Unknown keys are ignored; a key that is missing leaves its value as it was.

    Raises:
        SettingsError: a value is none.
    """
    said = dict(part.partition("=")[::2] for part in comment.split())
    rate = said.get("baud", str(before.baud))
    if not (rate.isascii() and rate.isdigit() and len(rate) <= 10):
        raise SettingsError(f"baud {rate!r}: not a bit rate")
    return LineSettings.parse(int(rate), said.get("format", before.format))


def error_blocks(chunk: Chunk) -> bytes:
    """Return the blocks of the line errors of a chunk that `nameable` gave."""
    return b"".join(
        event_block(LineEvent(kind, chunk.at, position, value))
        for position, kind, value in chunk.errors
    )


def nameable(chunk: Chunk, exact: LineSettings | None) -> Iterator[Chunk]:
    """Yield a chunk in parts short enough for its line errors: their index has 16 bits.

    Args:
        chunk: characters with line errors.
        exact: settings of the line when instants are exact: each part then ends with its own last
            character. The host's stamp is that of the read, the same for all parts.

    Raises:
        UsageError: a line error belongs to no character of the chunk, or is of no such kind.
    """
    for position, kind, _ in chunk.errors:
        if kind not in CHARACTER_ERRORS or not 0 <= position < len(chunk.data):
            raise UsageError(f"line error {kind} at {position} of {len(chunk.data)} characters")
    if all(error.position <= MAX_INDEX for error in chunk.errors):
        yield chunk
        return
    for start in range(0, len(chunk.data), MAX_INDEX + 1):
        part = chunk.data[start : start + MAX_INDEX + 1]
        behind = len(chunk.data) - start - len(part)
        at = chunk.at if exact is None else max(0, chunk.at - exact.characters_ns(behind))
        errors = tuple(
            error._replace(position=error.position - start)
            for error in chunk.errors
            if start <= error.position < start + len(part)
        )
        yield Chunk(part, at, errors)
