"""What a piece of the line says, in words: who, what by name and unit, which characters.

Pure: an entry in, text out. Text is made when a line is shown or searched, not when it is heard.
"""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.access import Reading
from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.decode import ERROR_NAMES, Row
from kerfbus.bench.errors import WireError
from kerfbus.bench.frames import Frame
from kerfbus.bench.interpret import TABLES, Interpreter
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.traffictext import event_text, meaning
from kerfbus.bench.transport import LineEventKind
from kerfbus.bench.valuetext import place, with_unit
from kerfbus.tui.console.damage import Damage, damage_of
from kerfbus.tui.console.lines import Role as Part
from kerfbus.tui.console.lines import Span

_READS = (
    wire.ReadCoils,
    wire.ReadDiscreteInputs,
    wire.ReadHoldingRegisters,
    wire.ReadInputRegisters,
)
_EVENTS = {
    LineEventKind.OPENED: "the port is open",
    LineEventKind.LOST: "the port is gone",
    LineEventKind.SETTINGS: "other settings are in force",
    LineEventKind.MARK: "mark",
}


class Entry(NamedTuple):
    """A line of the log.

    Attributes:
        number: counts entries, from 0.
        row: the frame, stray characters or event.
        asked: the request's row, where this is its reply; else None.
        marked: positions of characters that the port reported as damaged.
    """

    number: int
    row: Row
    asked: Row | None = None
    marked: tuple[int, ...] = ()

    @property
    def damaged(self) -> bool:
        """Return whether it is a damaged frame or stray characters."""
        return self.row.message is not None and not self.row.ok


def direction(entry: Entry) -> str:
    """Return who speaks to whom, with an arrow: requests go right, replies come back."""
    message = entry.row.message
    if message is None:
        return "──"
    data = message.piece.data
    address = "all" if data[:1] == b"\0" else str(data[0]) if data else "?"
    if message.role is Role.REQUEST:
        return f"{'↪' if message.echo else '→'} {address}"
    if message.role is Role.REPLY:
        return f"← {address}"
    return f"? {address}" if message.role is Role.UNKNOWN else "?"


def said(entry: Entry, found: RegisterMap) -> str:
    """Return what an entry says."""
    message = entry.row.message
    if message is None:
        return _event(entry.row)
    if entry.damaged:
        return _damaged(message)
    odd = _oddities(message)
    frame = entry.row.frame
    assert frame is not None
    named = _named(entry, found)
    text = named or _asked_names(frame, message, found) or meaning(message.role, frame.data)
    return text + odd


def _oddities(message: Message) -> str:
    marks = (
        ["own echo"] * message.echo
        + ["late"] * message.late
        + ["gap inside"] * bool(message.errors)
    )
    return f"  [{', '.join(marks)}]" if marks else ""


def _event(row: Row) -> str:
    event = row.event
    assert event is not None
    if event.kind is LineEventKind.MARK:
        return f"MARK {event.comment.removeprefix('note=').replace('=', ' ', 1)}"
    if event.kind in _EVENTS:
        return _EVENTS[event.kind] + (f": {event.comment}" if event.comment else "")
    return event_text(row)


def _damaged(message: Message) -> str:
    piece = message.piece
    many = len(piece.data)
    count = f"{many} character{'s' if many != 1 else ''}"
    if not isinstance(piece, Frame):
        return f"STRAY {count} that fit no frame"
    names = [name for error, name in ERROR_NAMES.items() if message.errors & error]
    what = {Role.REQUEST: "request", Role.REPLY: "reply"}.get(message.role, "frame")
    return f"DAMAGED {what}, {count}: {', '.join(names)}"


def _named(entry: Entry, found: RegisterMap) -> str:
    """Return the values that a frame carries by name, "" when it carries none."""
    reader = Interpreter(found)
    if entry.asked is not None:
        reader.take(entry.asked)
    readings = reader.take(entry.row)
    verb = ""
    message = entry.row.message
    if message is not None and message.role is Role.REQUEST and readings:
        verb = "set "
    return verb + "; ".join(map(_value, readings)) if readings else ""


def _value(reading: Reading) -> str:
    return f"{place(reading)} {with_unit(reading.register, reading.value)}"


def _asked_names(frame: Frame, message: Message, found: RegisterMap) -> str:
    """Return the names that a request to read asks for, "" for any other frame."""
    if message.role is not Role.REQUEST:
        return ""
    try:
        request = wire.parse_request(frame.data[1:-2])
    except WireError:
        return ""
    table = TABLES.get(type(request))
    if table is None or not isinstance(request, _READS):
        return ""
    start, count = request.start, request.count
    covered = found.covering(table, start, count)
    if not covered:
        return ""
    more = f" and {len(covered) - 2} more" if len(covered) > 2 else ""
    names = ", ".join(each.name for each in covered[:2])
    return f"read {names}{more}  ({table} {start}{f'-{start + count - 1}' if count > 1 else ''})"


def damage(entry: Entry) -> Damage:
    """Return which characters of an entry are damaged."""
    message = entry.row.message
    if message is None or entry.row.ok:
        return Damage((), "")
    if not isinstance(message.piece, Frame):
        return Damage(entry.marked, "the port marked them" if entry.marked else "")
    asked = entry.asked.message.piece.data if entry.asked and entry.asked.message else b""
    return damage_of(message.piece.data, message.errors, entry.marked, asked)


def characters(entry: Entry) -> tuple[Span, ...]:
    """Return the characters in hexadecimal; damaged ones stand in brackets, not only in colour."""
    message = entry.row.message
    if message is None:
        return ()
    bad = set(damage(entry).positions)
    spans = []
    for position, value in enumerate(message.piece.data):
        if position in bad:
            spans.append(Span(f"[{value:02x}]", Part.HIT))
        else:
            spans.append(Span(f" {value:02x} ", Part.FAINT))
    return tuple(spans)
