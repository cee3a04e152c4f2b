"""An acceptance run as a person follows it: how far it is, what was found, what that says."""

from __future__ import annotations

import asyncio
import signal
import sys
import textwrap
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from kerfbus.bench.acceptance.result import Grade, Result, counted
from kerfbus.tui.liveline import LiveLine
from kerfbus.tui.output import BAD, GOOD, HEADING, Output
from kerfbus.tui.soaking import SLOW_TICKS, TICK_SECONDS, progress

if TYPE_CHECKING:
    from kerfbus.bench.acceptance.runner import Run
    from kerfbus.bench.acceptance.timeline import WatchedLine
    from kerfbus.bench.soak import Soak

WIDTH = 79
INDENT = " " * 9
STYLES = {Grade.PASSED: GOOD, Grade.FAILED: BAD, Grade.SKIPPED: ""}
STOPS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


def time_of_day() -> str:
    """Return the time now, to the second, with its distance from UTC."""
    return datetime.now(UTC).astimezone().isoformat(sep=" ", timespec="seconds")


@contextmanager
def stoppable(say: Output) -> Iterator[None]:
    """Let every request to stop cancel this task, as often as it comes, and nothing more.

    A second Ctrl-C would otherwise tear the loop down while something is put back.
    """
    task, loop = asyncio.current_task(), asyncio.get_running_loop()
    assert task is not None

    def stop() -> None:
        say.remark("stopping; what was written is put back first", always=True)
        task.cancel()

    taken = []
    for each in STOPS:
        with suppress(NotImplementedError, ValueError, RuntimeError):  # Windows; not the main task
            loop.add_signal_handler(each, stop)
            taken.append(each)
    try:
        yield
    finally:
        for each in taken:
            loop.remove_signal_handler(each)


@asynccontextmanager
async def following(soak: Soak, line: WatchedLine) -> AsyncIterator[None]:
    """Show how far a soak is while the context lasts."""
    with LiveLine(sys.stderr) as live:
        task = asyncio.create_task(_show(soak, line, live))
        try:
            yield
        finally:
            task.cancel()
            await asyncio.wait({task})


async def _show(soak: Soak, line: WatchedLine, live: LiveLine) -> None:
    ticks = 0
    while True:
        await asyncio.sleep(TICK_SECONDS)
        ticks += 1
        if live.live or ticks % SLOW_TICKS == 0:
            live.show(progress(soak, line))


def tell_result(output: Output, result: Result) -> None:
    """Give out one result as it comes."""
    if output.as_json:
        return
    finding = result.finding
    line = ": ".join(filter(None, (result.title, result.measured)))
    first, *rest = _wrapped(line)
    output.text(f"{finding.grade:<8} {first}", STYLES[finding.grade])
    output.texts(INDENT + each for each in rest)
    if finding.grade is not Grade.PASSED:
        limit = str(finding.limit)
        said = "; ".join(filter(None, (limit and f"limit: {limit}", finding.detail)))
        output.texts(INDENT + each for each in _wrapped(said))


def tell_end(output: Output, run: Run) -> None:
    """Give out what a run says, for a person."""
    results = run.results
    open_points = [each.check for each in results if each.open]
    output.text()
    style = GOOD if run.verdict == "pass" else BAD
    output.text(f"Verdict: {run.verdict} ({counted(results)})", style)
    if open_points:
        said = f"Open points: {', '.join(open_points)}"
        output.texts(textwrap.wrap(said, WIDTH, subsequent_indent="  ", break_on_hyphens=False))


def tell_start(output: Output, run: Run, link: str) -> None:
    """Say what is about to be done."""
    left, total = len(run.to_do), len(run.plan.steps)
    done = f", {total - left} done already" if left < total else ""
    output.text(f"{run.plan.form.header.title}: {total} steps{done}", HEADING)
    output.text(link)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH - len(INDENT), break_on_hyphens=False)
