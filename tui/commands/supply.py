"""`kerfbus supply`: a simulated plasma supply on a port that a controller can open."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import Output

if TYPE_CHECKING:
    from kerfbus.bench.line import LineSettings
    from kerfbus.bench.transport import Transport
    from kerfbus.tui.cast import Cast


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        pty: path of the pty to make, None for none.
        serial: serial port to answer on, None for none.
        tcp: where to listen, None for none.
        server: server address of the supply.
        baud: bits per second.
        format: the character format.
        seed: of all chance; None for 0, or the scenario's own.
        capture: file to record to, None for none.
        scenario: name or file of a scenario, None for one plain supply.
        speed: ``real``, or ``fast``: time passes with the traffic only.
        log: file for the scenario's log, None for none.
        paced: on a pty or TCP, characters take the time that they take on a wire.
    """

    pty: str | None
    serial: str | None
    tcp: str | None
    server: int
    baud: int
    format: str
    seed: int | None
    capture: str | None
    scenario: str | None
    speed: str
    log: str | None
    paced: bool

    def __post_init__(self) -> None:
        if [self.pty, self.serial, self.tcp].count(None) != 2:
            raise click.UsageError("give one of --pty PATH, --serial PORT and --tcp HOST:PORT")
        if self.speed == "fast" and self.tcp is not None:
            raise click.UsageError(
                "--speed fast goes with --pty and --serial: it counts characters"
            )
        if self.paced and self.serial is not None:
            raise click.UsageError("--paced goes with --pty and --tcp: a serial port has its pace")
        if self.paced and self.speed == "fast":
            raise click.UsageError("--paced and --speed fast contradict each other: give one")
        if self.scenario is None and self.log is not None:
            raise click.UsageError("--log goes with --scenario: a plain supply has no log")

    @property
    def place(self) -> str:
        """Return where the supply answers."""
        return self.pty or self.serial or self.tcp or ""


@click.command(
    "supply",
    epilog=examples(
        "kerfbus supply --pty supply0",
        "kerfbus supply --serial COM6 --baud 9600 --format 8N2 --capture today.pcapng",
        "kerfbus supply --tcp 127.0.0.1:5020 --seed 7",
        "kerfbus supply --pty supply0 --scenario rough-day --log today.jsonl",
        "kerfbus supply --pty supply0 --baud 115200 --paced",
    ),
)
@click.option("--pty", metavar="PATH", help="Make a pty; PATH becomes a link to it.")
@click.option("--serial", metavar="PORT", help="Answer on a serial port.")
@click.option(
    "--tcp",
    metavar="HOST:PORT",
    help="Listen for RTU over TCP and for Modbus TCP; each client is answered in its own.",
)
@click.option(
    "--server", type=int, default=1, show_default=True, metavar="ADDRESS", help="1 to 247."
)
@click.option(
    "--baud", type=int, default=19200, show_default=True, metavar="N", help="Bits a second."
)
@click.option(
    "--format",
    default="8E1",
    show_default=True,
    metavar="FORMAT",
    help="Data bits, parity, stop bits.",
)
@click.option(
    "--seed", type=int, metavar="N", help="Of all chance; without it 0, or the scenario's own."
)
@click.option("--capture", metavar="FILE", help="Record the traffic; a new file.")
@click.option(
    "--scenario",
    metavar="NAME",
    help="A world in which things happen; see kerfbus scenario list, or give a .toml file.",
)
@click.option(
    "--speed",
    type=click.Choice(["real", "fast"]),
    default="real",
    show_default=True,
    help="Fast: time passes only with the traffic, as fast as a client can ask.",
)
@click.option("--log", metavar="FILE", help="Write the scenario's log to a new file.")
@click.option(
    "--paced",
    is_flag=True,
    help="On a pty or TCP, let characters take the time that they take on a wire.",
)
@json_option
@click.pass_context
def command(context: click.Context, /, as_json: bool, **options: object) -> int:
    """Be a simulated plasma supply on a pty, a serial port or TCP.

    It answers as soon as it has said that it is ready, until Ctrl-C. Its registers are those of
    `kerfbus map show`; everything about it is invented.

    In a scenario addresses, rate and format are the scenario's, and the torch moves when the arc is
    transferred, as docs/scenarios.md says.
    """
    from kerfbus.tui.running import run_until_stopped

    request = Request(**options)  # type: ignore[arg-type]
    if request.scenario is not None:
        _only_the_scenario(context)
    run_until_stopped(_supply(request, Output(as_json=as_json)))
    return DONE


def _only_the_scenario(context: click.Context) -> None:
    """Refuse options that say what the scenario says."""
    for name in ("server", "baud", "format"):
        if context.get_parameter_source(name) is not click.core.ParameterSource.DEFAULT:
            raise click.UsageError(f"--{name} does not go with --scenario, which has its own")


async def _supply(request: Request, output: Output) -> None:
    """Open the port, say that it is ready, and answer until stopped."""
    from kerfbus.bench.line import LineSettings
    from kerfbus.tui.cast import Wanted, cast_of

    wanted = Wanted(
        request.scenario,
        request.server,
        LineSettings.parse(request.baud, request.format),
        request.seed,
        request.speed == "fast",
        request.log,
    )
    async with cast_of(wanted, output) as cast:
        await (_on_tcp if request.tcp is not None else _on_line)(request, cast, output)


async def _on_line(request: Request, cast: Cast, output: Output) -> None:
    """Answer on a pty or a serial port."""
    from kerfbus.bench.recorder import RecordingTransport
    from kerfbus.sim.station import Station, StationOptions
    from kerfbus.tui.recording import recording

    settings = cast.servers[0].settings
    if request.pty is not None:
        opened = open_pty_at(request.pty, settings)
        if settings.parity != "N":
            output.remark(
                f"{request.pty}: a pty has no parity; a client that fails when it asks for one "
                "can use 8N1"
            )
        if request.paced:
            from kerfbus.sim.pacedline import PacedLine

            opened = PacedLine(opened)
    else:
        opened = await _open_serial(request.place, settings, output)
    async with (
        cast.on(opened) as port,
        recording(port, request.capture, "server", output) as transport,
    ):
        if isinstance(transport, RecordingTransport):
            transport.mark("note", f"simulated supply, seed {cast.seed}")
        station = Station(cast.servers, transport, StationOptions(comes_back=request.pty is None))
        _ready(request, cast, output, request.place)
        try:
            await station.run()
        finally:
            _ended(station.replies, output)


async def _open_serial(port: str, settings: LineSettings, output: Output) -> Transport:
    """Open a serial port that is opened again after it was unplugged."""
    from kerfbus.bench.ports import PortOptions, SamePort
    from kerfbus.bench.reopen import ReopeningTransport
    from kerfbus.bench.transport import LineEventKind

    def tell(kind: LineEventKind, _at: int, why: str) -> None:
        output.remark(f"{port}: {'back' if kind is LineEventKind.OPENED else why}", always=True)

    return await ReopeningTransport.open(
        SamePort(port, settings, PortOptions(vantage="server")), tell
    )


def open_pty_at(path: str, settings: LineSettings) -> Transport:
    """Make a pty where the system has such things."""
    from kerfbus.bench.errors import PortError

    try:
        from kerfbus.sim.pty import open_pty
    except ImportError as error:
        raise PortError(path, "this system has no ptys; use --serial or --tcp") from error
    return open_pty(path, settings)


async def _on_tcp(request: Request, cast: Cast, output: Output) -> None:
    """Answer on TCP; each RTU connection is a line of its own, recorded to a file of its own."""
    from kerfbus.sim.endpoint import Endpoint
    from kerfbus.sim.pacedline import PacedLine
    from kerfbus.sim.tcpdoor import TcpDoor
    from kerfbus.tui.recording import SeveralRecordings

    recordings = SeveralRecordings(request.capture)
    endpoint = Endpoint.parse(request.place)

    def wrap(line: Transport) -> Transport:
        return recordings.wrap(PacedLine(line) if request.paced else line)

    try:
        async with TcpDoor(cast.servers, endpoint, wrap=wrap) as lines:
            output.remark(lines.endpoint.notice)
            _ready(request, cast, output, str(lines.endpoint))
            try:
                await asyncio.Event().wait()
            finally:
                _ended(None, output)
    finally:
        recordings.tell(output)


def _ready(request: Request, cast: Cast, output: Output, place: str) -> None:
    """Say that it answers now: one line."""
    servers, settings = cast.servers, cast.servers[0].settings
    what = "Simulated supply" if request.scenario is None else f"Scenario {request.scenario}"
    addresses = ", ".join(str(server.address) for server in servers)
    output.text(
        f"{what} ready: server {addresses} on {place}, {settings}, "
        f"seed {cast.seed}. Ctrl-C ends it."
    )
    output.answer(
        {
            "ready": {
                "port": place,
                "server": servers[0].address,
                "servers": [server.address for server in servers],
                "baud": settings.baud,
                "format": settings.format,
                "seed": cast.seed,
                "capture": request.capture,
                "scenario": request.scenario,
                "speed": request.speed,
                "paced": request.paced,
            }
        }
    )
    output.flush()
    if cast.screen is not None:
        cast.screen.begin()


def _ended(replies: int | None, output: Output) -> None:
    """Say that it is over, and what was done where that was counted."""
    output.text("Ended." if replies is None else f"Ended; requests answered: {replies}.")
    output.answer({"ended": {"replies": replies}})
