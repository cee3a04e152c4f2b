"""A simulated motion controller: what it asks a supply, and when.

It polls status, arc and gas, and cuts: start, some seconds of arc, stop, a pause, again and
again, all over the link. It follows a timetable and does not look at the replies, so the same
requests come whatever the supply does. For taps on a simulated line, and for whoever plays the
supply.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.regmap import RegisterMap
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.settings import StartSource

MS = 1_000_000
POLL_NS = 100 * MS
WARM_UP_NS = 1500 * MS
"""Switching on and self-test."""
ARC_NS = 4000 * MS
"""From start to stop."""
PAUSE_NS = 3000 * MS
"""From stop to the next start."""
CURRENT_RAW, CUTTING_RAW, FLOW_RAW = 600, 520, 400
"""60.0 A, 5.20 bar, 4.00 bar: the default map's scales."""


class Question(NamedTuple):
    """A request and the earliest instant of its first character, in ns from the beginning."""

    at: int
    request: wire.Request


class Controller:
    """The timetable.

    Args:
        register_map: where the registers are; None for the default map.
    """

    def __init__(self, register_map: RegisterMap | None = None) -> None:
        self._map = register_map or default_map()

    def questions(self) -> Iterator[Question]:
        """Yield requests without end, by rising instant."""
        at = 0
        for request in self._opening():
            yield Question(at, request)
            at += POLL_NS // 2
        polls = self._polls()
        yield from self._poll(polls, at, WARM_UP_NS)
        begin = WARM_UP_NS
        while True:
            for request in self._start():
                yield Question(begin, request)
            yield from self._poll(polls, begin + POLL_NS // 2, begin + ARC_NS)
            yield Question(begin + ARC_NS, wire.WriteMultipleCoils(self._at("start"), (False,)))
            end = begin + ARC_NS + PAUSE_NS
            yield from self._poll(polls, begin + ARC_NS + POLL_NS // 2, end)
            begin = end

    def _at(self, name: str) -> int:
        return self._map.by_name(name).address

    def _opening(self) -> list[wire.Request]:
        set_points = (CURRENT_RAW, CUTTING_RAW, FLOW_RAW)
        return [
            wire.ReadDeviceIdentification(1, 0),
            wire.WriteMultipleRegisters(self._at("current_setpoint"), set_points),
            wire.WriteSingleRegister(self._at("start_source"), StartSource.LINK),
            wire.WriteMultipleCoils(self._at("enable"), (True,)),
        ]

    def _start(self) -> list[wire.Request]:
        key = self._at("command_key")
        arm = (COMMAND_KEY, int(Order.ARM_LINK))
        return [
            wire.WriteMultipleRegisters(key, arm),
            wire.WriteMultipleRegisters(key, (COMMAND_KEY, int(Order.NONE), 1)),
        ]

    def _polls(self) -> Iterator[wire.Request]:
        status = wire.ReadInputRegisters(self._at("status"), 8)
        arc = wire.ReadInputRegisters(self._at("output_current"), 5)
        gas = wire.ReadInputRegisters(self._at("inlet_pressure"), 2)
        contacts = wire.ReadDiscreteInputs(self._at("start_contact"), 9)
        parts = wire.ReadInputRegisters(self._at("electrode_state"), 8)
        while True:
            for _ in range(8):
                yield status
                yield arc
                yield gas
            yield contacts
            yield parts

    @staticmethod
    def _poll(polls: Iterator[wire.Request], begin: int, end: int) -> Iterator[Question]:
        for at in range(begin, end, POLL_NS):
            yield Question(at, next(polls))
