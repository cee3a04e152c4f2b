"""Two ptys joined by socat: a cable with a name at each end, which a test can pull."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest


@contextlib.contextmanager
def cable(*ends: Path) -> Iterator[None]:
    """Join two ptys for as long as the context lasts."""
    socat = shutil.which("socat")
    if socat is None:
        pytest.skip("socat is not installed")
    with subprocess.Popen([socat, *(f"pty,raw,echo=0,link={end}" for end in ends)]) as process:
        try:
            while not all(end.exists() for end in ends):
                assert process.poll() is None
                time.sleep(0.01)
            yield
        finally:
            process.terminate()
