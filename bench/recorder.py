"""Recording a line while it is used.

Job: put a capture under a transport without whoever uses it noticing. Rule: the link comes first;
what goes wrong with the file is kept in an attribute and never raised into a conversation. It must
not know frames.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from os import PathLike

from kerfbus.bench.capturewriter import CaptureWriter
from kerfbus.bench.clock import NS
from kerfbus.bench.errors import CaptureError, KerfbusError, PortError, PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk, LineEventKind, Through, Transport, Vantage

COUNTERS_NS = NS
"""How often the driver is asked whether the host dropped characters, at most."""
HOLD_NS = NS
"""How long after its expected end a send may keep inbound characters from the file."""


class Recorder:
    """Writes to a capture and keeps what goes wrong to itself.

    Args:
        writer: of the capture.

    Attributes:
        error: what went wrong first, None as long as nothing has. After a `CaptureError` nothing
            more is recorded.
        on_error: called with it once, at that moment; None to be asked only.
    """

    def __init__(self, writer: CaptureWriter) -> None:
        self._writer = writer
        self._closed = False
        self.error: KerfbusError | None = None
        self.on_error: Callable[[KerfbusError], None] | None = None

    def inbound(self, chunk: Chunk) -> None:
        """Record what was heard."""
        try:  # not by way of `_attempt`: these two calls are most of what recording costs
            if not self._closed:
                self._writer.inbound(chunk)
        except KerfbusError as error:
            self._failed(error)

    def outbound(self, data: bytes, at: int) -> None:
        """Record what was sent; `at` is the end of its last stop bit."""
        try:
            if not self._closed:
                self._writer.outbound(data, at)
        except KerfbusError as error:
            self._failed(error)

    def event(self, kind: LineEventKind, at: int, value: int = 0, comment: str = "") -> None:
        """Record a line event."""
        self._attempt(lambda: self._writer.event(kind, at, value=value, comment=comment))

    def settings_changed(self, settings: LineSettings, at: int) -> None:
        """Record that other line settings are in force from `at` on."""
        self._attempt(lambda: self._writer.settings_changed(settings, at))

    def mark(self, key: str, value: str, at: int) -> None:
        """Record a mark.

        Raises:
            UsageError: it is not of the form; that is its author's mistake, not the file's.
        """
        try:
            self._writer.mark(key, value, at)
        except CaptureError as error:
            self._failed(error)

    def close(self) -> None:
        """Flush and close the capture; what comes later is not recorded."""
        self._attempt(self._writer.close)
        self._closed = True

    def _failed(self, error: KerfbusError) -> None:
        if self.error is None:
            self.error = error
            if self.on_error is not None:
                self.on_error(error)

    def _attempt(self, write: Callable[[], None]) -> None:
        try:
            if not self._closed:
                write()
        except KerfbusError as error:
            self._failed(error)


class RecordingTransport(Through):
    """A transport that records all that passes through another one.

    What is received while a send is under way is recorded behind it: it is the echo of what is
    being sent, or the answer to it, and a reader should meet the cause first. So stamps may run
    backwards there by the length of what was sent. What a send that was broken off had put on the
    line is unknown; a mark says that there was one. A loss of the port is recorded when a call
    meets it, a return with the first characters after it, both earlier by way of `port_event`.

    Not promised: characters that were received before `reconfigure` and are fetched after it stand
    behind the ``settings changed`` event.

    Args:
        inner: does the work.
        writer: of the capture; its settings are those of `inner`. `close` closes both.
    """

    def __init__(self, inner: Transport, writer: CaptureWriter) -> None:
        super().__init__(inner)
        self._recorder = Recorder(writer)
        self._gone = False
        self._closed = False
        self._sending_since: int | None = None
        self._hold_until = 0
        self._held: list[Chunk] = []
        self._dropped = self._host_dropped()
        self._counters_due = 0
        self.event(LineEventKind.OPENED)

    @property
    def capture_error(self) -> KerfbusError | None:
        """Return what went wrong with the capture, None as long as nothing has."""
        return self._recorder.error

    def when_capture_fails(self, tell: Callable[[KerfbusError], None]) -> None:
        """Have `tell` called once, at the moment when the recording fails."""
        self._recorder.on_error = tell

    def mark(self, key: str, value: str, at: int | None = None) -> None:
        """Record a mark, e.g. ``arc`` ``on``; without `at`, now.

        Raises:
            UsageError: the key is empty or holds an equals sign, or the text is too long.
        """
        self._recorder.mark(key, value, self.clock.now() if at is None else at)

    def event(
        self, kind: LineEventKind, at: int | None = None, value: int = 0, comment: str = ""
    ) -> None:
        """Record a line event that this transport cannot see by itself; without `at`, now."""
        self._recorder.event(kind, self.clock.now() if at is None else at, value, comment)

    def port_event(self, kind: LineEventKind, at: int, comment: str) -> None:
        """Record that the port was lost or opened again; for whoever reopens it."""
        if (kind is LineEventKind.LOST) != self._gone:
            self._gone = not self._gone
            self._recorder.event(kind, at, comment=comment)

    async def send(self, data: bytes) -> int:
        """Send characters and record them with the instant that the port gives."""
        began = self.clock.now()
        self._sending_since = began
        self._hold_until = began + self.settings.characters_ns(len(data)) + HOLD_NS
        try:
            sent = await self._inner.send(data)
        except BaseException as error:
            self._release()
            if not self._gone:
                note = f"note=a send of {len(data)} characters was broken off"
                self.event(LineEventKind.MARK, comment=note)
            if isinstance(error, PortLostError):
                self.port_event(LineEventKind.LOST, self.clock.now(), "")
            raise
        finally:
            self._sending_since = None
        if self._gone:
            self.port_event(LineEventKind.OPENED, sent, "")
        self._recorder.outbound(data, sent)
        if self._held:
            self._release()
        return sent

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters and record them."""
        try:
            chunk = await self._inner.receive(until)
        except PortLostError:
            self.port_event(LineEventKind.LOST, self.clock.now(), "")
            raise
        if chunk is not None:
            if self._gone:
                self.port_event(LineEventKind.OPENED, chunk.at, "")
            if chunk.at >= self._counters_due:
                self._count_dropped(chunk.at)
            since = self._sending_since
            if since is not None and since <= chunk.at <= self._hold_until:
                self._held.append(chunk)
            else:
                if self._held:
                    self._release()
                self._recorder.inbound(chunk)
        return chunk

    def send_at_once(self, data: bytes, silent_until: int) -> int | None:
        """Send characters and record them, where nothing has to wait."""
        if self._gone or self._sending_since is not None:
            return None
        sent = self._inner.send_at_once(data, silent_until)
        if sent is not None:
            self._recorder.outbound(data, sent)
        return sent

    def receive_at_once(self, until: int) -> Chunk | None:
        """Return the next characters and record them, where nothing has to wait."""
        if self._gone or self._sending_since is not None:
            return None
        chunk = self._inner.receive_at_once(until)
        if chunk is not None:
            if chunk.at >= self._counters_due:
                self._count_dropped(chunk.at)
            self._recorder.inbound(chunk)
        return chunk

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format, and record the change."""
        before = self._inner.settings
        await self._inner.reconfigure(settings)
        if self._inner.settings != before:
            self._recorder.settings_changed(self._inner.settings, self.clock.now())

    async def close(self) -> None:
        """Release the port and end the capture."""
        if self._closed:
            return
        self._closed = True
        try:
            self._count_dropped(self.clock.now())
            await self._inner.close()
        finally:
            self._release()
            self.port_event(LineEventKind.LOST, self.clock.now(), "closed")
            self._recorder.close()

    def _release(self) -> None:
        """Record what was held back."""
        held, self._held = self._held, []
        for chunk in held:
            self._recorder.inbound(chunk)

    def _count_dropped(self, at: int) -> None:
        """Record how many characters the host dropped since the last look, if it tells."""
        self._counters_due = at + COUNTERS_NS
        before, self._dropped = self._dropped, self._host_dropped()
        if self._dropped > before:  # less: a port that was opened again counts from 0
            self.event(LineEventKind.DROPPED, at, value=self._dropped - before)

    def _host_dropped(self) -> int:
        """Return the driver's count; 0 when it does not tell."""
        with contextlib.suppress(PortError):
            counters = self._inner.counters()
            if counters is not None:
                return counters.dropped or 0
        return 0


def recorded(
    transport: Transport,
    path: str | PathLike[str],
    vantage: Vantage,
    *,
    seed: int | None = None,
    overwrite: bool = False,
) -> RecordingTransport:
    """Return a transport that records to a file what passes through another one.

    Args:
        transport: does the work; closed by closing the result.
        path: the file.
        vantage: whether the station is ``client``, ``server`` or ``tap``.
        seed: of the simulated line, None for a real one.
        overwrite: whether a file of this name may be replaced.

    Raises:
        CaptureError: the file exists, is being written by another writer, or cannot be written.
    """
    writer = CaptureWriter(
        path,
        settings=transport.settings,
        vantage=vantage,
        timing=transport.timing,
        clock=transport.clock.kind,
        uncertainty_ns=transport.uncertainty_ns,
        seed=seed,
        overwrite=overwrite,
        buffered=transport.clock.kind == "virtual",
    )
    return RecordingTransport(transport, writer)
