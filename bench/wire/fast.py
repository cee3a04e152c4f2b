"""The codes that make up nearly all traffic, without construct: 01-06, 0F, 10 and exceptions.

Job: parse and build well-formed messages of these codes, and raw ones, quickly. Rule: what is not
plainly well-formed gives None, and `kerfbus.bench.wire.layouts`, which is the definition, decides
and says what is wrong. A test holds both to the same answers.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from itertools import chain
from typing import Any

from kerfbus.bench.wire.codes import EXCEPTION_BIT, MAX_FUNCTION, MAX_PDU, PUBLIC
from kerfbus.bench.wire.codes import FunctionCode as Code
from kerfbus.bench.wire.replies import (
    ExceptionReply,
    RawReply,
    ReadCoilsReply,
    ReadDiscreteInputsReply,
    ReadHoldingRegistersReply,
    ReadInputRegistersReply,
    Reply,
    WriteMultipleCoilsReply,
    WriteMultipleRegistersReply,
    WriteSingleCoilReply,
    WriteSingleRegisterReply,
)
from kerfbus.bench.wire.requests import (
    RawRequest,
    ReadCoils,
    ReadDiscreteInputs,
    ReadHoldingRegisters,
    ReadInputRegisters,
    Request,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
)

_PAIR = struct.Struct(">BHH")
_WRITE_HEAD = struct.Struct(">BHHB")
_WORDS = tuple(struct.Struct(f">{count}H") for count in range(126))
_MOST_REGISTERS_READ = 125
_MOST_REGISTERS_WRITTEN = 123
_MOST_BITS = 2000
_BITS_OF_BYTE = tuple(tuple(bool(byte >> place & 1) for place in range(8)) for byte in range(256))
_DIGITS = bytes.maketrans(b"\0\1", b"01")


def parse_request(pdu: bytes) -> Request | None:
    """Return what a request says, None when this module does not know."""
    if not pdu:
        return None
    parse = _REQUESTS.get(pdu[0])
    if parse is not None:
        return parse(pdu)
    if 0 < pdu[0] <= MAX_FUNCTION and pdu[0] not in PUBLIC and len(pdu) <= MAX_PDU:
        return RawRequest(pdu[0], pdu[1:])
    return None


def parse_reply(pdu: bytes) -> Reply | None:
    """Return what a reply says, None when this module does not know."""
    if not pdu:
        return None
    function = pdu[0]
    parse = _REPLIES.get(function)
    if parse is not None:
        return parse(pdu)
    if function > EXCEPTION_BIT:
        return ExceptionReply(function & MAX_FUNCTION, pdu[1]) if len(pdu) == 2 else None
    if 0 < function <= MAX_FUNCTION and function not in PUBLIC and len(pdu) <= MAX_PDU:
        return RawReply(function, pdu[1:])
    return None


def build(message: Request | Reply) -> bytes | None:
    """Return the PDU of a message, None when this module does not know."""
    builder = _BUILDERS.get(type(message))
    if builder is None:
        return None
    try:
        return builder(message)
    except struct.error:
        return None


def _pair(make: Callable[[int, int], Any]) -> Callable[[bytes], Any]:
    """Return a parser of two numbers."""

    def parse(pdu: bytes) -> Any:
        if len(pdu) != 5:
            return None
        _, first, second = _PAIR.unpack(pdu)
        return make(first, second)

    return parse


def _bits_reply(make: Callable[[tuple[bool, ...]], Any]) -> Callable[[bytes], Any]:
    def parse(pdu: bytes) -> Any:
        if not 3 <= len(pdu) <= 252 or len(pdu) != 2 + pdu[1]:
            return None
        return make(_unpacked(pdu[2:]))

    return parse


def _registers_reply(make: Callable[[tuple[int, ...]], Any]) -> Callable[[bytes], Any]:
    def parse(pdu: bytes) -> Any:
        size = len(pdu)
        if size & 1 or not 4 <= size <= 252 or size != 2 + pdu[1]:
            return None
        return make(_WORDS[pdu[1] >> 1].unpack_from(pdu, 2))

    return parse


def _write_coils(pdu: bytes) -> WriteMultipleCoils | None:
    if not 6 <= len(pdu) <= MAX_PDU:
        return None
    _, start, quantity, size = _WRITE_HEAD.unpack_from(pdu)
    if size != (quantity + 7) >> 3 or len(pdu) != 6 + size:
        return None
    if quantity & 7 and pdu[-1] >> (quantity & 7):
        return None  # padding that is not zero
    return WriteMultipleCoils(start, _unpacked(pdu[6:])[:quantity])


def _write_registers(pdu: bytes) -> WriteMultipleRegisters | None:
    if not 6 <= len(pdu) <= MAX_PDU:
        return None
    _, start, quantity, size = _WRITE_HEAD.unpack_from(pdu)
    if size != 2 * quantity or len(pdu) != 6 + size:
        return None
    return WriteMultipleRegisters(start, _WORDS[quantity].unpack_from(pdu, 6))


def _unpacked(data: bytes) -> tuple[bool, ...]:
    """Return the bits of bytes, the lowest of the first byte first."""
    return tuple(chain.from_iterable([_BITS_OF_BYTE[byte] for byte in data]))


def _packed(bits: tuple[bool, ...]) -> bytes:
    """Return bits as bytes, filled with zeros."""
    if not bits:
        return b""
    digits = bytes(map(bool, reversed(bits))).translate(_DIGITS)
    return int(digits, 2).to_bytes((len(bits) + 7) >> 3, "little")


def _build_span(message: Any) -> bytes:
    return _PAIR.pack(message.function, message.start, message.count)


def _build_coil(message: Any) -> bytes:
    return _PAIR.pack(message.function, message.start, message.raw)


def _build_register(message: Any) -> bytes:
    return _PAIR.pack(message.function, message.start, message.value)


def _build_bits(message: Any) -> bytes | None:
    count = len(message.bits)
    if count & 7 or not 8 <= count <= _MOST_BITS:
        return None
    return bytes((message.function, count >> 3)) + _packed(message.bits)


def _build_registers(message: Any) -> bytes | None:
    count = len(message.values)
    if not 1 <= count <= _MOST_REGISTERS_READ:
        return None
    return bytes((message.function, 2 * count)) + _WORDS[count].pack(*message.values)


def _build_write_coils(message: WriteMultipleCoils) -> bytes | None:
    count = len(message.bits)
    if message.padding or count > _MOST_BITS:
        return None
    data = _packed(message.bits)
    pdu = _WRITE_HEAD.pack(message.function, message.start, count, len(data)) + data
    return pdu if len(pdu) <= MAX_PDU else None


def _build_write_registers(message: WriteMultipleRegisters) -> bytes | None:
    count = len(message.values)
    if count > _MOST_REGISTERS_WRITTEN:
        return None
    head = _WRITE_HEAD.pack(message.function, message.start, count, 2 * count)
    return head + _WORDS[count].pack(*message.values)


def _build_exception(message: ExceptionReply) -> bytes | None:
    function, code = message.function, message.code
    if 1 <= function <= MAX_FUNCTION and 0 <= code <= 0xFF:
        return bytes((function | EXCEPTION_BIT, code))
    return None


def _build_raw(message: RawRequest | RawReply) -> bytes | None:
    if 1 <= message.function <= MAX_FUNCTION and len(message.data) < MAX_PDU:
        return bytes((message.function,)) + message.data
    return None


_REQUESTS: Mapping[int, Callable[[bytes], Request | None]] = {
    Code.READ_COILS: _pair(ReadCoils),
    Code.READ_DISCRETE_INPUTS: _pair(ReadDiscreteInputs),
    Code.READ_HOLDING_REGISTERS: _pair(ReadHoldingRegisters),
    Code.READ_INPUT_REGISTERS: _pair(ReadInputRegisters),
    Code.WRITE_SINGLE_COIL: _pair(lambda start, raw: WriteSingleCoil(start, raw=raw)),
    Code.WRITE_SINGLE_REGISTER: _pair(WriteSingleRegister),
    Code.WRITE_MULTIPLE_COILS: _write_coils,
    Code.WRITE_MULTIPLE_REGISTERS: _write_registers,
}
_REPLIES: Mapping[int, Callable[[bytes], Reply | None]] = {
    Code.READ_COILS: _bits_reply(ReadCoilsReply),
    Code.READ_DISCRETE_INPUTS: _bits_reply(ReadDiscreteInputsReply),
    Code.READ_HOLDING_REGISTERS: _registers_reply(ReadHoldingRegistersReply),
    Code.READ_INPUT_REGISTERS: _registers_reply(ReadInputRegistersReply),
    Code.WRITE_SINGLE_COIL: _pair(lambda start, raw: WriteSingleCoilReply(start, raw=raw)),
    Code.WRITE_SINGLE_REGISTER: _pair(WriteSingleRegisterReply),
    Code.WRITE_MULTIPLE_COILS: _pair(WriteMultipleCoilsReply),
    Code.WRITE_MULTIPLE_REGISTERS: _pair(WriteMultipleRegistersReply),
}
_BUILDERS: Mapping[type, Callable[[Any], bytes | None]] = {
    ReadCoils: _build_span,
    ReadDiscreteInputs: _build_span,
    ReadHoldingRegisters: _build_span,
    ReadInputRegisters: _build_span,
    WriteSingleCoil: _build_coil,
    WriteSingleRegister: _build_register,
    WriteMultipleCoils: _build_write_coils,
    WriteMultipleRegisters: _build_write_registers,
    RawRequest: _build_raw,
    ReadCoilsReply: _build_bits,
    ReadDiscreteInputsReply: _build_bits,
    ReadHoldingRegistersReply: _build_registers,
    ReadInputRegistersReply: _build_registers,
    WriteSingleCoilReply: _build_coil,
    WriteSingleRegisterReply: _build_register,
    WriteMultipleCoilsReply: _build_span,
    WriteMultipleRegistersReply: _build_span,
    ExceptionReply: _build_exception,
    RawReply: _build_raw,
}
