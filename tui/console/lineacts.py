"""Keys that act on what is on view: panes, moving, pause, filter, search, captures."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import TYPE_CHECKING

from kerfbus.tui.console.base import Base
from kerfbus.tui.console.lines import Role
from kerfbus.tui.console.looks import DARK, LIGHT

if TYPE_CHECKING:
    from kerfbus.tui.console.review import Review

PAGE = 10
PANES = 3


class LineActs(Base):
    """Keys that act on what is on view."""

    def action_pane(self, index: int) -> None:
        """Show a pane."""
        self.pane = index
        self.look()

    def action_next_pane(self) -> None:
        """Show the next pane."""
        self.action_pane((self.pane + 1) % PANES)

    def _move(self, rows: int) -> None:
        """Move up (below 0) or down."""
        model = self.model
        if model is None:
            return
        if self.review is not None and self.pane != 0:
            self.review.step(rows)
        elif self.pane == 0:
            self.choice.index = max(self.choice.index + rows, 0)
        else:
            model.log.move(-rows)
        self.look()

    def action_up(self) -> None:
        """Go one up."""
        self._move(-1)

    def action_down(self) -> None:
        """Go one down."""
        self._move(1)

    def action_page_up(self) -> None:
        """Go a page up."""
        self._move(-PAGE)

    def action_page_down(self) -> None:
        """Go a page down."""
        self._move(PAGE)

    def action_oldest(self) -> None:
        """Go to the top, or to the oldest."""
        if self.review is not None:
            self.review.go(0)
        elif self.pane == 0:
            self.choice.index = 0
        elif self.model is not None:
            self.model.log.move(len(self.model.log))
        self.look()

    def action_newest(self) -> None:
        """Go to the end, or to the newest."""
        if self.review is not None:
            self.review.go(1 << 63)
        elif self.pane == 0:
            self.choice.index = 1 << 20
        elif self.model is not None:
            self.model.log.chosen = 0
        self.look()

    def action_pause(self) -> None:
        """Let the line stand still, or go on."""
        if self.live is not None and self.review is None:
            self.live.log.pause(not self.live.log.paused)
            self.look()

    def action_raw(self) -> None:
        """Show the characters of good frames, too, or no more."""
        self.raw = not self.raw
        self.look()

    def action_filter(self) -> None:
        """Show the next kind of entry."""
        from kerfbus.tui.console.linelog import Kind

        if self.model is not None:
            kinds = list(Kind)
            log = self.model.log
            kind = kinds[(kinds.index(log.filter.kind) + 1) % len(kinds)]
            log.choose(replace(log.filter, kind=kind))
            self.action_pane(1)

    def action_search(self) -> None:
        """Search the line for words or characters."""
        self.flow(self._search())

    async def _search(self) -> None:
        from kerfbus.tui.console.dialogs import Ask

        if self.model is None:
            return
        said = (
            "Words as the line shows them (a name, a value, damaged, refused),",
            "or characters in hexadecimal. Empty shows everything.",
        )
        given = self.model.log.filter.text
        text = await self.push_screen_wait(Ask("Search the line for", said, given))
        if text is not None and self.model is not None:
            log = self.model.log
            log.choose(replace(log.filter, text=text))
            self.action_pane(1)

    def action_retreat(self) -> None:
        """Go back: out of a search, a capture, a pause, in this order."""
        from kerfbus.tui.console.linelog import Filter

        model = self.model
        if model is None:
            return
        if not model.log.filter.everything:
            model.log.choose(Filter())
        elif self.review is not None:
            self.review.close()
            self.review = None
        elif model.log.paused:
            model.log.pause(False)
        self.look()

    # --- captures --------------------------------------------------------------------------------

    def action_open_capture(self) -> None:
        """Open a capture."""
        self.flow(self._open_capture())

    async def _open_capture(self) -> None:
        from kerfbus.tui.console.dialogs import Ask

        recorded = self.live.recording if self.live is not None else None
        given = recorded.path if recorded is not None else ""
        path = await self.push_screen_wait(Ask("Open which capture?", (), given))
        if path:
            await self.review_file(path)

    async def review_file(self, path: str) -> None:
        """Show a capture; a link that runs goes on meanwhile.

        Raises:
            CaptureError: the file cannot be read.
        """
        from kerfbus.tui.chosen import chosen_map
        from kerfbus.tui.console.review import Review

        found = self.live.map if self.live is not None else None
        if found is None:
            found = await asyncio.to_thread(chosen_map, self.link.map)
        review = await asyncio.to_thread(Review, path, found)
        if self.review is not None:
            self.review.close()
        self.review = review
        self.pane = 1
        self.look()
        self.flow(self._look_over(review))

    async def _look_over(self, review: Review) -> None:
        await asyncio.to_thread(review.look_over)

    def _through(self, act: str) -> None:
        """Move through the capture that is open."""
        review = self.review
        if review is None:
            self.say("No capture is open; o opens one.")
            return
        match act:
            case "earlier":
                review.step(-1)
            case "later":
                review.step(1)
            case "damage_before" | "damage_after":
                if not review.damage(1 if act == "damage_after" else -1):
                    self.say("No more damage that way.")
        self.look()

    def action_earlier(self) -> None:
        """Go one entry back."""
        self._through("earlier")

    def action_later(self) -> None:
        """Go one entry on."""
        self._through("later")

    def action_damage_before(self) -> None:
        """Go to the damage before."""
        self._through("damage_before")

    def action_damage_after(self) -> None:
        """Go to the next damage."""
        self._through("damage_after")

    # --- the rest --------------------------------------------------------------------------------

    def action_help(self) -> None:
        """Show every key."""
        from kerfbus.tui.console.dialogs import Told, help_lines

        self.push_screen(Told("Keys", help_lines()))

    def action_theme(self) -> None:
        """Change between dark and light."""
        self.theme = LIGHT if self.theme == DARK else DARK
        self.say("light" if self.theme == LIGHT else "dark", Role.FAINT)
