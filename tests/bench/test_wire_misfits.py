"""Values that fit nowhere: a WireError of one line that names the field, and nothing else."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
import strategies
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench import wire
from kerfbus.bench.errors import WireError

KINDS = {**strategies.REQUESTS, **strategies.REPLIES}
NUMBERS = st.one_of(
    st.integers(-3, 0x10003), st.integers(), st.sampled_from([-1, 0x100, 0xFFFF, 0x10000, 1 << 64])
)


def fields_of(message: Any) -> list[str]:
    return [field.name for field in dataclasses.fields(message)]


def misfit(value: Any, draw: Any) -> Any:
    """Return a value of the same type that may well be out of range or far too long."""
    if dataclasses.is_dataclass(value):
        names = fields_of(value)
        if not names:
            return value
        name = draw(st.sampled_from(names))
        return dataclasses.replace(value, **{name: misfit(getattr(value, name), draw)})  # type: ignore[type-var]
    if isinstance(value, bytes):
        return draw(st.binary(max_size=600))
    if isinstance(value, tuple):
        act = draw(st.sampled_from(["one", "all", "many"]))
        if act == "many" or not value:
            return (value * draw(st.integers(0, 300)))[:70_000]
        place = draw(st.integers(0, len(value) - 1))
        changed = misfit(value[place], draw)
        return (*value[:place], changed, *value[place + 1 :]) if act == "one" else (changed,) * 3
    return value if isinstance(value, bool) else draw(NUMBERS)


@given(st.data())
@settings(max_examples=200)
def test_any_values(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(list(KINDS)))
    message = misfit(data.draw(KINDS[kind]), data.draw)
    assert wire.describe(message).isprintable()
    refused = None
    try:
        pdu = wire.build(message)
    except WireError as error:
        refused = error
    if refused is not None:
        assert str(refused).isprintable(), "one line"
        # The whole is too long, or a count that follows from a field; else it is a field's name.
        counts = ("", "byte_count", "quantity", "write_count", "number_of_objects")
        assert refused.path.split(".")[0] in (*counts, *fields_of(message))
        return
    assert 1 <= len(pdu) <= wire.MAX_PDU
    if kind not in (wire.RawRequest, wire.RawReply):
        parse = wire.parse_request if kind in strategies.REQUESTS else wire.parse_reply
        assert parse(pdu) == message


@pytest.mark.parametrize(
    ("message", "said"),
    [
        (wire.ReadCoils(65536, 1), "start: is 65536, must be 0 to 65535"),
        (wire.ReadCoils(1, -1), "count: is -1, must be 0 to 65535"),
        (wire.ReadDeviceIdentification(256, 0), "code: is 256, must be 0 to 255"),
        (wire.WriteMultipleRegisters(0, (1, 70000)), "values: is 70000, must be 0 to 65535"),
        (wire.WriteMultipleRegisters(0, (0,) * 130), "byte_count: is 260, must be 0 to 255"),
        (
            wire.WriteMultipleRegisters(0, (0,) * 124),
            "the PDU has 254 bytes, at most 253 fit into a frame",
        ),
        (
            wire.ReadFileRecord((wire.FileRange(1, 1, 1),) * 40),
            "groups: is 280 bytes, must be 0 to 255",
        ),
        (wire.ReadFileRecordReply(((0,) * 123,)), "groups: is 248, must be 2 to 245 bytes"),
        (
            wire.GetCommEventLogReply(0, 0, 0, bytes(65)),
            "byte_count: is 71, must be 6 to 70 (64 events)",
        ),
        (wire.ExceptionReply(3, 256), "code: is 256, must be 0 to 255"),
        (wire.RawRequest(128), "function: is 128, must be 1 to 127"),
    ],
    ids=lambda value: type(value).__name__ if not isinstance(value, str) else "",
)
def test_what_is_said(message: Any, said: str) -> None:
    with pytest.raises(WireError) as caught:
        wire.build(message)
    assert str(caught.value) == said
