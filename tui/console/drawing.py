"""Widgets that only draw: lines in, cells out, and no more of them than have changed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from kerfbus.tui.console.lines import Line, Role


class Lines(Widget):
    """Lines of text, drawn as their roles say.

    Only lines that differ from what is there are drawn again, which is what keeps an idle console
    idle. Nothing here knows what the lines mean.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        f"lines--{role}" for role in Role if role is not Role.PLAIN
    }

    def __init__(self, *, id: str, lines: Sequence[Line] = ()) -> None:  # noqa: A002 (Textual's)
        super().__init__(id=id)
        self._lines: list[Line] = list(lines)
        self._styles: dict[Role, Style] = {}

    @property
    def room(self) -> tuple[int, int]:
        """Return columns and rows."""
        return self.content_size.width, self.content_size.height

    def show(self, lines: Sequence[Line]) -> None:
        """Show these lines from now on."""
        before, self._lines = self._lines, list(lines)
        width, height = self.room
        for row in range(min(max(len(before), len(lines)), height)):
            old = before[row] if row < len(before) else None
            new = lines[row] if row < len(lines) else None
            if old != new:
                self.refresh(Region(0, row, width, 1))

    def notify_style_update(self) -> None:
        """Forget colours: the theme has changed."""
        self._styles.clear()
        super().notify_style_update()

    def render_line(self, y: int) -> Strip:
        """Return a line as cells."""
        width = self.content_size.width
        if y >= len(self._lines):
            return Strip.blank(width, self._style(Role.PLAIN))
        segments = [Segment(text, self._style(role)) for text, role in self._lines[y] if text]
        return Strip(segments).adjust_cell_length(width, self._style(Role.PLAIN))

    def _style(self, role: Role) -> Style:
        """Return the style of a role in the theme at hand."""
        style = self._styles.get(role)
        if style is None:
            if role is Role.PLAIN:
                style = self.rich_style
            else:
                style = self.get_component_rich_style(f"lines--{role}")
            self._styles[role] = style
        return style
