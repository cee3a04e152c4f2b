"""What the console looks like: kept screens at two sizes, themes that can be read, no colour alone.

The kept screens are texts in `tests/tui/screens`; `KERFBUS_KEEP_SCREENS=1` writes them anew.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from consoles import LARGE, SMALL, drawn, polled, virtual_console
from textual.color import Color
from textual.pilot import Pilot

from kerfbus.tui.console.looks import DARK, LIGHT, THEMES

SCREENS = Path(__file__).with_name("screens")
THEME = {each.name: each for each in THEMES}


@pytest.mark.parametrize("size", [SMALL, LARGE], ids=["80x24", "140x45"])
async def test_a_cut_looks_as_it_did_in_both_themes(size: tuple[int, int]) -> None:
    async with virtual_console(size=size) as (app, pilot):
        hand = app.engine.hand
        assert hand is not None
        hand.strike()
        await polled(app.engine, 70)
        app.engine.mark("note", "moved the cable")
        await polled(app.engine, 50)
        hand.stop()
        await polled(app.engine, 30)
        texts = {}
        for theme in (DARK, LIGHT):
            app.theme = theme
            texts[theme] = "\n\n".join([await pane(pilot, each) for each in "123"]) + "\n"
            assert str(THEME[theme].background).lower() in app.export_screenshot().lower()
    file = SCREENS / f"cut-{size[0]}x{size[1]}.txt"
    if os.environ.get("KERFBUS_KEEP_SCREENS"):
        SCREENS.mkdir(exist_ok=True)
        file.write_text(texts[DARK])
    assert texts[DARK] == file.read_text()
    assert texts[LIGHT] == texts[DARK]


async def pane(pilot: Pilot[None], key: str) -> str:
    """Return the screen with a pane on view."""
    await pilot.press(key)
    return await drawn(pilot)


@pytest.mark.parametrize("theme", [DARK, LIGHT])
def test_every_role_can_be_read_on_its_background(theme: str) -> None:
    """WCAG 2.1, 1.4.3: a contrast of at least 4.5 to 1 for text."""
    found = THEME[theme]
    background = Color.parse(str(found.background))
    for role, colour in found.variables.items():
        behind = background
        if role == "role-hit-back":
            continue
        if role == "role-hit":
            behind = Color.parse(found.variables["role-hit-back"])
        elif role == "role-chosen":
            behind = Color.parse(str(found.panel))
        assert contrast(Color.parse(colour), behind) >= 4.5, role


def contrast(one: Color, other: Color) -> float:
    """Return the contrast ratio of two colours (WCAG 2.1, definition of contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def luminance(colour: Color) -> float:
    """Return the relative luminance (WCAG 2.1)."""
    parts = [each / 255 for each in (colour.r, colour.g, colour.b)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


async def test_without_colour_the_same_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with virtual_console("sim:healthy?cause=random-noise&severity=0.8") as (app, pilot):
        await polled(app.engine, 40)
        await pilot.press("2")
        text = await drawn(pilot)
        assert "✖ NO" in text
        assert "✖ DAMAGED" in text
        assert re.search(r"\[[0-9a-f]{2}\]", text)
        colours = set(re.findall(r"fill: #([0-9a-f]{6})", app.export_screenshot().lower()))
        grey = [each for each in colours if each[:2] == each[2:4] == each[4:]]
        assert len(grey) >= len(colours) - 4, colours
