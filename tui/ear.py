"""Hearing a line as a tap: what is heard becomes rows, counts and, in the end, a summary."""

from __future__ import annotations

from collections.abc import Callable

from kerfbus.bench.capture import Burst, CaptureInfo, LineEvent
from kerfbus.bench.clock import NS
from kerfbus.bench.decode import Decoder, Row
from kerfbus.bench.errors import PortLostError, RecordingEndedError
from kerfbus.bench.quality import Quality
from kerfbus.bench.transport import Chunk, LineEventKind, Transport
from kerfbus.tui.output import Output
from kerfbus.tui.soaking import comparison_line, condition_lines
from kerfbus.tui.traffic import TrafficLines, quality_lines, summary_lines


class Ear:
    """Hears a line and gives out what it hears.

    Args:
        transport: the line.
        output: where rows go.
        lines: how rows look.
        comes_back: whether the port is opened again by itself after it was lost.

    Attributes:
        quality: the account.
        follow_arc: called with each row that was heard; None for nobody.
    """

    def __init__(
        self, transport: Transport, output: Output, lines: TrafficLines, *, comes_back: bool
    ) -> None:
        self.follow_arc: Callable[[Row], None] | None = None
        info = CaptureInfo(
            transport.settings,
            "tap",
            transport.timing,
            transport.clock.kind,
            transport.uncertainty_ns,
        )
        facts = transport.facts
        self._transport = transport
        self._output = output
        self._decoder = Decoder(info, paced=facts.paced)
        self.quality = Quality(transport.settings, reports_errors=bool(facts.reports_errors))
        self._lines = lines
        self._comes_back = comes_back

    async def hear(self, seconds: float | None) -> None:
        """Listen until stopped, or for some seconds."""
        self._lines.header()
        clock = self._transport.clock
        end = None if seconds is None else clock.now() + round(seconds * NS)
        while end is None or clock.now() < end:
            waits = [at for at in (self._decoder.deadline, end) if at is not None]
            try:
                self._take(await self._transport.receive(min(waits, default=None)))
            except RecordingEndedError:
                return
            except PortLostError:
                if not self._comes_back:
                    raise
                # What was heard before it stands alone; the next call waits for the port.
                self._give(self._decoder.feed(LineEvent(LineEventKind.LOST, clock.now())))

    def _take(self, chunk: Chunk | None) -> None:
        if chunk is None:
            self._give(self._decoder.tick(self._transport.clock.now()))
            return
        for error in chunk.errors:
            self.quality.character_error(error.kind)
        self._give(self._decoder.feed(Burst(chunk.data, chunk.at, False, chunk.errors)))

    def _give(self, rows: list[Row]) -> None:
        for row in rows:
            if row.message is not None:
                self.quality.take(row.message)
                if self.follow_arc is not None:
                    self.follow_arc(row)
            self._lines.give(row)
        if rows:
            self._output.flush()

    def sum_up(self) -> None:
        """Give out what is still held back, then the counts."""
        self._give(self._decoder.finish())
        summary = self._decoder.summary
        quality = self.quality.to_json()
        comparisons = self.quality.comparisons()
        self._output.answer({**summary.to_json(), "quality": quality, "comparisons": comparisons})
        self._output.texts(summary_lines(summary))
        self._output.texts(quality_lines(quality))
        self._output.texts(condition_lines(quality["conditions"]))
        self._output.texts(map(comparison_line, comparisons))
