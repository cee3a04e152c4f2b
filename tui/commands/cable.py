"""`kerfbus cable`: bias, termination, length, stub, divider and other arithmetic."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import click

from kerfbus.tui.endings import DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import FAINT, HEADING, Output, columns

if TYPE_CHECKING:
    from kerfbus.bench.cabling.worked import Calculation, Given

WIDTH = 79


class Calculations(click.Group):
    """A group whose commands are the calculations, made from what they say of themselves."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all calculations."""
        from kerfbus.bench.cabling.calculations import CALCULATIONS

        return list(CALCULATIONS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of one calculation; None when there is none."""
        from kerfbus.bench.cabling.calculations import CALCULATIONS

        found = CALCULATIONS.get(cmd_name)
        return None if found is None else _command(found)


@click.command(
    "cable",
    cls=Calculations,
    epilog=examples(
        "kerfbus cable idle --pull-up 560 --pull-down 560",
        "kerfbus cable divider --source 10 --input 100 --json",
    ),
)
def command() -> None:
    """Compute bias, termination, lengths, stubs, divider, hose, duty.

    Each answer shows its formula, what went in, where it comes from and how sure that is. The
    machine's manuals prevail.
    """


def _command(calculation: Calculation) -> click.Command:
    """Return the command of a calculation, with an option for everything that goes in."""

    def work(as_json: bool, **given: float | None) -> int:
        _tell(Output(as_json=as_json), calculation, given)
        return DONE

    title = calculation.title
    made: click.Command = click.command(
        calculation.name,
        help=f"{_capital(title)}.\n\nFormula: {calculation.formula}.",
        short_help=title,
        epilog=examples(f"kerfbus cable {calculation.name}{_example(calculation)}"),
    )(json_option(work))
    made.params = [*map(_option, calculation.givens), *made.params]
    return made


def _example(calculation: Calculation) -> str:
    """Return options that an example needs: those without a usual value."""
    needed = [each for each in calculation.givens if each.usual is None]
    return "".join(f" --{_dashed(each.name)} {max(each.low, 8):g}" for each in needed)


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _dashed(name: str) -> str:
    return name.replace("_", "-")


def _option(given: Given) -> click.Option:
    usual = "" if given.usual is None else f" [default: {given.usual:g}]"
    high = "" if given.high == math.inf else f" to {given.high:g}"
    unit = f" {given.unit}" if given.unit else ""
    return click.Option(
        [f"--{_dashed(given.name)}", given.name],
        type=int if given.whole else float,
        metavar="N",
        help=f"{_capital(given.text)}; {given.low:g}{high or ' or more'}{unit}.{usual}",
    )


def _tell(output: Output, calculation: Calculation, given: dict[str, Any]) -> None:
    """Give out an answer with its formula, inputs and sources."""
    record = calculation.to_json(given)
    output.answer(record)
    if output.as_json:
        return
    answer, inputs = calculation.answer(given), calculation.inputs(given)
    output.text(_capital(calculation.title), HEADING)
    rows = [(each.name, _number(each.value), each.unit, each.text) for each in answer.outcomes]
    output.texts(columns(rows, right=(1,)))
    for note in answer.notes:
        output.texts(textwrap.wrap(note, WIDTH, initial_indent="- ", subsequent_indent="  "))
    output.text()
    units = {each.name: each.unit for each in calculation.givens}
    words = (
        f"{_dashed(name)} {_number(value)} {units[name]}".rstrip() for name, value in inputs.items()
    )
    for line in (
        f"Given: {', '.join(words)}",
        f"Formula: {calculation.formula}",
        *(f"Source: {each.text} ({each.confidence.value})" for each in calculation.sources),
    ):
        for part in textwrap.wrap(line, WIDTH, subsequent_indent="  "):
            output.text(part, FAINT)


def _number(value: float | None) -> str:
    """Return a number for a person.

    >>> [_number(each) for each in (527.77, 0.28651, 19200.0, 1e9, math.inf, None)]
    ['527.8', '0.2865', '19200', '1e+09', 'inf', '-']
    """
    if value is None:
        return "-"
    return f"{value:.0f}" if 1e4 <= abs(value) < 1e7 else f"{value:.4g}"
