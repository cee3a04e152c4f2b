"""The traffic of a line as a person reads it: one line a frame, 80 columns where that is possible.

    time s      who   what
      0.010313  to 1  read input registers 8-10
      0.021875  of 1  ...

A damaged frame is followed by its characters: they are the evidence.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from kerfbus.bench import wire
from kerfbus.bench.access import Reading, exception_text
from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.decode import ERROR_NAMES, Row, Summary
from kerfbus.bench.errors import WireError
from kerfbus.bench.framing import Frame
from kerfbus.bench.interpret import Interpreter
from kerfbus.bench.regmap import RegisterMap
from kerfbus.tui.output import BAD, FAINT, Output
from kerfbus.tui.values import place, with_unit

WIDTH = 80
NS_PER_US = 1000
HEADER = f"{'time s':>13}  {'who':7}  what"
_INDENT = " " * 24
_WHO = {Role.REQUEST: "to", Role.REPLY: "from", Role.UNKNOWN: "?", Role.STRAY: "stray"}


class TrafficLines:
    """Makes the lines.

    Args:
        output: where they go.
        show_all: whether a person sees the characters of good frames, too.
        register_map: names the values; None shows them raw.
    """

    def __init__(
        self, output: Output, *, show_all: bool = False, register_map: RegisterMap | None = None
    ) -> None:
        self._interpreter = None if register_map is None else Interpreter(register_map)
        self._output = output
        self._show_all = show_all
        self._begin: int | None = None

    def header(self) -> None:
        """Write the heading of the columns."""
        self._output.text(HEADER, FAINT)

    def give(self, row: Row, *, events: bool = False) -> None:
        """Give out a row: to a person a line or more, to a program an object.

        Args:
            row: a frame, stray characters or a line event.
            events: whether a program gets line events, too.
        """
        readings = None if self._interpreter is None else self._interpreter.take(row)
        if not self._output.as_json:
            self._show(row, readings or [])
        elif row.message is not None or events:
            record = row.to_json()
            if readings is not None:
                record["values"] = [_named(each) for each in readings]
            self._output.answer(record)

    def _show(self, row: Row, readings: Sequence[Reading]) -> None:
        if self._begin is None:
            self._begin = row.at
        time = f"{seconds(row.at - self._begin):>13}"
        if row.message is None:
            self._output.text(f"{time}  {'line':7}  {event_text(row)}", FAINT)
            return
        good = row.ok or row.message.role is Role.STRAY
        said = named_values(readings) if readings else _wrapped(what(row))
        style = "" if good and row.message.role is not Role.STRAY else BAD
        self._output.text(f"{time}  {who(row.message):7}  {said[0]}", style)
        self._output.texts(f"{_INDENT}{line}" for line in said[1:])
        if self._show_all or not row.ok:
            for line in characters(row.message):
                self._output.text(line, FAINT)


def _named(reading: Reading) -> dict[str, Any]:
    """Return a value by name as JSON has it."""
    return {
        "name": reading.name,
        "value": reading.value,
        "unit": reading.unit,
        "raw": reading.raw,
    }


def seconds(ns: int) -> str:
    """Return nanoseconds as seconds with microseconds, rounded down."""
    sign, ns = ("-", -ns) if ns < 0 else ("", ns)
    whole, rest = divmod(ns // NS_PER_US, 1_000_000)
    return f"{sign}{whole}.{rest:06}"


def who(message: Message) -> str:
    """Return the direction and the server address."""
    word = _WHO[message.role]
    data = message.piece.data
    if message.role is Role.STRAY:
        return word
    return f"{word} all" if data[0] == 0 else f"{word} {data[0]}"


def what(row: Row) -> str:
    """Return what a frame says, and what is odd about it."""
    message = row.message
    assert message is not None
    errors = message.errors  # nearly always none; then there is nothing to look up
    marks = [name for error, name in ERROR_NAMES.items() if errors & error] if errors else []
    marks += ["echo"] * message.echo + ["late"] * message.late
    odd = f" [{', '.join(marks)}]" if marks else ""
    piece = message.piece
    if not isinstance(piece, Frame):
        return f"{len(piece.data)} characters{odd}"
    if not row.ok:
        return f"DAMAGED {len(piece.data)} characters{odd}"
    return meaning(message.role, piece.data) + odd


def meaning(role: Role, frame: bytes) -> str:
    """Return what a good frame says."""
    pdu = frame[1:-2]
    if role is Role.UNKNOWN:
        return f"function {pdu[0]:02X}"
    if pdu[0] & 0x80 and len(pdu) == 2:
        return f"REFUSED: {exception_text(pdu[1])}"
    parse = wire.parse_request if role is Role.REQUEST else wire.parse_reply
    try:
        return wire.describe(parse(pdu))
    except WireError as error:
        return f"function {pdu[0]:02X}, not of its format: {error}"


def characters(message: Message) -> Iterator[str]:
    """Yield the characters of a frame in hexadecimal, indented."""
    yield from textwrap.wrap(
        message.piece.data.hex(" "), WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT
    )


def named_values(readings: Sequence[Reading]) -> list[str]:
    """Return values by name, in as many lines as they need."""
    values = [f"{place(each)} {with_unit(each.register, each.value)}" for each in readings]
    room = WIDTH - len(_INDENT)
    lines = [""]
    for value in values:
        joined = f"{lines[-1]}; {value}" if lines[-1] else value
        if len(joined) <= room:
            lines[-1] = joined
            continue
        lines = [*filter(None, lines), *_wrapped(value)]
    return lines


def _wrapped(text: str) -> list[str]:
    """Return a text in lines that fit beside the columns."""
    room = WIDTH - len(_INDENT)
    if len(text) <= room:
        return [text]
    return textwrap.wrap(text, room, subsequent_indent="  ", break_on_hyphens=False)


def event_text(row: Row) -> str:
    """Return what happened to the line."""
    event = row.event
    assert event is not None
    value = f" {event.value}" if event.value else ""
    comment = f" {event.comment}" if event.comment else ""
    return f"{event.kind.name.lower()}{value}{comment}"


def summary_lines(summary: Summary) -> list[str]:
    """Return the counts as sentences."""
    first = f"{count(summary.frames, 'frame')}: {summary.ok} good, {summary.damaged} damaged"
    if summary.stray_characters:
        first += f"; {count(summary.stray_characters, 'stray character')}"
    second = (
        f"{count(summary.requests, 'request')}, {count(summary.replies, 'reply', 'replies')}, of "
        f"these {summary.exceptions} refused; {summary.unanswered} unanswered, {summary.late} late"
    )
    if summary.echoes:
        second += f", {count(summary.echoes, 'echo', 'echoes')}"
    return [first, second]


def count(number: int, one: str, many: str = "") -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def quality_lines(quality: Mapping[str, Any]) -> list[str]:
    """Return the quality of a link as sentences."""
    rate = quality["transaction_error_rate"]
    low, high = (f"{100 * end:.3g} %" for end in quality["interval"])
    if rate is None:
        return ["No transaction was heard: nothing can be said about the link's quality."]
    sure = f"{quality['confidence']:.0%} sure: {low} to {high}"
    lines = [f"Transactions that went wrong: {100 * rate:.3g} % ({sure})"]
    turnaround = quality["turnaround_ms"]
    if turnaround["max"] is not None:
        times = ", ".join(f"{name} {value:.3g} ms" for name, value in turnaround.items())
        lines.append(f"Turnaround: {times}")
    errors = quality["line_errors"]
    if None in errors.values():
        lines.append("Line errors: this port does not report them.")
    else:
        lines.append("Line errors: " + ", ".join(f"{name} {n}" for name, n in errors.items()))
    return lines
