"""A short memory of the line in temporary files, for explaining what has just been seen.

Two files at most are kept: the one that is written, and the one before it. They go when the console
goes. A recording that a person keeps is another matter (`kerfbus.tui.console.engine`).
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from kerfbus.bench.recorder import RecordingTransport
from kerfbus.tui.console.tap import Passage, Shield

if TYPE_CHECKING:
    from kerfbus.bench.transport import Transport

MOST_BYTES = 8_000_000
"""Of a file: two minutes at a thousand frames a second, hours at ten polls a second (chosen: a
longer one would take long to explain)."""
FEWEST_BYTES = 100_000
"""A file that was only just begun says little; then the one before it is looked at."""


class Spool:
    """The memory.

    Attributes:
        recorder: that writes at present, None before the first `begin`.
    """

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="kerfbus-")
        self._files: list[Path] = []
        self._number = 0
        self._door: Passage | None = None
        self._base: Transport | None = None
        self.recorder: RecordingTransport | None = None

    async def begin(self, base: Transport, door: Passage, vantage: str) -> None:
        """Write to a new file what passes through a door from now on.

        Args:
            base: the port.
            door: led through the new file; nobody may be using it meanwhile.
            vantage: of its user.

        Raises:
            CaptureError: the file cannot be written.
        """
        from kerfbus.bench.capturewriter import CaptureWriter

        self._number += 1
        path = Path(self._folder.name) / f"seen-{self._number}.pcapng"
        writer = CaptureWriter(
            path,
            settings=base.settings,
            vantage=vantage,  # type: ignore[arg-type]
            timing=base.timing,
            clock=base.clock.kind,
            uncertainty_ns=base.uncertainty_ns,
        )
        before, self.recorder = self.recorder, RecordingTransport(Shield(base), writer)
        self._door, self._base = door, base
        door.lead(self.recorder)
        self._files.append(path)
        if before is not None:
            await before.close()
        while len(self._files) > 2:
            self._files.pop(0).unlink(missing_ok=True)

    @property
    def full(self) -> bool:
        """Return whether it is time for another file."""
        return bool(self._files) and _size(self._files[-1]) > MOST_BYTES

    def newest(self) -> str | None:
        """Return the file to look at, None when nothing was written."""
        for path in reversed(self._files):
            if _size(path) >= FEWEST_BYTES:
                return str(path)
        return str(max(self._files, key=_size)) if self._files else None

    async def close(self) -> None:
        """End the memory and forget it."""
        if self.recorder is not None and self._door is not None and self._base is not None:
            self._door.lead(self._base)
            await self.recorder.close()
        self._folder.cleanup()


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
