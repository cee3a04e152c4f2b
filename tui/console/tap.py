"""Looking on while a link is used: what passes is decoded and handed to the model.

Also the two small transports that let a recording begin and end while the link goes on.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from kerfbus.bench.capturerecords import Burst, CaptureInfo, LineEvent
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk, LineEventKind, Through, Transport, Vantage

Take = Callable[[Row, tuple[int, ...]], None]


class Shield(Through):
    """A transport that stays open when who stands before it is closed."""

    async def close(self) -> None:
        """Leave the port open."""


class Passage(Through):
    """A transport that can be led another way between two calls.

    Nobody may be in `send` or `receive` meanwhile: what they bring would take the old way.
    """

    def lead(self, inner: Transport) -> None:
        """Let what comes from now on pass through `inner`."""
        self._inner = inner


class Marks:
    """Finds the frame that a damaged character ended up in.

    All characters that are heard come out of the decoder again, in their order, in one piece or
    another; so counting them is enough.
    """

    def __init__(self) -> None:
        self._heard = self._given = 0
        self._errors: deque[int] = deque()

    def hear(self, chunk: Chunk) -> None:
        """Note the characters that bear errors."""
        self._errors.extend(self._heard + each.position for each in chunk.errors)
        self._heard += len(chunk.data)

    def of(self, row: Row) -> tuple[int, ...]:
        """Return the positions of damaged characters in the next row."""
        message = row.message
        if message is None or message.outbound:
            return ()
        begin = self._given
        self._given = end = begin + len(message.piece.data)
        found = []
        while self._errors and self._errors[0] < end:
            position = self._errors.popleft() - begin
            if position >= 0:
                found.append(position)
        return tuple(found)

    def settle(self) -> None:
        """Forget what is held back: all that was heard has come out."""
        self._given = self._heard
        self._errors.clear()


class Watch(Through):
    """A transport that decodes what passes and hands it on.

    Args:
        inner: does the work.
        vantage: of its user.
        take: is given each row, with the positions of damaged characters.
        error: is given the kind of each line error.
    """

    def __init__(
        self,
        inner: Transport,
        vantage: Vantage,
        take: Take,
        error: Callable[[LineEventKind], None],
    ) -> None:
        super().__init__(inner)
        info = CaptureInfo(
            inner.settings, vantage, inner.timing, inner.clock.kind, inner.uncertainty_ns
        )
        self._decoder = Decoder(info, paced=inner.facts.paced)
        self._marks = Marks()
        self._take_row = take
        self._error = error

    @property
    def deadline(self) -> int | None:
        """Return when `receive` should come back at the latest to decide what is held back."""
        return self._decoder.deadline

    async def send(self, data: bytes) -> int:
        """Send characters and look at them."""
        try:
            at = await self._inner.send(data)
        except PortLostError:
            self.event(LineEventKind.LOST)
            raise
        self._give(self._decoder.feed(Burst(data, at, True, ())))
        return at

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters and look at them."""
        try:
            chunk = await self._inner.receive(until)
        except PortLostError:
            self.event(LineEventKind.LOST)
            raise
        if chunk is None:
            if self._decoder.deadline is not None:
                self._give(self._decoder.tick(self.clock.now()))
            return None
        for each in chunk.errors:
            self._error(each.kind)
        self._marks.hear(chunk)
        self._give(self._decoder.feed(Burst(chunk.data, chunk.at, False, chunk.errors)))
        return chunk

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format; what was heard before is decoded with the old ones."""
        await self._inner.reconfigure(settings)
        self.event(LineEventKind.SETTINGS, f"baud={settings.baud} format={settings.format}")

    def event(self, kind: LineEventKind, comment: str = "") -> None:
        """Take a line event in: a mark, or the port's coming and going."""
        self._give(self._decoder.feed(LineEvent(kind, self.clock.now(), comment=comment)))
        if kind is not LineEventKind.MARK:
            self._marks.settle()

    def finish(self) -> None:
        """Hand over what is still held back."""
        self._give(self._decoder.finish())

    def _give(self, rows: list[Row]) -> None:
        for row in rows:
            self._take_row(row, self._marks.of(row))
