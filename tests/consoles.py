"""A console for tests: driven by a pilot, its screen read as text."""

from __future__ import annotations

import html
import re
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from textual.pilot import Pilot

from kerfbus.tui.console.app import Console
from kerfbus.tui.console.engine import Engine
from kerfbus.tui.console.looks import DARK
from kerfbus.tui.console.manner import Manner
from kerfbus.tui.console.verdict import Door
from kerfbus.tui.options import Link

MS = 1_000_000
VIRTUAL = Manner(virtual=True)
SMALL, LARGE = (80, 24), (140, 45)
WAIT_SECONDS = 60.0
CELL = 12.2
FIRST_ROW, ROW = 20.0, 24.4
"""Width of a character, and where rows stand, in the pictures that Textual makes."""
_TEXT = re.compile(r'<text class="([^"]*)" x="([\d.]+)" y="([\d.]+)"[^>]*>(.*?)</text>')


@asynccontextmanager
async def virtual_console(
    port: str = "sim:",
    size: tuple[int, int] = SMALL,
    theme: str = DARK,
    manner: Manner = VIRTUAL,
) -> AsyncIterator[tuple[Console, Pilot[None]]]:
    """Run a console whose simulated line stands still until `polled` moves it."""
    console = Console(Link(port, retries=0), manner, theme=theme)
    async with running(console, size) as pilot:
        yield console, pilot


@asynccontextmanager
async def real_console(
    port: str, size: tuple[int, int] = SMALL, **manner: object
) -> AsyncIterator[tuple[Console, Pilot[None]]]:
    """Run a console on a port in real time, with twenty polls a second."""
    wishes = Manner(every_ns=50 * MS, **manner)  # type: ignore[arg-type]
    console = Console(Link(port, timeout_seconds=0.3, retries=0), wishes)
    async with running(console, size) as pilot:
        yield console, pilot


@asynccontextmanager
async def running(console: Console, size: tuple[int, int]) -> AsyncIterator[Pilot[None]]:
    """Run a console until the context ends, and wait until its port is open or refused."""
    async with console.run_test(size=size) as pilot:
        try:
            await until(pilot, lambda: opened(console))
            yield pilot
        finally:
            if console.bridge is not None:
                await console.bridge.close()


def opened(console: Console) -> bool:
    """Return whether the port is open, or could not be opened."""
    return console.live is not None and console.live.link.door not in (Door.SHUT, Door.OPENING)


async def until(pilot: Pilot[None], holds: Callable[[], bool]) -> None:
    """Let the application run until something holds; fail after a generous time."""
    end = time.monotonic() + WAIT_SECONDS
    while time.monotonic() < end:
        if holds():
            return
        await pilot.pause(0.05)
    raise AssertionError("it never came true:\n" + screen_text(pilot))


async def until_shown(pilot: Pilot[None], text: str) -> None:
    """Let the application run until a text stands on the screen."""
    await until(pilot, lambda: text in screen_text(pilot))


async def typed(pilot: Pilot[None], text: str) -> None:
    """Type a text into the field that has the focus, in place of what stands there, and Enter."""
    await pilot.press("ctrl+u", *[KEYS.get(each, each) for each in text], "enter")
    await pilot.pause()


KEYS = {
    " ": "space",
    "/": "slash",
    ".": "full_stop",
    "-": "minus",
    "_": "underscore",
    ":": "colon",
    "=": "equals_sign",
    "?": "question_mark",
}


async def polled(engine: Engine, count: int, every_ns: int = 100 * MS) -> None:
    """Send so many requests, so far apart, in virtual time."""
    base = engine._base  # time is moved here on purpose
    assert base is not None
    for _ in range(count):
        began = engine.now
        await engine.turn()
        await base.clock.sleep_until(began + every_ns)


async def drawn(pilot: Pilot[None]) -> str:
    """Return the screen after everything on it was drawn anew."""
    await pilot.pause()
    pilot.app.look()  # type: ignore[attr-defined]
    await pilot.pause()
    return screen_text(pilot)


def screen_text(pilot: Pilot[None]) -> str:
    """Return what stands on the screen."""
    rows: dict[int, dict[float, str]] = {}
    for _, x, y, text in _TEXT.findall(pilot.app.export_screenshot()):
        row = rows.setdefault(round((float(y) - FIRST_ROW) / ROW), {})
        row[float(x)] = html.unescape(text).replace("\xa0", " ")
    lines = []
    for number in range(pilot.app.size.height):
        line = ""
        for x, text in sorted(rows.get(number, {}).items()):
            line = line.ljust(round(x / CELL)) + text
        lines.append(line.rstrip())
    return "\n".join(lines)
