"""Running `kerfbus` from a test: in this process, or as the program that a user starts."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from kerfbus.tui.program import main

PROGRAM = str(Path(sys.executable).with_name("kerfbus"))


class Run(NamedTuple):
    """How a run ended and what it said."""

    code: int
    out: str
    err: str

    @property
    def answer(self) -> Any:
        """Return the one JSON object on standard output."""
        (line,) = self.out.splitlines()
        return json.loads(line)

    @property
    def answers(self) -> list[Any]:
        """Return the JSON Lines on standard output."""
        return [json.loads(line) for line in self.out.splitlines()]


def call(*arguments: str | Path) -> Run:
    """Run a command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(each) for each in arguments])
    return Run(code, out.getvalue(), err.getvalue())


@contextlib.contextmanager
def start(*arguments: str | Path, **environment: str) -> Iterator[subprocess.Popen[str]]:
    """Run the program as a child process with pipes while the context lasts.

    The context waits for its end; a test that fails before it has stopped it kills it.
    """
    with subprocess.Popen(
        [PROGRAM, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, **environment},
    ) as process:
        try:
            yield process
        except BaseException:
            process.kill()
            raise


def run(*arguments: str | Path, **environment: str) -> Run:
    """Run the program as a child process to its end."""
    with start(*arguments, **environment) as process:
        out, err = process.communicate()
    return Run(process.returncode, out, err)


@contextlib.contextmanager
def supply_on_pty(folder: Path) -> Iterator[str]:
    """Run a simulated supply on a pty while the context lasts, and give the pty's path."""
    path = folder / "supply"
    with start("supply", "--pty", path) as supply:
        assert supply.stdout is not None
        assert "ready" in supply.stdout.readline()
        yield str(path)
        supply.terminate()


def eventually(holds: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait until something holds; fail when it does not within a generous time."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came true"
        time.sleep(0.02)
