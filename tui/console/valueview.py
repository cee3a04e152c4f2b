"""The values as lines: name, number and unit, trend, limits, age.

Pure: the board, an instant and the chosen value in, lines out.
"""

from __future__ import annotations

from kerfbus.bench.regmap import Register
from kerfbus.bench.valuetext import shown, with_unit
from kerfbus.tui.console.board import Board, Held
from kerfbus.tui.console.choice import Choice
from kerfbus.tui.console.lines import Line, Role, Span, cut, line, resampled, spark

NS = 1_000_000_000
OLD_NS = 5 * NS
"""A value older than this is said to be old (chosen)."""
NAME, VALUE, TREND, LIMITS, AGE = 26, 13, 8, 14, 6


def shown_registers(board: Board) -> list[Register]:
    """Return the values on view, in order."""
    return [each for section in board.shown for each in section.registers]


def chosen_register(board: Board, choice: Choice) -> Register | None:
    """Return the value that is chosen, None where nothing is shown."""
    registers = shown_registers(board)
    if not registers:
        return None
    choice.index = max(0, min(choice.index, len(registers) - 1))
    return registers[choice.index]


def value_lines(board: Board, now: int, size: tuple[int, int], choice: Choice) -> list[Line]:
    """Return the values that fit, the chosen one among them, and what it is.

    Args:
        board: the values.
        now: to which ages are counted.
        size: columns and rows.
        choice: is moved so that the chosen value is on view.
    """
    room, rows = size
    chosen = chosen_register(board, choice)
    lines: list[Line] = []
    at = 0
    for section in board.shown:
        lines.append(line(Span(f" {section.title}", Role.TITLE)))
        for register in section.registers:
            if register is chosen:
                at = len(lines)
            lines.append(_row(board[register.name], now, room, register is chosen))
    if chosen is None:
        return [line(Span(" Nothing is asked for; g chooses groups.", Role.FAINT))]
    body = max(rows - 2, 1)
    if at < choice.first + 1:
        choice.first = max(at - 1, 0)
    elif at >= choice.first + body:
        choice.first = at - body + 1
    choice.first = max(0, min(choice.first, len(lines) - body))
    view = lines[choice.first : choice.first + body]
    view += [line("")] * (body - len(view))
    return [*view, *_about(board, chosen, room, len(lines) - body - choice.first)]


def _about(board: Board, chosen: Register, room: int, below: int) -> list[Line]:
    """Return what the chosen value is, and what can be done with it."""
    more = f"  ↓ {below} more lines" if below > 0 else ""
    can = ", Enter sets it" if chosen.writable else ""
    first = f" {chosen.name}: {chosen.table} {chosen.address}{can}{more}"
    problem = board[chosen.name].problem
    second = Span(f" not read: {problem}", Role.BAD) if problem else Span(f" {chosen.description}")
    faint = second if problem else Span(second.text, Role.FAINT)
    return [cut(line(Span(first, Role.FAINT)), room), cut(line(faint), room)]


def _row(held: Held, now: int, room: int, chosen: bool) -> Line:
    register = held.register
    name = ("▸ " if chosen else "  ") + register.name
    wide = room >= 2 + NAME + VALUE + TREND + LIMITS + AGE + 5
    value, role = _value(held)
    spans = [Span(cut_text(name, NAME + 2), Role.CHOSEN if chosen else Role.PLAIN), Span(" ")]
    text_like = not register.type.numeric
    if text_like:  # names of modes and faults take the place of trend and limits, too
        width = VALUE + TREND + 1 + (LIMITS + 1 if wide else 0)
        spans.append(Span(cut_text(value, width).ljust(width), role))
    else:
        spans.append(Span(value.rjust(VALUE), role))
        trend = spark(resampled(list(held.trend), TREND)) if len(held.trend) > 1 else ""
        spans.append(Span(" " + trend.rjust(TREND), Role.FAINT))
        if wide:
            spans.append(Span(" " + cut_text(limits_text(register), LIMITS), Role.FAINT))
    age, age_role = _age(held, now)
    spans.append(Span(" " + age.rjust(AGE), age_role))
    return cut(tuple(spans), room)


def _value(held: Held) -> tuple[str, Role]:
    """Return a value with its unit, and what to think of it."""
    if held.problem:
        return "not read", Role.BAD
    if held.at is None:
        return "...", Role.FAINT
    text = with_unit(held.register, held.value)
    if held.outside:
        return f"! {text}", Role.WARN
    return text, Role.FAINT if held.value is None else Role.PLAIN


def _age(held: Held, now: int) -> tuple[str, Role]:
    """Return how old a value is; a young one says so without a number that always changes."""
    if held.at is None:
        return "", Role.FAINT
    age = max(now - held.at, 0)
    if age < 2 * NS:
        return "now", Role.FAINT
    text = f"{age // NS} s" if age < 100 * NS else f"{age // (60 * NS)} min"
    return text, Role.WARN if age > OLD_NS else Role.FAINT


def limits_text(register: Register) -> str:
    """Return the limits of a register without the unit, "" where the map gives none.

    Those of a value that can be set are what may be set, those of a reading what it can show.
    """
    low, high = register.min, register.max
    if low is None and high is None:
        return ""
    low_text = "any" if low is None else shown(register, low)
    high_text = "any" if high is None else shown(register, high)
    return f"{_short(low_text)} to {_short(high_text)}"


def _short(number: str) -> str:
    """Return a number without zeros behind the point."""
    return number.rstrip("0").rstrip(".") if "." in number else number


def cut_text(text: str, room: int) -> str:
    """Return a text in exactly so many characters."""
    return text.ljust(room) if len(text) <= room else text[: room - 1] + "…"
