"""What parsing and building a PDU costs: our short way against construct and pymodbus, in one run.

A read of ten registers, its request and its reply. The candidates take turns, in blocks of equal
length, and the processor's time is taken: with blocks of equally many calls and the clock's time, a
busy machine would hit the slow candidates alone. The medians are compared.

Ours comes in two forms: the short way that such PDUs take, and the layouts, the definition that all
other function codes take. construct alone is a plain declaration of the same two PDUs, interpreted
and compiled, without a check and without a value of a class of ours. pymodbus finds the class by
function code and decodes, or encodes; the function code is put before what it encodes.

The short way must be at least as quick as pymodbus and as construct compiled.
"""

from __future__ import annotations

import statistics
import sys
import time
import timeit
from collections.abc import Callable

from construct import Array, Int8ub, Int16ub, Rebuild, Struct, len_, this
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
)

from kerfbus.bench import wire
from kerfbus.bench.wire import layouts

RUNS = 25
BLOCK_SECONDS = 0.004
"""How long it is one candidate's turn."""
VALUES = tuple(range(1000, 1010))
REQUEST, REPLY = wire.ReadHoldingRegisters(100, 10), wire.ReadHoldingRegistersReply(VALUES)
REQUEST_PDU, REPLY_PDU = wire.build(REQUEST), wire.build(REPLY)

# "values" is also the name of a method of construct's containers, hence the brackets.
PLAIN_REQUEST = Struct("function" / Int8ub, "start" / Int16ub, "count" / Int16ub)
PLAIN_REPLY = Struct(
    "function" / Int8ub,
    "size" / Rebuild(Int8ub, 2 * len_(this["values"])),
    "values" / Array(this.size // 2, Int16ub),
)
COMPILED_REQUEST, COMPILED_REPLY = PLAIN_REQUEST.compile(), PLAIN_REPLY.compile()
REQUEST_FIELDS = {"function": 3, "start": 100, "count": 10}
REPLY_FIELDS = {"function": 3, "values": list(VALUES)}
SERVER, CLIENT = DecodePDU(is_server=True), DecodePDU(is_server=False)

Candidates = dict[str, Callable[[], object]]


def pymodbus_request() -> bytes:
    """Make and encode a request."""
    request = ReadHoldingRegistersRequest(address=100, count=10)
    return bytes((request.function_code,)) + request.encode()


def pymodbus_reply() -> bytes:
    """Make and encode a reply."""
    reply = ReadHoldingRegistersResponse(registers=list(VALUES))
    return bytes((reply.function_code,)) + reply.encode()


def ours_request() -> bytes:
    """Make and build a request."""
    return wire.build(wire.ReadHoldingRegisters(100, 10))


def ours_reply() -> bytes:
    """Make and build a reply."""
    return wire.build(wire.ReadHoldingRegistersReply(VALUES))


SHORT, LAYOUTS = "kerfbus, short way", "kerfbus, layouts"
INTERPRETED, COMPILED = "construct, interpreted", "construct, compiled"
PYMODBUS = "pymodbus"
JOBS: dict[str, Candidates] = {
    "parse a request": {
        SHORT: lambda: wire.parse_request(REQUEST_PDU),
        LAYOUTS: lambda: layouts.parse_request(REQUEST_PDU),
        INTERPRETED: lambda: PLAIN_REQUEST.parse(REQUEST_PDU),
        COMPILED: lambda: COMPILED_REQUEST.parse(REQUEST_PDU),
        PYMODBUS: lambda: SERVER.decode(REQUEST_PDU),
    },
    "parse a reply": {
        SHORT: lambda: wire.parse_reply(REPLY_PDU),
        LAYOUTS: lambda: layouts.parse_reply(REPLY_PDU),
        INTERPRETED: lambda: PLAIN_REPLY.parse(REPLY_PDU),
        COMPILED: lambda: COMPILED_REPLY.parse(REPLY_PDU),
        PYMODBUS: lambda: CLIENT.decode(REPLY_PDU),
    },
    "build a request": {
        SHORT: ours_request,
        LAYOUTS: lambda: layouts.build(REQUEST),
        INTERPRETED: lambda: PLAIN_REQUEST.build(REQUEST_FIELDS),
        COMPILED: lambda: COMPILED_REQUEST.build(REQUEST_FIELDS),
        PYMODBUS: pymodbus_request,
    },
    "build a reply": {
        SHORT: ours_reply,
        LAYOUTS: lambda: layouts.build(REPLY),
        INTERPRETED: lambda: PLAIN_REPLY.build(REPLY_FIELDS),
        COMPILED: lambda: COMPILED_REPLY.build(REPLY_FIELDS),
        PYMODBUS: pymodbus_reply,
    },
}


def check() -> None:
    """Make sure that all do the same work."""
    for build in (*JOBS["build a request"].values(), *JOBS["build a reply"].values()):
        assert build() in (REQUEST_PDU, REPLY_PDU)
    for name, parse in JOBS["parse a reply"].items():
        found = parse()
        values = getattr(found, "registers", None) or (
            found["values"] if name in (INTERPRETED, COMPILED) else found.values  # type: ignore
        )
        assert tuple(values) == VALUES, name


def medians(candidates: Candidates) -> dict[str, float]:
    """Return microseconds a call of each candidate; they take turns."""
    calls = {}
    for name, run in candidates.items():
        once = min(timeit.repeat(run, number=100, repeat=5, timer=time.process_time)) / 100
        calls[name] = max(1, round(BLOCK_SECONDS / once))
    times: dict[str, list[float]] = {name: [] for name in candidates}
    for _ in range(RUNS):
        for name, run in candidates.items():
            seconds = timeit.timeit(run, number=calls[name], timer=time.process_time)
            times[name].append(seconds / calls[name] * 1e6)
    return {name: statistics.median(each) for name, each in times.items()}


def main() -> int:
    """Measure, print, and return 1 when the short way is not the quickest."""
    check()
    slower = []
    for job, candidates in JOBS.items():
        found = medians(candidates)
        print(f"{job:26} {'us':>8} {'ratio':>8}   (medians of {RUNS})")
        for name, micros in found.items():
            print(f"{name:26} {micros:8.2f} {micros / found[SHORT]:8.1f}")
            if micros < found[SHORT]:
                slower.append(f"{job}: {name}")
        print()
    print("the short way is the quickest" if not slower else f"quicker: {'; '.join(slower)}")
    return 1 if slower else 0


if __name__ == "__main__":
    sys.exit(main())
