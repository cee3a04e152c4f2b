"""`kerfbus map`: is a register map right, and what does it say?"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import click

from kerfbus.tui import mapforms
from kerfbus.tui.endings import CANNOT_RUN, DONE
from kerfbus.tui.options import examples, json_option, map_option
from kerfbus.tui.output import FAINT, HEADING, Output, columns

if TYPE_CHECKING:
    from kerfbus.bench.errors import MapError
    from kerfbus.bench.regmap import Register, RegisterMap

WIDTH = 80


@click.group("map", epilog=examples("kerfbus map show", "kerfbus map check my-unit.toml"))
def command() -> None:
    """Check, show, export, import, compare and probe register maps."""


for each in (mapforms.export, mapforms.import_, mapforms.diff, mapforms.probe):
    command.add_command(each)


@command.command(epilog=examples("kerfbus map check my-unit.toml"))
@click.argument("file")
@json_option
def check(file: str, as_json: bool) -> int:
    """Find all that is wrong with a register map.

    Each mistake is a line with register and field; then the exit code is 2.
    """
    from kerfbus.bench.errors import MapError
    from kerfbus.bench.regmap import check_map, load_map

    output = Output(as_json=as_json)
    if mistakes := check_map(file):
        for mistake in mistakes:
            output.remark(str(mistake), always=True)
        output.answer(
            {
                "error": {"kind": MapError.kind, "message": str(mistakes[0])},
                "file": file,
                "ok": False,
                "mistakes": [_mistake(each) for each in mistakes],
            }
        )
        return CANNOT_RUN
    found = load_map(file)
    writable = sum(register.writable for register in found.registers)
    arc = [register.name for register in found.registers if register.can_strike_arc]
    output.text(f"{file}: good. Map {found.name}, {len(found.registers)} registers.")
    output.text(f"{writable} can be set; can strike an arc: {', '.join(arc) or 'none'}.")
    output.answer(
        {
            "file": file,
            "ok": True,
            "mistakes": [],
            "name": found.name,
            "registers": len(found.registers),
            "writable": writable,
            "can_strike_arc": arc,
        }
    )
    return DONE


def _mistake(error: MapError) -> dict[str, str]:
    """Return a mistake as JSON has it."""
    return {"register": error.register, "field": error.field, "message": str(error)}


@command.command(
    epilog=examples(
        "kerfbus map show",
        "kerfbus map show my-unit.toml --group arc",
        "kerfbus map show --name fault",
    )
)
@click.argument("file", required=False)
@map_option
@click.option("--group", "groups", multiple=True, metavar="GROUP", help="Only this group.")
@click.option("--name", "names", multiple=True, metavar="NAME", help="Only this register, in full.")
@json_option
def show(
    file: str | None,
    map: str | None,  # noqa: A002 (the option's name)
    groups: tuple[str, ...],
    names: tuple[str, ...],
    as_json: bool,
) -> int:
    """Show the registers of a map, group by group.

    FILE is the same as --map FILE; without either it is the map of the simulated supply.
    """
    from kerfbus.tui.chosen import chosen_map, in_groups

    if file is not None and map is not None:
        raise click.UsageError(f"two maps given, {file} and {map}; give one")
    found = chosen_map(file or map)
    registers = [found.by_name(name) for name in names] or in_groups(found, groups)
    output = Output(as_json=as_json)
    output.answer({**found.to_json(), "registers": [each.to_json() for each in registers]})
    if not as_json:
        _show(output, found, registers, in_full=bool(names))
    return DONE


def _show(
    output: Output, found: RegisterMap, registers: Iterable[Register], *, in_full: bool
) -> None:
    """Write a map for a person."""
    from kerfbus.tui.chosen import by_group

    header = found.header
    version = f", version {header.version}" if header.version else ""
    output.text(f"{found.name}: {header.title or 'a register map'}{version}", HEADING)
    output.texts(textwrap.wrap(header.note, WIDTH))
    output.text(f"From the factory: server {header.server}, {header.settings}.")
    for title, members in by_group(found, registers):
        output.text()
        output.text(title, HEADING)
        lines = columns([(f"  {each.name}", where(each), meaning(each)) for each in members])
        for register, line in zip(members, lines, strict=True):
            output.text(line)
            for part in details(register, in_full=in_full):
                output.text(part, FAINT)


def where(register: Register) -> str:
    """Return a register's table, address and length as they are typed."""
    length = f"+{register.words}" if register.words > 1 else ""
    return f"{register.table}:{register.address}{length}"


def meaning(register: Register) -> str:
    """Return what values a register takes, and whether they can be read and set."""
    access = {"r": "", "rw": ", can be set", "w": ", can only be set"}[register.access]
    arc = "; can strike an arc" if register.can_strike_arc else ""
    return f"{_kind(register)}{access}{arc}"


def _kind(register: Register) -> str:
    """Return the kind of value, with range and unit."""
    if register.values:
        return f"one of {len(register.values)}"
    if register.bits:
        return f"{len(register.bits)} bits"
    if not register.type.numeric:
        return {"bool": "on or off", "string": "text"}.get(str(register.type), str(register.type))
    unit = f" {register.unit}" if register.unit else ""
    low, high = register.min, register.max
    if low is None and high is None:
        return f"number{f' in {register.unit}' if register.unit else ''}"
    if low is None or high is None:
        return f"from {low:g}{unit}" if high is None else f"up to {high:g}{unit}"
    return f"{low:g} to {high:g}{unit}"


def details(register: Register, *, in_full: bool) -> Iterator[str]:
    """Yield the lines under a register: its description, and in full all that its raw form says."""
    indent = " " * 6
    yield from textwrap.wrap(
        register.description, WIDTH, initial_indent=indent, subsequent_indent=indent
    )
    if not in_full:
        return
    order = f", {register.word_order} word first" if register.words > 1 else ""
    order = order.replace("big word", "high word").replace("little word", "low word")
    offset = f" {register.offset:+g}" if register.offset else ""
    scale = f"; value = raw x {register.scale:g}{offset}" if register.type.numeric else ""
    invalid = (
        f"; raw {register.invalid:#x} means no reading" if register.invalid is not None else ""
    )
    yield f"{indent}{register.type}{order}{scale}{invalid}"
    for raw, name in register.values.items():
        yield f"{indent}{raw:5}  {name}"
    for number, name in register.bits.items():
        yield f"{indent}bit {number:2}  {name}"
