"""`kerfbus scenario`: worlds in which things go wrong, run in virtual time."""

from __future__ import annotations

import textwrap
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kerfbus.tui.endings import CANNOT_RUN, DONE
from kerfbus.tui.options import SECONDS, Command, examples, json_option
from kerfbus.tui.output import FAINT, HEADING, Json, Output, columns

if TYPE_CHECKING:
    from kerfbus.sim.scenario import Scenario
    from kerfbus.sim.scenario.journal import Journal
    from kerfbus.sim.scenario.run import Report

WIDTH = 80
NS = 1_000_000_000


@click.group(
    "scenario",
    epilog=examples(
        "kerfbus scenario list",
        "kerfbus scenario run worn-electrode --capture worn.pcapng --log worn.jsonl",
    ),
)
def command() -> None:
    """Run simulated worlds in virtual time; list, check, plot them.

    A scenario says what supplies there are, what their tables do and what goes wrong, in a TOML
    file. Shipped ones are known by name. As a port: sim:NAME or sim:PATH.toml.
    """


def seed_option(function: Command) -> Command:
    """Add ``--seed``."""
    return click.option(
        "--seed", type=click.IntRange(0), metavar="N", help="Instead of the scenario's own."
    )(function)


# --- to read -------------------------------------------------------------------------------------


@command.command("list", epilog=examples("kerfbus scenario list"))
@json_option
def list_(as_json: bool) -> int:
    """List the scenarios that ship with kerfbus."""
    from kerfbus.sim.scenario import open_scenario, scenario_names

    output = Output(as_json=as_json)
    found = [open_scenario(name) for name in scenario_names()]
    output.answer({"scenarios": [_facts(each) for each in found]})
    for each in found:
        output.text(f"{each.name}: {each.title}", HEADING)
        for line in textwrap.wrap(each.note, WIDTH - 2):
            output.text(f"  {line}")
    output.text()
    output.text("Everything in them is invented.", FAINT)
    return DONE


def _facts(scenario: Scenario) -> dict[str, Any]:
    return {
        "name": scenario.name,
        "title": scenario.title,
        "note": scenario.note,
        "seed": scenario.seed,
        "duration_seconds": scenario.duration_ns / NS,
        "baud": scenario.line.baud,
        "format": scenario.line.format,
        "supplies": [{"name": each.name, "server": each.address} for each in scenario.supplies],
        "events": len(scenario.events),
    }


@command.command(epilog=examples("kerfbus scenario show clean-table"))
@click.argument("name")
@json_option
def show(name: str, as_json: bool) -> int:
    """Print a shipped scenario's file, to start one's own from."""
    from kerfbus.sim.scenario import scenario_text

    output = Output(as_json=as_json)
    text = scenario_text(name)
    output.answer({"name": name, "text": text})
    output.text(text.rstrip("\n"))
    return DONE


@command.command(epilog=examples("kerfbus scenario defects"))
@json_option
def defects(as_json: bool) -> int:
    """List what an event can inject, and which faults can follow."""
    from kerfbus.sim.scenario.causes import CAUSES, CONTROLLER_SILENT, defect_leads_to

    output = Output(as_json=as_json)
    known = {name: cause.text for name, cause in CAUSES.items()}
    known[CONTROLLER_SILENT] = "the controller asks nothing"
    found = [
        {
            "name": name,
            "text": text,
            "faults": [
                fault.name.lower().replace("_", "-") for fault in sorted(defect_leads_to(name))
            ],
        }
        for name, text in known.items()
    ]
    output.answer({"defects": found})
    for each in found:
        output.text(f"{each['name']}: {each['text']}")
        faults = textwrap.wrap(f"can lead to {', '.join(each['faults'])}", WIDTH - 4)
        for line in faults:
            output.text(f"    {line}", FAINT)
    return DONE


@command.command(epilog=examples("kerfbus scenario faults"))
@json_option
def faults(as_json: bool) -> int:
    """List the faults of the simulated supply: cause, effect, bits, what clears them."""
    from kerfbus.sim.faultbook import rows

    output = Output(as_json=as_json)
    found: list[Json] = []
    for code, name, facts in rows():
        record: dict[str, Json] = {
            "code": code,
            "name": name,
            "cause": facts.cause,
            "judged": facts.judged,
            "effect": facts.effect.value,
            "interlock": facts.interlock or None,
            "detail": facts.detail or None,
            "clears_when": facts.remedy,
        }
        found.append(record)
        output.text(f"{code}  {name}")
        told = [f"{facts.cause}; judged: {facts.judged}", facts.effect.value]
        if facts.interlock:
            told.append(f"interlock {facts.interlock} is 0 while the cause is there")
        if facts.detail:
            told.append(f"the log's detail: {facts.detail}")
        told.append(f"before it can be cleared: {facts.remedy}")
        for text in told:
            output.texts(
                textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="      ")
            )
    output.answer({"faults": found})
    output.text()
    output.text("Each sets the status bit fault and the mode fault, is logged with mode, powered")
    output.text("hours and starts, and is cleared by the separate act clear-fault. All invented.")
    return DONE


@command.command(epilog=examples("kerfbus scenario check mine.toml"))
@click.argument("file")
@json_option
def check(file: str, as_json: bool) -> int:
    """Find everything that is wrong with a scenario's file, by line and key."""
    from kerfbus.sim.scenario import check_scenario, load_scenario

    output = Output(as_json=as_json)
    if mistakes := check_scenario(file):
        for mistake in mistakes:
            output.remark(str(mistake), always=True)
        output.answer(
            {
                "error": {"kind": mistakes[0].kind, "message": str(mistakes[0])},
                "file": file,
                "ok": False,
                "mistakes": [
                    {"line": each.line, "key": each.key, "message": each.message}
                    for each in mistakes
                ],
            }
        )
        return CANNOT_RUN
    found = load_scenario(file)
    supplies = ", ".join(f"{each.name} (server {each.address})" for each in found.supplies)
    output.text(f"{file}: good. {found.title}. {len(found.events)} events; supplies: {supplies}.")
    output.answer({"file": file, "ok": True, "mistakes": [], **_facts(found)})
    return DONE


# --- to run --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        name: of the scenario, or its file.
        duration: seconds of scenario time, None for its own.
        seed: None for its own.
        capture: file to record to, None for none.
        log: file for the log, None for none.
        brief: show defects and faults only.
    """

    name: str
    duration: float | None
    seed: int | None
    capture: str | None
    log: str | None
    brief: bool


@command.command(
    epilog=examples(
        "kerfbus scenario run rough-day --brief",
        "kerfbus scenario run hot-afternoon --duration 3600 --capture hot.pcapng",
        "kerfbus scenario run ./mine.toml --seed 7 --log mine.txt",
    )
)
@click.argument("name")
@click.option("--duration", type=SECONDS, metavar="SECONDS", help="Of scenario time.")
@seed_option
@click.option("--capture", metavar="FILE", help="Record the traffic; a new file.")
@click.option(
    "--log",
    metavar="FILE",
    help="Write the log to a new file: JSON Lines, or text when its name ends in .txt.",
)
@click.option("--brief", is_flag=True, help="Show only defects, faults and warnings.")
@json_option
def run(as_json: bool, **options: Any) -> int:
    """Run a scenario in virtual time: its controllers ask its supplies over a clean line.

    What happens is shown as it is written to the log: a number in front of each defect, and behind
    each fault the numbers of what it goes back to. The same scenario, seed and duration give the
    same capture and the same log, byte for byte. With --json the log's entries come as JSON Lines,
    then a summary.
    """
    from kerfbus.sim.scenario import open_scenario
    from kerfbus.tui.scenariolog import Screen, journal_to

    request, output = Request(**options), Output(as_json=as_json)
    scenario = open_scenario(request.name)
    screen = Screen(output, brief=request.brief)
    screen.begin()
    with journal_to(screen, request.log) as journal:
        report, seconds = _run(scenario, request, journal)
    if report.capture_error is not None:
        raise report.capture_error
    _summary(report, seconds, request, output)
    return DONE


def _run(scenario: Scenario, request: Request, journal: Journal) -> tuple[Report, float]:
    """Run it and return the report with the real seconds that it took."""
    from kerfbus.sim.scenario.plan import nanoseconds
    from kerfbus.sim.scenario.run import RunOptions, run_scenario
    from kerfbus.tui.running import run as run_async

    options = RunOptions(
        None if request.duration is None else nanoseconds(request.duration),
        request.seed,
        request.capture,
    )
    began = time.perf_counter()
    report = run_async(run_scenario(scenario, options, journal))
    return report, time.perf_counter() - began


def _summary(report: Report, seconds: float, request: Request, output: Output) -> None:
    """Say what the run came to."""
    world = report.world
    faults = report.faults()
    output.answer(
        {
            "summary": {
                "scenario": world.scenario.name,
                "seed": world.seed,
                "duration_ns": report.duration_ns,
                "transactions": report.transactions,
                "outcomes": {each.value: count for each, count in report.outcomes.items()},
                "cuts": report.cuts,
                "faults": dict(sorted(faults.items())),
                "injections": len(world.journal.injections),
                "capture": request.capture,
                "log": request.log,
                "real_seconds": round(seconds, 3),
            }
        }
    )
    lived = report.duration_ns / NS
    output.text()
    output.text(
        f"{lived:g} s of scenario time in {seconds:.2f} s, {lived / seconds:.0f} times life; "
        f"seed {world.seed}."
    )
    cuts = ", ".join(f"{count} on {name}" for name, count in report.cuts.items()) or "no table"
    output.text(f"{report.transactions} transactions; cuts finished: {cuts}.")
    rows = [(f"  {count}", name) for name, count in sorted(faults.items())]
    output.text("Faults:" if rows else "No fault.")
    output.texts(columns(rows, right=(0,)))
    for what, path in (("Capture", request.capture), ("Log", request.log)):
        if path is not None:
            output.text(f"{what}: {path}.")


# --- to look at ----------------------------------------------------------------------------------


@command.command(
    epilog=examples(
        "kerfbus scenario plot clean-table --out cut.svg",
        "kerfbus scenario plot weak-compressor --out weak.png --from 60 --to 100",
    )
)
@click.argument("name")
@click.option("--out", required=True, metavar="FILE", help="Ends in .svg, .png or .pdf.")
@click.option("--supply", metavar="NAME", help="Which, where there are several; else the first.")
@click.option(
    "--cut", type=click.IntRange(1), default=1, show_default=True, metavar="N", help="Which arc."
)
@click.option(
    "--from", "begin", type=click.FloatRange(0), metavar="SECONDS", help="Where the picture begins."
)
@click.option("--to", "end", type=SECONDS, metavar="SECONDS", help="Instead of one arc: a time.")
@seed_option
@json_option
def plot(as_json: bool, name: str, out: str, **options: Any) -> int:
    """Draw a whole cut: current, voltage, pressure, height, status over one time axis.

    Needs the extra "plot" (pip install "kerfbus[plot]").
    """
    from kerfbus.sim.scenario import open_scenario
    from kerfbus.tui.cutplot import Choice, draw

    output = Output(as_json=as_json)
    picture = draw(open_scenario(name), Choice(**options), Path(out))
    output.answer(
        {
            "file": out,
            "scenario": name,
            "supply": picture.supply,
            "begin_ns": picture.begin,
            "end_ns": picture.end,
        }
    )
    output.text(
        f"{out}: supply {picture.supply} from {picture.begin / NS:.3f} to {picture.end / NS:.3f} s."
    )
    return DONE
