"""Programs that tests start: the supply as a user starts it, and ours on libmodbus."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pytest

HERE = Path(__file__).parent
PROGRAM = str(Path(sys.executable).with_name("kerfbus"))


@cache
def compiled(name: str) -> str:
    """Return the program made from `name`.c; skip where it cannot be made here."""
    compiler = shutil.which("gcc")
    if compiler is None:
        pytest.skip("gcc is not installed (apt: gcc)")
    flags = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"],
        capture_output=True,
        text=True,
        check=False,
    )
    if flags.returncode:
        pytest.skip("libmodbus is not installed (apt: libmodbus-dev pkg-config)")
    target = Path(mkdtemp(prefix="kerfbus-")) / name
    source = HERE / f"{name}.c"
    subprocess.run(
        [compiler, "-Wall", "-Wextra", "-Werror", "-o", target, source, *flags.stdout.split()],
        check=True,
    )
    return str(target)


@contextlib.contextmanager
def running(*command: str) -> Iterator[subprocess.Popen[str]]:
    """Run a program that says one line when it is ready, and end it with Ctrl-C's signal."""
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        if not line:
            raise AssertionError(f"{command} ended: {process.communicate()[1]}")
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(2)
        process.communicate(timeout=20)


@contextlib.contextmanager
def supply(*options: str) -> Iterator[subprocess.Popen[str]]:
    """Run `kerfbus supply` with options."""
    with running(PROGRAM, "supply", *options) as process:
        yield process
    assert process.returncode == 0, "Ctrl-C must end the supply cleanly"
