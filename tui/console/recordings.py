"""What is written down while a link is used: the recording that a person keeps, the short memory.

Both can begin and end while the link goes on. What goes wrong with a file is told to the model and
never to the link.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator

from kerfbus.bench.errors import KerfbusError, UsageError
from kerfbus.bench.recorder import RecordingTransport, recorded
from kerfbus.bench.transport import LineEventKind, Transport, Vantage
from kerfbus.tui.console.model import Model, Recording
from kerfbus.tui.console.spool import Spool
from kerfbus.tui.console.tap import Passage, Shield


class Recordings:
    """The recordings of one port.

    Args:
        model: is told.
        base: the port.
        vantage: of its user.
        line: held by whoever is using the port; recordings begin and end when nobody is.
        seed: of a simulated line, None for a real one.

    Attributes:
        door: the transport to be used instead of the port.
    """

    def __init__(
        self,
        model: Model,
        base: Transport,
        vantage: Vantage,
        line: asyncio.Lock,
        seed: int | None,
    ) -> None:
        self._model = model
        self._base = base
        self._vantage = vantage
        self._line = line
        self._seed = seed
        self._inner = Passage(base)
        self.door = Passage(self._inner)
        self._recorder: RecordingTransport | None = None
        self._spool: Spool | None = None

    def _writers(self) -> Iterator[RecordingTransport]:
        if self._recorder is not None:
            yield self._recorder
        if self._spool is not None and self._spool.recorder is not None:
            yield self._spool.recorder

    def port_event(self, kind: LineEventKind, at: int, why: str) -> None:
        """Write down that the port went away or came back."""
        for each in self._writers():
            each.port_event(kind, at, why)

    def mark(self, key: str, value: str) -> None:
        """Write down a mark."""
        for each in self._writers():
            each.mark(key, value)

    async def start(self, path: str) -> None:
        """Record to a new file from now on.

        Raises:
            CaptureError: the file exists or cannot be written.
            UsageError: a recording runs.
        """
        if self._recorder is not None:
            raise UsageError("a recording runs already; stop it first")
        async with self._line:
            recorder = recorded(Shield(self._inner), path, self._vantage, seed=self._seed)
            state = self._model.recording = Recording(path, self._base.clock.now())
            recorder.when_capture_fails(lambda error: _failed(state, error))
            self._recorder = recorder
            self.door.lead(recorder)

    async def stop(self) -> None:
        """End the recording; does nothing when none runs."""
        recorder, self._recorder = self._recorder, None
        state = self._model.recording
        if recorder is None or state is None:
            return
        async with self._line:
            self.door.lead(self._inner)
        await recorder.close()
        state.ended = True
        if recorder.capture_error is not None:
            state.error = str(recorder.capture_error)

    async def remember(self) -> None:
        """Begin, or go on in a new file with, the short memory that `explain` looks at."""
        try:
            if self._spool is None:
                self._spool = Spool()
            async with self._line:
                await self._spool.begin(self._base, self._inner, self._vantage)
        except (KerfbusError, OSError) as error:
            self._model.spool_error = str(error)
            return
        recorder = self._spool.recorder
        assert recorder is not None
        recorder.when_capture_fails(self._forgets)

    def _forgets(self, error: KerfbusError) -> None:
        self._model.spool_error = str(error)

    async def tend(self) -> None:
        """Do what is due: a full file of the short memory gives way to a new one."""
        if self._spool is not None and self._spool.full and not self._model.spool_error:
            await self.remember()

    def seen_file(self) -> str:
        """Return a capture of what has just been seen.

        Raises:
            UsageError: there is none.
        """
        with contextlib.suppress(OSError):
            if self._spool is not None and (path := self._spool.newest()) is not None:
                return path
        raise UsageError("nothing was seen yet that could be explained")

    async def close(self) -> None:
        """End all of them."""
        await self.stop()
        if self._spool is not None:
            await self._spool.close()


def _failed(state: Recording, error: KerfbusError) -> None:
    state.error = str(error)
