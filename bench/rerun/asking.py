"""A rerun as client: recorded requests go to a port, what comes is compared.

What comes is recorded and cut into transactions just as the recording was, so both sides of every
comparison were made by the same decoder. Nothing is tried again: a retry would hide a difference.
Time comes from the transport's clock; on a simulated line an hour passes as fast as it goes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from kerfbus.bench.capturerecords import Burst, CaptureInfo
from kerfbus.bench.errors import KerfbusError, PortLostError
from kerfbus.bench.exchange import Exchange, Policy, State
from kerfbus.bench.rerun.comparison import Comparison, Difference
from kerfbus.bench.rerun.gate import Gate
from kerfbus.bench.rerun.report import LeftOut, Report, Turnaround, too_slow, turnarounds
from kerfbus.bench.rerun.rules import SIMULATED, Rules
from kerfbus.bench.rerun.values import request_text
from kerfbus.bench.transactions import Ending, Recording, Transaction, TransactionCutter
from kerfbus.bench.transport import Transport

RECORDED = 1.0
"""As fast as it was recorded."""


@dataclass(frozen=True, slots=True)
class RerunPlan:
    """How a recording is run again.

    Attributes:
        gate: what may be sent.
        rules: by what it is judged.
        speed: how many times as fast as recorded; None for as fast as replies come.
        timeout: seconds to wait for a reply, where the recorded client did not go on before.
    """

    gate: Gate
    rules: Rules = SIMULATED
    speed: float | None = RECORDED
    timeout: float = 1.0


class Rerun:
    """A recording on its way over a port.

    Args:
        port: where to. Not closed here.
        recording: what is run again.
        plan: how.
        tell: called after each request with how many are done and how many there are.

    Attributes:
        got: what came, one for each request that was sent.
        trouble: the loss of the port that ended it early, None when nothing did.
    """

    def __init__(
        self,
        port: Transport,
        recording: Recording,
        plan: RerunPlan,
        tell: Callable[[int, int], None] | None = None,
    ) -> None:
        self._port = port
        self._recording = recording
        self._plan = plan
        self._tell = tell or (lambda *_: None)
        self._cutter = TransactionCutter(_info_of(port))
        self._exchange = self._new_exchange()
        self._asked: list[Transaction] = []
        self._left_out: list[LeftOut] = []
        # How long requests of a length take: a station's clock is not quite the nominal one, and
        # noise on a simulated pair is as it was only at the very same instants.
        self._spans: dict[int, int] = {}
        self.got: list[Transaction] = []
        self.trouble: KerfbusError | None = None

    def _new_exchange(self) -> Exchange:
        port = self._port
        return Exchange(
            port.settings,
            # A late reply is for the decoder to find: the recorded client's pauses are kept.
            Policy(response_timeout=self._plan.timeout, retries=0, late_window=0.0),
            timing=port.timing,
            uncertainty_ns=port.uncertainty_ns,
            paced=port.facts.paced,
        )

    async def run(self) -> Report:
        """Ask everything that may be asked, and compare."""
        recorded = self._recording.transactions
        begin = self._port.clock.now()
        try:
            patience = waits(recorded)
            for number, each in enumerate(recorded):
                await self._pause(each, begin)
                refusal = self._plan.gate.refusal(each)
                if refusal:
                    self._left_out.append(LeftOut(each.index, request_text(each.request), refusal))
                else:
                    await self._ask(each, patience[number])
                self._tell(number + 1, len(recorded))
            await self._hear_on()
        except PortLostError as lost:
            self.trouble = lost
        self.got += self._cutter.finish()
        return self._report()

    async def _pause(self, each: Transaction, begin: int) -> None:
        """Listen until it is time for a request."""
        if self._plan.speed is not None:
            size = len(each.request)
            span = each.asked_at - self._recording.began_at
            span -= self._spans.get(size, each.settings.characters_ns(size))
            await self._listen(begin + round(span / self._plan.speed))

    async def _listen(self, until: int) -> None:
        while (chunk := await self._port.receive(until)) is not None:
            self._exchange.receive(chunk)  # it keeps the silence behind whatever is heard
            self._heard(Burst(chunk.data, chunk.at, False, chunk.errors))

    def _heard(self, burst: Burst) -> None:
        self.got += self._cutter.feed(burst)

    async def _ask(self, each: Transaction, wait_ns: int | None) -> None:
        """Send a request and wait for what ends the wait.

        Args:
            each: what was recorded.
            wait_ns: for how long at most; None for as long as the plan says.
        """
        exchange, port = self._exchange, self._port
        latest: int | None = None
        exchange.begin(each.request, port.clock.now())
        while exchange.state is not State.DONE:
            if exchange.state is State.READY:
                begin = port.clock.now()
                at = await port.send(each.request)
                exchange.sent(at)
                if port.timing == "exact":
                    self._spans[len(each.request)] = at - begin
                latest = None if wait_ns is None else at + wait_ns
                self._asked.append(each)
                self._heard(Burst(each.request, at, True))
                continue
            due = exchange.deadline if latest is None else min(exchange.deadline, latest)
            chunk = await port.receive(due)
            if chunk is not None:
                exchange.receive(chunk)
                self._heard(Burst(chunk.data, chunk.at, False, chunk.errors))
            elif latest is not None and port.clock.now() >= latest:
                return  # the next request gives this one up
            else:
                exchange.tick(port.clock.now())

    async def _hear_on(self) -> None:
        """Listen as long behind the last request as the recording did."""
        if self._plan.speed is not None and self._recording.transactions:
            last = self._recording.transactions[-1]
            span = max((chunk.at for chunk in last.heard), default=0)
            await self._listen(self._exchange.sent_at + round(span / self._plan.speed))

    def _report(self) -> Report:
        plan, recorded = self._plan, self._recording.transactions
        comparison = Comparison(
            plan.gate.register_map, plan.rules, recorded, strays=plan.speed == RECORDED
        )
        pairs = list(zip(self._asked, self.got, strict=False))
        found = [comparison.compare(one, other) for one, other in pairs]
        different: list[Difference] = [each for each in found if each is not None]
        spans: tuple[Turnaround, ...] = ()
        if plan.rules.turnaround is not None:
            late = self._recording.info.uncertainty_ns + self._port.uncertainty_ns
            spans = turnarounds(
                (one for one, _ in pairs),
                (other for _, other in pairs),
                plan.rules.turnaround,
                late,
            )
        return Report(
            len(pairs),
            (*different, *too_slow(spans)),
            len(different),
            tuple(self._left_out),
            spans,
            () if self.trouble is None else (f"ended early: {self.trouble}",),
        )


def waits(recorded: Sequence[Transaction]) -> list[int | None]:
    """Return for how long the recorded client waited for each reply, in ns, as far as it shows.

    It shows where no good reply came: the client went on. Never less than a tenth more than the
    longest turnaround that the recording shows, so that a good reply is not cut off now.
    """
    longest = max((each.turnaround_ns or 0 for each in recorded), default=0)
    found: list[int | None] = []
    for each, following in pairwise((*recorded, None)):
        assert each is not None
        if following is None or each.ending not in (Ending.SILENCE, Ending.DAMAGED):
            found.append(None)
            continue
        begin = following.asked_at - following.settings.characters_ns(len(following.request))
        found.append(max(begin - each.asked_at, longest * 11 // 10))
    return found


def _info_of(port: Transport) -> CaptureInfo:
    """Return what a capture of this port, heard as a client, would say about itself."""
    return CaptureInfo(port.settings, "client", port.timing, port.clock.kind, port.uncertainty_ns)
