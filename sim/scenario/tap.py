"""A tap on a scenario's line: it hears the scenario's controllers and supplies talk."""

from __future__ import annotations

from collections.abc import Sequence

from kerfbus.bench import wire
from kerfbus.bench.errors import UsageError
from kerfbus.bench.transport import Chunk
from kerfbus.sim.cleanline import CleanLine
from kerfbus.sim.scenario.agenda import NEVER
from kerfbus.sim.scenario.desk import RESPONSE_NS, Desk
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.vantage import Seat, SimTransport


class ScenarioTap(SimTransport):
    """The caller hears everything and sends nothing.

    Args:
        seat: where the caller sits.
        line: with the scenario's supplies.
        desk: their controllers, which have begun.
    """

    def __init__(self, seat: Seat, line: CleanLine, desk: Desk) -> None:
        super().__init__(seat)
        self._line = line
        self._desk = desk

    @property
    def servers(self) -> Sequence[SupplyServer]:
        """Return the servers on the line."""
        return self._line.servers

    async def send(self, data: bytes) -> int:  # noqa: ARG002 (nothing is sent)
        """Refuse to send.

        Raises:
            UsageError: always.
        """
        raise UsageError(f"{self.name}: a tap sends nothing; open the port as a client")

    def _look_ahead(self, until: int) -> None:
        """Let the next transaction happen; without controllers time just passes."""
        line = self._line
        turn = self._desk.next_turn(NEVER if self._desk.controllers else until)
        if turn is None:
            return
        start = max(turn.at, line.free_at + self.settings.t35_ns)
        frame = wire.adu(turn.controller.address, self._desk.ask(turn, start))
        end = start + line.span_ns(len(frame))
        replies = line.transmit(frame, end)
        if replies:
            last = replies[-1]
            self._desk.hear(turn, wire.parse_reply(last.data[1:-2]), last.at)
        else:
            self._desk.hear(turn, None, end + RESPONSE_NS)
        self._deliver([Chunk(frame, end), *replies])
