"""`kerfbus read`: values by name, or by table and address."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import Link, examples, json_option, link_options
from kerfbus.tui.output import BAD, HEADING, Json, Output

if TYPE_CHECKING:
    from kerfbus.bench.access import Reading
    from kerfbus.tui.linking import Plan


@click.command(
    "read",
    epilog=examples(
        "kerfbus read arc_voltage output_current",
        "kerfbus read --group gas --port /dev/ttyUSB0 --map my-unit.toml",
        "kerfbus read holding:0+4 --port COM5 --server 3 --json",
    ),
)
@click.argument("targets", nargs=-1, metavar="[NAME | TABLE:ADDRESS+COUNT]...")
@click.option("--group", "groups", multiple=True, metavar="GROUP", help="All values of this group.")
@link_options
@json_option
def command(targets: tuple[str, ...], groups: tuple[str, ...], link: Link, as_json: bool) -> int:
    """Read values by name, or by table and address.

    Tables are coil, discrete, holding and input; addresses count from 0. `kerfbus map show` lists
    names and groups.
    """
    from kerfbus.tui.linking import plan_for
    from kerfbus.tui.running import run

    if not targets and not groups:
        raise click.UsageError("nothing to read; give a NAME, TABLE:ADDRESS+COUNT or --group")
    output = Output(as_json=as_json)
    plan = plan_for(link)
    readings = run(_read(plan, _wanted(plan, targets, groups)))
    _tell(output, plan, readings)
    if plan.real and plan.note:
        output.remark(plan.note)
    return BAD_ANSWER if any(each.problem for each in readings) else DONE


def _wanted(plan: Plan, targets: Sequence[str], groups: Sequence[str]) -> list[Reading]:
    """Return what is to be read."""
    from kerfbus.bench.access import reading_of, readings_wanted
    from kerfbus.bench.regmap import parse_target
    from kerfbus.tui.chosen import in_groups

    parsed = [parse_target(text) for text in targets]
    if any(target.value is not None for target in parsed):
        raise click.UsageError("a value is set with `kerfbus write`; here give its name alone")
    members = [each for each in in_groups(plan.map, groups) if each.readable] if groups else []
    return readings_wanted(plan.map, parsed) + [reading_of(each) for each in members]


async def _read(plan: Plan, wanted: list[Reading]) -> list[Reading]:
    from kerfbus.bench.access import read_values
    from kerfbus.tui.linking import client_on
    from kerfbus.tui.progress import while_waiting

    async with client_on(plan) as client:
        work = read_values(client, plan.server, plan.map, wanted)
        return await while_waiting(f"asking server {plan.server}", work)


def _tell(output: Output, plan: Plan, readings: Sequence[Reading]) -> None:
    """Give out the values."""
    output.answer({"server": plan.server, "values": [as_record(each) for each in readings]})
    if output.as_json:
        return
    from kerfbus.tui.chosen import by_group
    from kerfbus.tui.values import lines_of, place, rows

    output.text(str(plan), HEADING)
    now = max((each.at for each in readings if each.at is not None), default=0)
    lines = lines_of(rows(readings, now))
    named = {each.name: text for each, text in zip(readings, lines, strict=True) if each.register}
    for title, members in by_group(plan.map, [each.register for each in readings if each.register]):
        output.text(title)
        for member in members:
            output.texts(named.pop(member.name, ()))
    for reading, text in zip(readings, lines, strict=True):
        if reading.register is None:
            output.texts(text)
    problems = dict.fromkeys(each.problem for each in readings if each.problem)
    for problem in problems:
        missing = [place(each) for each in readings if each.problem == problem]
        output.text(
            f"Not read: {', '.join(missing[:3])}{' ...' if missing[3:] else ''}: {problem}", BAD
        )


def as_record(reading: Reading) -> dict[str, Json]:
    """Return a reading as JSON has it; `error` stands only where nothing was read."""
    record: dict[str, Json] = {
        "name": reading.name,
        "value": reading.value,
        "unit": reading.unit,
        "raw": reading.raw,
        "at_ns": reading.at,
    }
    if reading.register is None:
        span = reading.span
        record |= {"table": str(span.table), "address": span.start}
    if reading.problem:
        record["error"] = reading.problem
    return record
