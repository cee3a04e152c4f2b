"""Recording what passes while a command runs, when a capture was asked for."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from kerfbus.bench.errors import CaptureError
from kerfbus.bench.recorder import RecordingTransport, recorded
from kerfbus.bench.transport import Transport, Vantage
from kerfbus.tui.output import Output


@asynccontextmanager
async def recording(
    port: Transport, capture: str | None, vantage: Vantage
) -> AsyncIterator[Transport]:
    """Give a transport that records to a new file, or the port itself when none was asked for.

    Raises:
        CaptureError: the file exists or cannot be written.
    """
    if capture is None:
        yield port
        return
    async with recorded(port, capture, vantage) as transport:
        yield transport


class SeveralRecordings:
    """Records lines that come and go, each to a new file: FILE, then FILE-2, FILE-3 and so on.

    Args:
        capture: the first file, None to record nothing.

    Raises:
        CaptureError: the first file exists.
    """

    def __init__(self, capture: str | None) -> None:
        self._first = None if capture is None else Path(capture)
        if self._first is not None and self._first.exists():
            raise CaptureError(str(capture), "exists already; name a new file")
        self._lines: list[tuple[Transport, str]] = []

    def wrap(self, line: Transport) -> Transport:
        """Return a transport that records a line that came up; the line itself to record nothing.

        Raises:
            CaptureError: its file exists or cannot be written.
        """
        if self._first is None:
            return line
        number = len(self._lines) + 1
        path = self._first
        if number > 1:
            path = path.with_name(f"{path.stem}-{number}{path.suffix}")
        transport = recorded(line, path, "server")
        self._lines.append((transport, str(path)))
        return transport

    def tell(self, output: Output) -> None:
        """Say where the recordings are."""
        for transport, path in self._lines:
            tell_recording(transport, path, output)


def tell_recording(transport: Transport, capture: str | None, output: Output) -> None:
    """Say where the recording is, and whether something is missing from it."""
    if not isinstance(transport, RecordingTransport):
        return
    if transport.capture_error is None:
        output.text(f"Recorded to {capture}.")
    else:
        output.remark(f"the recording is not complete: {transport.capture_error}", always=True)
