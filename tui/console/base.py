"""What all parts of the application share: the link, the model on view, words to a person."""

from __future__ import annotations

import asyncio
import importlib
from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any

from textual.app import App

from kerfbus.bench.errors import KerfbusError
from kerfbus.tui.console.choice import Choice
from kerfbus.tui.console.lines import Role, Span
from kerfbus.tui.console.manner import Manner, Wishes
from kerfbus.tui.options import Link

if TYPE_CHECKING:  # a first paint must not wait for these
    from kerfbus.tui.console.bridge import Bridge
    from kerfbus.tui.console.engine import Engine
    from kerfbus.tui.console.model import Model
    from kerfbus.tui.console.review import Review
    from kerfbus.tui.linking import Plan

NOTE_LOOKS = 20
"""What has happened is said for so many looks: five seconds."""


class Base(App[None]):
    """The application without its keys.

    Args:
        link: port and settings to begin with.
        manner: how the link is to be used.

    Attributes:
        bridge: to the link, None before it was opened for the first time.
        review: the capture on view, None while the line is.
        choice: the chosen value.
        pane: 0 values, 1 line, 2 health.
        raw: whether characters of good frames are shown.
    """

    def __init__(self, link: Link, manner: Manner | None = None) -> None:
        super().__init__()
        self.link = link
        self.manner = manner or Manner()
        self.bridge: Bridge | None = None
        self.review: Review | None = None
        self.choice = Choice()
        self.pane = 0
        self.raw = False
        self.note: Span | None = None
        self._note_left = 0

    @property
    def engine(self) -> Engine:
        """Return the link.

        Raises:
            KerfbusError: none was opened yet.
        """
        if self.bridge is None:
            raise KerfbusError("the console is still starting; try again")
        return self.bridge.engine

    @property
    def live(self) -> Model | None:
        """Return what is known of the link, None while the console is starting."""
        return self.bridge.model if self.bridge is not None else None

    @property
    def model(self) -> Model | None:
        """Return what is on view: the capture that is open, or else the link."""
        return self.review.model if self.review is not None else self.live

    @property
    def moment(self) -> int:
        """Return the instant that the view is for."""
        if self.review is not None:
            return self.review.at
        return self.bridge.engine.now if self.bridge is not None else 0

    def say(self, text: str, role: Role = Role.PLAIN) -> None:
        """Say something in place of the keys for some seconds."""
        sign = {Role.BAD: " ✖ ", Role.GOOD: " ✔ "}.get(role, " ")
        self.note = Span(sign + text, role)
        self._note_left = NOTE_LOOKS
        self.draw_keys()

    def note_gone(self) -> bool:
        """Count a look, and return whether what was said has been there long enough."""
        if self.note is None:
            return False
        self._note_left -= 1
        if self._note_left > 0:
            return False
        self.note = None
        return True

    def flow(self, work: Coroutine[Any, Any, None]) -> None:
        """Run what a key has begun, dialogs included; what goes wrong is said."""
        self.run_worker(self._guarded(work), group="flow")

    async def _guarded(self, work: Coroutine[Any, Any, None]) -> None:
        try:
            await work
        except KerfbusError as error:
            self.say(str(error), Role.BAD)
        except OSError as error:
            self.say(f"{error.filename or 'system'}: {error.strerror or error}", Role.BAD)
        self.look()

    def look(self, *, slow: bool = True) -> None:
        """Draw what has changed."""

    def draw_keys(self) -> None:
        """Draw the last line."""

    async def open_link(self, link: Link) -> None:
        """Close the link and open another one; a new one begins with empty counts."""
        plan = await asyncio.to_thread(_planned, link)
        from kerfbus.tui.console.bridge import Bridge

        wishes = Wishes(plan, self.manner)
        if self.bridge is not None:
            await self.bridge.close()
        self.link = link
        self.bridge = Bridge(wishes, self.post_message)
        self.look()
        await self.bridge.open(run=not self.manner.virtual)


NEEDED = ("bridge", "views", "valueview", "lineview", "healthview", "dialogs")
"""Parts of the console that the first paint does without."""


def _planned(link: Link) -> Plan:
    """Import what comes after the first paint, and fill in what was not said of a link."""
    from kerfbus.tui.linking import plan_for

    for name in NEEDED:
        importlib.import_module(f"kerfbus.tui.console.{name}")
    return plan_for(link)
