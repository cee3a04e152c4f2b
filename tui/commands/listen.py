"""`kerfbus listen`: hear a line as a tap; decode, count, record; send nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import SECONDS, examples, json_option, line_options, port_option
from kerfbus.tui.output import HEADING, Output

if TYPE_CHECKING:
    from collections.abc import Callable

    from kerfbus.bench.decode import Row
    from kerfbus.bench.regmap import RegisterMap
    from kerfbus.tui.soaking import Marker


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
        map: the register map that names the values, None to show them raw (on a simulated line
            by its own map).
        arc: the register that shows the arc, as typed; None for nothing.
        marks: take marks from standard input even where it is no terminal.
    """

    port: str
    baud: int
    format: str
    capture: str | None
    seconds: float | None
    show_all: bool
    map: str | None
    arc: str | None
    marks: bool


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
    type=SECONDS,
    metavar="N",
    help="Stop after this time; otherwise Ctrl-C does.",
)
@click.option("--map", metavar="FILE", help="Show values by the names of this register map.")
@click.option(
    "--arc",
    metavar="NAME[=VALUE]",
    help="The register that shows whether the arc is on, when others read it; needs a map.",
)
@click.option(
    "--marks", is_flag=True, help="Take typed marks also where standard input is no terminal."
)
@click.option("--all", "show_all", is_flag=True, help="Show the characters of good frames, too.")
@json_option
def command(as_json: bool, **options: object) -> int:
    """Hear a line as a tap: decode, count, record; send nothing.

    Without --baud and --format the line is taken to run at 19200 8E1. When it ends, by Ctrl-C or
    after --seconds, it says what was counted and how good the link is. While it runs, on a
    terminal, type "on" or "off" and Enter when the arc strikes or ends, or a note: each condition
    gets an account of its own.
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
    from kerfbus.bench.ports import PortOptions, is_simulated
    from kerfbus.tui.chosen import chosen_map
    from kerfbus.tui.ear import Ear
    from kerfbus.tui.linking import lasting_port
    from kerfbus.tui.recording import recording
    from kerfbus.tui.soaking import Marker
    from kerfbus.tui.traffic import TrafficLines
    from kerfbus.tui.typedmarks import typed_marks

    settings = LineSettings.parse(request.baud, request.format)
    raw = request.map is None and not is_simulated(request.port)
    named = None if raw else chosen_map(request.map)
    lines = TrafficLines(output, show_all=request.show_all, register_map=named)
    async with (
        await lasting_port(request.port, settings, PortOptions(vantage="tap"), output) as port,
        recording(port, request.capture, "tap", output) as transport,
    ):
        ear = Ear(transport, output, lines, comes_back=not is_simulated(request.port))
        output.text(f"Listening on {request.port}, {settings}", HEADING)
        output.remark("listening; Ctrl-C ends it", always=True)
        marker = Marker(ear.quality, transport)
        if request.arc is not None:
            ear.follow_arc = _arc_follower(request.arc, named, marker)
        try:
            with typed_marks(marker.typed, always=request.marks):
                await ear.hear(request.seconds)
        finally:
            ear.sum_up()


def _arc_follower(arc: str, named: RegisterMap | None, marker: Marker) -> Callable[[Row], None]:
    """Return what follows the arc through the values that others read."""
    from kerfbus.bench.arcsign import parse_arc_sign
    from kerfbus.bench.interpret import Interpreter

    if named is None:
        raise click.UsageError("--arc names a register; give its map with --map")
    sign, interpreter = parse_arc_sign(arc, named), Interpreter(named)

    def follow(row: Row) -> None:
        state = sign.among(interpreter.take(row))
        if state is not None:
            marker.observed("arc", state, row.at)

    return follow
