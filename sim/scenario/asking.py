"""What a controller asks a supply, in terms of its register map, and what the status tells."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.regmap import Register
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.settings import StartSource

STATUS_WORDS, ARC_WORDS, GAS_WORDS, CONTACTS, PART_WORDS = 8, 5, 4, 9, 8
"""How much of each block is read."""
ROUNDS = 8
"""Contacts and parts are read once in so many rounds of the other blocks."""


class Status(NamedTuple):
    """What the status block tells.

    Attributes:
        ready: a start would be accepted.
        arc: the arc is transferred.
        mode: number of the mode.
        fault: code of the latched fault, 0 for none.
    """

    ready: bool = False
    arc: bool = False
    mode: int = 0
    fault: int = 0


class Questions:
    """Requests to one supply; polls come round in a fixed order."""

    def __init__(self) -> None:
        found = default_map()
        self._at = {each.name: each.address for each in found.registers}
        status = found.by_name("status")
        self._ready, self._arc = _mask(status, "ready"), _mask(status, "arc-transferred")
        self._poll = wire.ReadInputRegisters(self._at["status"], STATUS_WORDS)
        self._polls = self._round()

    def _round(self) -> Iterator[wire.Request]:
        at = self._at
        arc = wire.ReadInputRegisters(at["output_current"], ARC_WORDS)
        gas = wire.ReadInputRegisters(at["inlet_pressure"], GAS_WORDS)
        contacts = wire.ReadDiscreteInputs(at["start_contact"], CONTACTS)
        parts = wire.ReadInputRegisters(at["electrode_state"], PART_WORDS)
        while True:
            for _ in range(ROUNDS):
                yield from (self._poll, arc, self._poll, gas)
            yield from (self._poll, contacts, self._poll, parts)

    def next_poll(self) -> wire.Request:
        """Return the next poll; every other one is the status block."""
        return next(self._polls)

    def status(self, asked: wire.Request | None, reply: wire.Reply) -> Status | None:
        """Return what a reply tells, None when it is not the answer to the status block."""
        if asked is not self._poll or not isinstance(reply, wire.ReadInputRegistersReply):
            return None
        values, base = reply.values, self._at["status"]
        return Status(
            bool(values[0] & self._ready),
            bool(values[0] & self._arc),
            values[self._at["mode"] - base],
            values[self._at["fault"] - base],
        )

    def set_up(self, process: int, *, contact: bool) -> tuple[wire.Request, ...]:
        """Return what puts the supply in order and enables it."""
        source = StartSource.CONTACT if contact else StartSource.LINK
        return (
            # A question whose answer cannot be an echo comes first: it shows whether the port hears
            # itself, which the answer to a write would leave open.
            wire.ReadDeviceIdentification(1, 0),
            wire.WriteSingleRegister(self._at["start_source"], int(source)),
            self.process(process),
            wire.WriteMultipleCoils(self._at["enable"], (True,)),
        )

    def process(self, number: int) -> wire.Request:
        """Return what chooses a process."""
        return wire.WriteSingleRegister(self._at["process"], number)

    def start(self) -> tuple[wire.Request, ...]:
        """Return what arms the link and starts."""
        key = self._at["command_key"]
        return (
            wire.WriteMultipleRegisters(key, (COMMAND_KEY, int(Order.ARM_LINK))),
            wire.WriteMultipleRegisters(key, (COMMAND_KEY, int(Order.NONE), 1)),
        )

    def stop(self) -> wire.Request:
        """Return what takes the start over the link away."""
        return wire.WriteMultipleCoils(self._at["start"], (False,))

    def clear(self) -> wire.Request:
        """Return what clears a fault."""
        key = self._at["command_key"]
        return wire.WriteMultipleRegisters(key, (COMMAND_KEY, int(Order.CLEAR_FAULT)))


def _mask(status: Register, bit: str) -> int:
    """Return the mask of a bit of the status word."""
    return next(1 << number for number, name in status.bits.items() if name == bit)
