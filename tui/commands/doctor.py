"""`kerfbus doctor`: what this machine can and cannot do."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import examples, json_option
from kerfbus.tui.output import BAD, FAINT, GOOD, HEADING, Output

if TYPE_CHECKING:
    from kerfbus.bench.clock import Clock
    from kerfbus.bench.doctor import Check

WAITS = 20
WAIT_NS = 1_000_000


@click.command(
    "doctor",
    epilog=examples(
        "kerfbus doctor",
        "kerfbus doctor --port /dev/ttyUSB0",
        "kerfbus doctor --json",
    ),
)
@click.option(
    "--port",
    metavar="PORT",
    help="Look closer at this port: it is opened for reading, which raises RTS and DTR.",
)
@json_option
def command(port: str | None, as_json: bool) -> int:
    """Say what this machine can and cannot do, and what to do.

    Looks at ports, permissions, latency timers, ptys, time, room for captures, the terminal,
    libraries and optional parts. Nothing is sent and nothing changed; without --port no port is
    opened.

    Exit code 0: nothing is in the way; 1: something has to be done.
    """
    from kerfbus.bench.doctor import all_well

    checks = list(_every(port))
    well = all_well(checks)
    output = Output(as_json=as_json)
    output.answer({"ok": well, "checks": [each.to_json() for each in checks]})
    if not as_json:
        _show(output, checks)
    return DONE if well else BAD_ANSWER


def _every(port: str | None) -> Iterator[Check]:
    """Yield all findings."""
    from kerfbus.bench.clock import SystemClock
    from kerfbus.bench.doctor import check_clock, check_disk, check_ptys, check_waits
    from kerfbus.bench.doctorports import check_ports
    from kerfbus.bench.doctorsoftware import check_extras, check_software
    from kerfbus.bench.ports import list_ports
    from kerfbus.tui.terminalcheck import check_terminal

    entries = list_ports()
    yield from check_ports(entries)
    yield check_ptys()
    if port is not None:
        yield from _closer(port)
    clock = SystemClock()
    yield check_clock(clock)
    yield check_waits(asyncio.run(_waits(clock)))
    yield check_disk()
    yield from check_terminal(sys.stdout, os.environ)
    yield from check_software()
    yield from check_extras()


def _closer(port: str) -> Iterator[Check]:
    """Yield what is found of one port that was named."""
    from kerfbus.bench.doctor import Check
    from kerfbus.bench.doctorports import look_inside
    from kerfbus.bench.ports import list_ports, scheme_of

    if scheme := scheme_of(port):
        words = "simulated; needs nothing of this machine" if scheme == "sim" else "not local"
        yield Check(
            "ports", port, words, do="" if scheme == "sim" else f"kerfbus find --port {port}"
        )
    else:
        yield from look_inside(port, list_ports())


async def _waits(clock: Clock) -> list[int]:
    """Return how much later than asked each of some short waits ended, in ns."""
    late = []
    for _ in range(WAITS):
        due = clock.now() + WAIT_NS
        await clock.sleep_until(due)
        late.append(clock.now() - due)
    return late


def _show(output: Output, checks: list[Check]) -> None:
    """Write the findings for a person, topic by topic."""
    styles = {"good": GOOD, "note": "", "bad": BAD}
    topic = ""
    for each in checks:
        if each.topic != topic:
            if topic:
                output.text()
            topic = each.topic
            output.text(topic.capitalize(), HEADING)
        mark = output.paint(f"{each.level:4}", styles[each.level])
        output.text(f"  {mark}  {each.what}: {each.state}")
        if each.do:
            output.text(f"        -> {each.do}", FAINT)
    counts = [sum(each.level == level for each in checks) for level in ("good", "note", "bad")]
    output.text()
    output.text(f"{counts[0]} good, {counts[1]} to note, {counts[2]} to be done.")
