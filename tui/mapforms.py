"""`kerfbus map export`, `import`, `diff` and `probe`."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import Link, examples, json_option, link_options
from kerfbus.tui.output import BAD, GOOD, HEADING, Output, columns

if TYPE_CHECKING:
    from kerfbus.bench.mapdiff import MapDiff
    from kerfbus.bench.mapprobe import Probed
    from kerfbus.tui.linking import Plan

FORMS = ("c", "st", "markdown", "csv", "python")


@click.command(
    "export",
    epilog=examples(
        "kerfbus map export --to c --output supply.h",
        "kerfbus map export my-unit.toml --to markdown",
    ),
)
@click.argument("file", required=False)
@click.option("--to", "form", type=click.Choice(FORMS), required=True, help="Form to write.")
@click.option("--output", metavar="FILE", help="A new file; without it standard output.")
@json_option
def export(file: str | None, form: str, output: str | None, as_json: bool) -> int:
    """Write a map as a C header, structured text, Markdown, CSV or Python.

    FILE is a map's file or name; without it the map of the simulated supply.
    """
    from kerfbus.bench.mapexport import FORMS
    from kerfbus.tui.chosen import chosen_map

    found = chosen_map(file)
    text = FORMS[form].write(found)
    _write(text, output)
    answer = {"map": found.name, "form": form, "file": output, "registers": len(found.registers)}
    if as_json and output is None:
        answer["text"] = text
    told = Output(as_json=as_json)
    told.answer(answer)
    if output is None:
        if not as_json:
            sys.stdout.write(text)
    else:
        told.text(f"{output}: map {found.name}, {len(found.registers)} registers, {form}.")
    return DONE


def _write(text: str, output: str | None) -> None:
    """Write a new file; nothing is ever overwritten."""
    if output is None:
        return
    path = Path(output)
    if path.exists():
        raise click.UsageError(f"{output}: exists already; name a new file")
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(text)


@click.command(
    "import",
    epilog=examples("kerfbus map import registers.csv --name my-unit --output my-unit.toml"),
)
@click.argument("file")
@click.option("--name", required=True, metavar="NAME", help="What the map is called.")
@click.option("--output", metavar="FILE", help="A new file; without it standard output.")
@json_option
def import_(file: str, name: str, output: str | None, as_json: bool) -> int:
    """Make a map from a table: a CSV file whose first line names the columns.

    Needed are name, table, address, type; `kerfbus map export --to csv` shows all others. Cells may
    be separated by commas, semicolons or tabs.
    """
    from kerfbus.bench.errors import MapError
    from kerfbus.bench.mapexport.csvtable import map_from_csv
    from kerfbus.bench.regmap import parse_map
    from kerfbus.bench.textfile import read_text

    def wrong(where: str, message: str, line: int) -> MapError:
        return MapError(where, f"line {line}: {message}" if line else message)

    made = map_from_csv(read_text(file, wrong), name, file)
    found = parse_map(made, file)
    _write(made, output)
    told = Output(as_json=as_json)
    answer: dict[str, Any] = {"map": name, "file": output, "registers": len(found.registers)}
    told.answer(answer | ({"text": made} if output is None else {}))
    if output is not None:
        told.text(f"{output}: map {name}, {len(found.registers)} registers.")
    elif not as_json:
        sys.stdout.write(made)
    return DONE


@click.command(epilog=examples("kerfbus map diff supply my-unit.toml"))
@click.argument("first")
@click.argument("second")
@json_option
def diff(first: str, second: str, as_json: bool) -> int:
    """Say how two maps differ; exit code 1 when they do.

    Descriptions do not count: they change nothing that happens.
    """
    from kerfbus.bench.mapdiff import diff_maps
    from kerfbus.tui.chosen import chosen_map

    found = diff_maps(chosen_map(first), chosen_map(second))
    output = Output(as_json=as_json)
    output.answer(found.to_json())
    _tell_diff(output, found, first, second)
    return DONE if found.same else BAD_ANSWER


def _tell_diff(output: Output, found: MapDiff, first: str, second: str) -> None:
    if found.same:
        output.text(f"{first} and {second} mean the same.", GOOD)
        return
    output.text(f"From {first} to {second}", HEADING)
    rows = [(name, "only in the first", "") for name in found.removed]
    rows += [(name, "only in the second", "") for name in found.added]
    rows += [(each.before, "is called", each.after) for each in found.renamed]
    rows += [
        (each.name, each.field, f"{_shown(each.before)} -> {_shown(each.after)}")
        for each in found.changed
    ]
    output.texts(columns(rows))


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{key}={each}" for key, each in value.items()) or "none"
    return "none" if value is None else str(value)


@click.command(
    epilog=examples("kerfbus map probe", "kerfbus map probe --port COM5 --map my-unit.toml")
)
@link_options
@json_option
def probe(link: Link, as_json: bool) -> int:
    """Ask a device for every register of a map, read-only, and say which it answers.

    Exit code 1: some that the map says can be read were refused or not answered.
    """
    from kerfbus.tui.linking import plan_for
    from kerfbus.tui.running import run

    plan = plan_for(link)
    output = Output(as_json=as_json)
    probes = run(_probe(plan))
    counts = Counter(each.standing.value for each in probes)
    output.answer(
        {
            "server": plan.server,
            "map": plan.map.name,
            "answered": counts["answered"],
            "refused": counts["refused"],
            "silent": counts["silent"],
            "registers": [each.to_json() for each in probes],
        }
    )
    _tell_probe(output, plan, probes)
    return BAD_ANSWER if counts["refused"] or counts["silent"] else DONE


async def _probe(plan: Plan) -> list[Probed]:
    from kerfbus.bench.mapprobe import MapProbe
    from kerfbus.tui.linking import client_on
    from kerfbus.tui.progress import while_waiting

    async with client_on(plan) as client:
        work = MapProbe(client, plan.server).run(plan.map)
        return await while_waiting(f"asking server {plan.server}", work)


def _tell_probe(output: Output, plan: Plan, probes: list[Probed]) -> None:
    from kerfbus.bench.mapprobe import Standing

    output.text(str(plan), HEADING)
    asked = [each for each in probes if each.standing is not Standing.WRITE_ONLY]
    bad = [each for each in asked if each.standing is not Standing.ANSWERED]
    rows = [
        (
            each.register.name,
            f"{each.register.table}:{each.register.address}",
            each.standing.value
            + (f", exception {each.exception:02X}" if each.exception is not None else ""),
        )
        for each in bad
    ]
    output.texts(columns(rows))
    outside = [each.register.name for each in asked if each.in_limits is False]
    if outside:
        output.text(f"Outside the map's limits: {', '.join(outside)}")
    good = len(asked) - len(bad)
    output.text(
        f"{good} of {len(asked)} registers are answered; {len(probes) - len(asked)} can only be "
        "written and were not asked.",
        BAD if bad else GOOD,
    )
