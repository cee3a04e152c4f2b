"""What the terminal can show: size, colours, characters."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from typing import TextIO

from kerfbus.bench.doctor import Check, Level
from kerfbus.tui.output import may_colour

TOPIC = "terminal"
COLUMNS, LINES = 80, 24
"""What every text and screen is made to fit into."""


def check_terminal(stream: TextIO, environment: Mapping[str, str]) -> Iterator[Check]:
    """Yield what is found of the terminal behind a stream."""
    if not stream.isatty():
        yield Check(
            TOPIC,
            "output",
            "not a terminal",
            Level.NOTE,
            "fine for files and pipes; kerfbus console needs a terminal",
        )
    else:
        yield Check(TOPIC, "output", f"a terminal, {environment.get('TERM') or 'no TERM'}")
        yield _size()
    yield _colours(stream, environment)
    yield _characters(stream)


def _size() -> Check:
    """Say whether what is drawn for 80 by 24 fits; COLUMNS and LINES come before the terminal."""
    found = shutil.get_terminal_size((COLUMNS, LINES))
    state = f"{found.columns} x {found.lines}"
    if found.columns < COLUMNS or found.lines < LINES:
        return Check(
            TOPIC, "size", state, Level.NOTE, f"make it {COLUMNS} x {LINES} or larger; lines wrap"
        )
    return Check(TOPIC, "size", state)


def _colours(stream: TextIO, environment: Mapping[str, str]) -> Check:
    """Say whether colours are used, and why not."""
    if environment.get("NO_COLOR"):
        return Check(TOPIC, "colours", "off: NO_COLOR is set; nothing is said by colour alone")
    if not may_colour(stream):
        why = "not a terminal" if not stream.isatty() else "TERM is dumb or not set"
        return Check(TOPIC, "colours", f"off: {why}; nothing is said by colour alone")
    deep = environment.get("COLORTERM", "") in ("truecolor", "24bit")
    return Check(TOPIC, "colours", "on, 16 million" if deep else "on")


def _characters(stream: TextIO) -> Check:
    """Say whether units such as °C and the console's lines can be shown."""
    encoding = getattr(stream, "encoding", None) or "ascii"
    try:
        "°Ωµ─│▁█".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        step = "set PYTHONUTF8=1" if os.name == "nt" else "export LC_ALL=C.UTF-8"
        return Check(
            TOPIC,
            "characters",
            f"{encoding}: units and lines become ?",
            Level.NOTE,
            step,
        )
    return Check(TOPIC, "characters", f"{encoding}, units and lines can be shown")
