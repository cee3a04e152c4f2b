"""The link behind the console: opens the port, polls, writes, records. No screen is known here.

Everything that fails is told to the model and never ends the console.
"""

from __future__ import annotations

import asyncio
import importlib
from dataclasses import replace
from typing import TYPE_CHECKING

from kerfbus.bench.errors import KerfbusError, NotArmedError, PortLostError, UsageError
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.transport import LineEventKind, Transport
from kerfbus.tui.console.manner import Wishes
from kerfbus.tui.console.model import Link as Chosen
from kerfbus.tui.console.model import Model
from kerfbus.tui.console.verdict import Door

if TYPE_CHECKING:
    from kerfbus.bench.access import Setting
    from kerfbus.bench.client import Client
    from kerfbus.bench.regmap import PlannedWrite, ReadSpan
    from kerfbus.bench.reopen import OnEvent
    from kerfbus.bench.transport import Vantage
    from kerfbus.sim.hand import Hand
    from kerfbus.tui.console.recordings import Recordings
    from kerfbus.tui.console.tap import Watch

NS = 1_000_000_000
LISTEN_NS = 200_000_000
"""A tap looks up so often: the longest that a recording takes to begin or end."""
HOUSEKEEPING_NS = NS
LATE = 10
"""So many polls may be late and are made up for (chosen)."""
NEEDED = (
    "kerfbus.bench.quality",
    "kerfbus.bench.client",
    "kerfbus.bench.access",
    "kerfbus.bench.recorder",
    "kerfbus.bench.ports",
    "kerfbus.bench.reopen",
)
"""What an open port needs; it is imported beside the first paint."""


def load() -> None:
    """Import what an open port needs; takes a second or so on the first call."""
    for name in NEEDED:
        importlib.import_module(name)


class Engine:
    """The link of one port, from open to close.

    Args:
        model: is told everything.
        wishes: how the link is to be used.

    Attributes:
        hand: on the simulated world, None on a real port.
    """

    def __init__(self, model: Model, wishes: Wishes) -> None:
        self.model = model
        self.wishes = wishes
        self.hand: Hand | None = None
        self._base: Transport | None = None
        self._watch: Watch | None = None
        self._client: Client | None = None
        self._recordings: Recordings | None = None
        self._line = asyncio.Lock()
        self._planned: tuple[frozenset[str], list[ReadSpan]] = (frozenset(), [])
        self._next_span = 0
        self._housekeeping = 0
        plan = wishes.plan
        model.link = Chosen(
            plan.link.port,
            str(plan.settings),
            None if wishes.manner.listen else plan.server,
            plan.real,
            Door.OPENING,
            every_ms=wishes.manner.every_ns / 1e6,
        )

    # --- opening and closing ---------------------------------------------------------------------

    @property
    def now(self) -> int:
        """Return the line's present instant; 0 while no port was opened."""
        return self._base.clock.now() if self._base is not None else 0

    async def open(self) -> bool:
        """Open the port; return whether that worked. What went wrong stands in the model."""
        from kerfbus.bench.quality import Quality

        model = self.model
        try:
            base, self.hand = await _opened(self.wishes, self._port_event)
        except KerfbusError as error:
            model.link.door, model.link.why = Door.FAILED, str(error)
            return False
        self._base = base
        facts = base.facts
        model.quality = Quality(base.settings, reports_errors=facts.reports_errors is not False)
        self._build(base)
        model.link.door = Door.OPEN
        model.link.facts = facts.notes + ((facts.identity,) if facts.identity else ())
        if self.wishes.manner.spool and self._recordings is not None:
            await self._recordings.remember()
        return True

    def _build(self, base: Transport) -> None:
        """Put together what stands between the port and its user."""
        from kerfbus.bench.client import Client
        from kerfbus.tui.console.recordings import Recordings
        from kerfbus.tui.console.tap import Watch

        model, manner = self.model, self.wishes.manner
        assert model.quality is not None
        vantage: Vantage = "tap" if manner.listen else "client"
        seed = None if self.wishes.plan.real else manner.seed
        self._recordings = Recordings(model, base, vantage, self._line, seed)
        error = model.quality.character_error
        self._watch = Watch(self._recordings.door, vantage, model.take, error)
        # Nothing is tried again: a retry would hide an error from whoever looks at the link.
        self._client = Client(self._watch, replace(self.wishes.plan.policy, retries=0))

    def _port_event(self, kind: LineEventKind, at: int, why: str) -> None:
        """Take note of a port that went away or came back."""
        self.model.port_event(kind, why)
        if self._recordings is not None:
            self._recordings.port_event(kind, at, why)
        if kind is LineEventKind.OPENED and self._watch is not None:
            self._watch.event(kind, why)

    async def close(self) -> None:
        """End recordings and release the port."""
        base, self._base = self._base, None
        if base is None:
            return
        if self._watch is not None:
            self._watch.finish()
        if self._recordings is not None:
            await self._recordings.close()
        await base.close()
        self.model.link.door = Door.SHUT

    # --- running ---------------------------------------------------------------------------------

    async def run(self) -> None:
        """Poll, or listen, until cancelled or the port is gone for good."""
        every, due = self.wishes.manner.every_ns, self.now
        while self._base is not None:
            try:
                await self.turn()
            except PortLostError as error:
                if not self.wishes.plan.real:
                    self.model.port_event(LineEventKind.LOST, str(error))
                    return
                await asyncio.sleep(LISTEN_NS / NS)
            if not self.wishes.manner.listen:
                # A late poll is made up for by the next ones, as long as it was late by few.
                due = max(due + every, self.now - LATE * every)
                await self._base.clock.sleep_until(due)
                await asyncio.sleep(0)  # nobody else would have a turn where nothing is waited for

    async def turn(self) -> None:
        """Do one poll, or hear what comes next; then what is due besides."""
        async with self._line:
            if self.wishes.manner.listen:
                await self._listen()
            else:
                await self._poll()
        now = self.now
        if self.hand is not None:
            self.hand.tick(now)
        if now >= self._housekeeping:
            self._housekeeping = now + HOUSEKEEPING_NS
            if self._recordings is not None:
                await self._recordings.tend()

    async def _listen(self) -> None:
        watch = self._watch
        assert watch is not None
        until = self.now + LISTEN_NS
        deadline = watch.deadline
        await watch.receive(until if deadline is None else min(deadline, until))

    def spans(self) -> list[ReadSpan]:
        """Return the reads that go round: those of the first section stand before each other."""
        from kerfbus.tui.console.polling import interleaved

        board, arc = self.model.board, self.model.arc_register
        polled = frozenset(board.polled)
        if self._planned[0] != polled or not self._planned[1]:
            also = () if arc is None else (arc,)
            self._planned = (polled, interleaved(board.spans(also), board.first_names(also)))
        return self._planned[1]

    async def _poll(self) -> None:
        """Send the next read that is due, and take what comes of it."""
        from kerfbus.bench.access import READS, Reading, problem_of, raw_of
        from kerfbus.tui.console.polling import parts_of

        spans = self.spans()
        if not spans:
            return
        span = spans[self._next_span % len(spans)]
        self._next_span += 1
        assert self._client is not None
        request = READS[span.table](span.start, span.quantity)
        result = await self._client.request(self.wishes.plan.server, request)
        raw = raw_of(span, result.reply) if result.ok else None
        if raw is None or len(raw) != span.quantity:
            self.model.refuse(span, problem_of(result) or "the reply is too short")
            return
        whole = Reading(span, raw=raw, at=result.at)
        self._arc_seen(self.model.read(parts_of(whole, self.model.map)))

    def _arc_seen(self, state: str | None) -> None:
        if state is not None:
            self._record_mark("arc", state)

    # --- what a person does ----------------------------------------------------------------------

    def check_armed(self, planned: PlannedWrite) -> None:
        """Check that a write may be made now.

        Raises:
            NotArmedError: on a real port, without arming, or an arc could be struck.
        """
        link = self.model.link
        if self.wishes.manner.listen:
            raise NotArmedError(f"{link.port}: a tap sends nothing; c opens the port as a client")
        if not link.real:
            return
        if not link.armed:
            raise NotArmedError(f"{link.port} is a real port: nothing was sent; arm it first")
        if planned.can_strike_arc and not link.strike:
            raise NotArmedError("this can strike an arc: nothing was sent; allow that by itself")

    async def write(self, planned: PlannedWrite) -> list[Setting]:
        """Write and read back.

        Raises:
            NotArmedError: it may not be made now; nothing was sent.
            UsageError: no port is open.
        """
        from kerfbus.bench.access import write_values

        self.check_armed(planned)
        if self._client is None or self._base is None:
            raise UsageError("no port is open; nothing was sent")
        async with self._line:
            done = await write_values(self._client, self.wishes.plan.server, planned)
        self.model.board.take([each.after for each in done if not each.problem])
        return done

    def mark(self, key: str, value: str) -> None:
        """Mark this moment: in the account, on the strip, in what is recorded."""
        self.model.mark(key, value, self.now)
        self._record_mark(key, value)

    def _record_mark(self, key: str, value: str) -> None:
        if self._recordings is not None:
            self._recordings.mark(key, value)
        if self._watch is not None:
            self._watch.event(LineEventKind.MARK, f"{key}={value}")

    # --- recording -------------------------------------------------------------------------------

    async def start_recording(self, path: str) -> None:
        """Record to a new file from now on.

        Raises:
            CaptureError: the file exists or cannot be written.
            UsageError: no port is open, or a recording runs.
        """
        await self._open_recordings().start(path)

    async def stop_recording(self) -> None:
        """End the recording; does nothing when none runs."""
        if self._recordings is not None:
            await self._recordings.stop()

    def seen_file(self) -> str:
        """Return a capture of what has just been seen.

        Raises:
            UsageError: there is none.
        """
        return self._open_recordings().seen_file()

    def _open_recordings(self) -> Recordings:
        if self._base is None or self._recordings is None:
            raise UsageError("no port is open; there is nothing to record")
        return self._recordings


async def _opened(wishes: Wishes, on_event: OnEvent) -> tuple[Transport, Hand | None]:
    """Open a port; a real one comes back by itself, on a simulated supply there is a hand.

    Raises:
        KerfbusError: it cannot be opened.
    """
    from kerfbus.bench.ports import SamePort, open_port
    from kerfbus.bench.reopen import ReopeningTransport

    manner, plan = wishes.manner, wishes.plan
    options = PortOptions(
        vantage="tap" if manner.listen else "client",
        speed="fast" if manner.virtual else "real",
        seed=manner.seed,
    )
    if plan.real:
        port = SamePort(plan.link.port, plan.settings, options)
        return await ReopeningTransport.open(port, on_event), None
    from kerfbus.sim.hand import hand_of

    transport = await open_port(plan.link.port, plan.settings, options)
    return transport, hand_of(transport)
