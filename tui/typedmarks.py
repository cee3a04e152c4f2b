"""Marks that a person types while a command runs: ``on``, ``off``, or what was just done."""

from __future__ import annotations

import asyncio
import os
import sys
import threading
from collections.abc import Callable
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

ARC_WORDS = {"on": "on", "off": "off", "arc on": "on", "arc off": "off"}
LONGEST = 200
"""Characters of a note; more is cut."""


def mark_of(line: str) -> tuple[str, str] | None:
    """Return key and value of a typed line, None for an empty one.

    >>> mark_of("on"), mark_of("moved the cable"), mark_of("shield=lifted"), mark_of(" ")
    (('arc', 'on'), ('note', 'moved the cable'), ('shield', 'lifted'), None)
    """
    text = " ".join("".join(each if each.isprintable() else " " for each in line).split())
    if not text:
        return None
    if text.lower() in ARC_WORDS:
        return "arc", ARC_WORDS[text.lower()]
    key, equals, value = text[:LONGEST].partition("=")
    if equals and key.strip().isidentifier() and value.strip():
        return key.strip(), value.strip()
    return "note", text[:LONGEST].replace("=", ":")


@contextmanager
def typed_marks(take: Callable[[str, str], None], *, always: bool) -> Iterator[bool]:
    """Hand typed marks to `take` while the context lasts; gives whether anybody can type.

    Args:
        take: called in the event loop with key and value.
        always: also where standard input is no terminal.
    """
    stream = sys.stdin
    try:
        able = stream is not None and (always or stream.isatty())
        descriptor = stream.fileno() if able else -1
    except (ValueError, OSError):  # closed, or none
        able = False
    if not able:
        yield False
        return
    loop = asyncio.get_running_loop()

    def line(text: str) -> None:
        mark = mark_of(text)
        if mark is not None:
            take(*mark)

    # A thread, because neither regular files nor Windows' consoles can be waited for otherwise.
    # It is a daemon: a read that never ends must not keep the program from ending.
    stop = threading.Event()
    threading.Thread(target=_read, args=(descriptor, loop, line, stop), daemon=True).start()
    try:
        yield True
    finally:
        stop.set()


def _read(
    descriptor: int,
    loop: asyncio.AbstractEventLoop,
    line: Callable[[str], None],
    stop: threading.Event,
) -> None:
    """Read lines and pass them to the loop until the end or a stop."""
    rest = b""
    while not stop.is_set():
        try:
            data = os.read(descriptor, 4096)
        except OSError:
            return
        if not data:
            return
        *lines, rest = (rest + data).split(b"\n")
        for each in lines:
            if stop.is_set():
                return
            loop.call_soon_threadsafe(line, each.decode(errors="replace"))
