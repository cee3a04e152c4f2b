"""`kerfbus find`: find rate, format and addresses on an unknown line."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from kerfbus.tui.durations import DURATION, spoken
from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import examples, json_option, port_option
from kerfbus.tui.output import BAD, GOOD, HEADING, Output, columns

if TYPE_CHECKING:
    from kerfbus.bench.findings import Findings
    from kerfbus.bench.searchplan import SearchPlan

NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        port: the port string.
        baud: rates to try, () for the usual ones.
        format: formats to try, () for the usual ones.
        servers: addresses as typed, None for all.
        listen: seconds to listen for traffic first.
        quiet: send nothing.
        seed: of a simulated line.
    """

    port: str
    baud: tuple[int, ...]
    format: tuple[str, ...]
    servers: str | None
    listen: float
    quiet: bool
    seed: int | None


@click.command(
    "find",
    epilog=examples(
        "kerfbus find --port /dev/ttyUSB0",
        "kerfbus find --port COM5 --baud 9600 --baud 19200 --servers 1-32",
        "kerfbus find --json",
    ),
)
@port_option
@click.option("--baud", type=int, multiple=True, metavar="N", help="Only this rate; repeatable.")
@click.option("--format", multiple=True, metavar="FORMAT", help="Only this format; repeatable.")
@click.option("--servers", metavar="LIST", help="Only these addresses, e.g. 1-32,100.")
@click.option(
    "--listen",
    type=DURATION,
    default="2s",
    show_default=True,
    metavar="T",
    help="Listen for other people's traffic so long before asking, and at each look at it.",
)
@click.option("--quiet", is_flag=True, help="Send nothing at all; only listen.")
@click.option("--seed", type=click.IntRange(0), metavar="N", help="Of a simulated line's chance.")
@json_option
def command(as_json: bool, **options: object) -> int:
    """Find rate, format and server addresses on an unknown line.

    Where others talk it only listens: bit timing and error patterns tell the settings. On a quiet
    line it asks each address for one register (function 03) with the usual settings, likely ones
    first; any answer will do, a refusal too. It never writes. Exit code 1: nothing was found, or
    two servers share an address.
    """
    from kerfbus.tui.running import run

    return run(_find(Request(**options), Output(as_json=as_json)))  # type: ignore[arg-type]


async def _find(request: Request, output: Output) -> int:
    from kerfbus.bench.find import Finder
    from kerfbus.bench.ports import PortOptions, open_port
    from kerfbus.tui.liveline import LiveLine

    plan = _plan(request)
    begin = plan.settings[0]
    options = PortOptions(speed="fast", seed=request.seed or 0)
    async with await open_port(request.port, begin, options) as port:
        output.text(f"Looking on {request.port}; nothing is written", HEADING)

        with LiveLine(sys.stderr) as live:

            def tell(line: str) -> None:
                if not line.endswith("..."):
                    output.text(line)
                    output.flush()
                elif live.live:
                    live.show(line)

            finder = Finder(port, plan, round(request.listen * NS), tell)
            try:
                findings = await finder.run(ask=not request.quiet)
            finally:
                _answer(output, finder.findings)
    good = bool(findings.found) and not findings.shared and not findings.damaged
    return DONE if good else BAD_ANSWER


def _plan(request: Request) -> SearchPlan:
    from kerfbus.bench.searchplan import BAUDS, FORMATS, SearchPlan

    return SearchPlan(
        request.baud or BAUDS,
        request.format or FORMATS,
        () if request.servers is None else addresses(request.servers),
    )


def addresses(text: str) -> tuple[int, ...]:
    """Return the addresses of a list such as ``1-32,100``.

    Raises:
        click.UsageError: it is none.
    """
    found: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        try:
            low = int(first)
            high = int(last) if dash else low
        except ValueError as error:
            raise click.UsageError(
                f"--servers {text!r}: {part.strip()!r} is no address; give e.g. 1-32,100"
            ) from error
        if not 1 <= low <= high <= 247:
            raise click.UsageError(
                f"--servers {text!r}: {part.strip()}: addresses are 1 to 247, the lower one first"
            )
        found += range(low, high + 1)
    return tuple(dict.fromkeys(found))


def _answer(output: Output, findings: Findings) -> None:
    """Give out what was found."""
    output.answer(findings.to_json())
    output.text()
    if findings.found:
        rows = [("rate", "format", "servers", "sure")]
        for each in findings.found:
            servers = ", ".join(map(str, each.servers))
            rows.append(
                (
                    str(each.settings.baud),
                    each.settings.format,
                    servers,
                    f"{100 * each.confidence:.4g} %",
                )
            )
        for position, line in enumerate(columns(rows, right=(0,))):
            output.text(line, GOOD if position else HEADING)
    else:
        output.text("Nothing was found.", BAD)
    if findings.refused:
        output.text("The port does not take " + ", ".join(findings.refused) + ".")
    output.text(
        f"{findings.tried} settings tried, {findings.requests} requests, "
        f"{spoken(findings.seconds)} of the line's time."
    )
