"""From the blocks of a capture to its records.

Job: the meaning of blocks, section by section. Rule: blocks go in, records come out; no file is
opened here. Unknown blocks, options, kinds of events and interfaces are skipped.

Line errors (kinds 1-4) stand directly before the inbound burst that holds the character and are
folded into it. One that precedes no such burst, or that counts beyond its end, is delivered alone
as a `LineEvent`: nothing that was recorded is dropped.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any, Literal, NamedTuple, get_args

from kerfbus.bench import pcapng
from kerfbus.bench.capturerecords import (
    CHARACTER_ERRORS,
    CHARACTERS,
    CHARACTERS_LINK,
    CHARACTERS_NAME,
    EVENT,
    EVENTS,
    EVENTS_LINK,
    EVENTS_NAME,
    MAX_AT,
    OUTBOUND_FLAG,
    VERSION,
    Burst,
    CaptureInfo,
    LineEvent,
    Record,
    changed_settings,
)
from kerfbus.bench.clock import NS, ClockKind
from kerfbus.bench.errors import CaptureError, SettingsError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.pcapng import Block, DamageError
from kerfbus.bench.transport import CharacterError, LineEventKind, Timing, Vantage

_KINDS = {int(kind): kind for kind in LineEventKind}
_DEFAULT_RESOLUTION = 6
"""Microseconds, when an interface does not say (pcapng draft, 4.2, if_tsresol)."""
_COMMON_OPTIONS = {
    order: {
        b"": False,
        **{
            struct.pack(f"{order}HHIHH", pcapng.EPB_FLAGS, 4, flags, pcapng.OPT_END, 0): (
                flags == OUTBOUND_FLAG
            )
            for flags in (1, OUTBOUND_FLAG)
        },
    }
    for order in pcapng.ORDERS
}
"""The options that nearly every burst has, and whether it is outbound."""
_HEAD = {order: struct.Struct(f"{order}IIII") for order in pcapng.ORDERS}
_NOT_YET_KNOWN = LineSettings()
"""Stands in until the interface that states the settings was met."""


class Interface(NamedTuple):
    """An interface of the section at hand.

    Attributes:
        role: CHARACTERS, EVENTS or None for one that is none of ours.
        ticks_per_second: unit of its time stamps.
        offset_ns: what is added to them.
    """

    role: int | None
    ticks_per_second: int
    offset_ns: int

    @property
    def plain(self) -> bool:
        """Return whether its time stamps are nanoseconds as they stand."""
        return self.ticks_per_second == NS and not self.offset_ns

    def instant(self, ticks: int) -> int:
        """Return a time stamp in nanoseconds, rounded down."""
        if self.ticks_per_second != NS:
            ticks = ticks * NS // self.ticks_per_second
        return ticks + self.offset_ns


class RecordParser:
    """Turns the blocks of a capture into records.

    Args:
        file: the file's name, for messages.

    Attributes:
        info: of the section at hand, once its ``characters`` interface was met; before that of
            the section before, None in the first.
        settings: in force at the record returned last; None as long as `info` is.
        interfaces: of the section at hand, by number.
        pending: line errors that wait for their burst.
    """

    def __init__(self, file: str) -> None:
        self._file = file
        # Where the section begins and what it says, as long as its characters are not described.
        self._section: int | None = None
        self._said: CaptureInfo | None = None
        self.info: CaptureInfo | None = None
        self.settings: LineSettings | None = None
        self.interfaces: list[Interface] = []
        self.pending: list[LineEvent] = []
        self._take: dict[int, Callable[[Block], Sequence[Record]]] = {
            pcapng.SECTION: self._section_header,
            pcapng.INTERFACE: self._interface_description,
            pcapng.PACKET: self._packet,
        }

    def take(self, block: Block) -> Sequence[Record]:
        """Return the records that a block completes, usually one or none.

        Raises:
            CaptureError: this is no capture of ours, or a newer one.
            DamageError: the block is not what the format says.
        """
        take = self._take.get(block.kind)
        return take(block) if take is not None else ()

    def orphans(self) -> list[Record]:
        """Return the line errors whose burst never came: the section or the file ended."""
        orphans: list[Record] = [*self.pending]
        self.pending = []
        return orphans

    def check_described(self, held: int) -> None:
        """Raise when a file ended before it said what it is; `held` bytes of it make no block.

        Raises:
            CaptureError: it did.
        """
        if self.info is not None:
            return
        if held:
            raise CaptureError(
                self._file, "ends inside its header; it was cut before anything was recorded"
            )
        self._check_section()
        check_head(self._file, b"")

    def _check_section(self) -> None:
        if self._section is not None:
            raise CaptureError(
                self._file,
                f'the section at byte {self._section} describes no interface "{CHARACTERS_NAME}" '
                f"of LinkType {CHARACTERS_LINK}: nothing was recorded in it, or another program "
                "rewrote the file",
                self._section,
            )

    def _section_header(self, block: Block) -> Sequence[Record]:
        self._check_section()
        self._section, self._said = block.offset, None
        self.interfaces = []
        major = _half_word(block, 12)
        if major != 1:
            raise CaptureError(
                self._file, f"pcapng version {major}: only version 1 can be read", block.offset
            )
        said = [*pcapng.options_of(block, pcapng.SECTION_OPTIONS_AT)]
        programs = [pcapng.text(value) for code, value in said if code == pcapng.SHB_USERAPPL]
        comments = [pcapng.text(value) for code, value in said if code == pcapng.OPT_COMMENT]
        try:
            self._said = replace(_info(comments), program="".join(programs[:1]))
        except ValueError as error:
            raise CaptureError(self._file, str(error), block.offset) from error
        return self.orphans()

    def _interface_description(self, block: Block) -> Sequence[Record]:
        said: dict[int, bytes] = {}
        for code, value in pcapng.options_of(block, pcapng.INTERFACE_OPTIONS_AT):
            said.setdefault(code, value)
        link = (_half_word(block, 8), pcapng.text(said.get(pcapng.IF_NAME, b"")))
        role = None
        if link in ((CHARACTERS_LINK, CHARACTERS_NAME), (CHARACTERS_LINK, "")):
            role = CHARACTERS
        elif link in ((EVENTS_LINK, EVENTS_NAME), (EVENTS_LINK, "")):
            role = EVENTS
        resolution = said.get(pcapng.IF_TSRESOL, b"")[:1] or bytes([_DEFAULT_RESOLUTION])
        base, exponent = (2 if resolution[0] & 0x80 else 10), resolution[0] & 0x7F
        offset = int.from_bytes(said.get(pcapng.IF_TSOFFSET, b""), _endian(block), signed=True)
        self.interfaces.append(Interface(role, base**exponent, offset * NS))
        if role == CHARACTERS and self._said is not None:
            self.settings = _settings(block, said)
            self.info = replace(self._said, settings=self.settings)
            self._section = self._said = None
        return ()

    def _packet(self, block: Block) -> Sequence[Record]:
        number, high, low, size = _HEAD[block.order].unpack_from(block.data, block.start + 8)
        if number >= len(self.interfaces):
            return ()
        interface = self.interfaces[number]
        if interface.role is None:
            return ()
        begin = block.start + pcapng.PACKET_DATA_AT
        options_at = pcapng.PACKET_DATA_AT + pcapng.padded(size)
        if block.start + options_at + 4 > block.end:
            raise DamageError(block.offset, f"a packet of {size} bytes is longer than its block")
        at = interface.instant((high << 32) | low)
        if not 0 <= at <= MAX_AT:
            raise DamageError(block.offset, f"its time stamp is {at} ns, outside of 1970 to 2262")
        data = block.data[begin : begin + size]
        if interface.role == EVENTS:
            return self._event(block, at, data, options_at)
        if not size:
            return ()
        return self._burst(data, at, _outbound(block, options_at))

    def _burst(self, data: bytes, at: int, outbound: bool) -> Sequence[Record]:
        if not self.pending:
            return (Burst(data, at, outbound),)
        if outbound:
            return (*self.orphans(), Burst(data, at, outbound))
        held, self.pending = self.pending, []
        inside = [event for event in held if event.index < len(data)]
        errors = tuple(CharacterError(each.index, each.kind, each.value) for each in inside)
        beyond = [event for event in held if event.index >= len(data)]
        return (*beyond, Burst(data, at, outbound, errors))

    def _event(self, block: Block, at: int, data: bytes, options_at: int) -> Sequence[Record]:
        if len(data) < EVENT.size:
            raise DamageError(block.offset, f"a line event of {len(data)} bytes; it takes 8")
        number, _, index, value = EVENT.unpack_from(data)
        kind = _KINDS.get(number)
        if kind is None:
            return ()
        comment = ""
        for code, said in pcapng.options_of(block, options_at):
            if code == pcapng.OPT_COMMENT:
                comment = pcapng.text(said)
                break
        event = LineEvent(kind, at, index, value, comment)
        if kind in CHARACTER_ERRORS:
            self.pending.append(event)
            return ()
        if kind is LineEventKind.SETTINGS and self.settings is not None:
            try:
                self.settings = changed_settings(comment, self.settings)
            except SettingsError as error:
                raise DamageError(block.offset, f"settings changed to nonsense: {error}") from error
        return (*self.orphans(), event) if self.pending else (event,)


def check_head(file: str, head: bytes) -> None:
    """Raise when a file that begins so is no pcapng file.

    Raises:
        CaptureError: it is empty or something else.
    """
    if not head:
        raise CaptureError(file, "is empty; nothing was recorded in it")
    if not pcapng.SECTION_BYTES.startswith(head[:4]):
        raise CaptureError(file, "is not a capture (not a pcapng file); give a recorded .pcapng", 0)


def _endian(block: Block) -> Literal["little", "big"]:
    return "little" if block.order == "<" else "big"


def _half_word(block: Block, at: int) -> int:
    """Return the 16-bit word at `at`, counted from the block's start."""
    here = block.start + at
    return int.from_bytes(block.data[here : here + 2], _endian(block))


def _outbound(block: Block, options_at: int) -> bool:
    """Return whether the recording station sent the packet; without epb_flags it was heard."""
    options = block.data[block.start + options_at : block.end - 4]
    common = _COMMON_OPTIONS[block.order].get(options)
    if common is not None:
        return common
    for code, value in pcapng.options_of(block, options_at):
        if code == pcapng.EPB_FLAGS and len(value) == 4:
            return int.from_bytes(value, _endian(block)) & 3 == OUTBOUND_FLAG
    return False


def _settings(block: Block, said: dict[int, bytes]) -> LineSettings:
    """Return the line settings that the description of the characters' interface states."""
    form = pcapng.text(said.get(pcapng.IF_DESCRIPTION, b""))
    rate = int.from_bytes(said.get(pcapng.IF_SPEED, b""), _endian(block))
    try:
        return LineSettings.parse(rate, form)
    except SettingsError as error:
        raise DamageError(
            block.offset, f'the interface "{CHARACTERS_NAME}" states no line settings: {error}'
        ) from error


def _info(comments: Iterable[str]) -> CaptureInfo:
    """Return what a section says about itself; settings and program are filled in by the caller.

    Raises:
        ValueError: it is none of ours, or says something that cannot be.
    """
    said = _section_object(comments)
    version = _whole(said, "kerfbus", 0)
    if version > VERSION:
        raise ValueError(
            f"capture format version {version}; this program reads up to {VERSION}: update kerfbus"
        )
    if version < 1:
        raise ValueError(f"capture format version {version}: there is no such version")
    vantage: Vantage = _choice(said, "vantage", get_args(Vantage))
    timing: Timing = _choice(said, "timing", get_args(Timing))
    clock: ClockKind = _choice(said, "clock", get_args(ClockKind))
    uncertainty_ns = _whole(said, "uncertainty_ns", 0)
    if uncertainty_ns < 0:
        raise ValueError(f"the section comment has uncertainty_ns {uncertainty_ns}; it is from 0")
    seed = None if said.get("seed") is None else _whole(said, "seed", 0)
    return CaptureInfo(
        _NOT_YET_KNOWN, vantage, timing, clock, uncertainty_ns, seed, version=version
    )


def _section_object(comments: Iterable[str]) -> dict[str, object]:
    """Return the comment that is ours; other programs may have added their own."""
    damaged = None
    for comment in comments:
        try:
            said = json.loads(comment)
        except (ValueError, RecursionError) as error:
            damaged = error if "kerfbus" in comment else damaged
            continue
        if isinstance(said, dict) and "kerfbus" in said:
            return said
    if damaged is not None:
        raise ValueError(f"the section comment is damaged, it is no JSON: {damaged}")
    raise ValueError(
        "is a pcapng file, but its section was not recorded by kerfbus (no section comment says so)"
    )


def _whole(said: dict[str, object], key: str, default: int) -> int:
    value = said.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"the section comment has {key} {value!r}; it is a whole number")  # noqa: TRY004
    return value


def _choice(said: dict[str, object], key: str, choices: tuple[str, ...]) -> Any:
    value = said.get(key)
    if value not in choices:
        raise ValueError(
            f"the section comment has {key} {value!r}; it is one of {', '.join(choices)}"
        )
    return value
