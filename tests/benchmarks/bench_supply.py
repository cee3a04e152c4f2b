"""What the supply costs: brought to an instant, physics and all, and asked for its registers.

Run: python tests/benchmarks/bench_supply.py [reads a block]

A request of 30 registers, the whole status block, comes every 42 ms, as on a 19200-baud line that
is polled without pause. `handle` is all that the server does with it: CRC, address, counters, the
supply's model stepped to the instant, registers filled, reply with CRC. The step and the registers
are printed apart. In "cuts" a controller makes a cut of 4 s every 10 s over a torch that plunges
and crosses a kerf, so that all the switching is in it.

pymodbus' part is its RTU framer and decoder, a datastore that is a list of words, and the reply
framed: no model, no counters, no checks of addresses. Blocks take turns; processor time; medians.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable, Iterator

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadInputRegistersResponse

from kerfbus.bench import wire
from kerfbus.bench.regmap import Table
from kerfbus.sim.device import Device
from kerfbus.sim.machine import Beginning
from kerfbus.sim.sequence import Mode
from kerfbus.sim.server import SupplyServer

BLOCKS = 9
COUNT = 30
MS, S = 1_000_000, 1_000_000_000
POLL_NS = 42 * MS
FRAME = wire.adu(1, wire.ReadInputRegisters(0, COUNT))
WORDS = list(range(COUNT))
CYCLE_MS, PIERCE_MS, CUT_MS = 10_000, 1300, 4000
Act = tuple[int, dict[str, float | bool]]
CUT: list[Act] = [
    (0, {"start_contact": True, "stand_off": 3.8, "table_speed": 0.0}),
    *((PIERCE_MS + 20 * i, {"stand_off": 3.8 - 0.46 * i}) for i in range(1, 6)),
    *((PIERCE_MS + 100 + 20 * i, {"table_speed": 500.0 * i}) for i in range(1, 6)),
    (2500, {"over_kerf": True}),
    (2536, {"over_kerf": False}),
    (CUT_MS, {"start_contact": False}),
]
"""What a controller and its torch do to the surroundings in a cut, by milliseconds."""
FRAMER = FramerRTU(DecodePDU(is_server=True))


class Bench:
    """A server whose clock moves by a poll with each request."""

    def __init__(self) -> None:
        self.server = SupplyServer(Device(Beginning()))
        self.supply = self.server.device.supply
        self.supply.enable()
        self.now = 2 * S
        self.supply.advance(self.now)
        self._acts = self._cuts()
        self._next_at, self._change = next(self._acts)

    def cutting(self) -> Bench:
        """Begin to cut, and let it last."""
        self.supply.surround(self.now, start_contact=True)
        self.now += 3 * S
        self.supply.advance(self.now)
        assert self.supply.mode is Mode.CUTTING
        return self

    def handle(self) -> None:
        """Answer a request."""
        self.now += POLL_NS
        self.server.handle(FRAME, self.now)

    def step(self) -> None:
        """Bring the supply to the next instant."""
        self.now += POLL_NS
        self.supply.advance(self.now)

    def registers(self) -> None:
        """Bring it there and fill the registers."""
        self.now += POLL_NS
        self.supply.advance(self.now)
        self.server.device.read_words(Table.INPUT, 0, COUNT)

    def handle_among_cuts(self) -> None:
        """Answer a request in a world where one cut follows the other."""
        self._live()
        self.handle()

    def registers_among_cuts(self) -> None:
        """Fill the registers in such a world."""
        self._live()
        self.registers()

    def _live(self) -> None:
        while self._next_at <= self.now:
            self.supply.surround(self._next_at, **self._change)
            self._next_at, self._change = next(self._acts)

    def _cuts(self) -> Iterator[Act]:
        begin = self.now
        while True:
            for ms, change in CUT:
                yield begin + ms * MS, change
            begin += CYCLE_MS * MS


def pymodbus() -> None:
    """Take a frame apart, read a list, and frame the reply."""
    _, request = FRAMER.handleFrame(FRAME, 1, 0)
    assert request is not None
    words = WORDS[request.address : request.address + request.count]
    FRAMER.buildFrame(ReadInputRegistersResponse(registers=words, dev_id=1))


def candidates() -> dict[str, Callable[[], None]]:
    """Return what takes turns, by name."""
    among = Bench()
    return {
        "step, idle": Bench().step,
        "step, cutting": Bench().cutting().step,
        "registers, idle": Bench().registers,
        "registers, cutting": Bench().cutting().registers,
        "registers, cuts": Bench().registers_among_cuts,
        "handle, idle": Bench().handle,
        "handle, cutting": Bench().cutting().handle,
        "handle, cuts": among.handle_among_cuts,
        PYMODBUS: pymodbus,
    }


PYMODBUS = "pymodbus"


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 3000
    jobs = candidates()
    times: dict[str, list[float]] = {name: [] for name in jobs}
    for _ in range(BLOCKS):
        for name, run in jobs.items():
            begin = time.process_time()
            for _ in range(count):
                run()
            times[name].append((time.process_time() - begin) / count * 1e6)
    found = {name: statistics.median(each) for name, each in times.items()}
    print(f"{BLOCKS} blocks of {count} reads of {COUNT} registers, microseconds each")
    for name, micros in found.items():
        print(f"{name:20} {micros:8.2f}   {found[PYMODBUS] / micros:6.2f} x pymodbus")
    print("above 1: kerfbus, with its supply, is faster than pymodbus with a list")


if __name__ == "__main__":
    main()
