"""The traffic of a line as a person reads it: one line a frame, 80 columns where that is possible.

    time s      who   what
      0.010313  to 1  read input registers 8-10
      0.021875  of 1  ...

A damaged frame is followed by its characters: they are the evidence. Rows in, lines out; what they
look like on a terminal is for `kerfbus.tui`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from kerfbus.bench import wire
from kerfbus.bench.access import Reading, exception_text
from kerfbus.bench.capturereader import CaptureReader
from kerfbus.bench.capturerecords import CaptureInfo
from kerfbus.bench.conversation import Message, Role
from kerfbus.bench.decode import ERROR_NAMES, Decoder, Row, Summary
from kerfbus.bench.errors import WireError
from kerfbus.bench.framing import Frame
from kerfbus.bench.interpret import Interpreter
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.valuetext import place, with_unit

WIDTH = 80
NS_PER_US = 1000
HEADER = f"{'time s':>13}  {'who':7}  what"
INDENT = " " * 24
_WHO = {Role.REQUEST: "to", Role.REPLY: "from", Role.UNKNOWN: "?", Role.STRAY: "stray"}


class TrafficText:
    """Makes the lines.

    Args:
        register_map: names the values; None shows them raw.
        show_all: whether the characters of good frames are shown, too.
        begin: instant that times are counted from; None for that of the first row.
    """

    def __init__(
        self,
        register_map: RegisterMap | None = None,
        *,
        show_all: bool = False,
        begin: int | None = None,
    ) -> None:
        self._interpreter = None if register_map is None else Interpreter(register_map)
        self._show_all = show_all
        self._begin = begin

    def values(self, row: Row) -> list[Reading] | None:
        """Return the values that a row carries by name, None without a map; once for each row."""
        return None if self._interpreter is None else self._interpreter.take(row)

    def lines(self, row: Row, readings: Sequence[Reading] = ()) -> list[str]:
        """Return a row as a line or more; those from the second on are indented.

        Args:
            row: a frame, stray characters or a line event.
            readings: what `values` gave for it.
        """
        return [*self.said(row, readings), *self.evidence(row)]

    def said(self, row: Row, readings: Sequence[Reading] = ()) -> list[str]:
        """Return what a row says, without its characters."""
        if self._begin is None:
            self._begin = row.at
        time = f"{seconds(row.at - self._begin):>13}"
        if row.message is None:
            return [f"{time}  {'line':7}  {event_text(row)}"]
        first, *more = named_values(readings) if readings else _wrapped(what(row))
        return [f"{time}  {who(row.message):7}  {first}", *(f"{INDENT}{line}" for line in more)]

    def evidence(self, row: Row) -> list[str]:
        """Return the characters of a row as lines, where they are to be shown."""
        if row.message is None or (row.ok and not self._show_all):
            return []
        return list(characters(row.message))


def capture_text(
    reader: CaptureReader, name: str, register_map: RegisterMap | None = None
) -> Iterator[str]:
    """Yield a capture as lines: what `kerfbus decode` prints, counts at the end.

    Args:
        reader: at its beginning.
        name: of the capture, for the heading.
        register_map: names the values; None shows them raw.

    Raises:
        CaptureError: the capture is damaged; the lines before it and the counts were yielded.
    """
    decoder, text = Decoder(reader.info), TrafficText(register_map)
    yield f"{name}: {about(reader.info)}"
    yield HEADER
    try:
        for record in reader:
            for row in decoder.feed(record):
                yield from text.lines(row, text.values(row) or ())
    finally:
        for row in decoder.finish():
            yield from text.lines(row, text.values(row) or ())
        yield from summary_lines(decoder.summary)


def about(info: CaptureInfo) -> str:
    """Return in a line who recorded a capture, and how."""
    timing = f"within {info.uncertainty_ns / 1e6:g} ms" if info.timing == "host" else ""
    seed = "" if info.seed is None else f", seed {info.seed}"
    said = f"heard as {info.vantage}, {info.settings}, timing {info.timing} {timing}"
    return f"{said.rstrip()}{seed}"


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
        message.piece.data.hex(" "), WIDTH, initial_indent=INDENT, subsequent_indent=INDENT
    )


def named_values(readings: Sequence[Reading]) -> list[str]:
    """Return values by name, in as many lines as they need."""
    values = [f"{place(each)} {with_unit(each.register, each.value)}" for each in readings]
    room = WIDTH - len(INDENT)
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
    room = WIDTH - len(INDENT)
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
