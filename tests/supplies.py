"""Simulated supplies for tests: switched on, asked, cut with, in virtual time."""

from __future__ import annotations

from dataclasses import dataclass, field

from kerfbus.bench import wire
from kerfbus.bench.crc import with_crc
from kerfbus.sim.device import Device
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.sequence import Mode
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.settings import Setting, Settings
from kerfbus.sim.supply import Supply

MS = 1_000_000
S = 1_000_000_000
KEY = default_map().by_name("command_key").address


def settings(**changes: Setting) -> Settings:
    """Return factory settings with some changed."""
    return Settings().changed(changes)


def idle_supply(seed: int = 0, **changes: Setting) -> Supply:
    """Return a supply that has been enabled at 0 and is idle at 2 s."""
    supply = Supply(Beginning(settings=settings(**changes), seed=seed))
    supply.enable()
    supply.advance(2 * S)
    assert supply.mode is Mode.IDLE
    return supply


def cutting_supply(seed: int = 0, **changes: Setting) -> Supply:
    """Return a supply whose start contact was closed at 2 s and that cuts at 4 s."""
    supply = idle_supply(seed, **changes)
    supply.surround(2 * S, start_contact=True)
    supply.advance(4 * S)
    assert supply.mode is Mode.CUTTING
    return supply


@dataclass
class Bench:
    """A server and a client without a line: requests as values, replies as values.

    Attributes:
        now: instant of the next request; each takes a millisecond.
    """

    server: SupplyServer = field(default_factory=lambda: SupplyServer(Device()))
    now: int = 0

    @property
    def supply(self) -> Supply:
        """Return the supply behind the server."""
        return self.server.device.supply

    def pdu(self, pdu: bytes, address: int | None = None, errors: int = 0) -> bytes | None:
        """Send a PDU and return the reply's PDU, None for silence."""
        self.now += MS
        to = self.server.address if address is None else address
        reply = self.server.handle(with_crc(bytes((to,)) + pdu), self.now, errors)
        if reply is None:
            return None
        assert reply == with_crc(reply[:-2])
        assert reply[0] == to
        return reply[1:-2]

    def ask(self, request: wire.Request, address: int | None = None) -> wire.Reply | None:
        """Send a request and return the reply, None for silence."""
        pdu = self.pdu(wire.build(request), address)
        return None if pdu is None else wire.parse_reply(pdu)

    def refused(self, request: wire.Request) -> int:
        """Send a request that must be refused and return the exception code."""
        reply = self.ask(request)
        assert isinstance(reply, wire.ExceptionReply), reply
        assert reply.function == request.function
        return reply.code

    def done(self, request: wire.Request) -> wire.Reply:
        """Send a request that must succeed and return the reply."""
        reply = self.ask(request)
        assert reply is not None
        assert not isinstance(reply, wire.ExceptionReply), reply
        return reply

    def words(self, start: int, count: int = 1, *, table: str = "holding") -> tuple[int, ...]:
        """Return words as a client reads them."""
        kind = wire.ReadHoldingRegisters if table == "holding" else wire.ReadInputRegisters
        reply = self.done(kind(start, count))
        assert isinstance(reply, wire.ReadHoldingRegistersReply | wire.ReadInputRegistersReply)
        return reply.values

    def coil(self, name: str, on: bool) -> wire.WriteMultipleCoils:
        """Return the request that switches a coil."""
        return wire.WriteMultipleCoils(default_map().by_name(name).address, (on,))

    def order(self, order: Order) -> wire.WriteMultipleRegisters:
        """Return the request that gives the key and an order."""
        return wire.WriteMultipleRegisters(KEY, (COMMAND_KEY, int(order)))

    def start(self) -> wire.WriteMultipleRegisters:
        """Return the request that gives the key and starts."""
        return wire.WriteMultipleRegisters(KEY, (COMMAND_KEY, 0, 1))

    def wait(self, span_ns: int) -> None:
        """Let time pass."""
        self.now += span_ns
        self.server.device.advance(self.now)

    def make_idle(self) -> None:
        """Enable the supply and wait until it is idle."""
        self.done(self.coil("enable", True))
        self.wait(2 * S)
        assert self.supply.mode is Mode.IDLE

    def make_startable(self) -> None:
        """Make the supply idle, let the link start it, and arm the link."""
        self.make_idle()
        address = default_map().by_name("start_source").address
        self.done(wire.WriteSingleRegister(address, 1))
        self.done(self.order(Order.ARM_LINK))

    def keep_alive(self, span_ns: int, every_ns: int = 200 * MS) -> None:
        """Let time pass with a poll now and then."""
        end = self.now + span_ns
        while self.now + every_ns < end:
            self.wait(every_ns - MS)
            self.words(0, table="input")
        self.wait(end - self.now)
