"""`kerfbus process`: the table of cutting processes, and a starting point out of it."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import Command, examples, json_option
from kerfbus.tui.output import FAINT, HEADING, Json, Output, columns

if TYPE_CHECKING:
    from kerfbus.sim.processes import Process, ProcessTable

WIDTH = 80
VALUES: dict[str, tuple[str, str]] = {
    "current": ("cutting current", "A"),
    "cutting_pressure": ("gas pressure while the arc burns", "bar"),
    "flow_pressure": ("gas pressure before and after", "bar"),
    "speed": ("cutting speed", "mm/min"),
    "arc_voltage": ("arc voltage to be expected", "V"),
    "stand_off": ("stand-off while cutting", "mm"),
    "pierce_height": ("height while piercing", "mm"),
    "pierce_delay": ("arc transferred to motion", "s"),
    "kerf": ("width of the cut", "mm"),
}
"""What a process says: in words, and its unit."""
_HEADS = (
    *("no.", "material", "mm", "A", "bar", "mm/min", "V"),
    *("height/pierce", "delay", "kerf"),
)
_LEGEND = (
    "mm: thickness; bar: cutting / flow pressure; height / pierce height and kerf in mm; delay: s "
    "from arc transferred to motion."
)


@click.group(
    "process",
    epilog=examples(
        "kerfbus process list --material stainless",
        "kerfbus process suggest --material mild-steel --thickness 7",
    ),
)
def command() -> None:
    """Show cutting processes; suggest a starting point."""


def table_option(function: Command) -> Command:
    """Add ``--table``."""
    return click.option(
        "--table",
        "file",
        metavar="FILE",
        help="Processes in TOML; without it the invented ones of the simulated supply.",
    )(function)


@command.command("list", epilog=examples("kerfbus process list --quality fine"))
@click.option("--material", metavar="NAME", help="mild-steel, stainless or aluminium.")
@click.option("--quality", metavar="NAME", help="fine or production.")
@table_option
@json_option
def list_(material: str | None, quality: str | None, file: str | None, as_json: bool) -> int:
    """Show the table, thin to thick."""
    from kerfbus.sim.processes import MATERIALS, QUALITIES

    output, table = Output(as_json=as_json), _table(file)
    material = _as_listed(material) if material is not None else None
    _check("--material", material, MATERIALS)
    _check("--quality", quality, QUALITIES)
    rows = table.rows(material, quality)
    output.answer(
        {
            "table": table.file,
            "note": table.note,
            "units": {name: unit for name, (_, unit) in VALUES.items()},
            "processes": [_plain(row) for row in rows],
        }
    )
    output.text(table.title or table.file, HEADING)
    for each in QUALITIES:
        members = [row for row in rows if row.quality == each]
        if members:
            output.text()
            output.text(each.capitalize(), HEADING)
            output.texts(columns([_HEADS, *map(_cells, members)], right=(0, *range(2, 10))))
    output.text()
    _wrapped(output, _LEGEND)
    _wrapped(output, table.note)
    return DONE


@command.command(epilog=examples("kerfbus process show 105"))
@click.argument("number", type=int)
@table_option
@json_option
def show(number: int, file: str | None, as_json: bool) -> int:
    """Show one process by its number."""
    from kerfbus.bench.errors import UsageError

    output, table = Output(as_json=as_json), _table(file)
    row = table.by_number.get(number)
    if row is None:
        raise UsageError(f"process {number}: is not in {table.file}; `process list` shows it")
    output.answer({"table": table.file, "note": table.note, "process": _plain(row)})
    output.text(f"Process {row.number}: {row.what}", HEADING)
    output.texts(_values(row.model_dump()))
    _wrapped(output, table.note)
    return DONE


@command.command(
    epilog=examples(
        "kerfbus process suggest --material mild-steel --thickness 7",
        "kerfbus process suggest --material aluminium --thickness 5 --quality fine",
    )
)
@click.option("--material", required=True, metavar="NAME", help="mild-steel, stainless, aluminium.")
@click.option("--thickness", required=True, type=float, metavar="MM", help="Of the plate.")
@click.option("--quality", metavar="NAME", help="fine or production; without it what fits.")
@table_option
@json_option
def suggest(
    material: str, thickness: float, quality: str | None, file: str | None, as_json: bool
) -> int:
    """Suggest a starting point, between the rows of the table.

    It says which rows it comes from, and refuses what lies outside of them. It is a starting point
    and no more: the manuals of the machine and of the supply prevail.
    """
    from kerfbus.sim.suggestion import CAUTION
    from kerfbus.sim.suggestion import suggest as suggested

    output, table = Output(as_json=as_json), _table(file)
    material = _as_listed(material)
    found = suggested(table, material, thickness, quality)
    output.answer(
        {
            "material": found.material,
            "thickness": found.thickness,
            "quality": found.quality,
            "process": found.process,
            "values": found.values,
            "units": {name: unit for name, (_, unit) in VALUES.items()},
            "rows": [row.number for row in found.rows],
            "basis": found.basis,
            "table": table.file,
            "note": table.note,
            "caution": CAUTION,
        }
    )
    output.text(f"{material} {thickness:g} mm, {found.quality}: a starting point", HEADING)
    output.texts(_values(found.values))
    output.text(f"From {table.file}:")
    _wrapped(output, f"{found.basis}.", "  ")
    if len(found.rows) > 1:
        _wrapped(output, _how_to_set(found.process), "  ")
    output.text()
    _wrapped(output, f"{CAUTION} {_about(table)}")
    return DONE


def _about(table: ProcessTable) -> str:
    """Return what the table says of itself."""
    return f"{table.file}: {table.note}" if table.note else ""


def _how_to_set(number: int) -> str:
    return (
        f"On a supply with this table choose process {number}, then write the set-points; its "
        "limits hold."
    )


def _table(file: str | None) -> ProcessTable:
    from kerfbus.sim.processes import load_processes, shipped_processes

    return shipped_processes() if file is None else load_processes(file)


def _check(option: str, given: str | None, known: Sequence[str]) -> None:
    from kerfbus.bench.errors import UsageError

    if given is not None and given not in known:
        raise UsageError(f"{option} {given}: give one of {', '.join(known)}")


def _plain(row: Process) -> dict[str, Json]:
    return row.model_dump()


def _cells(row: Process) -> tuple[str, ...]:
    """Return a row as a line of the table."""
    return (
        str(row.number),
        row.material,
        f"{row.thickness:g}",
        f"{row.current:g}",
        f"{row.cutting_pressure:.1f} / {row.flow_pressure:.1f}",
        f"{row.speed:g}",
        f"{row.arc_voltage:g}",
        f"{row.stand_off:.1f} / {row.pierce_height:.1f}",
        f"{row.pierce_delay:.2f}",
        f"{row.kerf:.1f}",
    )


def _values(given: dict[str, float]) -> list[str]:
    """Return values with their units and what they are."""
    return columns(
        [(f"  {name}", f"{given[name]:g}", unit, words) for name, (words, unit) in VALUES.items()],
        right=(1,),
    )


def _wrapped(output: Output, text: str, indent: str = "") -> None:
    lines = textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)
    for line in lines:
        output.text(line, FAINT)


def _as_listed(material: str) -> str:
    """Return a material as the table spells it, however a person does."""
    return "-".join(material.lower().split())
