"""Captures against the pcapng draft, and against two libraries that others wrote from it.

Source: draft-ietf-opsawg-pcapng (editor's copy of 2 March 2026); section numbers are its own.
"""

from __future__ import annotations

import io
import json
import struct
from pathlib import Path
from typing import Any

import capturefiles
import pcapng as python_pcapng
import pytest
from hypothesis import given, settings
from pcapng.blocks import EnhancedPacket, InterfaceDescription, SectionHeader
from scapy.utils import RawPcapReader

from kerfbus.bench import pcapng
from kerfbus.bench.capture import Burst, CaptureWriter, LineEvent, Record, read_capture
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, LineEventKind

# python-pcapng warns of its own table of options.
pytestmark = pytest.mark.filterwarnings("ignore:Field type should not be:DeprecationWarning")

# Made from the figures of 4.1, 4.2 and 4.3, not a published sample.
SECTION = "0a0d0d0a 1c000000 4d3c2b1a 0100 0000 ffffffffffffffff 1c000000"
INTERFACE = "01000000 20000000 9300 0000 00000000  0900 0100 09 000000  0000 0000 20000000"
PACKET = "06000000 28000000 00000000 00000000 01000000 08000000 08000000 1103006b00037687 28000000"


def test_blocks_are_laid_out_as_drawn() -> None:
    """4.1 figure 9, 4.2 figure 10, 4.3 figure 11, 3.5 figure 7."""
    assert pcapng.section_header() == bytes.fromhex(SECTION)
    assert pcapng.interface_description(147, [(9, b"\x09")]) == bytes.fromhex(INTERFACE)
    modbus = bytes.fromhex("1103006b00037687")
    assert pcapng.enhanced_packet(0, 1, modbus) == bytes.fromhex(PACKET)


def test_a_time_stamp_is_one_number_in_two_halves() -> None:
    """4.3: upper 32 bits, then lower 32 bits, of one count; not seconds and microseconds."""
    block = pcapng.enhanced_packet(0, 1_735_689_600_123_456_789, b"")
    assert struct.unpack("<II", block[12:20]) == (0x1816687E, 0xC7B2CD15)


@pytest.mark.parametrize("size", range(9))
def test_everything_is_padded_to_32_bits_with_zeros(size: int) -> None:
    """3.6.2; the lengths of data and options do not count the padding (3.5, 4.3)."""
    value = b"\xff" * size
    option = pcapng.option(1, value)
    assert option == struct.pack("<HH", 1, size) + value + bytes(-size % 4)
    block = pcapng.enhanced_packet(0, 1, value)
    assert block[20:24] == struct.pack("<I", size)
    assert block[28:-4] == value + bytes(-size % 4)
    assert block[4:8] == block[-4:] == struct.pack("<I", len(block))


def test_options_end_in_a_mark() -> None:
    """3.5: writers must put opt_endofopt at the end of a list; no list, no mark."""
    assert pcapng.option_list([(1, b"a")])[-4:] == bytes(4)
    assert pcapng.option_list([]) == b""


def test_codes() -> None:
    """3.5 table 1, 4.1 table 2, 4.2 table 3, 4.3 table 4."""
    assert (pcapng.OPT_END, pcapng.OPT_COMMENT) == (0, 1)
    assert pcapng.SHB_USERAPPL == 4
    assert (pcapng.IF_NAME, pcapng.IF_DESCRIPTION, pcapng.IF_SPEED) == (2, 3, 8)
    assert (pcapng.IF_TSRESOL, pcapng.IF_TSOFFSET) == (9, 14)
    assert pcapng.EPB_FLAGS == 2
    assert (pcapng.SECTION, pcapng.INTERFACE, pcapng.PACKET) == (0x0A0D0D0A, 1, 6)


def write(path: Path, records: list[Record], settings: LineSettings) -> None:
    """Write a capture."""
    with CaptureWriter(
        path,
        settings=settings,
        vantage="server",
        timing="host",
        clock="wall",
        uncertainty_ns=1_000_000,
        program="a program 1.0",
        overwrite=True,
    ) as writer:
        for record in records:
            writer.write(record)


def packets_of(records: list[Record]) -> list[tuple[int, int, bytes, int | None, str]]:
    """Return interface, time stamp, data, direction and comment of each packet, by the format."""
    packets: list[tuple[int, int, bytes, int | None, str]] = []
    for record in records:
        if isinstance(record, LineEvent):
            data = capturefiles.event_data(record.kind, record.index, record.value)
            packets.append((1, record.at, data, None, record.comment))
            continue
        for position, kind, value in record.errors:
            data = capturefiles.event_data(kind, position, value)
            packets.append((1, record.at, data, None, ""))
        packets.append((0, record.at, record.data, 1 + record.outbound, ""))
    return packets


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a path that examples may write to again and again."""
    return tmp_path_factory.mktemp("pcapng") / "some.pcapng"


@settings(max_examples=60, deadline=None)
@given(capturefiles.records, capturefiles.line_settings)
def test_python_pcapng_reads_what_we_write(
    path: Path, records: list[Record], settings: LineSettings
) -> None:
    write(path, records, settings)
    with path.open("rb") as file:
        section, characters, events, *packets = python_pcapng.FileScanner(file)
    assert section.options["shb_userappl"] == "a program 1.0"
    assert json.loads(section.options["opt_comment"])["vantage"] == "server"
    assert (characters.link_type, characters.options["if_name"]) == (147, "characters")
    assert characters.options["if_speed"] == settings.baud
    assert characters.options["if_description"] == settings.format
    assert (events.link_type, events.options["if_name"]) == (148, "line events")
    assert characters.options["if_tsresol"] == events.options["if_tsresol"] == b"\x09"
    assert packets_of(records) == [
        (
            packet.interface_id,
            packet.timestamp_high << 32 | packet.timestamp_low,
            packet.packet_data,
            int.from_bytes(packet.options.get_raw("epb_flags"), "little")
            if "epb_flags" in packet.options
            else None,
            packet.options.get("opt_comment", ""),
        )
        for packet in packets
    ]


@settings(max_examples=60, deadline=None)
@given(capturefiles.records, capturefiles.line_settings)
def test_scapy_reads_what_we_write(
    path: Path, records: list[Record], settings: LineSettings
) -> None:
    write(path, records, settings)
    reader = RawPcapReader(str(path))
    try:
        found = list(reader)
    finally:
        reader.close()
    assert packets_of(records) == [
        (
            said.linktype - 147,
            said.tshigh << 32 | said.tslow,
            data,
            said.direction,
            said.comments[0].decode() if said.comments else "",
        )
        for data, said in found
    ]
    assert {said.tsresol for _, said in found} <= {10**9}


def python_pcapng_file(records: list[Record], order: str) -> bytes:
    """Return a capture written by python-pcapng."""
    stream = io.BytesIO()
    comment = json.dumps(capturefiles.COMMENT)
    section = SectionHeader(order, options={"opt_comment": comment})
    members: list[Any] = [
        section.new_member(
            InterfaceDescription,
            link_type=link,
            options={"if_name": name, "if_tsresol": b"\x09", **more},
        )
        for link, name, more in (
            (147, "characters", {"if_description": "8O1", "if_speed": 2400}),
            (148, "line events", {}),
        )
    ]
    writer = python_pcapng.FileWriter(stream, section)
    for number, at, data, direction, said in packets_of(records):
        packet = section.new_member(EnhancedPacket, interface_id=members[number].interface_id)
        # `timestamp` would silently write 0.
        packet.timestamp_high, packet.timestamp_low = divmod(at, 2**32)
        packet.packet_data = data
        if direction is not None:
            packet.options["epb_flags"] = direction
        if said:
            packet.options["opt_comment"] = said
        writer.write_block(packet)
    return stream.getvalue()


RECORDS: list[Record] = [
    LineEvent(LineEventKind.OPENED, 1),
    Burst(bytes.fromhex("1103006b00037687"), 1_735_689_600_123_456_789, True),
    Burst(b"\0abc", 2**40, False, (CharacterError(0, LineEventKind.BREAK, 0),)),
    LineEvent(LineEventKind.MARK, 2**41, comment="note=größer"),
]


@pytest.mark.parametrize("order", ["<", ">"])
def test_we_read_what_python_pcapng_writes(path: Path, order: str) -> None:
    path.write_bytes(python_pcapng_file(RECORDS, order))
    found = read_capture(path)
    assert str(found.info.settings) == "2400 8O1"
    assert list(found.records) == RECORDS


def test_flags_number_their_bits_from_the_least_significant(path: Path) -> None:
    """4.3.1, table 5: bits 0-1 are 01 inbound, 10 outbound, 00 not available."""
    for value, outbound in [(0, False), (1, False), (2, True), (0x8000_0002, True), (5, False)]:
        path.write_bytes(
            capturefiles.plain_header()
            + capturefiles.packet("<", 0, 1, b"a", capturefiles.flags("<", value))
        )
        assert read_capture(path).records == (Burst(b"a", 1, outbound),)
