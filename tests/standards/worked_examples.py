"""The worked examples of the MODBUS Application Protocol V1.1b3, as bytes and as messages.

The PDUs are the specification's. The frames are derived: the same PDU behind server address 17,
with the CRC of MODBUS over Serial Line V1.02, 6.2.2, low byte first. All bytes are written out, so
that nothing here depends on the code under test.

Left out or corrected, because the specification contradicts itself:

- 6.10: the example says that event 20 is "entered listen-only mode"; by its own definition that is
  04. The bytes are used, the meaning is not.
- 6.15: the table of function 15 says data length 09 to FB, figure 25 says otherwise. The example
  fits both.
- 6.21: "Product code XX" has 15 characters, the example says 0D. The length is corrected to 0F. The
  example of two transactions is left out: its lengths and its number of objects are wrong.
- 6.13 gives no bytes for the reply, it is the device's own.
"""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.bench import wire

SERVER = 0x11
"""The address in the frames."""


class Example(NamedTuple):
    """A request and its reply.

    Attributes:
        section: where in the document.
        topic: what is asked for, in the document's words as far as they are short.
        request: the request as a message.
        request_pdu: the request as bytes.
        request_crc: the CRC of the frame to server 17, in the order of the wire.
        reply: the reply as a message, None where the document gives none.
        reply_pdu: the reply as bytes.
        reply_crc: the CRC of the frame from server 17, in the order of the wire.
    """

    section: str
    topic: str
    request: wire.Request
    request_pdu: bytes
    request_crc: bytes
    reply: wire.Reply | None
    reply_pdu: bytes
    reply_crc: bytes

    @property
    def request_frame(self) -> bytes:
        """Return address, PDU and CRC."""
        return bytes((SERVER,)) + self.request_pdu + self.request_crc

    @property
    def reply_frame(self) -> bytes:
        """Return address, PDU and CRC; empty where the document gives no reply."""
        if self.reply is None:
            return b""
        return bytes((SERVER,)) + self.reply_pdu + self.reply_crc

    @property
    def label(self) -> str:
        """Return the section and the function code, for the name of a test."""
        return f"{self.section}-{self.request_pdu[0]:02X}"


def _bits(text: str) -> tuple[bool, ...]:
    """Return bits from digits, the lowest address first; blanks are for the eye."""
    return tuple(digit == "1" for digit in text.replace(" ", ""))


def _example(
    section: str,
    topic: str,
    request: tuple[wire.Request, str, str],
    reply: tuple[wire.Reply | None, str, str],
) -> Example:
    asked, asked_pdu, asked_crc = request
    said, said_pdu, said_crc = reply
    return Example(
        section,
        topic,
        asked,
        bytes.fromhex(asked_pdu),
        bytes.fromhex(asked_crc),
        said,
        bytes.fromhex(said_pdu),
        bytes.fromhex(said_crc),
    )


EXAMPLES = (
    _example(
        "6.1",
        "outputs 20-38",
        (wire.ReadCoils(0x13, 19), "01 00 13 00 13", "8E 92"),
        (
            # CD is outputs 27-20, 6B is 35-28, 05 is 38-36 with five zeros.
            wire.ReadCoilsReply(_bits("10110011 11010110 10100000")),
            "01 03 CD 6B 05",
            "40 12",
        ),
    ),
    _example(
        "6.2",
        "inputs 197-218",
        (wire.ReadDiscreteInputs(0xC4, 22), "02 00 C4 00 16", "BA A9"),
        (
            wire.ReadDiscreteInputsReply(_bits("00110101 11011011 10101100")),
            "02 03 AC DB 35",
            "20 18",
        ),
    ),
    _example(
        "6.3",
        "registers 108-110 are 555, 0, 100",
        (wire.ReadHoldingRegisters(0x6B, 3), "03 00 6B 00 03", "76 87"),
        (
            wire.ReadHoldingRegistersReply((555, 0, 100)),
            "03 06 02 2B 00 00 00 64",
            "C8 BA",
        ),
    ),
    _example(
        "6.4",
        "input register 9 is 10",
        (wire.ReadInputRegisters(8, 1), "04 00 08 00 01", "B2 98"),
        (wire.ReadInputRegistersReply((10,)), "04 02 00 0A", "F8 F4"),
    ),
    _example(
        "6.5",
        "coil 173 on",
        (wire.WriteSingleCoil(0xAC, raw=0xFF00), "05 00 AC FF 00", "4E 8B"),
        (wire.WriteSingleCoilReply(0xAC, raw=0xFF00), "05 00 AC FF 00", "4E 8B"),
    ),
    _example(
        "6.6",
        "register 2 is to be 3",
        (wire.WriteSingleRegister(1, 3), "06 00 01 00 03", "9A 9B"),
        (wire.WriteSingleRegisterReply(1, 3), "06 00 01 00 03", "9A 9B"),
    ),
    _example(
        "6.7",
        "exception status",
        (wire.ReadExceptionStatus(), "07", "4C 22"),
        (wire.ReadExceptionStatusReply(0x6D), "07 6D", "E2 18"),
    ),
    _example(
        "6.8.2",
        "return query data A537",
        (wire.Diagnostics(0x0000, b"\xa5\x37"), "08 00 00 A5 37", "D8 1D"),
        (wire.DiagnosticsReply(0x0000, b"\xa5\x37"), "08 00 00 A5 37", "D8 1D"),
    ),
    _example(
        "6.9",
        "still at work, 264 events",
        (wire.GetCommEventCounter(), "0B", "4C 27"),
        (wire.GetCommEventCounterReply(0xFFFF, 264), "0B FF FF 01 08", "A6 E9"),
    ),
    _example(
        "6.10",
        "264 events, 289 messages",
        (wire.GetCommEventLog(), "0C", "0D E5"),
        (
            wire.GetCommEventLogReply(0x0000, 264, 289, b"\x20\x00"),
            "0C 08 00 00 01 08 01 21 20 00",
            "59 01",
        ),
    ),
    _example(
        "6.11",
        "ten coils from coil 20",
        (
            wire.WriteMultipleCoils(0x13, _bits("10110011 10")),
            "0F 00 13 00 0A 02 CD 01",
            "BF 0B",
        ),
        (wire.WriteMultipleCoilsReply(0x13, 10), "0F 00 13 00 0A", "26 99"),
    ),
    _example(
        "6.12",
        "registers 2-3 are to be 10 and 258",
        (
            wire.WriteMultipleRegisters(1, (0x000A, 0x0102)),
            "10 00 01 00 02 04 00 0A 01 02",
            "C6 F0",
        ),
        (wire.WriteMultipleRegistersReply(1, 2), "10 00 01 00 02", "12 98"),
    ),
    _example(
        "6.13",
        "server ID",
        (wire.ReportServerId(), "11", "CD EC"),
        (None, "", ""),
    ),
    _example(
        "6.14",
        "two registers of file 4 from record 1, two of file 3 from record 9",
        (
            wire.ReadFileRecord((wire.FileRange(4, 1, 2), wire.FileRange(3, 9, 2))),
            "14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 02",
            "F9 38",
        ),
        (
            wire.ReadFileRecordReply(((0x0DFE, 0x0020), (0x33CD, 0x0040))),
            "14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40",
            "69 AD",
        ),
    ),
    _example(
        "6.15",
        "three registers into file 4 from record 7",
        (
            wire.WriteFileRecord((wire.FileData(4, 7, (0x06AF, 0x04BE, 0x100D)),)),
            "15 0D 06 00 04 00 07 00 03 06 AF 04 BE 10 0D",
            "DB C7",
        ),
        (
            wire.WriteFileRecordReply((wire.FileData(4, 7, (0x06AF, 0x04BE, 0x100D)),)),
            "15 0D 06 00 04 00 07 00 03 06 AF 04 BE 10 0D",
            "DB C7",
        ),
    ),
    _example(
        "6.16",
        "register 5, and F2, or 25",
        (wire.MaskWriteRegister(4, 0x00F2, 0x0025), "16 00 04 00 F2 00 25", "66 E2"),
        (wire.MaskWriteRegisterReply(4, 0x00F2, 0x0025), "16 00 04 00 F2 00 25", "66 E2"),
    ),
    _example(
        "6.17",
        "six registers from register 4 are read, three from register 15 written",
        (
            wire.ReadWriteMultipleRegisters(3, 6, 14, (0x00FF, 0x00FF, 0x00FF)),
            "17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF",
            "4B 54",
        ),
        (
            wire.ReadWriteMultipleRegistersReply((0x00FE, 0x0ACD, 0x0001, 0x0003, 0x000D, 0x00FF)),
            "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF",
            "0D 75",
        ),
    ),
    _example(
        "6.18",
        "queue of pointer register 1246",
        (wire.ReadFifoQueue(1246), "18 04 DE", "07 87"),
        (
            wire.ReadFifoQueueReply((0x01B8, 0x1284)),
            "18 00 06 00 02 01 B8 12 84",
            "18 8D",
        ),
    ),
    _example(
        "6.21",
        "basic identification (corrected, see above)",
        (wire.ReadDeviceIdentification(1, 0), "2B 0E 01 00", "B1 B4"),
        (
            wire.ReadDeviceIdentificationReply(
                1,
                0x01,
                False,
                0,
                tuple(
                    wire.IdentificationObject(number, text)
                    for number, text in enumerate(
                        (b"Company identification", b"Product code XX", b"V2.11")
                    )
                ),
            ),
            (
                "2B 0E 01 01 00 00 03"
                " 00 16 43 6F 6D 70 61 6E 79 20 69 64 65 6E 74 69 66 69 63 61 74 69 6F 6E"
                " 01 0F 50 72 6F 64 75 63 74 20 63 6F 64 65 20 58 58"
                " 02 05 56 32 2E 31 31"
            ),
            "47 9E",
        ),
    ),
    _example(
        "7",
        "coil 1186 does not exist",
        (wire.ReadCoils(0x04A1, 1), "01 04 A1 00 01", "AF 88"),
        (wire.ExceptionReply(1, 2), "81 02", "C0 54"),
    ),
)
"""Every worked example that can be trusted, in the order of the document."""

SEEN_FRAMES: tuple[bytes, ...] = tuple(
    bytes.fromhex(text)
    for text in (
        "01 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF 1D 79",
        "01 18 04 DE 03 47",
        "01 18 00 06 00 02 01 B8 12 84 19 18",
        "01 2B 0E 01 00 70 77",
        "01 03 00 00 00 02 C4 0B",
        "11 01 00 13 00 25 0E 84",
        "11 01 05 CD 6B B2 0E 1B 45 E6",
        "11 03 06 AE 41 56 52 43 40 49 AD",
    )
)
"""Whole frames found in unrelated public sources, CRC included."""


class Refusal(NamedTuple):
    """A request and the exception with which a server must answer it.

    The server has 100 elements, 0 to 99, in each of its four tables (the case of section 7, code
    02) and supports every public function.

    Attributes:
        source: section or figure.
        pdu: the request.
        exception: the code, None for a normal reply.
        certain: False where the figure could be read in two ways; assert nothing then.
    """

    source: str
    pdu: bytes
    exception: int | None
    certain: bool = True


REFUSALS: tuple[Refusal, ...] = (
    # Section 7, code 02: 96 + 4 is good, 96 + 5 is not.
    Refusal("7, code 02", bytes.fromhex("03 00 60 00 04"), None),
    Refusal("7, code 02", bytes.fromhex("03 00 60 00 05"), 0x02),
    # Figures 11-14: quantity before address; here both are wrong.
    Refusal("figure 11", bytes.fromhex("01 FF FF 07 D1"), 0x03),
    Refusal("figure 12", bytes.fromhex("02 FF FF 00 00"), 0x03),
    Refusal("figure 13", bytes.fromhex("03 FF FF 00 7E"), 0x03),
    Refusal("figure 14", bytes.fromhex("04 FF FF 00 00"), 0x03),
    # Figure 15: the value of a single coil before its address.
    Refusal("figure 15", bytes.fromhex("05 FF FF 00 01"), 0x03),
    Refusal("figure 15", bytes.fromhex("05 FF FF FF 00"), 0x02),
    # Figure 16: any value is good, so only the address can be wrong.
    Refusal("figure 16", bytes.fromhex("06 FF FF FF FF"), 0x02),
    # Figure 21: quantity and byte count before address.
    Refusal("figure 21", bytes.fromhex("0F FF FF 00 00 00"), 0x03),
    Refusal("figure 21", bytes.fromhex("0F FF FF 00 09 01 FF"), 0x03),
    Refusal("figure 21", bytes.fromhex("0F FF FF 00 08 01 FF"), 0x02),
    # Figure 22: the same for registers.
    Refusal("figure 22", bytes.fromhex("10 FF FF 00 00 00"), 0x03),
    Refusal("figure 22", bytes.fromhex("10 FF FF 00 02 02 00 01"), 0x03),
    Refusal("figure 22", bytes.fromhex("10 FF FF 00 02 04 00 01 00 02"), 0x02),
    # Figure 27: both quantities and the byte count before both addresses.
    Refusal("figure 27", bytes.fromhex("17 FF FF 00 00 FF FF 00 01 02 00 01"), 0x03),
    Refusal("figure 27", bytes.fromhex("17 FF FF 00 01 FF FF 00 00 00"), 0x03),
    Refusal("figure 27", bytes.fromhex("17 FF FF 00 01 FF FF 00 01 04 00 01 00 02"), 0x03),
    Refusal("figure 27", bytes.fromhex("17 00 00 00 7E 00 00 00 01 02 00 01"), 0x03),
    Refusal("figure 27", bytes.fromhex("17 00 00 00 01 FF FF 00 01 02 00 01"), 0x02),
    # 6.8.1 and 6.21: sub-function (01) before data (03); a bad access code is 03.
    Refusal("6.8.1", bytes.fromhex("08 00 05 12 34"), 0x01),
    Refusal("6.8.1", bytes.fromhex("08 00 0B 12 34"), 0x03),
    Refusal("6.21", bytes.fromhex("2B 0E 05 00"), 0x03),
    Refusal("6.21", bytes.fromhex("2B 0F 01 00"), 0x01),
    # Section 7, code 01: not supported; Annex A: reserved.
    Refusal("7, code 01", bytes.fromhex("41 00"), 0x01),
    Refusal("annex A", bytes.fromhex("09"), 0x01),
    # Figures 26 and 28: address before masks, address before the queue's length, as far as their
    # text tells.
    Refusal("figure 26", bytes.fromhex("16 FF FF 00 00 00 00"), 0x02, certain=False),
    Refusal("figure 28", bytes.fromhex("18 FF FF"), 0x02, certain=False),
)
