"""`kerfbus explain`: a capture as probable causes, with evidence and the next thing to check."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import Output

if TYPE_CHECKING:
    from kerfbus.bench.diagnosis.explaining import Explanation


@click.command(
    "explain",
    epilog=examples(
        "kerfbus explain site.pcapng",
        "kerfbus explain site.pcapng --map my-unit.toml",
        "kerfbus explain site.pcapng --json",
        "kerfbus explain site.pcapng --plot site.svg",
    ),
)
@click.argument("file")
@click.option(
    "--map",
    metavar="FILE",
    help="The register map in which to look for a status register that shows the arc; "
    "by default that of the simulated supply. Marks in the capture come first.",
)
@click.option(
    "--plot",
    metavar="FILE",
    help="Also draw errors over time and place, turnaround, rate; .svg, .png or .pdf.",
)
@json_option
def command(
    file: str,
    map: str | None,  # noqa: A002 (the option's name)
    plot: str | None,
    as_json: bool,
) -> int:
    """Say what is probably wrong with a link, from a capture of it.

    Causes come in falling order of probability, each with what speaks for it, what speaks against
    it, and the next thing to check. Exit code 0: the link is healthy. 1: there is a fault, or the
    capture is not enough to say. --plot needs the extra "plot" (pip install "kerfbus[plot]").
    """
    from kerfbus.tui.explained import explanation_lines
    from kerfbus.tui.linkplot import check_plot, draw_link

    if plot is not None:
        check_plot(Path(plot))
    output = Output(as_json=as_json)
    found, warning = _explained(file, map)
    output.texts(explanation_lines(Path(file).name, found, output))
    output.answer(found.to_json())
    if plot is not None:
        draw_link(found, Path(file).name, Path(plot))
        output.text(f"Drawn to {plot}")
    if warning:
        output.remark(f"{file}: {warning}")
    return DONE if found.verdict == "healthy" else BAD_ANSWER


def _explained(file: str, map_file: str | None) -> tuple[Explanation, str | None]:
    """Return what a capture comes to, and what is odd about the file."""
    from kerfbus.bench.diagnosis.explain import explain_file
    from kerfbus.tui.chosen import chosen_map
    from kerfbus.tui.progress import Progress

    named = chosen_map(map_file)
    size = Path(file).stat().st_size if Path(file).is_file() else None
    with Progress("explaining", total=size) as progress:
        return explain_file(file, named, progress.reached)
