"""`kerfbus accept`: run an acceptance plan, write the record."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import Link, examples, json_option, link_options
from kerfbus.tui.output import Output, naming

if TYPE_CHECKING:
    from kerfbus.bench.acceptance.plan import Plan as AcceptancePlan
    from kerfbus.bench.acceptance.runner import Run
    from kerfbus.bench.acceptance.session import Session
    from kerfbus.tui.linking import Plan as LinkPlan

STATE_SUFFIX = ".state.json"


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        plan_file: of the plan, None for a shipped one.
        plan: name of a shipped plan.
        arm: allow writing to a real port.
        answers: file with a person's answers.
        resume: file of the state.
        again: steps to be done again.
        record: HTML file to be written.
        pdf: PDF file to be written.
        paper: of the record.
        capture: file to record the traffic to.
        seed: of a simulated line.
    """

    plan_file: str | None
    plan: str | None
    arm: bool
    answers: str | None
    resume: str | None
    again: tuple[str, ...]
    record: str | None
    pdf: str | None
    paper: str
    capture: str | None
    seed: int | None

    @property
    def state_file(self) -> Path | None:
        """Return where the state is kept: as said, else beside the record."""
        if self.resume is not None:
            return Path(self.resume)
        return None if self.record is None else Path(self.record + STATE_SUFFIX)


@click.command(
    "accept",
    epilog=examples(
        "kerfbus accept --plan generic-table --record record.html",
        "kerfbus accept my-plan.toml --port COM5 --map my-unit.toml --arm",
        "kerfbus accept --print-plan",
    ),
)
@click.argument("plan_file", required=False, metavar="[PLAN.toml]")
@click.option(
    "--plan", metavar="NAME", help="A plan that ships: generic-table (the default), link."
)
@click.option("--arm", is_flag=True, help="Allow writing to a real port, in this run.")
@click.option("--answers", metavar="FILE", help="A person's answers, in TOML.")
@click.option(
    "--resume", metavar="STATE", help="Keep the state in this file, and go on from it if it exists."
)
@click.option("--again", multiple=True, metavar="STEP", help="Do a step again that was done.")
@click.option("--record", metavar="FILE.html", help="Write the record; its state stands beside it.")
@click.option("--pdf", metavar="FILE.pdf", help="Print the record; needs Chromium or Chrome.")
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    help="Of the record.",
)
@click.option("--capture", metavar="FILE", help="Record all that passes; a new file.")
@click.option("--seed", type=click.IntRange(0), metavar="N", help="Of a simulated line's chance.")
@click.option("--print-plan", is_flag=True, help="Print the plan, to start one's own from; end.")
@click.option("--print-answers", is_flag=True, help="Print an answers file to fill in; end.")
@link_options
@json_option
def command(
    link: Link, as_json: bool, print_plan: bool, print_answers: bool, **options: object
) -> int:
    """Run an acceptance plan; write the commissioning record.

    Some steps read by themselves. Some write, on a real port only with --arm: never what can strike
    an arc, only while the unit is idle, and all is put back, also after Ctrl-C. Some ask a person,
    at the terminal or by --answers; without either they are skipped and stay open points. Exit code
    1: something failed or is open.

    Kerfbus is never a safety function. The manuals of machine and supply, local codes and the
    practice of licensed trades come first.
    """
    from kerfbus.tui.linking import plan_for
    from kerfbus.tui.running import run

    request = Request(**options)  # type: ignore[arg-type]
    output = Output(as_json=as_json)
    if print_plan or print_answers:
        return _print(request, answers=print_answers)
    _check(request, link)
    made = _made(request, plan_for(link), output)
    return run(_accept(made, request, output))


@dataclass(frozen=True, slots=True)
class Made:
    """A run made ready, and the link for it.

    Attributes:
        run: the run.
        link: port, map, address.
        head: what is printed at the head of the record.
    """

    run: Run
    link: LinkPlan
    head: dict[str, str]

    def __str__(self) -> str:
        """Return the link in a line."""
        return f"{self.link.link.port}, {self.link.settings}, server {self.link.server}"


def _print(request: Request, *, answers: bool) -> int:
    from kerfbus.bench.acceptance.answers import template

    plan = _plan(request)
    click.echo(template(plan.steps) if answers else plan.source.text, nl=False)
    return DONE


def _plan(request: Request) -> AcceptancePlan:
    from kerfbus.bench.acceptance.plan import GENERIC, load_plan, parse_plan, plan_text

    if request.plan_file is not None and request.plan is not None:
        raise click.UsageError("give either a plan's file or --plan NAME, not both")
    if request.plan_file is not None:
        return load_plan(request.plan_file)
    name = request.plan or GENERIC
    return parse_plan(plan_text(name), name)


def _check(request: Request, link: Link) -> None:
    """Find out what cannot be done, before anything is.

    Raises:
        UsageError: a record stands there already, there is nothing to print it with, or it is armed
            without a map.
    """
    from kerfbus.bench.errors import UsageError
    from kerfbus.bench.ports import is_simulated
    from kerfbus.tui.paper import browser

    if request.arm and link.map is None and not is_simulated(link.port):
        raise UsageError(
            f"--arm on {link.port}: give --map, the map of that unit, else its registers are not "
            "what their names say; --map supply is the invented one of a simulated supply"
        )
    if request.pdf is not None:
        browser()
    if request.resume is not None:
        return
    if request.record is not None and Path(request.record).exists():
        state = request.record + STATE_SUFFIX
        raise UsageError(
            f"{request.record}: exists already; name a new file, or go on with --resume {state}"
        )
    if request.state_file is not None and request.state_file.exists():
        raise UsageError(
            f"{request.state_file}: is of an interrupted run; go on with --resume "
            f"{request.state_file}, or remove it"
        )


def _made(request: Request, link: LinkPlan, output: Output) -> Made:
    """Read everything that the run needs."""
    from kerfbus.bench.acceptance.answers import Answers, AskFirst, load_answers
    from kerfbus.bench.acceptance.runner import Run, Watcher
    from kerfbus.bench.acceptance.state import State, load_state
    from kerfbus.bench.errors import UsageError
    from kerfbus.tui.accepting import tell_result, time_of_day
    from kerfbus.tui.keyboard import Keyboard, anybody_there

    plan = _plan(request).against(link.map)
    names = [each.name for each in plan.steps]
    for name in request.again:
        if name not in names:
            raise UsageError(f"--again {name}: the plan has no such step")
    answers = Answers() if request.answers is None else load_answers(request.answers, plan.steps)
    file = request.state_file
    state = State(plan.sha256, _map_sha256(link), link.link.port, link.server, file)
    if file is not None and file.exists():
        state = load_state(file, state)
    asker = AskFirst(answers, Keyboard() if anybody_there() else None)
    watcher = Watcher(time_of_day, ended=lambda result: tell_result(output, result))
    run = Run(plan, state, asker, watcher, request.again)
    return Made(run, link, dict(answers.record))


def _map_sha256(link: LinkPlan) -> str:
    """Return the SHA-256 of the map's text."""
    from kerfbus.bench.acceptance.state import sha256_of
    from kerfbus.sim.maps import DEFAULT, map_names, map_text

    name = link.link.map or DEFAULT
    if name in map_names():
        return hashlib.sha256(map_text(name).encode()).hexdigest()
    return sha256_of(name)


async def _accept(made: Made, request: Request, output: Output) -> int:
    """Run, and give out what was found, however it ends."""
    from kerfbus.bench.acceptance.result import Verdict
    from kerfbus.bench.errors import KerfbusError
    from kerfbus.tui.accepting import stoppable, tell_start

    run = made.run
    lost: list[str] = []
    with stoppable(output):
        try:
            async with _session(made, request, output) as session:
                tell_start(output, run, f"Server {made.link.server} on {made.link.link.port}")
                await _done(made, session, lost, output)
        except asyncio.CancelledError:
            output.remark("stopped; what was done is kept", always=True)
        except KerfbusError:
            if run.state.results:
                _sum_up(made, request, output, lost)
            raise
    _sum_up(made, request, output, lost)
    return DONE if run.verdict is Verdict.PASSED else BAD_ANSWER


async def _done(made: Made, session: Session | None, lost: list[str], output: Output) -> None:
    """Run, and say at once what could not be put back."""
    run = made.run
    if run.state.pending:
        names = ", ".join(each.name for each in run.state.pending)
        if session is not None and session.may_write:
            output.remark(f"an earlier run did not put back {names}; that is done now", always=True)
        else:
            output.remark(f"an earlier run did not put back {names}; add --arm", always=True)
    try:
        await run.run(session)
    finally:
        if session is not None:
            lost += session.not_restored
            for line in session.not_restored:
                output.remark(line, always=True)


@asynccontextmanager
async def _session(made: Made, request: Request, output: Output) -> AsyncIterator[Session | None]:
    """Open the port for as long as the context lasts, where a step needs it."""
    from kerfbus.bench.acceptance.session import Session
    from kerfbus.tui.accepting import following
    from kerfbus.tui.linking import seeded_port
    from kerfbus.tui.recording import recording

    run, plan = made.run, made.link
    if not run.needs_line:
        yield None
        return
    may_write = request.arm or not plan.real
    if plan.real and request.arm:
        output.remark(
            "armed: set-points are written and put back; nothing that can strike an arc is; "
            "keep clear of the torch all the same",
            always=True,
        )
    try:
        async with (
            await seeded_port(plan, request.seed, output) as port,
            recording(port, request.capture, "client", output) as line,
        ):
            yield Session(line, plan.server, plan.map, plan.policy, run.state, may_write, following)
    finally:
        _keep_capture(run, request.capture)


def _keep_capture(run: Run, capture: str | None) -> None:
    """Note a recording that is closed, by its SHA-256."""
    from kerfbus.bench.acceptance.state import sha256_of

    if capture is not None and Path(capture).exists():
        run.state.captures.append((capture, sha256_of(capture)))
        run.state.save()


def _sum_up(made: Made, request: Request, output: Output, lost: list[str]) -> None:
    """Write the record, print it, and give out the answer."""
    from importlib.metadata import version

    from kerfbus.bench.acceptance.page import Circumstances, page
    from kerfbus.tui.accepting import tell_end, time_of_day
    from kerfbus.tui.paper import print_page

    run, link = made.run, made.link
    about = Circumstances(
        version("kerfbus"),
        str(made),
        link.map.name,
        time_of_day(),
        not link.real,
        made.head,
        lost,
        request.paper,
    )
    answer = {
        **run.to_json(),
        "port": link.link.port,
        "server": link.server,
        "settings": str(link.settings),
        "map": link.map.name,
        "simulated": not link.real,
        "version": about.version,
        "ended": about.ended,
        "not_restored_lines": lost,
        "record": request.record,
        "pdf": request.pdf,
    }
    output.answer(answer)
    if not output.as_json:
        tell_end(output, run)
        if link.real and link.note:
            output.remark(link.note)
    output.flush()
    if request.record is None and request.pdf is None:
        return
    html = page(run, about)
    if request.record is not None:
        with naming(request.record):
            Path(request.record).write_text(html, encoding="utf-8")
        output.text(f"Record: {request.record}")
    if request.pdf is not None:
        print_page(html, request.pdf)
        output.text(f"Printed: {request.pdf}")
