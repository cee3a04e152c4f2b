"""`kerfbus soak`: many transactions; error rates with confidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from kerfbus.tui.durations import DURATION
from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import Link, examples, json_option, once_link_options
from kerfbus.tui.output import Output

if TYPE_CHECKING:
    from kerfbus.bench.arcsign import ArcSign
    from kerfbus.bench.regmap import ReadSpan, RegisterMap
    from kerfbus.bench.soak import SoakPlan
    from kerfbus.tui.linking import Plan

DEFAULT_COUNT = 1000
ARC_OF_THE_SUPPLY = "status=arc-transferred"


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        targets: values to read, () for the map's first group.
        count: transactions.
        duration: seconds.
        claim: as typed.
        every: seconds from a reply to the next request.
        arc: the register that shows the arc, as typed.
        marks: take marks from standard input even where it is no terminal.
        seed: of a simulated line.
        capture: file to record to.
    """

    targets: tuple[str, ...]
    count: int | None
    duration: float | None
    claim: str | None
    every: float | None
    arc: str | None
    marks: bool
    seed: int | None
    capture: str | None


@click.command(
    "soak",
    epilog=examples(
        "kerfbus soak --port /dev/ttyUSB0 --map my-unit.toml --claim 0.1%@95%",
        "kerfbus soak --port COM5 --duration 24h --capture night.pcapng",
        "kerfbus soak --count 5000 --json",
    ),
)
@click.argument("targets", nargs=-1, metavar="[NAME | TABLE:ADDRESS+COUNT]...")
@once_link_options
@click.option(
    "--count",
    type=click.IntRange(1),
    metavar="N",
    help=f"End after N transactions; {DEFAULT_COUNT} where nothing ends it.",
)
@click.option("--duration", type=DURATION, metavar="T", help="End after this time: 90s, 15m, 24h.")
@click.option(
    "--claim",
    metavar="RATE@CONFIDENCE",
    help="End when it is shown, or refused, that fewer go wrong: 1e-4@0.95, 0.1%@99%.",
)
@click.option("--every", type=DURATION, metavar="T", help="Wait between transactions.")
@click.option(
    "--arc",
    metavar="NAME[=VALUE]",
    help="The register that shows whether the arc is on; it is read in turn with the others.",
)
@click.option(
    "--marks", is_flag=True, help="Take typed marks also where standard input is no terminal."
)
@click.option("--seed", type=click.IntRange(0), metavar="N", help="Of a simulated line's chance.")
@click.option("--capture", metavar="FILE", help="Record all that passes; a new file.")
@json_option
def command(link: Link, as_json: bool, **options: object) -> int:
    """Ask many times; say how good the link is, and how sure that is.

    It only reads.

    While it runs, on a terminal, type "on" or "off" and Enter when the arc strikes or ends, or a
    note such as "moved the cable": each condition gets an account of its own, and the last two are
    compared. Nothing is tried again, since a retry would hide an error. Exit code 1: the claim was
    not shown, or without a claim something went wrong.
    """
    from kerfbus.tui.linking import plan_for
    from kerfbus.tui.running import run

    request = Request(**options)  # type: ignore[arg-type]
    return run(_soak(plan_for(link), request, Output(as_json=as_json)))


async def _soak(plan: Plan, request: Request, output: Output) -> int:
    """Open everything, ask until the end, and sum up however it ends."""
    import asyncio

    from kerfbus.bench.account import AccountingTransport
    from kerfbus.bench.soak import Soak
    from kerfbus.tui.linking import seeded_port
    from kerfbus.tui.recording import recording
    from kerfbus.tui.soaking import Marker, followed, summing_up

    soak_plan = _planned(plan, request)
    seed = None if plan.real else request.seed or 0
    async with (
        await seeded_port(plan, request.seed, output) as port,
        recording(port, request.capture, "client", output, seed) as transport,
    ):
        account = AccountingTransport(transport)
        marker = Marker(account.quality, transport)
        soak = Soak(account, soak_plan, plan.policy, marker.record)
        with summing_up(output, soak, plan.link.port):
            try:
                async with followed(soak, account, marker, marks=request.marks):
                    await soak.run()
            except asyncio.CancelledError:
                output.remark("stopped", always=True)
    return DONE if soak.verdict.good else BAD_ANSWER


def _planned(plan: Plan, request: Request) -> SoakPlan:
    """Return what is asked and when it ends."""
    from kerfbus.bench.confidence import Claim
    from kerfbus.bench.soak import NS, SoakPlan

    endless = request.count is None and request.duration is None and request.claim is None
    return SoakPlan(
        plan.server,
        _spans(plan.map, request.targets),
        DEFAULT_COUNT if endless else request.count,
        None if request.duration is None else round(request.duration * NS),
        None if request.claim is None else Claim.parse(request.claim),
        round((request.every or 0) * NS),
        _arc_sign(plan, request.arc),
    )


def _spans(found: RegisterMap, targets: tuple[str, ...]) -> tuple[ReadSpan, ...]:
    """Return what is to be read; by default the registers of the map's first group."""
    from kerfbus.bench.access import readings_wanted
    from kerfbus.bench.regmap import parse_target

    if targets:
        wanted = readings_wanted(found, [parse_target(text) for text in targets])
        named = [each.name for each in wanted if each.name is not None]
        raw = [each.span for each in wanted if each.register is None]
        return (*found.plan_reads(named), *raw)
    groups = [each.group for each in found.registers if each.readable]
    if not groups:
        raise click.UsageError(f"map {found.name} has nothing that can be read")
    first = [each.name for each in found.registers if each.readable and each.group == groups[0]]
    return tuple(found.plan_reads(first))


def _arc_sign(plan: Plan, typed: str | None) -> ArcSign | None:
    """Return the register that shows the arc; the simulated supply's own where nothing is said."""
    from kerfbus.bench.arcsign import parse_arc_sign

    if typed is None:
        if plan.real or plan.link.map is not None:
            return None
        typed = ARC_OF_THE_SUPPLY
    return parse_arc_sign(typed, plan.map)
