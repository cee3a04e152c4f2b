"""`kerfbus qualify`: act as the supply, let things go wrong, grade the controller."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import SECONDS, examples, json_option, line_options, map_option
from kerfbus.tui.output import Output

if TYPE_CHECKING:
    from kerfbus.bench.line import LineSettings
    from kerfbus.bench.transport import Transport
    from kerfbus.sim.qualification.record import What
    from kerfbus.tui.qualifying import Outcome

NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        pty: path of the pty to make, None for none.
        serial: serial port, None for none.
        tcp: where to listen, None for none.
        server: server address, None for the map's.
        baud: bits per second, None for the map's.
        format: the character format, None for the map's.
        map: the register map's file, None for the default map.
        plan: name of the plan.
        quick: the quick plan.
        signals: path of the side channel's pty, None for none.
        wait_seconds: how long a request is waited for.
        capture: file to record to, None for none.
        report_html: file for the page, None for none.
        junit: file for JUnit XML, None for none.
    """

    pty: str | None
    serial: str | None
    tcp: str | None
    server: int | None
    baud: int | None
    format: str | None
    map: str | None
    plan: str | None
    quick: bool
    signals: str | None
    wait_seconds: float
    capture: str | None
    report_html: str | None
    junit: str | None

    def __post_init__(self) -> None:
        if [self.pty, self.serial, self.tcp].count(None) != 2:
            raise click.UsageError("give one of --pty PATH, --serial PORT and --tcp HOST:PORT")
        if self.quick and self.plan not in (None, "quick"):
            raise click.UsageError(f"--quick and --plan {self.plan} contradict each other")

    @property
    def place(self) -> str:
        """Return where the controller connects."""
        return self.pty or self.serial or self.tcp or ""


@click.command(
    "qualify",
    epilog=examples(
        "kerfbus qualify --pty supply0 --quick --junit qualify.xml",
        "kerfbus qualify --serial /dev/ttyUSB0 --report-html controller.html",
        "kerfbus qualify --tcp 127.0.0.1:5020 --plan full --json",
        "kerfbus qualify --pty supply0 --signals motion0",
    ),
)
@click.option("--pty", metavar="PATH", help="Make a pty; PATH becomes a link to it.")
@click.option("--serial", metavar="PORT", help="Answer on a serial port.")
@click.option("--tcp", metavar="HOST:PORT", help="Listen for RTU over TCP.")
@click.option(
    "--server",
    type=int,
    metavar="ADDRESS",
    help="Server address, 1 to 247. Without it, --baud, --format: as the map says.",
)
@line_options
@map_option
@click.option(
    "--plan",
    type=click.Choice(["quick", "usual", "full"]),
    help="How thorough; full latches every fault. Without it: usual.",
)
@click.option("--quick", is_flag=True, help="The same as --plan quick, for a CI.")
@click.option(
    "--signals",
    metavar="PATH",
    help="Make a second pty: takes the lines moving and still, gives the lines start and clear.",
)
@click.option(
    "--wait",
    "wait_seconds",
    type=SECONDS,
    default=60.0,
    show_default=True,
    metavar="SECONDS",
    help="Give up when no request comes for so long.",
)
@click.option("--capture", metavar="FILE", help="Record the trial; a new file.")
@click.option("--report-html", metavar="FILE", help="Write the report as a page.")
@click.option("--junit", metavar="FILE", help="Write the report as JUnit XML.")
@json_option
def command(as_json: bool, **options: object) -> int:
    """Act as the supply, let things go wrong, grade the controller.

    Connect a controller that polls, and start cuts at it when that is asked for; with --signals a
    program does both. What nothing shows is graded "not seen". Exit code 1: a check failed.

    The supply is simulated: disconnect the real one, and let nothing real strike an arc or move.
    """
    from kerfbus.tui.running import run

    request = Request(**options)  # type: ignore[arg-type]
    return run(_qualify(request, Output(as_json=as_json)))


async def _qualify(request: Request, output: Output) -> int:
    """Open everything, run the schedule, and report, also when it is stopped half-way."""
    import asyncio

    from kerfbus.bench.line import LineSettings
    from kerfbus.sim.qualification.director import Director
    from kerfbus.sim.qualification.record import Record
    from kerfbus.sim.qualification.schedule import plan_named
    from kerfbus.sim.qualification.stand import Stand
    from kerfbus.sim.qualification.unit import make_unit
    from kerfbus.tui.chosen import chosen_map
    from kerfbus.tui.qualifyfiles import check_free
    from kerfbus.tui.qualifying import Outcome
    from kerfbus.tui.recording import recording

    found, plan = chosen_map(request.map), plan_named(_plan(request))
    header = found.header
    settings = LineSettings.parse(
        request.baud or header.settings.baud, request.format or header.settings.format
    )
    address = header.server if request.server is None else request.server
    check_free(request.report_html, request.junit)
    async with (
        _opened(request, settings, output) as port,
        _side_channel(request) as signals,
        recording(port, request.capture, "server", output) as line,
    ):
        paced = bool(line.facts.paced)
        record = Record(
            settings, paced, line.uncertainty_ns, signals=signals is not None, address=address
        )
        unit = make_unit(found, address, settings, line.clock.now())
        director = Director(unit, plan, record, settings.t35_ns if paced else 0)
        output.remark(
            f"server {address} on {line.name}, {settings}, plan {plan.name}; let it poll now",
            always=True,
        )
        stand = Stand(director, line, signals, _Prompter(output).show)
        try:
            await stand.run(round(request.wait_seconds * NS))
        except asyncio.CancelledError:
            output.remark("stopped; what was not tried is not seen", always=True)
            director.give_up(line.clock.now())
    outcome = Outcome.of(record, plan, request.place, found.name)
    _report(outcome, request, output)
    return BAD_ANSWER if outcome.failed else DONE


def _plan(request: Request) -> str:
    return "quick" if request.quick else request.plan or "usual"


def _report(outcome: Outcome, request: Request, output: Output) -> None:
    """Write what was found, as text or JSON and to the files."""
    from kerfbus.tui.qualifyfiles import write_junit, write_page
    from kerfbus.tui.qualifying import answer, tell

    tell(outcome, output)
    output.answer(answer(outcome))
    if request.junit is not None:
        write_junit(outcome, request.junit)
    if request.report_html is not None:
        write_page(outcome, request.report_html)


@asynccontextmanager
async def _opened(
    request: Request, settings: LineSettings, output: Output
) -> AsyncIterator[Transport]:
    """Open the place where the controller connects."""
    if request.pty is not None:
        opened = _pty(request.pty, settings)
    elif request.serial is not None:
        from kerfbus.bench.ports import PortOptions, open_port

        opened = await open_port(request.serial, settings, PortOptions(vantage="server"))
    else:
        from kerfbus.sim.endpoint import Endpoint
        from kerfbus.sim.tcpseat import TcpSeat

        endpoint = Endpoint.parse(request.place)
        opened = seat = await TcpSeat.listen(endpoint, settings)
        output.remark(seat.endpoint.notice)
    async with opened:
        yield opened


@asynccontextmanager
async def _side_channel(request: Request) -> AsyncIterator[Transport | None]:
    """Make the side channel, where one was asked for."""
    from kerfbus.bench.line import LineSettings

    if request.signals is None:
        yield None
        return
    async with _pty(request.signals, LineSettings()) as signals:
        yield signals


def _pty(path: str, settings: LineSettings) -> Transport:
    """Make a pty where the system has such things."""
    from kerfbus.bench.errors import PortError

    try:
        from kerfbus.sim.pty import open_pty
    except ImportError as error:
        raise PortError(path, "this system has no ptys; use --serial or --tcp") from error
    return open_pty(path, settings)


class _Prompter:
    """Asks a person for what the schedule needs, once for each time that it is needed.

    Args:
        output: where to.
    """

    def __init__(self, output: Output) -> None:
        self._output = output
        self._last: What | None = None

    def show(self, what: What) -> None:
        """Show a prompt, unless it was the last one too."""
        from kerfbus.sim.qualification.record import What

        if what is not self._last:
            self._last = what
            wish = {
                What.PROMPT_START: "start cuts at the controller now, one after the other",
                What.PROMPT_CLEAR: "the supply has a fault: clear it at the controller",
            }
            self._output.remark(wish[what])
