"""Hypothesis strategies for messages and PDUs, used by more than one file.

`REQUESTS` and `REPLIES` have one strategy for each class, with values that the standard allows
(MODBUS Application Protocol V1.1b3, 6.1-6.21; the limits beside each). `buildable_requests` adds
those that only have a layout. `near_pdus` makes bytes that are a few changes away from a PDU,
because bytes drawn at random hardly ever get past the first check.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hypothesis import strategies as st

from kerfbus.bench import wire

WORDS = st.integers(0, 0xFFFF)
BYTES = st.integers(0, 0xFF)
PUBLIC = frozenset(int(code) for code in wire.FunctionCode)
RAW_FUNCTIONS = st.sampled_from([code for code in range(1, 0x80) if code not in PUBLIC])
"""Function codes without a layout: user-defined, reserved, unassigned."""


def words(least: int, most: int) -> st.SearchStrategy[tuple[int, ...]]:
    """Return registers, `least` to `most` of them; many are made from one, which is quicker."""
    few = st.lists(WORDS, min_size=least, max_size=min(most, least + 8)).map(tuple)
    many = st.builds(
        lambda count, first: tuple((first + 40503 * place) & 0xFFFF for place in range(count)),
        st.integers(least, most),
        WORDS,
    )
    return few | many


def bits(least: int, most: int) -> st.SearchStrategy[tuple[bool, ...]]:
    """Return `least` to `most` bits; drawn as one number, which is quicker than one by one."""

    def some(count: int) -> st.SearchStrategy[tuple[bool, ...]]:
        return st.integers(0, (1 << count) - 1).map(
            lambda number: tuple(bool(number >> place & 1) for place in range(count))
        )

    few = st.integers(least, max(least, min(most, 40)))
    return st.one_of(few, st.integers(least, most)).flatmap(some)


def whole_bytes(most: int) -> st.SearchStrategy[tuple[bool, ...]]:
    """Return bits as a reply has them: 8 to `most`, a multiple of 8."""
    return st.integers(1, most // 8).flatmap(lambda count: bits(8 * count, 8 * count))


def padded_coils(least: int, most: int) -> st.SearchStrategy[wire.WriteMultipleCoils]:
    """Return requests to write coils, now and then with unused bits that are not 0 (6.11)."""
    return st.builds(
        lambda start, values, fill: wire.WriteMultipleCoils(
            start, values, fill & ((1 << (-len(values) % 8)) - 1)
        ),
        WORDS,
        bits(least, most),
        st.sampled_from([0, 0, 0x7F]) | st.integers(0, 0x7F),
    )


FILES = st.integers(1, 0xFFFF)
RECORDS = st.integers(0, 0x270F)


def _file_ranges() -> st.SearchStrategy[tuple[wire.FileRange, ...]]:
    """Return groups to read: at most 35 (byte count F5), whose contents fit into a reply (6.14)."""
    group = st.builds(wire.FileRange, FILES, RECORDS, st.integers(1, 121))
    return (
        st.lists(group, min_size=1, max_size=35)
        .map(tuple)
        .filter(lambda groups: sum(2 + 2 * each.count for each in groups) <= 0xF5)
    )


def _file_data() -> st.SearchStrategy[tuple[wire.FileData, ...]]:
    """Return groups to write: data length 09 to FB (6.15)."""
    group = st.builds(wire.FileData, FILES, RECORDS, words(1, 122))
    few = st.builds(wire.FileData, FILES, RECORDS, words(1, 4))
    return (st.one_of(st.tuples(group), st.lists(few, min_size=1, max_size=15).map(tuple))).filter(
        lambda groups: sum(7 + 2 * len(each.values) for each in groups) <= 0xFB
    )


def _file_contents() -> st.SearchStrategy[tuple[tuple[int, ...], ...]]:
    """Return what a reply has of files: response data length up to F5 (6.14)."""
    return (
        st.one_of(
            st.tuples(words(1, 121)), st.lists(words(1, 4), min_size=1, max_size=24).map(tuple)
        )
    ).filter(lambda groups: sum(2 + 2 * len(each) for each in groups) <= 0xF5)


def _diagnostics(kind: type[Any]) -> st.SearchStrategy[Any]:
    """Return each sub-function of 6.8.1 with the data that belong to it."""
    zero = b"\x00\x00"
    data: dict[int, st.SearchStrategy[bytes]] = {
        wire.DiagnosticSub.RETURN_QUERY_DATA: st.binary(min_size=1, max_size=125).map(
            lambda half: half + half
        ),
        wire.DiagnosticSub.RESTART_COMMUNICATIONS: st.sampled_from([zero, b"\xff\x00"]),
        wire.DiagnosticSub.CHANGE_ASCII_DELIMITER: BYTES.map(lambda char: bytes((char, 0))),
    }
    plain = st.just(zero) if kind is wire.Diagnostics else st.binary(min_size=2, max_size=2)
    return st.sampled_from(wire.DiagnosticSub).flatmap(
        lambda sub: st.builds(kind, st.just(int(sub)), data.get(sub, plain))
    )


def _identification_replies() -> st.SearchStrategy[wire.ReadDeviceIdentificationReply]:
    """Return replies whose objects fit into one PDU: 253 less the 7 before them (6.21)."""
    one = st.builds(wire.IdentificationObject, BYTES, st.binary(max_size=244))
    few = st.builds(wire.IdentificationObject, BYTES, st.binary(max_size=12))
    objects = st.one_of(
        st.just(()), st.tuples(one), st.lists(few, min_size=1, max_size=17).map(tuple)
    ).filter(lambda found: sum(2 + len(each.value) for each in found) <= 246)
    return st.builds(
        wire.ReadDeviceIdentificationReply,
        st.integers(1, 4),
        st.sampled_from([1, 2, 3, 0x81, 0x82, 0x83]),
        st.booleans(),
        BYTES,
        objects,
    )


def _raw(kind: type[Any]) -> st.SearchStrategy[Any]:
    """Return any code without a layout, and interface types other than 0E (Annex A, 6.19)."""
    data = st.binary(max_size=252)
    other_type = st.integers(0, 0xFF).filter(lambda mei: mei != 0x0E).map(lambda mei: bytes((mei,)))
    return st.one_of(
        st.builds(kind, RAW_FUNCTIONS, data),
        st.builds(lambda mei, rest: kind(0x2B, mei + rest), other_type, st.binary(max_size=251)),
    )


REQUESTS: Mapping[type, st.SearchStrategy[Any]] = {
    wire.ReadCoils: st.builds(wire.ReadCoils, WORDS, st.integers(1, 2000)),
    wire.ReadDiscreteInputs: st.builds(wire.ReadDiscreteInputs, WORDS, st.integers(1, 2000)),
    wire.ReadHoldingRegisters: st.builds(wire.ReadHoldingRegisters, WORDS, st.integers(1, 125)),
    wire.ReadInputRegisters: st.builds(wire.ReadInputRegisters, WORDS, st.integers(1, 125)),
    wire.WriteSingleCoil: st.builds(wire.WriteSingleCoil, WORDS, st.booleans()),
    wire.WriteSingleRegister: st.builds(wire.WriteSingleRegister, WORDS, WORDS),
    wire.ReadExceptionStatus: st.just(wire.ReadExceptionStatus()),
    wire.Diagnostics: _diagnostics(wire.Diagnostics),
    wire.GetCommEventCounter: st.just(wire.GetCommEventCounter()),
    wire.GetCommEventLog: st.just(wire.GetCommEventLog()),
    wire.WriteMultipleCoils: padded_coils(1, 1968),
    wire.WriteMultipleRegisters: st.builds(wire.WriteMultipleRegisters, WORDS, words(1, 123)),
    wire.ReportServerId: st.just(wire.ReportServerId()),
    wire.ReadFileRecord: st.builds(wire.ReadFileRecord, _file_ranges()),
    wire.WriteFileRecord: st.builds(wire.WriteFileRecord, _file_data()),
    wire.MaskWriteRegister: st.builds(wire.MaskWriteRegister, WORDS, WORDS, WORDS),
    wire.ReadWriteMultipleRegisters: st.builds(
        wire.ReadWriteMultipleRegisters, WORDS, st.integers(1, 125), WORDS, words(1, 121)
    ),
    wire.ReadFifoQueue: st.builds(wire.ReadFifoQueue, WORDS),
    wire.ReadDeviceIdentification: st.builds(
        wire.ReadDeviceIdentification, st.integers(1, 4), BYTES
    ),
    wire.RawRequest: _raw(wire.RawRequest),
}
"""Class of a request -> requests that the standard allows."""

REPLIES: Mapping[type, st.SearchStrategy[Any]] = {
    wire.ReadCoilsReply: st.builds(wire.ReadCoilsReply, whole_bytes(2000)),
    wire.ReadDiscreteInputsReply: st.builds(wire.ReadDiscreteInputsReply, whole_bytes(2000)),
    wire.ReadHoldingRegistersReply: st.builds(wire.ReadHoldingRegistersReply, words(1, 125)),
    wire.ReadInputRegistersReply: st.builds(wire.ReadInputRegistersReply, words(1, 125)),
    wire.WriteSingleCoilReply: st.builds(wire.WriteSingleCoilReply, WORDS, st.booleans()),
    wire.WriteSingleRegisterReply: st.builds(wire.WriteSingleRegisterReply, WORDS, WORDS),
    wire.ReadExceptionStatusReply: st.builds(wire.ReadExceptionStatusReply, BYTES),
    wire.DiagnosticsReply: _diagnostics(wire.DiagnosticsReply),
    wire.GetCommEventCounterReply: st.builds(
        wire.GetCommEventCounterReply, st.sampled_from([0, 0xFFFF]), WORDS
    ),
    wire.GetCommEventLogReply: st.builds(
        wire.GetCommEventLogReply,
        st.sampled_from([0, 0xFFFF]),
        WORDS,
        WORDS,
        st.binary(max_size=64),
    ),
    wire.WriteMultipleCoilsReply: st.builds(
        wire.WriteMultipleCoilsReply, WORDS, st.integers(1, 1968)
    ),
    wire.WriteMultipleRegistersReply: st.builds(
        wire.WriteMultipleRegistersReply, WORDS, st.integers(1, 123)
    ),
    wire.ReportServerIdReply: st.builds(
        wire.ReportServerIdReply, st.binary(min_size=1, max_size=251)
    ),
    wire.ReadFileRecordReply: st.builds(wire.ReadFileRecordReply, _file_contents()),
    wire.WriteFileRecordReply: st.builds(wire.WriteFileRecordReply, _file_data()),
    wire.MaskWriteRegisterReply: st.builds(wire.MaskWriteRegisterReply, WORDS, WORDS, WORDS),
    wire.ReadWriteMultipleRegistersReply: st.builds(
        wire.ReadWriteMultipleRegistersReply, words(1, 125)
    ),
    wire.ReadFifoQueueReply: st.builds(wire.ReadFifoQueueReply, words(0, 31)),
    wire.ReadDeviceIdentificationReply: _identification_replies(),
    wire.ExceptionReply: st.builds(wire.ExceptionReply, st.integers(1, 0x7F), BYTES),
    wire.RawReply: _raw(wire.RawReply),
}
"""Class of a reply -> replies that the standard allows."""


def requests() -> st.SearchStrategy[Any]:
    """Return requests of every class, each as likely as the others."""
    return st.sampled_from(list(REQUESTS)).flatmap(REQUESTS.__getitem__)


def replies() -> st.SearchStrategy[Any]:
    """Return replies of every class, each as likely as the others."""
    return st.sampled_from(list(REPLIES)).flatmap(REPLIES.__getitem__)


def buildable_requests() -> st.SearchStrategy[Any]:
    """Return requests that have a layout, inside the limits of the standard or not."""
    groups = st.builds(wire.FileRange, WORDS, WORDS, WORDS)
    data = st.builds(wire.FileData, WORDS, WORDS, words(0, 8))
    return st.one_of(
        requests(),
        st.builds(wire.ReadCoils, WORDS, WORDS),
        st.builds(wire.ReadHoldingRegisters, WORDS, WORDS),
        st.builds(lambda start, raw: wire.WriteSingleCoil(start, raw=raw), WORDS, WORDS),
        st.builds(wire.Diagnostics, WORDS, st.binary(max_size=20).map(lambda half: half + half)),
        padded_coils(0, 1976),
        st.builds(wire.WriteMultipleRegisters, WORDS, words(0, 123)),
        st.builds(wire.ReadWriteMultipleRegisters, WORDS, WORDS, WORDS, words(0, 121)),
        st.builds(wire.ReadFileRecord, st.lists(groups, max_size=35).map(tuple)),
        st.builds(wire.WriteFileRecord, st.lists(data, max_size=10).map(tuple)),
        st.builds(wire.ReadDeviceIdentification, BYTES, BYTES),
    )


@st.composite
def near_pdus(draw: st.DrawFn, messages: st.SearchStrategy[Any]) -> bytes:
    """Return the PDU of a message with up to three characters changed, lost, added or cut off."""
    pdu = bytearray(wire.build(draw(messages)))
    for _ in range(draw(st.integers(0, 3))):
        # Most of what a layout checks stands in the first characters.
        place = draw(st.integers(0, min(len(pdu), 12)) | st.integers(0, len(pdu)))
        act = draw(st.sampled_from(["change", "lose", "add", "cut", "extend"]))
        if act == "change":
            pdu[place : place + 1] = bytes((draw(BYTES),))
        elif act == "lose":
            del pdu[place : place + 1]
        elif act == "add":
            pdu[place:place] = bytes((draw(BYTES),))
        elif act == "cut":
            del pdu[place:]
        else:
            pdu += draw(st.binary(min_size=1, max_size=260))
    return bytes(pdu)
