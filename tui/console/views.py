"""What stands on the screen, as lines: title, sentences, strip, keys.

Pure: the model and an instant in, lines out. Values, line and health have views of their own.
"""

from __future__ import annotations

from collections.abc import Sequence

from kerfbus.tui.console.lines import TICKS, Line, Role, Span, beside, cut, line
from kerfbus.tui.console.model import Model
from kerfbus.tui.console.review import Review
from kerfbus.tui.console.strip import SLICE_NS, Slice
from kerfbus.tui.console.verdict import Seen, sentences

COLUMN_SECONDS = 2
LABEL = 9
"""Width of the labels of sentences and strip."""
PANES = ("Values", "Line", "Health")


def title_line(model: Model, now: int, room: int) -> Line:
    """Return who is talked to, and what is armed and recorded."""
    link = model.link
    whom = "listening" if link.server is None else f"server {link.server}"
    name = [Span(" kerfbus ", Role.TITLE)]
    if link.port:
        name.append(Span(f" {link.port}  {link.settings}  {whom}  map {model.map.name}"))
    return beside(tuple(name), state_line(model, now), room)


def state_line(model: Model, now: int) -> Line:
    """Return what a person must not forget: armed, recording."""
    spans: list[Span] = []
    if model.link.armed:
        spans.append(Span(" ARMED " if not model.link.strike else " ARMED, ARC ", Role.BAD))
        spans.append(Span(" "))
    recording = model.recording
    if recording is not None and recording.error:
        spans.append(Span("✖ NOT RECORDING ", Role.BAD))
    elif recording is not None and not recording.ended:
        spans.append(Span(f"● REC {span_text(now - recording.since)} ", Role.BAD))
    else:
        spans.append(Span("not recording ", Role.FAINT))
    return tuple(spans)


def span_text(span_ns: int) -> str:
    """Return a span as minutes and seconds.

    >>> span_text(75_000_000_000), span_text(3_700_000_000_000)
    ('1:15', '1:01:40')
    """
    seconds = max(span_ns, 0) // SLICE_NS
    hours, rest = divmod(seconds, 3600)
    clock = f"{rest // 60}:{rest % 60:02}"
    return f"{hours}:{rest // 60:02}:{rest % 60:02}" if hours else clock


def head_lines(seen: Seen, room: int) -> list[Line]:
    """Return the three sentences."""
    return [cut(each, room) for each in sentences(seen)]


def strip_lines(model: Model, now: int, room: int) -> list[Line]:
    """Return the last minutes: how much is said, what goes wrong, the arc, marks."""
    count = max(room - LABEL - 3, 10)
    columns = model.strip.columns(now, count, COLUMN_SECONDS)
    return [*_bands(columns), _axis(model, now, count)]


def _bands(columns: Sequence[Slice]) -> list[Line]:
    most = max((each.good + each.wrong for each in columns), default=0)
    return [
        _labelled("traffic", [_bar(each, most) for each in columns]),
        _labelled("errors", [_errors(each) for each in columns]),
        _labelled("arc", _arc(columns)),
    ]


def review_strip_lines(review: Review, room: int) -> list[Line]:
    """Return a whole capture in the same form, and where in it one is."""
    count = max(room - LABEL - 3, 10)
    place = review.place_in(count)
    here = Span(" " * place + "▲", Role.KEY)
    return [*_bands(review.columns(count)), line(Span(f" {'here':<{LABEL}}", Role.FAINT), here)]


def _labelled(name: str, spans: Sequence[Span]) -> Line:
    return (Span(f" {name:<{LABEL}}", Role.FAINT), *_joined(spans))


def _joined(spans: Sequence[Span]) -> list[Span]:
    """Return the same in fewer spans: neighbours of one role are one."""
    found: list[Span] = []
    for text, role in spans:
        if found and found[-1].role is role:
            found[-1] = Span(found[-1].text + text, role)
        else:
            found.append(Span(text, role))
    return found


def _bar(column: Slice, most: int) -> Span:
    total = column.good + column.wrong
    if not total:
        return Span(" ")
    return Span(TICKS[max(1, round(8 * total / most))], Role.GOOD)


def _errors(column: Slice) -> Span:
    wrong = max(column.wrong, min(column.damage, 1))
    if wrong:
        return Span(str(wrong) if wrong < 10 else "#", Role.BAD)
    return Span("·" if column.good else " ", Role.FAINT)


def _arc(columns: Sequence[Slice]) -> list[Span]:
    if all(each.arc is None for each in columns):
        return [Span("not known; a marks when it burns", Role.FAINT)]
    signs = {True: Span("━", Role.WARN), False: Span("·", Role.FAINT), None: Span(" ")}
    return [signs[each.arc] for each in columns]


def _axis(model: Model, now: int, count: int) -> Line:
    """Return the marks of hand at their places, on an axis that says how long it is."""
    minutes = count * COLUMN_SECONDS / 60
    text = [" "] * count
    end = now // SLICE_NS // COLUMN_SECONDS
    written_from = count
    marks = [mark for mark in model.strip.marks if mark.by == "hand"]
    for mark in reversed(marks):
        place = count - 1 - (end - mark.at // SLICE_NS // COLUMN_SECONDS)
        if not 0 <= place < count:
            continue
        said = f"▼{mark.text}"
        begin = place
        if len(said) > count - place and len(said) <= place + 1:  # it fits before its place only
            said, begin = f"{mark.text}▼", place - len(said) + 1
        for index, character in enumerate(said[: max(written_from - begin, 1)]):
            if 0 <= begin + index < count:
                text[begin + index] = character
        written_from = begin
    label = f"{minutes:.0f} min" if not any(map(str.strip, text)) else "marks"
    line_ = Span("".join(text), Role.KEY)
    if label == "marks":
        return line(Span(f" {label:<{LABEL}}", Role.FAINT), line_)
    axis = f"{'└' + f' {minutes:.1f} min ago':<{count - 5}}now ┘"
    return line(Span(" " * (LABEL + 1)), Span(axis, Role.FAINT))


def tab_line(active: int, wide: bool, room: int) -> Line:
    """Return the names of the panes with their keys; the active one stands in brackets."""
    spans: list[Span] = []
    for index, name in enumerate(PANES):
        if index == active:
            spans.append(Span(f"[{index + 1} {name}]", Role.CHOSEN))
        else:
            spans += [Span(f" {index + 1}", Role.KEY), Span(f" {name} ")]
        spans.append(Span(" "))
    hint = Span("", Role.FAINT) if wide else Span("Tab: next pane ", Role.FAINT)
    return beside((Span(" "), *spans), (hint,), room)


_ALWAYS = (
    ("a", "arc"),
    ("m", "note"),
    ("r", "rec"),
    ("x", "explain"),
    ("c", "port"),
    ("i", "sim"),
    ("?", "help"),
    ("q", "quit"),
)
_OF_PANE = (
    (("s", "set"), ("g", "group")),
    (("p", "pause"), ("/", "search")),
    (("s", "set"), ("t", "theme")),
)
"""The keys that a newcomer needs, always and in each pane; help has them all."""


def keys_line(model: Model, pane: int, room: int) -> Line:
    """Return the keys that a newcomer needs."""
    spans: list[Span] = [Span(" ")]
    for key, does in (*_OF_PANE[pane], *_ALWAYS):
        if (key == "i" and model.link.real) or (key == "c" and pane == 1):
            continue
        word = "stop" if key == "r" and model.recording_now else does
        spans += [Span(key, Role.KEY), Span(f" {word}  ", Role.FAINT)]
    spans[-1] = spans[-1]._replace(text=spans[-1].text.rstrip())
    return cut(tuple(spans), room)
