"""Recording what passes while a command runs, when a capture was asked for."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from kerfbus.bench.errors import CaptureError, KerfbusError
from kerfbus.bench.ports import is_simulated
from kerfbus.bench.recorder import RecordingTransport, recorded
from kerfbus.bench.transport import Transport, Vantage
from kerfbus.tui.output import Output


@asynccontextmanager
async def recording(
    port: Transport,
    capture: str | None,
    vantage: Vantage,
    output: Output,
    seed: int | None = None,
) -> AsyncIterator[Transport]:
    """Give a transport that records to a new file, or the port itself when none was asked for.

    At the end, however it comes, it says where the recording is.

    Args:
        port: the line.
        capture: the new file, None to record nothing.
        vantage: of whoever uses the line.
        output: where that is said.
        seed: of a simulated line, so that a rerun finds the same world.

    Raises:
        CaptureError: the file exists or cannot be written, or the recording is not complete.
    """
    if capture is None:
        yield port
        return
    transport = recorded(port, capture, vantage, seed=seed)
    transport.when_capture_fails(lambda _: _stopped(capture, output))
    try:
        try:
            async with transport:
                yield transport
        finally:
            _write_truth(port, capture)
    except KerfbusError:
        if transport.capture_error is not None:  # the second trouble, said before the first
            output.remark(str(transport.capture_error), always=True)
        else:
            tell_recording(transport, capture, output)
        raise
    except asyncio.CancelledError:
        tell_recording(transport, capture, output)
        raise
    tell_recording(transport, capture, output)


def _write_truth(port: Transport, capture: str) -> None:
    """Write what was really so beside the recording, where the port is a simulated pair."""
    if is_simulated(port.name):
        from kerfbus.sim.pairport import PairTransport

        if isinstance(port, PairTransport):
            port.write_truth(capture)


def _stopped(capture: str, output: Output) -> None:
    """Say at once that nothing more is recorded; why is said at the end, as the run's error."""
    output.remark(f"{capture}: the recording stopped just now, the rest goes on", always=True)


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
        self._lines: list[tuple[RecordingTransport, str]] = []

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
        """Say where the recordings are, once their lines are closed.

        Raises:
            KerfbusError: one of them is not complete; said after all that are.
        """
        bad = [each for each in self._lines if each[0].capture_error is not None]
        for transport, path in [each for each in self._lines if each not in bad] + bad:
            tell_recording(transport, path, output)


def tell_recording(transport: RecordingTransport, capture: str, output: Output) -> None:
    """Say where a closed recording is.

    Raises:
        KerfbusError: something is missing from it.
    """
    if transport.capture_error is not None:
        raise transport.capture_error
    output.text(f"Recorded to {capture}.")
