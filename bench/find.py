"""Finding rate, format and addresses on an unknown line.

First it listens: where somebody talks, characters tell rate and format (`kerfbus.bench.bittiming`),
and nothing is sent. On a quiet line it asks: one register read, function 03, which every server
answers, if only with an exception (MODBUS Application Protocol V1.1b3, 7). It never writes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.clock import NS
from kerfbus.bench.errors import PortError, PortLostError
from kerfbus.bench.findings import Findings, Found
from kerfbus.bench.framing import Frame, Framer, Piece
from kerfbus.bench.line import LineSettings
from kerfbus.bench.overheard import MOST_SURE, WRONG_ONCE, Overhearing
from kerfbus.bench.searchplan import REPLY_LENGTH, Probe, SearchPlan, without
from kerfbus.bench.shapes import Shape
from kerfbus.bench.transport import Transport

REQUEST = wire.ReadHoldingRegisters(0, 1)
REQUEST_LENGTH = 8
READ = 0x03
CONFIRMATIONS = 3
"""Further answers before a setting counts as found."""
LOOKS = 12
"""Requests to a found server, to see whether it answers alone."""
LINGER_NS = 50_000_000
"""How much later a second server may answer the same request (chosen)."""
SHARED_FROM = 3
"""So many of them damaged or answered twice: somebody else has its address."""
SURE_OF_DAMAGED = 0.9
"""Of settings with which something answers every time, but never whole (chosen)."""
REMEMBER_NS = 2 * NS
"""How late a reply may come and still be told by its address."""

Tell = Callable[[str], None]


class Answer(NamedTuple):
    """What came after a request.

    Attributes:
        address: who answered whole, None for nobody. It may answer an earlier request.
        waited_ns: from the end of the request to the end of the answer.
        replies: whole replies.
        characters: all that came.
    """

    address: int | None
    waited_ns: int
    replies: int
    characters: int

    @property
    def damaged(self) -> bool:
        """Return whether something came, but nothing whole."""
        return self.address is None and self.characters > 0


class Finder:
    """One search on one port.

    Args:
        transport: the line; its settings are changed.
        plan: where to look.
        listen_ns: how long to wait for other people's traffic.
        tell: told how far it is, a line at a time.

    Attributes:
        findings: what it has found so far.
    """

    def __init__(
        self,
        transport: Transport,
        plan: SearchPlan,
        listen_ns: int = 2 * NS,
        tell: Tell | None = None,
    ) -> None:
        self.findings = Findings()
        self._line = transport
        self._formats = plan.formats
        self._plan = plan if transport.timing == "exact" else plan.on_a_wire()
        self._listen_ns = listen_ns
        self._tell = tell or _nobody
        self._asked: dict[int, int] = {}
        self._tried: set[LineSettings] = set()
        self._refused: set[LineSettings] = set()

    async def run(self, *, ask: bool = True) -> Findings:
        """Listen, then ask.

        Args:
            ask: whether anything may be sent.

        Raises:
            PortLostError: the port is gone.
        """
        began = self._line.clock.now()
        try:
            if self._listen_ns and await self._overhear():
                return self.findings
            if ask:
                await self._search()
            else:
                self._reason("Nothing may be sent, so nothing was asked.")
        finally:
            self.findings.seconds = (self._line.clock.now() - began) / NS
            self.findings.tried = len(self._tried)
        return self.findings

    async def _overhear(self) -> bool:
        """Listen, and return whether others talk."""
        overhearing = Overhearing(
            self._line, self._use, self._listen_ns, self.findings, self._reason
        )
        return await overhearing.hear()

    def _reason(self, text: str) -> None:
        self.findings.reasoning.append(text)
        self._tell(text)

    async def _use(self, settings: LineSettings) -> bool:
        """Put settings into force and return whether the port takes them."""
        if settings in self._refused:
            return False
        self._tried.add(settings)
        if settings == self._line.settings:
            return True
        try:
            await self._line.reconfigure(settings)
        except PortLostError:
            raise
        except PortError:
            self._refused.add(settings)
            self._tried.discard(settings)
            self.findings.refused.append(str(settings))
            return False
        self._asked.clear()
        return True

    # --- asking ------------------------------------------------------------------------------

    async def _search(self) -> None:
        plan, extra = self._plan, self._line.uncertainty_ns
        longest = plan.longest_ns(REQUEST_LENGTH, extra) / NS
        self._reason(
            f"Asking: {len(plan.settings)} settings, {len(plan.addresses)} addresses; "
            f"{longest / 60:.0f} minutes if nobody answers."
        )
        for number, each in enumerate(plan.passes, 1):
            self._reason(f"Pass {number}: {each.what}, {each.wait_ns / 1e6:g} ms each.")
            for probe in plan.probes(each):
                hit = await self._probe(probe)
                if hit is not None:
                    await self._found(probe.settings, hit)
                if self.findings.found:
                    return
        self._reason("Nobody answers.")

    async def _probe(self, probe: Probe) -> Answer | None:
        """Ask once, and return the answer when it is one."""
        if not await self._use(probe.settings):
            return None
        if probe.first:
            self._tell(f"{probe.settings} ...")
        answer = await self._ask(probe.address, probe.wait_ns)
        if answer.address is not None:
            return answer
        if answer.damaged:
            again = [await self._ask(probe.address, self._plan.long_ns) for _ in range(LOOKS // 2)]
            whole = [each for each in again if each.address is not None]
            if whole:
                return whole[0]
            if all(each.damaged for each in again):
                self.findings.damaged.append((probe.settings, probe.address))
                self.findings.found.append(Found(probe.settings, (probe.address,), SURE_OF_DAMAGED))
                self._reason(
                    f"{probe.settings}: at address {probe.address} something answers every time, "
                    "but never whole: two servers with one address, or noise on the way back. It "
                    "understood the question, so the settings are right."
                )
        return None

    async def _found(self, settings: LineSettings, hit: Answer) -> None:
        """Confirm a hit, look for settings that do as well, and for further servers."""
        assert hit.address is not None
        address, wait = hit.address, max(self._plan.long_ns, 3 * hit.waited_ns)
        good = await self._confirm(address, wait)
        self._reason(
            f"{settings}: server {address} answers after {hit.waited_ns / 1e6:.1f} ms "
            f"({good} of {CONFIRMATIONS} times more)."
        )
        equal = [settings]
        for form in without_format(self._formats, settings.format):
            other = LineSettings.parse(settings.baud, form)
            if await self._use(other) and await self._confirm(address, wait) == CONFIRMATIONS:
                equal.append(other)
        if len(equal) > 1:
            names = " and ".join(each.format for each in equal)
            self._reason(f"The server answers with {names} alike: they cannot be told from here.")
        await self._use(settings)
        servers = await self._others(address, hit.waited_ns)
        for server in servers:
            await self._look_for_shared(server, wait)
        tried = max(self.findings.requests, 1)
        sure = min(1 - tried * WRONG_ONCE ** (1 + good), MOST_SURE)
        for each in equal:
            self.findings.found.append(Found(each, tuple(servers), sure / len(equal)))

    async def _confirm(self, address: int, wait_ns: int) -> int:
        """Ask a server some more times and return how often it answered."""
        answers = [await self._ask(address, wait_ns) for _ in range(CONFIRMATIONS)]
        return sum(each.address == address for each in answers)

    async def _others(self, found: int, waited_ns: int) -> list[int]:
        """Return all servers with the settings in force; they wait about as long as the first."""
        wait = max(2 * waited_ns, self._plan.short_ns)
        servers = {found}
        rest = without(self._plan.addresses, found)
        for address in rest:
            answer = await self._ask(address, wait)
            if answer.address is not None:
                servers.add(answer.address)
        self._reason(
            f"Asked {len(rest)} more addresses with these settings: "
            + (
                f"servers {', '.join(map(str, sorted(servers)))}."
                if servers - {found}
                else "nobody."
            )
        )
        return sorted(servers)

    async def _look_for_shared(self, address: int, wait_ns: int) -> None:
        """See whether a server answers alone."""
        linger = self._line.settings.characters_ns(REPLY_LENGTH) + LINGER_NS
        answers = [await self._ask(address, wait_ns, linger) for _ in range(LOOKS)]
        twice = sum(each.replies > 1 for each in answers)
        damaged = sum(each.damaged for each in answers)
        if twice + damaged < SHARED_FROM:
            return
        self.findings.shared.append(address)
        self._reason(
            f"Address {address}: of {LOOKS} requests {twice} were answered twice, {damaged} by "
            "damaged replies: two servers share this address"
            + ("." if twice else ", or the way back is disturbed; take one off and ask again.")
        )

    async def _ask(self, address: int, wait_ns: int, linger_ns: int = 0) -> Answer:
        """Ask a server once, and take whatever comes; linger for more after it came."""
        line = self._line
        settings, clock = line.settings, line.clock
        await _silence(line)
        sent = await line.send(wire.adu(address, REQUEST))
        self.findings.requests += 1
        self._asked[address] = sent
        framer = Framer(settings, line.timing, line.uncertainty_ns)
        # Characters may be handed over only when the reply is complete.
        patience = sent + settings.t35_ns + wait_ns + settings.characters_ns(REPLY_LENGTH)
        patience += line.uncertainty_ns
        heard = _Heard(self._asked, sent)
        while True:
            until = patience if framer.deadline is None else max(framer.deadline, patience)
            chunk = await line.receive(until)
            if chunk is None:
                heard.take(framer.tick(clock.now()))
                if framer.deadline is None or clock.now() >= until:
                    break
                continue
            heard.characters += len(chunk.data)
            heard.take(framer.receive(chunk.data, chunk.at, chunk.errors))
            patience = chunk.at + settings.t35_ns + 2 * settings.character_ns
            patience += line.uncertainty_ns + linger_ns
        heard.take(framer.flush())
        return heard.answer


class _Heard:
    """Collects what comes after a request."""

    def __init__(self, asked: dict[int, int], sent: int) -> None:
        self.characters = 0
        self._asked = asked
        self._sent = sent
        self._address: int | None = None
        self._waited = 0
        self._replies = 0

    def take(self, pieces: Iterable[Piece]) -> None:
        """Take frames; the line's own echo is a request and no reply."""
        for piece in pieces:
            if not isinstance(piece, Frame) or piece.errors or not piece.shapes & Shape.REPLY:
                if isinstance(piece, Frame) and not piece.errors:
                    self.characters -= len(piece.data)  # an echo
                continue
            address, function = piece.data[0], piece.data[1] & 0x7F
            asked = self._asked.get(address)
            if function != READ or asked is None or piece.at - asked > REMEMBER_NS:
                continue
            self._replies += 1
            if self._address is None:
                self._address, self._waited = address, piece.at - asked

    @property
    def answer(self) -> Answer:
        """Return what came."""
        return Answer(self._address, self._waited, self._replies, self.characters)


async def _silence(line: Transport) -> None:
    """Wait until the line has been silent, throwing away what still comes."""
    end = line.clock.now() + line.settings.t35_ns
    while await line.receive(end) is not None:
        end = line.clock.now() + line.settings.t35_ns


def without_format(formats: Iterable[str], known: str) -> list[str]:
    """Return the other formats."""
    return [each for each in formats if each != known]


def _nobody(_: str) -> None:
    """Tell nobody."""
