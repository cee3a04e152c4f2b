"""`kerfbus listen`: hear a line as a tap; decode, count, record; send nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option, line_options, port_option
from kerfbus.tui.output import HEADING, Output

if TYPE_CHECKING:
    from kerfbus.bench.decode import Decoder, Row
    from kerfbus.bench.quality import Quality
    from kerfbus.bench.transport import Chunk, Transport

NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        port: the port string.
        baud: bits per second.
        format: the character format.
        capture: file to record to, None for none.
        seconds: how long, None for until stopped.
        show_all: whether the characters of good frames are shown.
    """

    port: str
    baud: int
    format: str
    capture: str | None
    seconds: float | None
    show_all: bool


@click.command(
    "listen",
    epilog=examples(
        "kerfbus listen --port /dev/ttyUSB0 --baud 9600 --format 8N2",
        "kerfbus listen --port COM5 --capture site.pcapng",
        "kerfbus listen --seconds 2 --json",
    ),
)
@port_option
@line_options
@click.option("--capture", metavar="FILE", help="Record all that is heard; a new file.")
@click.option(
    "--seconds",
    type=click.FloatRange(0, min_open=True),
    metavar="N",
    help="Stop after this time; otherwise Ctrl-C does.",
)
@click.option("--all", "show_all", is_flag=True, help="Show the characters of good frames, too.")
@json_option
def command(as_json: bool, **options: object) -> int:
    """Hear a line as a tap: decode, count, record; send nothing.

    Without --baud and --format the line is taken to run at 19200 8E1. When it ends, by Ctrl-C or
    after --seconds, it says what was counted and how good the link is.
    """
    from kerfbus.tui.running import run_until_stopped

    options["baud"] = 19200 if options["baud"] is None else options["baud"]
    options["format"] = options["format"] or "8E1"
    request = Request(**options)  # type: ignore[arg-type]
    run_until_stopped(_listen(request, Output(as_json=as_json)))
    return DONE


async def _listen(request: Request, output: Output) -> None:
    """Open everything, hear the line, and sum up however it ends."""
    from kerfbus.bench.line import LineSettings
    from kerfbus.bench.ports import PortOptions, open_port
    from kerfbus.tui.recording import recording, tell_recording

    settings = LineSettings.parse(request.baud, request.format)
    async with (
        await open_port(request.port, settings, PortOptions(vantage="tap")) as port,
        recording(port, request.capture, "tap") as transport,
    ):
        ear = Ear(transport, output, show_all=request.show_all)
        output.text(f"Listening on {request.port}, {settings}", HEADING)
        output.remark("listening; Ctrl-C ends it", always=True)
        try:
            await ear.hear(request.seconds)
        finally:
            ear.sum_up()
            tell_recording(transport, request.capture, output)


class Ear:
    """Hears a line and gives out what it hears.

    Args:
        transport: the line.
        output: where rows go.
        show_all: whether the characters of good frames are shown.
    """

    def __init__(self, transport: Transport, output: Output, *, show_all: bool) -> None:
        from kerfbus.bench.capture import CaptureInfo
        from kerfbus.bench.decode import Decoder
        from kerfbus.bench.quality import Quality
        from kerfbus.tui.traffic import TrafficLines

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
        self._decoder: Decoder = Decoder(info, paced=facts.paced)
        self._quality: Quality = Quality(
            transport.settings, reports_errors=bool(facts.reports_errors)
        )
        self._lines = TrafficLines(output, show_all=show_all)

    async def hear(self, seconds: float | None) -> None:
        """Listen until stopped, or for some seconds."""
        self._lines.header()
        clock = self._transport.clock
        end = None if seconds is None else clock.now() + round(seconds * NS)
        while end is None or clock.now() < end:
            waits = [at for at in (self._decoder.deadline, end) if at is not None]
            self._take(await self._transport.receive(min(waits, default=None)))

    def _take(self, chunk: Chunk | None) -> None:
        from kerfbus.bench.capture import Burst

        if chunk is None:
            self._give(self._decoder.tick(self._transport.clock.now()))
            return
        for error in chunk.errors:
            self._quality.character_error(error.kind)
        self._give(self._decoder.feed(Burst(chunk.data, chunk.at, False, chunk.errors)))

    def _give(self, rows: list[Row]) -> None:
        for row in rows:
            if row.message is not None:
                self._quality.take(row.message)
                self._output.answer(row.to_json())
            if not self._output.as_json:
                self._lines.row(row)
        if rows:
            self._output.flush()

    def sum_up(self) -> None:
        """Give out what is still held back, then the counts."""
        from kerfbus.tui.traffic import quality_lines, summary_lines

        self._give(self._decoder.finish())
        summary = self._decoder.summary
        quality = self._quality.to_json()
        self._output.answer({**summary.to_json(), "quality": quality})
        self._output.texts(summary_lines(summary))
        self._output.texts(quality_lines(quality))
