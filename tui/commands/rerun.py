"""`kerfbus rerun`: a capture against a port, as client or as server; the differences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from kerfbus.tui.durations import DURATION
from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import DEFAULT_PORT, examples, json_option, map_option, timeout_option
from kerfbus.tui.output import HEADING, Output

if TYPE_CHECKING:
    from kerfbus.bench.rerun import Report
    from kerfbus.bench.transactions import Recording, Transaction
    from kerfbus.tui.rerunning import Place


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        file: the capture.
        role: ``client``, ``server`` or ``line``.
        speed: ``recorded``, ``fast`` or a number.
        map: the register map's file, None for the default map.
        rules: the file with the rules, None for the one beside the capture.
        repeat: what answers a request whose recorded answers were all given.
        timeout_seconds: wait for a reply, where the recorded client did not go on before.
        seconds: end as server after this time.
        seed: of a simulated line; None for the recording's.
        arm: whether writing to a real port is allowed.
        capture: file to record the rerun to.
        show_all: print all differences.
    """

    file: str
    role: str
    speed: str
    map: str | None
    rules: str | None
    repeat: str
    timeout_seconds: float
    seconds: float | None
    seed: int | None
    arm: bool
    capture: str | None
    show_all: bool


@click.command(
    "rerun",
    epilog=examples(
        "kerfbus rerun site.pcapng",
        "kerfbus rerun site.pcapng --port /dev/ttyUSB0 --map my-unit.toml",
        "kerfbus rerun site.pcapng --as server --pty supply0 --repeat cycle",
        "kerfbus rerun site.pcapng --as line --tcp 127.0.0.1:5020",
    ),
)
@click.argument("file")
@click.option(
    "--port",
    metavar="PORT",
    help=f"Where to ask, or to answer; {DEFAULT_PORT} unless --pty or --tcp is given.",
)
@click.option("--pty", metavar="PATH", help="As server or line: make a pty; PATH links to it.")
@click.option(
    "--tcp", metavar="HOST:PORT", help="As server or line: take the first caller, RTU over TCP."
)
@click.option(
    "--as",
    "role",
    type=click.Choice(["client", "server", "line"]),
    default="client",
    show_default=True,
    help="Ask what was asked; answer what was answered; or play all that was heard.",
)
@click.option(
    "--speed",
    default="recorded",
    show_default=True,
    metavar="recorded|N|fast",
    help="Keep the recorded pauses, divide them by N, or go as fast as replies come.",
)
@map_option
@click.option("--rules", metavar="FILE", help="Without it NAME.rerun.toml beside the capture.")
@click.option(
    "--repeat",
    type=click.Choice(["order", "last", "cycle"]),
    default="last",
    show_default=True,
    help="As server, once a request's answers were given: nothing, the last, or from the first.",
)
@timeout_option
@click.option("--seconds", type=DURATION, metavar="T", help="As server: end after this time.")
@click.option(
    "--seed",
    type=click.IntRange(0),
    metavar="N",
    help="Of a simulated line; without it the recording's own.",
)
@click.option("--arm", is_flag=True, help="Send recorded writes to a real port, in this run.")
@click.option("--capture", metavar="FILE", help="Record what passes; a new file.")
@click.option("--all", "show_all", is_flag=True, help="Print all differences.")
@json_option
def command(
    port: str | None, pty: str | None, tcp: str | None, as_json: bool, **options: object
) -> int:
    """Run a capture again, as client or server; tell what differs.

    As client the recorded requests go to a port, and what comes is compared by name and unit, under
    rules for each register. On a real port only what reads is sent; with --arm also what the map
    knows and allows, never what can strike an arc. As server a controller gets the recorded answers
    to its requests, damage and silence among them. As line it hears the recording whatever it says.

    Line errors go over neither pty nor TCP, nor do silences below about a millisecond.
    """
    from kerfbus.tui.rerunning import Place
    from kerfbus.tui.running import run

    request = Request(**options)  # type: ignore[arg-type]
    place = Place(port, pty, tcp)
    output = Output(as_json=as_json)
    return run(_ROLES[request.role](request, place, output))


async def _client(request: Request, place: Place, output: Output) -> int:
    """Ask again, compare, tell."""
    from kerfbus.bench.ports import PortOptions, open_port
    from kerfbus.bench.rerun import Gate, Rerun, RerunPlan
    from kerfbus.tui.chosen import chosen_map
    from kerfbus.tui.progress import Progress
    from kerfbus.tui.recording import recording as recorded_to
    from kerfbus.tui.rerunning import rules_for, speed_of

    if place.pty or place.tcp:
        raise click.UsageError("--pty and --tcp go with --as server and --as line")
    if place.real and request.arm and request.map is None:
        raise click.UsageError("--arm needs --map FILE: only a map of the unit says what is safe")
    speed, found = speed_of(request.speed), chosen_map(request.map)
    recording = _read(request, output)
    rules, source = rules_for(request.file, request.rules, found, real=place.real)
    plan = RerunPlan(Gate(found, place.real, request.arm), rules, speed, request.timeout_seconds)
    output.text(f"To {place}, map {found.name}, rules: {source}")
    seed = recording.info.seed or 0 if request.seed is None else request.seed
    known = None if place.real else seed
    options = PortOptions() if place.real else PortOptions(speed="fast", seed=seed)
    async with (
        await open_port(str(place), recording.info.settings, options) as line,
        recorded_to(line, request.capture, "client", output, known) as transport,
    ):
        with Progress("asking again", total=len(recording.transactions)) as progress:
            rerun = Rerun(transport, recording, plan, lambda done, _: progress.reached(done))
            report = await rerun.run()
    return _told(request, report, rerun.trouble, output)


async def _server(request: Request, place: Place, output: Output) -> int:
    """Answer until everything was asked, the time is over, or Ctrl-C."""
    import asyncio

    from kerfbus.bench.answerbook import Repeat
    from kerfbus.bench.rerun import ReplayPlan, ReplayServer
    from kerfbus.bench.rerun.values import request_text
    from kerfbus.tui.recording import recording as recorded_to
    from kerfbus.tui.rerunning import server_line

    recording = _read(request, output)
    info = recording.info
    async with (
        server_line(place, info.settings, info.timing, output) as line,
        recorded_to(line, request.capture, "server", output) as transport,
    ):
        end = _end(request, place, recording)
        until = None if end is None else line.clock.now() + end
        plan = ReplayPlan(Repeat(request.repeat), request.seconds is None, until)
        server = ReplayServer(
            transport,
            _playable(recording, place, output),
            plan,
            lambda each: output.remark(f"{each.why.value}: {request_text(each.request)}"),
        )
        try:
            report = await server.run()
        except asyncio.CancelledError:
            output.remark("stopped", always=True)
            report = server.report()
    # A controller that hangs up on TCP has ended its trial; a port that is gone has broken it.
    return _told(request, report, None if place.tcp else server.trouble, output)


async def _line(request: Request, place: Place, output: Output) -> int:
    """Play all that the recording station heard."""
    from kerfbus.bench.errors import PortLostError
    from kerfbus.bench.recordedline import heard_on
    from kerfbus.bench.rerun import play
    from kerfbus.tui.rerunning import check_line_role, server_line, speed_of

    check_line_role(place)
    recording = _read(request, output)
    speed = speed_of(request.speed)
    chunks = list(heard_on(request.file))
    async with server_line(place, recording.info.settings, recording.info.timing, output) as line:
        try:
            unsent = await play(chunks, line, speed or 1e9)
        except PortLostError:
            output.remark("whoever listened has gone", always=True)
            return BAD_ANSWER
    count = sum(len(chunk.data) for chunk, _ in chunks)
    output.text(f"Played {count} characters; not carried by this port: {unsent} line errors")
    output.answer({"characters": count, "unsent_line_errors": unsent})
    return DONE


_ROLES = {"client": _client, "server": _server, "line": _line}


def _read(request: Request, output: Output) -> Recording:
    from kerfbus.bench.traffictext import about
    from kerfbus.bench.transactions import read_transactions

    recording = read_transactions(request.file)
    output.text(f"{request.file}: {about(recording.info)}", HEADING)
    if recording.warning:
        output.remark(f"{request.file}: {recording.warning}")
    if not recording.transactions:
        raise click.UsageError(f"{request.file} holds no request: there is nothing to run again")
    return recording


def _playable(recording: Recording, place: Place, output: Output) -> Sequence[Transaction]:
    """Return what a server may play there."""
    from kerfbus.bench.rerun.gate import without_foreign_requests

    if not place.real:
        return recording.transactions
    transactions, silenced = without_foreign_requests(recording.transactions)
    if silenced:
        output.remark(
            f"{silenced} answers hold requests of another client, which hardware would obey; "
            "they are left out",
            always=True,
        )
    return transactions


def _end(request: Request, place: Place, recording: Recording) -> int | None:
    """Return after how many nanoseconds a server ends, None for no such end."""
    if request.seconds is not None:
        return round(request.seconds * 1e9)
    if place.real or place.pty or place.tcp:
        return None
    # A simulated controller never ends and takes no time: as long as was recorded, and a second.
    return recording.transactions[-1].asked_at - recording.began_at + 1_000_000_000


def _told(request: Request, report: Report, trouble: Exception | None, output: Output) -> int:
    from kerfbus.tui.rerunning import tell

    if trouble is not None and not output.as_json:
        tell(output, report, show_all=request.show_all, role=request.role)
    if trouble is not None:
        raise trouble
    tell(output, report, show_all=request.show_all, role=request.role)
    return DONE if report.good else BAD_ANSWER
