"""Stations on a bus that nobody outside plays: servers, and a second client.

What a server does with a frame is the same as on any line: a framer, a conversation (so that
another server's reply is no request) and `kerfbus.sim.answering`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kerfbus.bench import wire
from kerfbus.bench.conversation import Conversation
from kerfbus.bench.framing import Frame, Framer, Piece
from kerfbus.bench.shapes import Shape
from kerfbus.sim.answering import answers
from kerfbus.sim.pair.bursts import NEVER, cut
from kerfbus.sim.pair.bus import Listener, Mouth
from kerfbus.sim.pair.talk import Character
from kerfbus.sim.server import SupplyServer

NS = 1_000_000_000
_REPLY = int(Shape.REPLY)


class ServerStation(Listener):
    """A server at its place on the pair.

    Args:
        mouth: of the station.
        server: behind it.
    """

    def __init__(self, mouth: Mouth, server: SupplyServer) -> None:
        self.index = mouth.index
        self._mouth = mouth
        self._server = server
        self._follow()
        mouth.bus.attach(self)

    def _follow(self) -> None:
        """Begin anew with the rate and format that the station has now."""
        self._known = self._server.settings
        settings = self._settings = self._mouth.settings
        self._framer = Framer(settings, "exact")
        self._conversation = Conversation("server", settings, paced=True)
        self._step = settings.characters_ns(3) // 2

    @property
    def deadline(self) -> int:
        """Return when a silence decides about what is held back."""
        due = self._framer.deadline
        return NEVER if due is None else due

    def take(self, heard: Sequence[Character], until: int) -> None:
        """Hear, and answer what is to be answered."""
        for chunk in cut(heard, self._step):
            self._hear(self._framer.receive(chunk.data, chunk.at, chunk.errors))
        if self.deadline <= until:
            self._hear(self._framer.tick(until))

    def _hear(self, pieces: Sequence[Piece]) -> None:
        for piece in pieces:
            message = self._conversation.inbound(piece)
            if not message.echo:
                for server, reply in answers(message, (self._server,), message.piece.errors):
                    self._reply(server, piece.at, reply)

    def _reply(self, server: SupplyServer, asked_at: int, reply: bytes) -> None:
        mouth = self._mouth
        share = mouth.manner.answers
        if share < 1.0 and mouth.chance.random() >= share:
            return
        wait = max(self._settings.t35_ns + mouth.pause_ns(), 0) + server.reply_delay_ns
        _, end = mouth.say(reply, asked_at + wait, "reply")
        self._framer.sent(reply)
        self._conversation.outbound(Frame(reply, end, 0, None, _REPLY))
        if server.settings != self._known:
            mouth.bus.put(end + mouth.manner.hold_ns, self._tune)

    def _tune(self, _: int) -> None:
        """Put the settings that the server has been given into force."""
        self._mouth.bus.tune(self.index, self._server.settings)
        self._follow()


@dataclass(frozen=True, slots=True)
class Intrusion:
    """What a second client does.

    Attributes:
        every_ns: mean time from one of its requests to the next (exponential).
        addresses: of the servers that it asks, by turns.
        register, count: holding registers that it reads.
    """

    every_ns: int
    addresses: tuple[int, ...]
    register: int
    count: int


class SecondClient:
    """A client that nobody told of the first one. It asks, and is deaf to what others say.

    Args:
        mouth: of its station.
        plan: what it does.
    """

    def __init__(self, mouth: Mouth, plan: Intrusion) -> None:
        self._mouth = mouth
        self._plan = plan
        self._turn = 0
        self._wait(mouth.bus.now)

    def _wait(self, now: int) -> None:
        span = self._mouth.chance.expovariate(1.0) * self._plan.every_ns
        self._mouth.bus.put(now + round(span), self._ask)

    def _ask(self, now: int) -> None:
        plan, mouth = self._plan, self._mouth
        address = plan.addresses[self._turn % len(plan.addresses)]
        self._turn += 1
        request = wire.ReadHoldingRegisters(plan.register, plan.count)
        # Its driver needs its time before the first start bit, so it cannot begin at this instant.
        mouth.say(wire.adu(address, request), now + mouth.manner.lead_ns, "foreign")
        self._wait(now)
