"""Counting a link while it is used: a transport that keeps the account of what passes through it.

What passes is decoded just as a recording of it would be, so live and recorded traffic have one
account.
"""

from __future__ import annotations

from kerfbus.bench.capture import Burst, CaptureInfo, LineEvent
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.quality import Quality
from kerfbus.bench.transport import Chunk, LineEventKind, Through, Transport, Vantage


class AccountingTransport(Through):
    """A transport that decodes and counts what passes through another one.

    Args:
        inner: does the work.
        vantage: of its user.

    Attributes:
        quality: the account.
        decoder: where frames and their pairs come from; its `summary` counts frames.
        sent: requests that were sent.
        counting: whether `quality` counts; what passes meanwhile is decoded all the same.
    """

    def __init__(self, inner: Transport, vantage: Vantage = "client") -> None:
        super().__init__(inner)
        facts = inner.facts
        self.quality = Quality(inner.settings, reports_errors=facts.reports_errors is not False)
        self.decoder = Decoder(_info_of(inner, vantage), paced=facts.paced)
        self.sent = 0
        self.counting = True

    async def send(self, data: bytes) -> int:
        """Send characters and count them."""
        try:
            at = await self._inner.send(data)
        except PortLostError:
            self._lost()
            raise
        self.sent += 1
        self._take(self.decoder.feed(Burst(data, at, True, ())))
        return at

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters and count them."""
        try:
            chunk = await self._inner.receive(until)
        except PortLostError:
            self._lost()
            raise
        if chunk is None:
            now = self.clock.now()
            if self.decoder.deadline is not None:
                self._take(self.decoder.tick(now))
            return None
        for error in chunk.errors if self.counting else ():
            self.quality.character_error(error.kind)
        self._take(self.decoder.feed(Burst(chunk.data, chunk.at, False, chunk.errors)))
        return chunk

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format; what was heard before is counted with the old ones."""
        await self._inner.reconfigure(settings)
        comment = f"baud={settings.baud} format={settings.format}"
        event = LineEvent(LineEventKind.SETTINGS, self.clock.now(), comment=comment)
        self._take(self.decoder.feed(event))

    def finish(self) -> None:
        """Count what is still held back, and give up waiting for a reply that is still due."""
        self._take(self.decoder.finish())
        self.quality.finish()

    def _lost(self) -> None:
        """Let what was heard before the port went away stand alone."""
        self._take(self.decoder.feed(LineEvent(LineEventKind.LOST, self.clock.now())))

    def _take(self, rows: list[Row]) -> None:
        for row in rows:
            if row.message is not None and self.counting:
                self.quality.take(row.message)


def _info_of(transport: Transport, vantage: Vantage) -> CaptureInfo:
    """Return what a capture of this port would say about itself."""
    return CaptureInfo(
        transport.settings,
        vantage,
        transport.timing,
        transport.clock.kind,
        transport.uncertainty_ns,
    )
