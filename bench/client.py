"""The asynchronous Modbus client: drives an exchange over a transport.

The rules are `kerfbus.bench.exchange`'s; here are the waiting, the retries and the result.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.conversation import Message
from kerfbus.bench.errors import PortLostError, UsageError, WireError
from kerfbus.bench.exchange import Exchange, Outcome, Policy, State
from kerfbus.bench.line import LineSettings, check_server_address
from kerfbus.bench.transport import Transport

__all__ = ["Client", "Outcome", "Policy", "Result"]

READS = frozenset((1, 2, 3, 4, 7, 0x0B, 0x0C, 0x11, 0x14, 0x18, 0x2B))
"""Function codes that change nothing in the server. 08 is not among them: some of its
sub-functions do."""
BROADCASTS = frozenset((5, 6, 8, 0x0F, 0x10, 0x15, 0x16))
"""Function codes that make sense without a reply (MODBUS over Serial Line V1.02, 2.1: writes)."""


class Result(NamedTuple):
    """What came of a request.

    Attributes:
        outcome: how it ended.
        server: the address.
        request: what was asked.
        reply: the parsed reply for REPLY and EXCEPTION, else None.
        exception: the exception code for EXCEPTION, else None.
        frame: the reply as heard, empty when none came.
        attempts: how often the request was sent.
        sent_at: end of the last request, in the transport's time.
        at: end of the reply, or when the wait ended.
        turnaround_ns: from the end of the request to the first character of the reply; None
            without a reply. On ``host`` timing it includes the delays of the host.
        heard: what else came meanwhile: echoes, late and foreign replies, damage, strays.
        detail: one more line for a person, "" for none.
    """

    outcome: Outcome
    server: int
    request: wire.Request
    reply: wire.Reply | None = None
    exception: int | None = None
    frame: bytes = b""
    attempts: int = 1
    sent_at: int = 0
    at: int = 0
    turnaround_ns: int | None = None
    heard: tuple[Message, ...] = ()
    detail: str = ""

    @property
    def ok(self) -> bool:
        """Return whether the request was obeyed (for a broadcast: sent)."""
        return self.outcome in (Outcome.REPLY, Outcome.SENT)


class _Asked(NamedTuple):
    """A request made ready; clients send the same ones again and again.

    Attributes:
        server: the address.
        request: what is asked.
        frame: address, PDU, CRC.
        again: whether it may be tried again.
    """

    server: int
    request: wire.Request
    frame: bytes
    again: bool


_ANSWERED = (Outcome.REPLY, Outcome.EXCEPTION)
_KEPT = 512
"""How many requests are kept ready."""
_SPANS = (
    wire.ReadCoils,
    wire.ReadDiscreteInputs,
    wire.ReadHoldingRegisters,
    wire.ReadInputRegisters,
)
"""Requests that are kept ready: whole numbers, so that nobody can change them meanwhile."""
_new = tuple.__new__


class Client:
    """A client on one line.

    One request is on the line at a time; concurrent calls wait for their turn. A cancelled request
    is given up like one that timed out: its late reply will be flagged.

    Args:
        transport: the line. The client does not close it.
        policy: waits and retries.
    """

    def __init__(self, transport: Transport, policy: Policy | None = None) -> None:
        self.transport = transport
        self._policy = policy or Policy()
        self._turn = asyncio.Lock()
        self._queued = 0  # calls that have their turn or wait for it
        self._ready: dict[tuple[int, int], _Asked] = {}
        self._exchange = self._new_exchange()

    def _new_exchange(self) -> Exchange:
        return Exchange(
            self.transport.settings,
            self._policy,
            timing=self.transport.timing,
            uncertainty_ns=self.transport.uncertainty_ns,
            paced=self.transport.facts.paced,
        )

    @property
    def policy(self) -> Policy:
        """Return the waits and retries, as they were given."""
        return self._policy

    @property
    def echoes(self) -> bool | None:
        """Return whether the port hears its own characters, None while that is not known."""
        return self._exchange.echoes

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format of the line.

        Raises:
            PortError: the port refuses them.
        """
        async with self._in_turn():
            await self.transport.reconfigure(settings)
            self._exchange = self._new_exchange()

    @contextlib.asynccontextmanager
    async def _in_turn(self) -> AsyncIterator[None]:
        self._queued += 1
        try:
            async with self._turn:
                yield
        finally:
            self._queued -= 1

    async def request(self, server: int, request: wire.Request) -> Result:
        """Send a request, wait for what comes of it, try again as the policy says.

        Args:
            server: 1 to 247, or 0 to broadcast a write.
            request: what to ask.

        Raises:
            SettingsError: the address is none.
            UsageError: the function cannot be broadcast.
            WireError: the request cannot be built.
        """
        asked = self._ready.get((server, id(request)))
        if asked is None or asked.request is not request:
            asked = self._prepared(server, request)
        exchange = self._exchange
        begun = not self._queued and self._ask_at_once(asked.frame)
        if begun and exchange.state is State.DONE:
            result = self._result(asked, 1, "")
            if result.outcome is not Outcome.DAMAGED:
                return result
        async with self._in_turn():
            attempt = 0
            while True:
                attempt += 1
                result = await self._attempt(asked, attempt, begun=begun)
                failed = result.outcome in (Outcome.TIMEOUT, Outcome.DAMAGED, Outcome.LATE)
                if not failed or not asked.again or attempt > self._policy.retries:
                    return result
                begun = False

    def _prepared(self, server: int, request: wire.Request) -> _Asked:
        """Return a request made ready, once it is certain that it may be sent."""
        check_server_address(server, broadcast=True)
        if server == 0 and request.function not in BROADCASTS:
            raise UsageError(
                f"server address 0: function {request.function:02X} cannot be broadcast, nobody "
                "would answer; give an address from 1 to 247"
            )
        again = request.function in READS or self._policy.retry_writes
        asked = _Asked(server, request, wire.adu(server, request), again)
        if isinstance(request, _SPANS):
            if len(self._ready) >= _KEPT:
                self._ready.clear()
            self._ready[server, id(request)] = asked
        return asked

    def _ask_at_once(self, frame: bytes) -> bool:
        """Do as much of an attempt as takes no waiting; return whether it has begun.

        In virtual time that is nearly always all of it.
        """
        exchange, transport = self._exchange, self.transport
        quiet_until = exchange.quiet_until
        if quiet_until is None:
            return False
        at = transport.send_at_once(frame, quiet_until)
        if at is None:
            return False
        chunk = transport.receive_at_once(exchange.asked(frame, at))
        if chunk is not None:
            exchange.receive(chunk)
        return True

    async def _attempt(self, asked: _Asked, attempt: int, *, begun: bool) -> Result:
        exchange, transport = self._exchange, self.transport
        clock = transport.clock
        detail = ""
        if not begun:
            exchange.begin(asked.frame, clock.now())
        try:
            while exchange.state is not State.DONE:
                if exchange.state is State.READY:
                    exchange.sent(await transport.send(asked.frame))
                    continue
                chunk = await transport.receive(exchange.deadline)
                if chunk is None:
                    exchange.tick(clock.now())
                else:
                    exchange.receive(chunk)
        except PortLostError as lost:
            exchange.lost(clock.now())
            detail = str(lost)
        return self._result(asked, attempt, detail)

    def _result(self, asked: _Asked, attempt: int, detail: str) -> Result:
        exchange = self._exchange
        outcome = exchange.outcome
        assert outcome is not None
        answer = exchange.answer
        reply: wire.Reply | None = None
        exception = turnaround = None
        frame = b""
        if answer is None:
            at = self.transport.clock.now()
        else:
            frame, at = answer.piece.data, answer.piece.at
        if outcome in _ANSWERED:
            try:
                reply = wire.parse_reply(frame[1:-2])
            except WireError as error:
                outcome, detail = Outcome.DAMAGED, f"the reply does not keep to its format: {error}"
            else:
                length = self.transport.settings.characters_ns(len(frame))
                turnaround = max(at - length - exchange.sent_at, 0)
                if type(reply) is wire.ExceptionReply:
                    exception = reply.code
        server, request, *_ = asked
        fields = (outcome, server, request, reply, exception, frame, attempt, exchange.sent_at, at)
        return _new(Result, (*fields, turnaround, tuple(exchange.heard), detail))
