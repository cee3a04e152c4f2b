"""Makes docs/console.svg: the console on a simulated line with arc noise, in virtual time.

Run by `make picture`; the same picture comes out each time.
"""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from kerfbus.tui.console.app import Console
from kerfbus.tui.console.engine import Engine
from kerfbus.tui.console.manner import Manner
from kerfbus.tui.console.verdict import Door
from kerfbus.tui.options import Link

PORT = "sim:healthy?cause=arc-noise&severity=0.3"
EVERY_NS = 100_000_000
SIZE = (140, 42)
FILE = Path(__file__).with_name("console.svg")


async def polled(engine: Engine, count: int) -> None:
    """Send so many requests, ten a second in virtual time."""
    base = engine._base
    assert base is not None
    for _ in range(count):
        began = engine.now
        await engine.turn()
        await base.clock.sleep_until(began + EVERY_NS)


async def picture() -> str:
    """Return the picture."""
    console = Console(Link(PORT, retries=0), Manner(virtual=True))
    async with console.run_test(size=SIZE) as pilot:
        while console.live is None or console.live.link.door is not Door.OPEN:
            await pilot.pause(0.05)
        hand = console.engine.hand
        assert hand is not None
        await polled(console.engine, 250)
        hand.strike()
        await polled(console.engine, 120)
        console.engine.mark("note", "moved the cable")
        await polled(console.engine, 60)
        hand.stop()
        await polled(console.engine, 100)
        hand.strike()
        await polled(console.engine, 150)
        await pilot.press("2")
        await pilot.pause()
        console.look()
        await pilot.pause()
        svg = console.export_screenshot(title="kerfbus console")
        assert console.bridge is not None
        await console.bridge.close()
    # The font is a reader's own: nothing is fetched from anywhere.
    svg = re.sub(r"@font-face \{.*?\}\s*", "", svg, flags=re.DOTALL)
    return re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)


if __name__ == "__main__":
    FILE.write_text(asyncio.run(picture()))
    print(f"Drawn to {FILE}")
