"""A small writer of SVG for charts that are read on paper, in black and white, and on a phone.

Charts are 360 units wide, so that text keeps its size on a small screen. Nothing is told by colour:
marks differ by shape and fill. Every chart has a title and a description for who cannot see it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

WIDTH = 360
LEFT, RIGHT, TOP, BOTTOM = 46, 12, 14, 34
"""Room for the axes."""
INK, SHADE, PAPER = "#111", "#c4c4c4", "#fff"


def spot(value: float) -> str:
    """Return a coordinate as SVG has it, to a hundredth.

    >>> spot(1.0), spot(2.345678)
    ('1', '2.35')
    """
    return f"{round(value, 2):g}"


@dataclass
class Drawing:
    """One chart.

    Args:
        title: what it shows.
        description: what can be seen in it.
        height: in units.
        key: unique on a page.
    """

    title: str
    description: str
    height: float
    key: str
    _parts: list[str] = field(default_factory=list)

    def line(self, points: Sequence[tuple[float, float]], dash: str = "", width: float = 1) -> None:
        """Draw a line through points."""
        path = " ".join(f"{spot(x)},{spot(y)}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._parts.append(
            f'<polyline points="{path}" fill="none" stroke="{INK}" stroke-width="{width}"{dashed}/>'
        )

    def box(self, corner: tuple[float, float], size: tuple[float, float], fill: str) -> None:
        """Draw a rectangle with its upper left corner at a place; ``none`` is an outline."""
        (x, y), (width, height) = corner, size
        stroke = f' stroke="{INK}" stroke-width="1"' if fill in ("none", PAPER) else ""
        self._parts.append(
            f'<rect x="{spot(x)}" y="{spot(y)}" width="{spot(max(width, 0))}" '
            f'height="{spot(max(height, 0))}" fill="{fill}"{stroke}/>'
        )

    def diamond(self, x: float, y: float, *, full: bool) -> None:
        """Draw a mark: full for what passed; for what did not, an empty one with a cross."""
        path = f"M{spot(x)} {spot(y - 6)}l6 6l-6 6l-6 -6z"
        fill = INK if full else PAPER
        self._parts.append(f'<path d="{path}" fill="{fill}" stroke="{INK}" stroke-width="1.5"/>')
        if not full:
            self.cross(x, y, 3)

    def cross(self, x: float, y: float, arm: float = 4) -> None:
        """Draw an x."""
        path = "".join(
            f"M{spot(x - arm)} {spot(y - turn * arm)}L{spot(x + arm)} {spot(y + turn * arm)}"
            for turn in (1, -1)
        )
        self._parts.append(f'<path d="{path}" stroke="{INK}" stroke-width="1.5" fill="none"/>')

    def text(self, x: float, y: float, said: str, anchor: str = "start", size: int = 12) -> None:
        """Write a line of text; `anchor` is start, middle or end."""
        self._parts.append(
            f'<text x="{spot(x)}" y="{spot(y)}" text-anchor="{anchor}" '
            f'font-size="{size}">{escape(said)}</text>'
        )

    def __str__(self) -> str:
        """Return the SVG, to stand inside HTML."""
        return (
            f'<svg viewBox="0 0 {WIDTH} {spot(self.height)}" role="img" '
            f'aria-labelledby="{self.key}-t {self.key}-d" font-family="inherit" fill="{INK}">'
            f'<title id="{self.key}-t">{escape(self.title)}</title>'
            f'<desc id="{self.key}-d">{escape(self.description)}</desc>'
            f"{''.join(self._parts)}</svg>"
        )


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear axis.

    Attributes:
        low, high: values at its ends.
        start, end: places of the ends.
    """

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the place of a value; beyond the ends it stays at the end."""
        span = self.high - self.low
        share = (value - self.low) / span if span else 0.5
        return self.start + min(max(share, 0.0), 1.0) * (self.end - self.start)


def framed(drawing: Drawing, x: Axis, y: Axis, names: tuple[str, str]) -> None:
    """Draw two axes with their ends and names."""
    floor, left = y.start, x.start
    drawing.line([(left, y.end), (left, floor), (x.end, floor)])
    for axis_value in (x.low, (x.low + x.high) / 2, x.high):
        place = x.at(axis_value)
        drawing.line([(place, floor), (place, floor + 4)])
        anchor = "end" if axis_value == x.high else "middle"
        drawing.text(place, floor + 15, short(axis_value), anchor)
    for axis_value in (y.low, y.high):
        place = y.at(axis_value)
        drawing.line([(left - 4, place), (left, place)])
        drawing.text(left - 7, place + 4, short(axis_value), "end")
    drawing.text((left + x.end) / 2, floor + 29, names[0], "middle")
    drawing.text(4, 11, names[1])


def short(value: float) -> str:
    """Return a number for an axis.

    >>> short(0.0), short(12.3456), short(20000)
    ('0', '12.35', '20000')
    """
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.4g}"
