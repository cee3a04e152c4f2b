"""Keys that act on the link: port, recording, marks, explain, and what can be simulated."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from kerfbus.bench.errors import UsageError
from kerfbus.tui.console.base import Base
from kerfbus.tui.console.lines import Line, Role
from kerfbus.tui.options import Link

if TYPE_CHECKING:
    from kerfbus.tui.console.simulating import Act


class LinkActs(Base):
    """Keys that act on the link."""

    # --- port ------------------------------------------------------------------------------------

    def action_connect(self) -> None:
        """Choose port and settings."""
        self.flow(self._connect())

    async def _connect(self) -> None:
        from kerfbus.bench.ports import list_ports
        from kerfbus.tui.console.connecting import Connect

        ports = await asyncio.to_thread(list_ports)
        link = await self.push_screen_wait(Connect(self.link, ports, self._find))
        if link is not None:
            await self.open_link(link)

    async def _find(self, link: Link, tell: Callable[[str], None]) -> Link | None:
        """Look for settings; the port is given free for that."""
        from kerfbus.tui.console.connecting import find_settings

        if self.bridge is not None and self.link.port == link.port:
            await self.bridge.close()
        return await find_settings(link, tell)

    # --- marks and recording ---------------------------------------------------------------------

    def action_mark_arc(self) -> None:
        """Mark that the arc is on, or off again."""
        if self.live is None or self.review is not None:
            return
        state = "off" if self.live.strip.arc else "on"
        self.engine.mark("arc", state)
        self.say(f"marked: arc {state}")
        self.look()

    def action_mark_note(self) -> None:
        """Mark this moment with a note."""
        if self.live is not None:
            self.flow(self._note())

    async def _note(self) -> None:
        from kerfbus.tui.console.dialogs import Ask

        at = self.engine.now
        text = await self.push_screen_wait(Ask("Mark this moment", ("e.g. moved the cable",)))
        if text:
            self.engine.mark("note", text)
            late = (self.engine.now - at) / 1e9
            self.say(f"marked: {text}" + (f" ({late:.0f} s after m)" if late >= 1 else ""))

    def action_record(self) -> None:
        """Start or stop recording."""
        if self.live is not None:
            self.flow(self._record())

    async def _record(self) -> None:
        from kerfbus.tui.console.dialogs import Ask

        model = self.live
        assert model is not None
        if model.recording_now:
            await self.engine.stop_recording()
            recording = model.recording
            if recording is not None and recording.error:
                self.say(f"not complete: {recording.error}", Role.BAD)
            elif recording is not None:
                self.say(f"recorded to {recording.path}", Role.GOOD)
            return
        given = time.strftime("kerfbus-%Y%m%d-%H%M%S.pcapng")
        said = ("A new file; it is written as the line is heard.",)
        path = await self.push_screen_wait(Ask("Record to", said, given))
        if path:
            await self.engine.start_recording(path)
            self.say(f"recording to {path}", Role.GOOD)

    # --- explain ---------------------------------------------------------------------------------

    def action_explain(self) -> None:
        """Explain what has just been seen, or the capture that is open."""
        from kerfbus.tui.console.dialogs import Told

        path = self.review.path if self.review is not None else None
        name = "the capture" if path else "what has just been seen"
        self.push_screen(Told(f"Explain {name}", lambda: self._explain(path)))

    async def _explain(self, path: str | None) -> Sequence[Line]:
        from kerfbus.tui.console.explaining import explained

        if path is None:
            path = self.engine.seen_file()
        if not await asyncio.to_thread(Path(path).is_file):
            raise UsageError(f"{path}: is not there any more")
        return await explained(path, self.link.map)

    # --- simulation ------------------------------------------------------------------------------

    def action_simulate(self) -> None:
        """Inject, strike, wear, change the plant: on a simulated line."""
        self.flow(self._simulate())

    async def _simulate(self) -> None:
        from kerfbus.tui.console.dialogs import Pick
        from kerfbus.tui.console.simulating import acts

        hand = self.engine.hand
        if hand is None:
            raise UsageError("this is no simulated supply; nothing can be injected into a real one")
        listed = acts(hand, self.link.port)
        options = [(each.key, each.shown) for each in listed]
        said = (f"The simulated supply is in mode {hand.mode}.",)
        key = await self.push_screen_wait(Pick("Simulate", options, said))
        if key is not None:
            await self._do(next(each for each in listed if each.key == key))

    async def _do(self, act: Act) -> None:
        """Do an act, after asking for its number where it has one."""
        from kerfbus.tui.console.dialogs import Ask
        from kerfbus.tui.console.simulating import doing

        hand = self.engine.hand
        assert hand is not None
        text = ""
        if act.asks:
            answer = await self.push_screen_wait(
                Ask(act.shown.strip(), (act.asks,), act.given, check=number)
            )
            if answer is None:
                return
            text = answer
        port = doing(hand, act, number(text) if text else 0.0, self.link.port)
        if port is not None:
            await self.open_link(replace(self.link, port=port))
        self.say(act.done + (f" {text}" if text else ""))
        self.engine.mark("note", act.done + (f" {text}" if text else ""))


def number(text: str) -> float:
    """Return a number that was typed.

    Raises:
        UsageError: it is none.
    """
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        raise UsageError(f"{text!r} is no number") from error
