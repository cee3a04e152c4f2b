"""The line as lines: when, who, what it means, and the characters of what is damaged.

Pure: the log and a size in, lines out.
"""

from __future__ import annotations

from kerfbus.tui.console.linelog import KEPT_IN_PAUSE, LineLog
from kerfbus.tui.console.lines import Line, Role, Span, cut, line
from kerfbus.tui.console.model import Model
from kerfbus.tui.console.wording import Entry, characters, damage, direction, said

NS_PER_MS = 1_000_000
TIME, WHO = 10, 6
MADE = 300
"""Entries whose lines are kept made."""
INDENT = TIME + WHO + 4


def line_lines(model: Model, size: tuple[int, int], begin: int, *, raw: bool) -> list[Line]:
    """Return what fits of the log, the newest at the bottom, and a line on what is on view.

    Args:
        model: with the log.
        size: columns and rows.
        begin: the instant that times are counted from.
        raw: whether the characters of good frames are shown, too.
    """
    room, rows = size
    body = max(rows - 1, 1)
    log = model.log
    window = log.window(body)
    lines: list[Line] = []
    for entry in reversed(window.entries):
        block = _known(entry, model, room, begin, raw=raw)
        if len(lines) + len(block) > body:
            break
        lines = block + lines
    lines = [line("")] * (body - len(lines)) + lines if log.paused else lines
    lines += [line("")] * (body - len(lines))
    if not len(log):
        lines[0] = line(Span(" Nothing was said on the line yet.", Role.FAINT))
    return [*lines, cut(_state(log, window.behind), room)]


def _known(entry: Entry, model: Model, room: int, begin: int, *, raw: bool) -> list[Line]:
    """Return an entry's lines as they were made before, or make them; most are shown often."""
    made, key = model.log.made, (room, begin, raw)
    if made.get(-1) != key:
        made.clear()
        made[-1] = key
    lines: list[Line] | None = made.get(entry.number)
    if lines is None:
        if len(made) > MADE:
            made.clear()
            made[-1] = key
        lines = made[entry.number] = entry_lines(entry, model, room, begin, raw=raw)
    return lines


def entry_lines(entry: Entry, model: Model, room: int, begin: int, *, raw: bool) -> list[Line]:
    """Return an entry: one line, and its characters where they matter."""
    time = (entry.row.at - begin) / NS_PER_MS / 1000
    bad, event = entry.damaged, entry.row.message is None
    role = Role.BAD if bad else Role.KEY if event else Role.PLAIN
    text = said(entry, model.map)
    sign = "✖ " if bad else "▼ " if event else "  "
    head = line(
        Span(f"{time:>{TIME}.3f} ", Role.FAINT),
        Span(f"{direction(entry):<{WHO}}", Role.FAINT if event else Role.PLAIN),
        Span(sign, role),
        Span(text, role),
    )
    lines = [cut(head, room)]
    if bad or (raw and not event):
        lines += _characters(entry, room)
    return lines


def _characters(entry: Entry, room: int) -> list[Line]:
    """Return the characters, as many lines as they need, and how the damage is known."""
    spans = characters(entry)
    per = max((room - INDENT) // 4, 4)
    lines = [
        line(Span(" " * INDENT), *spans[first : first + per]) for first in range(0, len(spans), per)
    ]
    known = damage(entry)
    if known.positions and entry.damaged:
        lines.append(cut(line(Span(f"{' ' * INDENT}[..] damaged: {known.why}", Role.FAINT)), room))
    return lines


def _state(log: LineLog, behind: int) -> Line:
    """Return how the view stands to what goes on."""
    spans: list[Span] = [Span(" ")]
    if log.paused:
        spans.append(Span("PAUSED", Role.WARN))
        spans.append(Span(f", {behind:,} newer below; p goes on"))
        if log.skipped:
            spans.append(Span(f"; {log.skipped:,} beyond {KEPT_IN_PAUSE:,} are not kept here"))
    else:
        spans.append(Span(f"following, {len(log):,} kept", Role.FAINT))
    if not log.filter.everything:
        what = f"  only {log.filter.kind}" if log.filter.kind != "all" else ""
        text = f'  with "{log.filter.text}"' if log.filter.text else ""
        left = f" ({log.unsearched:,} still to be searched)" if log.unsearched else ""
        spans.append(Span(f"{what}{text}{left}; Esc shows all", Role.WARN))
    return tuple(spans)
