"""The one way from the link to the screen: what happens on the bench becomes Textual messages.

The link runs as tasks of the application's own event loop. The screen is not told of each frame: it
is told a few times a second to look again, and looks at the model.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from textual.message import Message

from kerfbus.bench.errors import KerfbusError
from kerfbus.tui.console.engine import Engine, load
from kerfbus.tui.console.manner import Wishes
from kerfbus.tui.console.messages import Broken, Opened
from kerfbus.tui.console.model import Model


class Bridge:
    """A link and its tasks.

    Args:
        wishes: how the link is to be used.
        post: takes messages.

    Attributes:
        model: what is known of the link.
        engine: the link.
    """

    def __init__(self, wishes: Wishes, post: Callable[[Message], object]) -> None:
        self.model = Model(wishes.plan.map)
        self.engine = Engine(self.model, wishes)
        self.began = 0
        self._post = post
        self._task: asyncio.Task[None] | None = None

    async def open(self, *, run: bool = True) -> None:
        """Import what is needed, open the port and, unless told otherwise, keep polling.

        Args:
            run: whether to poll; a test that moves virtual time by itself does not.
        """
        await asyncio.to_thread(load)
        opened = await self.engine.open()
        self.began = self.engine.now
        self._post(Opened())
        if opened and run:
            self._task = asyncio.create_task(self._run())

    async def _run(self) -> None:
        try:
            await self.engine.run()
        except (KerfbusError, OSError) as error:
            self._post(Broken(str(error)))

    async def close(self) -> None:
        """Stop polling, end recordings, release the port."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        await self.engine.close()
