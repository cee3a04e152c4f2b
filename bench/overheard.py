"""Rate, format and servers of other people's traffic, by listening alone.

Characters that come out wrong are the evidence here: `kerfbus.bench.bittiming` says what they tell.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from typing import NamedTuple

from kerfbus.bench.bittiming import FEWEST, ParityCount, Sample, slower_rates
from kerfbus.bench.clock import NS
from kerfbus.bench.findings import Findings, Found
from kerfbus.bench.framing import Frame, Framer, Piece
from kerfbus.bench.line import USUAL_BAUDS, LineSettings
from kerfbus.bench.shapes import Shape
from kerfbus.bench.transport import Chunk, LineEventKind, Transport

ENOUGH = 120
"""Characters of other people's traffic that make a judgement."""
FAST, SLOW = 115200, 9600
"""Where traffic is listened to: the first tells down to 19200, the second the rest."""
WRONG_ONCE = 2.0**-16
"""How often the check of a frame fits by chance."""
MOST_SURE = 0.9999
NO_STOP = (LineEventKind.FRAMING, LineEventKind.BREAK)


class Overhearing:
    """Listens to a line whose settings nobody knows.

    Args:
        line: the port.
        use: puts settings into force; returns whether the port takes them.
        listen_ns: how long to wait for traffic each time.
        findings: takes what is found, and the reasoning.
        reason: told each step.
    """

    def __init__(
        self,
        line: Transport,
        use: Callable[[LineSettings], Awaitable[bool]],
        listen_ns: int,
        findings: Findings,
        reason: Callable[[str], None],
    ) -> None:
        self._line = line
        self._use = use
        self._listen_ns = listen_ns
        self._findings = findings
        self._reason = reason

    async def hear(self) -> bool:
        """Listen, and return whether others talk."""
        if not self._listen_ns:
            return False
        usable = await self._use(LineSettings.parse(FAST, "8N1"))
        chunks = await self._listen() if usable else []
        if _count(chunks) < FEWEST:
            seconds = self._listen_ns / NS
            self._reason(f"Listened for {seconds:g} s: the line is quiet.")
            return False
        self._findings.traffic = True
        self._reason(f"Others talk here ({_count(chunks)} characters heard): only listening.")
        for rate in await self._rates(chunks):
            if await self._settle(rate):
                return True
        self._reason("No usual rate makes frames of it: nothing is known.")
        return True

    async def _rates(self, chunks: list[Chunk]) -> list[int]:
        """Return the rates that the traffic may have, likely ones first."""
        fitting = slower_rates(_samples(chunks), FAST)
        if fitting and fitting[0] <= SLOW:
            self._reason(f"At {FAST} a bit is longer than a character: the rate is {SLOW} at most.")
            if await self._use(LineSettings.parse(SLOW, "8N1")):
                fitting = slower_rates(_samples(await self._listen()), SLOW)
        if fitting:
            self._reason("Bit timing fits " + ", ".join(map(str, fitting)) + " baud.")
        rest = [each for each in reversed(USUAL_BAUDS) if each not in fitting]
        return [*fitting, *rest]

    async def _settle(self, rate: int) -> bool:
        """Listen at a rate without parity, and settle format and addresses if frames come."""
        form = LineSettings.parse(rate, "8N1")
        if not await self._use(form):
            return False
        chunks = await self._listen()
        frames = _frames(chunks, self._line)
        if len(frames) < 2:
            return False
        servers = _servers(frames)
        flags = _flags(chunks)
        parity = _parity(frames, flags, self._line)
        self._reason(
            f"At {rate} baud {len(frames)} whole frames in {_count(chunks)} characters; servers "
            + (", ".join(map(str, servers)) or "unknown")
        )
        sure = min(1 - WRONG_ONCE ** len(frames), MOST_SURE)
        for name, share in await self._formats(rate, parity):
            settings = LineSettings.parse(rate, name)
            self._findings.found.append(Found(settings, servers, share * sure))
        return True

    async def _formats(self, rate: int, parity: str | None) -> list[tuple[str, float]]:
        """Return the formats that the traffic may have, with the share of each."""
        if parity in ("E", "O"):
            word = "even" if parity == "E" else "odd"
            self._reason(f"The bit after the data is {word} parity: 8{parity}1.")
            return [(f"8{parity}1", 1.0)]
        if parity == "N":
            self._reason("No parity bit; one stop bit or two cannot be told, either is heard.")
            return [("8N1", 0.5), ("8N2", 0.5)]
        shares = []
        for name in ("8E1", "8O1", "8N1"):
            if await self._use(LineSettings.parse(rate, name)):
                chunks = await self._listen()
                clean = len(chunks) and not any(chunk.errors for chunk in chunks)
                shares += [name] if clean and _frames(chunks, self._line) else []
        self._reason(
            "Formats in which frames come without errors: " + (", ".join(shares) or "none")
        )
        return [(name, 1 / len(shares)) for name in shares]

    async def _listen(self) -> list[Chunk]:
        """Return what others say until it is enough or the time is over."""
        line = self._line
        end = line.clock.now() + self._listen_ns
        chunks: list[Chunk] = []
        while _count(chunks) < ENOUGH:
            chunk = await line.receive(end)
            if chunk is None:
                break
            chunks.append(chunk)
        return chunks


def _count(chunks: Iterable[Chunk]) -> int:
    return sum(len(chunk.data) for chunk in chunks)


def _flags(chunks: Iterable[Chunk]) -> list[bool]:
    """Return for each character whether its stop bit was missing."""
    flags: list[bool] = []
    for chunk in chunks:
        missing = {error.position for error in chunk.errors if error.kind in NO_STOP}
        flags += [position in missing for position in range(len(chunk.data))]
    return flags


def _samples(chunks: Iterable[Chunk]) -> list[Sample]:
    chunks = list(chunks)
    values = b"".join(chunk.data for chunk in chunks)
    return [Sample(value, flag) for value, flag in zip(values, _flags(chunks), strict=True)]


class Placed(NamedTuple):
    """A frame, and at which of all the characters it begins."""

    frame: Frame
    begin: int


def _frames(chunks: Iterable[Chunk], line: Transport) -> list[Placed]:
    """Return whole frames by content, whatever the receiver said of their characters."""
    framer = Framer(line.settings, line.timing, line.uncertainty_ns)
    placed, begin = [], 0
    pieces: list[Piece] = []
    for chunk in chunks:
        pieces += framer.receive(chunk.data, chunk.at)
    for piece in pieces + framer.flush():
        if isinstance(piece, Frame) and piece.shapes:
            placed.append(Placed(piece, begin))
        begin += len(piece.data)
    return placed


def _servers(frames: Iterable[Placed]) -> tuple[int, ...]:
    """Return who replies; where nobody is heard to, who is asked."""
    replies = {each.frame.data[0] for each in frames if not each.frame.shapes & Shape.REQUEST}
    asked = {each.frame.data[0] for each in frames} - {0}
    return tuple(sorted(replies or asked))


def _parity(frames: Iterable[Placed], flags: list[bool], line: Transport) -> str | None:
    """Return the parity that the missing stop bits of good frames show."""
    if line.facts.reports_errors is False:
        return None
    samples = []
    for frame, begin in frames:
        for index, value in enumerate(frame.data, begin):
            samples.append(Sample(value, flags[index]))
    return ParityCount.of(samples).parity
