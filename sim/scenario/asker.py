"""The controllers of a world at the client's place on a pair.

The same controllers and the same exchange as everywhere; only here characters come from a UART and
time is the bus's.
"""

from __future__ import annotations

from collections.abc import Sequence

from kerfbus.bench import wire
from kerfbus.bench.errors import WireError
from kerfbus.bench.exchange import Exchange, Outcome, Policy, State
from kerfbus.sim.pair.adapter import Adapter
from kerfbus.sim.pair.bursts import NEVER, cut
from kerfbus.sim.pair.bus import Listener, Mouth
from kerfbus.sim.pair.talk import Character
from kerfbus.sim.scenario.desk import RESPONSE_NS, Desk, Turn
from kerfbus.sim.scenario.plan import NS
from kerfbus.sim.scenario.world import World

POLICY = Policy(response_timeout=RESPONSE_NS / NS, retries=0)


class Asker(Listener):
    """Asks what the controllers of a desk want to know, one request at a time.

    Args:
        mouth: of the client's station.
        desk: the controllers, which have begun.
        world: theirs.
        adapter: that delivers what is heard; None for at once and exactly.
        late_ns: longest delay of the adapter that the client believes.

    Attributes:
        outcomes: of all requests, in order.
    """

    def __init__(
        self, mouth: Mouth, desk: Desk, world: World, adapter: Adapter | None, late_ns: int = 0
    ) -> None:
        self.index = mouth.index
        self.outcomes: list[Outcome] = []
        self._mouth = mouth
        self._desk = desk
        self._world = world
        self._adapter = adapter
        settings = mouth.settings
        self._step = settings.characters_ns(3) // 2
        self._exchange = Exchange(
            settings,
            POLICY,
            timing="exact" if adapter is None else "host",
            uncertainty_ns=late_ns,
            paced=True,
        )
        self._turn: Turn | None = None
        mouth.bus.attach(self)
        mouth.bus.put(mouth.bus.now, self._look)

    @property
    def deadline(self) -> int:
        """Return when the exchange or the adapter has something to do."""
        due = self._exchange.deadline if self._turn is not None else NEVER
        return due if self._adapter is None else min(due, self._adapter.deadline)

    def take(self, heard: Sequence[Character], until: int) -> None:
        """Hear, and let time pass."""
        exchange, adapter = self._exchange, self._adapter
        chunks = cut(heard, self._step) if adapter is None else adapter.take(heard, until)
        for chunk in chunks:
            exchange.receive(chunk)
        if self._turn is None:
            return
        if exchange.state is not State.DONE and exchange.deadline <= until:
            exchange.tick(until)
        self._go_on(until)

    def _look(self, now: int) -> None:
        """See whether it is somebody's turn."""
        if self._turn is not None:
            return
        turn = self._desk.first()
        if turn is None or turn.at > now:
            due = self._world.next_due
            self._mouth.bus.put(
                max(due if turn is None else min(turn.at, due), now + 1), self._look
            )
            return
        self._turn = turn
        request = self._desk.ask(turn, now)
        self._exchange.begin(wire.adu(turn.controller.address, request), now)
        if self._exchange.deadline <= now:
            self._exchange.tick(now)
        self._go_on(now)

    def _go_on(self, now: int) -> None:
        """Send when it may be, and end when it is over."""
        exchange, turn = self._exchange, self._turn
        if exchange.state is State.READY:
            mouth = self._mouth
            earliest = now + mouth.manner.lead_ns
            exchange.sent(mouth.say(exchange.frame, earliest, "request")[1])
        if exchange.state is not State.DONE or turn is None:
            return
        outcome = exchange.outcome
        assert outcome is not None
        self.outcomes.append(outcome)
        self._turn = None
        self._desk.hear(turn, self._reply(outcome), now)
        self._look(now)

    def _reply(self, outcome: Outcome) -> wire.Reply | None:
        answer = self._exchange.answer
        if answer is None or outcome not in (Outcome.REPLY, Outcome.EXCEPTION):
            return None
        try:
            return wire.parse_reply(answer.piece.data[1:-2])
        except WireError:
            return None  # a reply that does not keep to its format is none
