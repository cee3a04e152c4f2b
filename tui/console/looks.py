"""How the console looks: colours by role, where things stand.

All that is said in colour is also said in words or signs.
"""

from __future__ import annotations

from textual.theme import Theme

WIDE = 136
"""From so many columns on values stand beside line and health instead of behind them."""
DARK, LIGHT = "kerfbus-dark", "kerfbus-light"

_ROLES = {
    DARK: {
        "title": "#7cc4ff",
        "good": "#6fd08c",
        "warn": "#ffc857",
        "bad": "#ff8a80",
        "faint": "#9aa7b2",
        "key": "#cdb4ff",
        "chosen": "#ffffff",
        "hit": "#ffffff",
        "hit-back": "#8c1d18",
    },
    LIGHT: {
        "title": "#0b5394",
        "good": "#1b6e34",
        "warn": "#7a5000",
        "bad": "#b3261e",
        "faint": "#5a646d",
        "key": "#6a3fb5",
        "chosen": "#000000",
        "hit": "#ffffff",
        "hit-back": "#b3261e",
    },
}
"""Colours of the roles; a test holds each to a contrast of 4.5 (WCAG 2.1, 1.4.3)."""


def _theme(name: str, background: str, foreground: str, panel: str, surface: str) -> Theme:
    roles = _ROLES[name]
    return Theme(
        name=name,
        primary=roles["title"],
        accent=roles["key"],
        success=roles["good"],
        warning=roles["warn"],
        error=roles["bad"],
        background=background,
        foreground=foreground,
        panel=panel,
        surface=surface,
        dark=name == DARK,
        variables={f"role-{role}": colour for role, colour in roles.items()},
    )


THEMES = (
    _theme(DARK, "#12161b", "#e8e6e3", "#24303a", "#1a2027"),
    _theme(LIGHT, "#fbfaf7", "#1c1c1c", "#dedad0", "#f1eee7"),
)

STYLE = """
Screen { background: $background; color: $foreground; }
Lines { background: $background; color: $foreground; height: 1; }
.lines--title { color: $role-title; background: $background; text-style: bold; }
.lines--good { color: $role-good; background: $background; }
.lines--warn { color: $role-warn; background: $background; text-style: bold; }
.lines--bad { color: $role-bad; background: $background; text-style: bold; }
.lines--faint { color: $role-faint; background: $background; }
.lines--key { color: $role-key; background: $background; text-style: bold; }
.lines--chosen { color: $role-chosen; background: $panel; text-style: bold; }
.lines--hit { color: $role-hit; background: $role-hit-back; text-style: bold; }
#head { height: 3; }
#strip { height: 4; }
#body { height: 1fr; }
#values, #line, #health { height: 1fr; width: 1fr; }
.narrow .away { display: none; }
.wide #values { width: 76; border-right: vkey $panel; }
.wide #right { width: 1fr; }
.wide #health { height: 20; border-top: hkey $panel; }
#right { width: 1fr; }

Dialog { align: center middle; background: $background 60%; }
Dialog > #box {
    width: 80; max-width: 100%; height: auto; max-height: 100%;
    border: round $primary; background: $surface; padding: 0 1;
}
Dialog #box > Label { width: 100%; }
Dialog .title { text-style: bold; color: $primary; }
Dialog .faint { color: $role-faint; }
Dialog .wrong { color: $role-bad; text-style: bold; }
Dialog Input { height: 3; margin: 0; }
Dialog OptionList { height: auto; max-height: 12; }
Dialog .answer { height: auto; max-height: 75vh; }
Dialog .row { height: auto; }
Dialog .row > Vertical { height: auto; width: 1fr; }
Dialog Lines { background: $surface; }
"""
