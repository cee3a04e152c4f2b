"""The application: what stands where, when it is drawn, how it begins and ends."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual import events
from textual.app import ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import Screen

from kerfbus.tui.console.drawing import Lines
from kerfbus.tui.console.keymap import KEYS
from kerfbus.tui.console.lineacts import LineActs
from kerfbus.tui.console.lines import Role, Span, line
from kerfbus.tui.console.linkacts import LinkActs
from kerfbus.tui.console.looks import DARK, STYLE, THEMES, WIDE
from kerfbus.tui.console.manner import Manner
from kerfbus.tui.console.messages import LOOKS_A_SECOND, Broken, Opened
from kerfbus.tui.console.valueacts import ValueActs
from kerfbus.tui.options import Link

PANE_IDS = ("values", "line", "health")


class Console(ValueActs, LineActs, LinkActs):
    """The console.

    Args:
        link: port and settings to begin with.
        manner: how the link is to be used.
        capture: a file to record to from the start, None for none.
        opened: a capture to look at, None for none.
        theme: to begin with.
    """

    CSS = STYLE
    ENABLE_COMMAND_PALETTE = True
    TITLE = "kerfbus console"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key.keys, key.action, key.does, show=False, key_display=key.shown) for key in KEYS
    ]

    def __init__(
        self,
        link: Link,
        manner: Manner | None = None,
        capture: str | None = None,
        opened: str | None = None,
        theme: str = DARK,
    ) -> None:
        super().__init__(link, manner)
        for each in THEMES:
            self.register_theme(each)
        self.theme = theme
        self._capture = capture
        self._opened = opened
        self._looks = self._columns = 0

    def compose(self) -> ComposeResult:
        """Put everything in its place."""
        yield Lines(id="title")
        yield Lines(id="head")
        yield Lines(id="strip")
        yield Lines(id="tabs")
        with Horizontal(id="body"):
            yield Lines(id="values")
            with Vertical(id="right"):
                yield Lines(id="line")
                yield Lines(id="health")
        yield Lines(id="keys")

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """Offer every key in the command palette, and what has no key."""
        for key in KEYS:
            says = f"key {key.shown}" + (f"; as {key.command}" if key.command else "")
            action = key.action
            yield SystemCommand(key.does, says, lambda action=action: self._palette(action))
        yield SystemCommand(
            "Offer what can strike an arc",
            "on a real port, armed, by typing a word",
            self.action_allow_strike,
        )

    def _palette(self, action: str) -> None:
        self.flow(self._run_chosen(action))

    async def _run_chosen(self, action: str) -> None:
        await self.run_action(action)

    # --- beginning and ending --------------------------------------------------------------------

    def on_mount(self) -> None:
        """Paint first, then import and open."""
        self._arrange()
        self.look()
        self.set_interval(1 / LOOKS_A_SECOND, self._on_time)
        self.call_after_refresh(lambda: self.flow(self._begin()))

    async def _begin(self) -> None:
        if self._opened is not None:
            await self.review_file(self._opened)
            return
        await self.open_link(self.link)
        if self._capture is not None:
            await self.engine.start_recording(self._capture)

    def action_leave(self) -> None:
        """Leave; recordings are closed first."""
        self.flow(self._leave())

    async def _leave(self) -> None:
        if self.review is not None:
            self.review.close()
        if self.bridge is not None:
            await self.bridge.close()
        self.exit()

    async def action_quit(self) -> None:
        """Leave, as Textual's own key for it does."""
        await self._leave()

    # --- what comes from the link ----------------------------------------------------------------

    def on_opened(self, message: Opened) -> None:
        """Draw a port that was opened, or could not be."""
        self.look()

    def on_broken(self, message: Broken) -> None:
        """Say that the link has ended."""
        self.say(message.why, Role.BAD)

    def _on_time(self) -> None:
        """Look again; most is drawn once a second, the line twice."""
        self._looks += 1
        gone = self.note_gone()
        model = self.model
        if model is not None:
            model.log.step()
            while model.notes:
                self.say(model.notes.popleft())
                gone = False
        slow = self._looks % LOOKS_A_SECOND == 0
        if slow or self._looks % 2 == 0:
            self.look(slow=slow)
        if gone:
            self.draw_keys()

    # --- drawing ---------------------------------------------------------------------------------

    def on_resize(self, event: events.Resize) -> None:
        """Rearrange for the new size."""
        self._columns = event.size.width
        self._arrange()
        self.call_after_refresh(self.look)

    @property
    def wide(self) -> bool:
        """Return whether all panes fit side by side."""
        return (self._columns or self.size.width) >= WIDE

    def _arrange(self) -> None:
        """Show one pane, or all where there is room."""
        screen = self.screen_stack[0]
        wide = self.wide
        screen.set_class(wide, "wide")
        screen.set_class(not wide, "narrow")
        for index, name in enumerate(PANE_IDS):
            screen.query_one(f"#{name}").set_class(not wide and index != self.pane, "away")
        screen.query_one("#right").set_class(not wide and self.pane == 0, "away")

    def action_pane(self, index: int) -> None:
        """Show a pane."""
        self.pane = index
        self._arrange()
        self.look()
        self.call_after_refresh(self.look)

    def _widget(self, name: str) -> Lines:
        return self.screen_stack[0].query_one(f"#{name}", Lines)

    def look(self, *, slow: bool = True) -> None:
        """Draw what has changed.

        Args:
            slow: also what is drawn once a second; else only the line, which is drawn twice.
        """
        if not self.is_running or not self.screen_stack:
            return
        model, now = self.model, self.moment
        room = self.size.width
        if model is None:
            starting = line(Span(" kerfbus console", Role.TITLE), f"  opening {self.link.port} ...")
            self._widget("title").show([starting])
            self.draw_keys()
            return
        from kerfbus.tui.console.healthview import health_lines
        from kerfbus.tui.console.lineview import line_lines
        from kerfbus.tui.console.valueview import value_lines
        from kerfbus.tui.console.views import tab_line, title_line

        if slow:
            self._widget("title").show([title_line(model, now, room)])
            self._draw_head(room)
            self._widget("tabs").show([tab_line(self.pane, self.wide, room)])
            self.draw_keys()
        shown = PANE_IDS if self.wide else (PANE_IDS[self.pane],)
        if "values" in shown and slow:
            values = self._widget("values")
            if min(values.room) > 0:
                values.show(value_lines(model.board, now, values.room, self.choice))
        if "line" in shown:
            pane = self._widget("line")
            if min(pane.room) > 0:
                pane.show(line_lines(model, pane.room, self._begin_at(), raw=self.raw))
        if "health" in shown and slow:
            health = self._widget("health")
            health.show(health_lines(model, health.room[0] or room))

    def _begin_at(self) -> int:
        if self.review is not None:
            return self.review.first_at
        return self.bridge.began if self.bridge is not None else 0

    def _draw_head(self, room: int) -> None:
        from kerfbus.tui.console.views import head_lines, review_strip_lines, strip_lines

        model = self.model
        assert model is not None
        if self.review is not None:
            self._widget("head").show(self.review.head_lines(room))
            self._widget("strip").show(review_strip_lines(self.review, room))
            return
        self._widget("head").show(head_lines(model.seen(self.moment), room))
        self._widget("strip").show(strip_lines(model, self.moment, room))

    def draw_keys(self) -> None:
        """Draw the keys, or what has just happened in their place."""
        if not self.is_running or not self.screen_stack:
            return
        if self.note is not None:
            self._widget("keys").show([line(self.note)])
        elif self.model is not None:
            from kerfbus.tui.console.views import keys_line

            self._widget("keys").show([keys_line(self.model, self.pane, self.size.width)])

    # --- mouse -----------------------------------------------------------------------------------

    def on_click(self, event: events.Click) -> None:
        """Choose a pane by its name."""
        if event.widget is not None and event.widget.id == "tabs":
            place = 1
            for index, name in enumerate(("1 Values", "2 Line", "3 Health")):
                end = place + len(name) + 3
                if place <= event.x < end:
                    self.action_pane(index)
                place = end

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Go back."""
        if len(self.screen_stack) == 1:
            self._move(-3)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Go on."""
        if len(self.screen_stack) == 1:
            self._move(3)
