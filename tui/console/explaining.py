"""`explain` on what has just been seen.

The command itself is run, in a process of its own: it is the same answer, and a long computation
cannot hold up the link that is being watched.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Sequence

from kerfbus.bench.errors import UsageError
from kerfbus.tui.console.lines import Line, Role, Span, line

_RUN = "from kerfbus.tui.program import main; raise SystemExit(main())"
CANNOT_RUN = 2
INDENT = " " * 6
TOLD = 40
"""Lines of the answer that are shown at most."""


def command_line(path: str, map_file: str | None) -> list[str]:
    """Return what a person would type for the same answer, without the program's name."""
    return ["explain", path, *(["--map", map_file] if map_file is not None else [])]


async def explained(path: str, map_file: str | None) -> list[Line]:
    """Return the explanation of a capture as lines.

    Args:
        path: the capture.
        map_file: the register map, None for the default one.

    Raises:
        UsageError: it cannot be explained; the message says why.
    """
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        _RUN,
        *command_line(path, map_file),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "NO_COLOR": "1", "PYTHONIOENCODING": "utf-8"},
    )
    try:
        out, err = await process.communicate()
    except asyncio.CancelledError:
        process.kill()
        await process.wait()
        raise
    if process.returncode not in (0, 1):
        said = err.decode(errors="replace").strip().splitlines()
        raise UsageError(said[-1] if said else "explain ended without an answer")
    return painted(out.decode(errors="replace").splitlines())


def painted(texts: Sequence[str]) -> list[Line]:
    """Return lines of the answer with their roles."""
    lines = []
    for text in texts[:TOLD]:
        role = Role.PLAIN
        if text.lstrip()[:4].rstrip().endswith("%") or text.startswith(("Fault", "Healthy")):
            role = Role.TITLE
        elif text.lstrip().startswith("Next:"):
            role = Role.KEY
        indented = text.startswith(INDENT)  # the answer is made for 80 columns; a box has fewer
        lines.append(line(Span(text[len(INDENT) :] if indented else text, role)))
    return lines
