"""The charts of a record: error timeline, turnaround, set-point against read-back, margins."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from kerfbus.bench.acceptance.result import Grade, Result, number
from kerfbus.bench.acceptance.svg import (
    BOTTOM,
    INK,
    LEFT,
    PAPER,
    RIGHT,
    SHADE,
    TOP,
    WIDTH,
    Axis,
    Drawing,
    framed,
)

HEIGHT = 200
ROW = 36
ROWS = 14
"""Rows of margins in one chart; more make another, so that each fits on a page."""
LONGEST = 44
"""Letters of a row's label."""
Data = Mapping[str, Any]


class Figure(NamedTuple):
    """A chart with its caption.

    Attributes:
        caption: a sentence or two.
        drawing: the chart.
    """

    caption: str
    drawing: Drawing


def figures_of(results: Sequence[Result]) -> list[Figure]:
    """Return all charts of a run: those of each check, then the margins."""
    found = []
    for result in results:
        for index, data in enumerate(result.finding.figures):
            key = f"{result.check}-{index}"
            found.append(_KINDS[str(data["kind"])](result.title, data, key))
    return found + margins(results)


def timeline(title: str, data: Data, key: str) -> Figure:
    """Draw when transactions went wrong."""
    trials, wrong = data["transactions"], data["wrong"]
    span = float(data["bin_seconds"])
    said = f"{sum(wrong)} of {sum(trials)} transactions went wrong"
    drawing = Drawing(f"{title}: over time", f"{said}, {_when(wrong, span)}.", HEIGHT, key)
    x = Axis(0, max(len(trials), 1) * span, LEFT, WIDTH - RIGHT)
    y = Axis(0, max([*trials, 1]), HEIGHT - BOTTOM, TOP + 8)
    for index, (all_of, bad) in enumerate(zip(trials, wrong, strict=True)):
        left, right = x.at(index * span), x.at((index + 1) * span)
        _column(drawing, (left, right), y.at(all_of), y.start, SHADE)
        if bad:  # never too small to be seen
            _column(drawing, (left, right), min(y.at(bad), y.start - 4), y.start, INK)
            drawing.cross((left + right) / 2, TOP + 3, 3)
    framed(drawing, x, y, ("seconds", f"transactions in {number(span)} s"))
    return Figure(f"{title}: {said}. Grey: all; black, with a cross above: wrong.", drawing)


def histogram(title: str, data: Data, key: str) -> Figure:
    """Draw how long spans of time were, and their limit."""
    values, unit, limit = data["values"], data["unit"], data["limit"]
    width = float(data["width"])
    low, high = values[0][0], values[-1][0] + width
    pad = max(high - low, 0.02 * high) * 0.1
    x = Axis(max(low - pad, 0), high + pad, LEFT, WIDTH - RIGHT)
    y = Axis(0, max(count for _, count in values), HEIGHT - BOTTOM, TOP + 8)
    total = sum(count for _, count in values)
    said = f"{total} values from {number(low)} to {number(high)} {unit}"
    drawing = Drawing(f"{title}: how often how long", f"{said}.", HEIGHT, key)
    for value, count in values:
        left, right = x.at(value), x.at(value + width)
        _column(drawing, (left, max(right, left + 3)), min(y.at(count), y.start - 1), y.start, INK)
    framed(drawing, x, y, (unit, "how often"))
    note = ""
    if limit is not None:
        note = f" The limit, {number(limit)} {unit}, "
        if x.low <= limit <= x.high:
            drawing.line([(x.at(limit), TOP), (x.at(limit), y.start)], "5 3", 1.5)
            note += "is the broken line."
        else:
            note += "lies outside this chart."
    return Figure(f"{title}: {said}.{note}", drawing)


def pairs(title: str, data: Data, key: str) -> Figure:
    """Draw what was read back over what was set."""
    points, unit = data["pairs"], data["unit"]
    every = [each for pair in points for each in pair]
    low, high = min(every), max(every)
    x, y = Axis(low, high, LEFT, WIDTH - RIGHT), Axis(low, high, HEIGHT - BOTTOM, TOP + 8)
    worst = max(abs(one - two) for one, two in points)
    said = f"{len(points)} values, largest difference {number(worst)} {unit}"
    drawing = Drawing(f"{title}: read back over set", f"{said}.", HEIGHT, key)
    drawing.line([(x.start, y.start), (x.end, y.end)], "4 3")
    for one, two in points:
        drawing.cross(x.at(one), y.at(two))
    framed(drawing, x, y, (f"set, {unit}", f"read back, {unit}"))
    return Figure(f"{title}: {said}. On the broken line both are equal.", drawing)


def margins(results: Sequence[Result]) -> list[Figure]:
    """Draw where each measured number lies in its limits."""
    rows = [each for each in results if _numeric(each)]
    return [
        _margins(rows[start : start + ROWS], f"margins-{start}")
        for start in range(0, len(rows), ROWS)
    ]


_KINDS: Mapping[str, Callable[[str, Data, str], Figure]] = MappingProxyType(
    {"timeline": timeline, "histogram": histogram, "pairs": pairs}
)


def _column(
    drawing: Drawing, sides: tuple[float, float], top: float, floor: float, fill: str
) -> None:
    left, right = sides
    drawing.box((left, top), (max(right - left - 0.3, 0.7), floor - top), fill)


def _when(wrong: Sequence[int], span: float) -> str:
    bad = [index * span for index, count in enumerate(wrong) if count]
    if not bad:
        return "at no time"
    return f"from {number(bad[0])} s to {number(bad[-1] + span)} s after the start"


def _numeric(result: Result) -> bool:
    finding = result.finding
    if isinstance(finding.measured, bool) or not isinstance(finding.measured, int | float):
        return False
    return finding.limit.low is not None or finding.limit.high is not None


def _margins(rows: Sequence[Result], key: str) -> Figure:
    said = "; ".join(f"{each.title}: {number(_value(each))}, {each.finding.limit}" for each in rows)
    drawing = Drawing("Measured values in their limits", said, ROW * len(rows) + 6, key)
    for index, result in enumerate(rows):
        _row(drawing, result, index * ROW)
    text = (
        "Measured values in their limits, each on a scale of its own. White: allowed; grey: not "
        "allowed. Full mark: pass; empty mark with a cross: fail."
    )
    return Figure(text, drawing)


def _row(drawing: Drawing, result: Result, top: float) -> None:
    limit, value = result.finding.limit, _value(result)
    unit = f" {limit.unit}" if limit.unit else ""
    title = result.title if len(result.title) <= LONGEST else result.title[: LONGEST - 3] + "..."
    drawing.text(2, top + 13, title)
    drawing.text(WIDTH - 2, top + 13, f"{number(value)}{unit}", "end")
    x = _scale(limit.low, limit.high, value)
    drawing.box((x.start, top + 19), (x.end - x.start, 12), SHADE)
    left = x.start if limit.low is None else x.at(limit.low)
    right = x.end if limit.high is None else x.at(limit.high)
    drawing.box((left, top + 19), (max(right - left, 1), 12), PAPER)
    drawing.diamond(x.at(value), top + 25, full=result.finding.grade is Grade.PASSED)


def _scale(low: float | None, high: float | None, value: float) -> Axis:
    """Return an axis that shows the limits, what is beyond them, and the value where it can."""
    ends = [each for each in (low, high, value) if each is not None]
    first, last = min(ends), max(ends)
    span = (last - first) or abs(last) or 1.0
    if low is None and first >= 0 and high is not None:
        return Axis(0, max(1.25 * high, value), 8, WIDTH - 8)
    return Axis(first - 0.25 * span, last + 0.25 * span, 8, WIDTH - 8)


def _value(result: Result) -> float:
    measured = result.finding.measured
    assert isinstance(measured, int | float)
    return measured
