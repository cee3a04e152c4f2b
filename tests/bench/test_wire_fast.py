"""The short way for the usual codes says what the layouts in construct say."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
import strategies
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench import wire
from kerfbus.bench.errors import WireError
from kerfbus.bench.wire import fast, layouts

HOT = (0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x0F, 0x10)
"""The codes that must have a short way, requests and replies; exceptions besides."""
HOT_REQUESTS = [kind for kind in strategies.REQUESTS if getattr(kind, "function", 0) in HOT]
HOT_REPLIES = [kind for kind in strategies.REPLIES if getattr(kind, "function", 0) in HOT]
any_message = st.one_of(
    strategies.requests(), strategies.replies(), strategies.buildable_requests()
)
hot_message = st.sampled_from([*HOT_REQUESTS, *HOT_REPLIES]).flatmap(
    {**strategies.REQUESTS, **strategies.REPLIES}.__getitem__
)
many = settings(max_examples=250)


def outcome(act: Callable[[Any], Any], value: Any) -> Any:
    """Return what comes out, or what is said against it."""
    try:
        return act(value)
    except WireError as error:
        return str(error), error.path, error.exception


def check_parsing(pdu: bytes) -> None:
    for short, full in (
        (fast.parse_request, layouts.parse_request),
        (fast.parse_reply, layouts.parse_reply),
    ):
        message = short(pdu)
        if message is not None:
            defined = full(pdu)
            assert type(message) is type(defined)
            assert message == defined


@many
@given(st.sampled_from([*HOT, 0x81, 0x90, 0x41, 0x80, 0x00, 0x2B]), st.binary(max_size=300))
def test_any_bytes_are_parsed_alike(code: int, data: bytes) -> None:
    check_parsing(bytes((code,)) + data)


@many
@given(strategies.near_pdus(hot_message))
def test_bytes_that_are_nearly_a_message_are_parsed_alike(pdu: bytes) -> None:
    check_parsing(pdu)


@many
@given(any_message)
def test_messages_are_built_alike(message: Any) -> None:
    pdu = fast.build(message)
    if pdu is not None:
        assert pdu == layouts.build(message)
    assert outcome(wire.build, message) == outcome(layouts.build, message)


@pytest.mark.parametrize("kind", [*HOT_REQUESTS, *HOT_REPLIES, wire.ExceptionReply], ids=str)
def test_well_formed_messages_take_the_short_way(kind: type) -> None:
    """Otherwise agreeing would be easy."""
    requests = kind in strategies.REQUESTS
    table = strategies.REQUESTS if requests else strategies.REPLIES
    parse = fast.parse_request if requests else fast.parse_reply

    @settings(max_examples=40)
    @given(table[kind])
    def check(message: Any) -> None:
        if getattr(message, "padding", 0):
            return
        pdu = fast.build(message)
        assert pdu is not None
        assert parse(pdu) == message

    check()


@pytest.mark.parametrize(
    "message",
    [
        wire.ReadCoils(-1, 0),
        wire.ReadCoils(0, 1 << 16),
        wire.WriteMultipleCoils(0, ()),
        wire.WriteMultipleCoils(0, (True,) * 1976),
        wire.WriteMultipleCoils(0, (True,) * 1977),
        wire.WriteMultipleCoils(0, (True,) * 3, padding=0x1F),
        wire.WriteMultipleCoils(0, (True,) * 3, padding=0x20),
        wire.WriteMultipleRegisters(0, ()),
        wire.WriteMultipleRegisters(0, (0,) * 124),
        wire.WriteMultipleRegisters(0, (0x10000,)),
        wire.ReadCoilsReply(()),
        wire.ReadCoilsReply((True,) * 2000),
        wire.ReadCoilsReply((True,) * 2008),
        wire.ReadHoldingRegistersReply(()),
        wire.ReadHoldingRegistersReply((0xFFFF,) * 125),
        wire.ReadHoldingRegistersReply((0,) * 126),
        wire.ExceptionReply(0, 1),
        wire.ExceptionReply(1, 256),
        wire.ExceptionReply(1, -1),
        wire.RawReply(3, b"\2\0\1"),
        wire.RawReply(127, bytes(252)),
        wire.RawReply(127, bytes(253)),
        wire.RawReply(128, b""),
    ],
    ids=lambda message: f"{type(message).__name__}-{message.function}",
)
def test_the_edges_are_built_alike(message: Any) -> None:
    assert outcome(wire.build, message) == outcome(layouts.build, message)


@pytest.mark.parametrize("code", [*HOT, 0x41, 0x81, 0xFF])
@pytest.mark.parametrize("size", range(8))
def test_short_bytes_are_parsed_alike(code: int, size: int) -> None:
    for fill in (0, 1, 2, 0xFF):
        pdu = bytes((code,)) + bytes((fill,)) * size
        check_parsing(pdu)
        assert outcome(wire.parse_request, pdu) == outcome(layouts.parse_request, pdu)
        assert outcome(wire.parse_reply, pdu) == outcome(layouts.parse_reply, pdu)
    assert fast.parse_request(b"") is None
    assert fast.parse_reply(b"") is None
    assert fast.build(wire.ReadFifoQueue(1)) is None
