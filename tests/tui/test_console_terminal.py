"""The console in a real terminal: started by its command, its screen read by tmux."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import console as programs
import pytest

TMUX = shutil.which("tmux")


@pytest.mark.skipif(TMUX is None, reason="needs tmux (apt install tmux)")
def test_a_person_starts_it_looks_records_and_leaves(tmp_path: Path) -> None:
    file = tmp_path / "seen.pcapng"
    answer = tmp_path / "answer.json"
    with programs.supply_on_pty(tmp_path) as port:
        command = f"{programs.PROGRAM} console --port {port} --capture {file} --json >{answer}"
        tmux = terminal(tmp_path)
        tmux("new-session", "-d", "-s", "kerf", "-x", "80", "-y", "24", f"{command}; sleep 60")
        try:
            programs.eventually(lambda: "server 1 answers" in screen(tmux))
            programs.eventually(lambda: "● REC" in screen(tmux))
            assert "[1 Values]" in screen(tmux)
            tmux("send-keys", "-t", "kerf", "2")
            programs.eventually(lambda: "[2 Line]" in screen(tmux))
            programs.eventually(lambda: "← 1" in screen(tmux))
            tmux("resize-window", "-t", "kerf", "-x", "140", "-y", "45")
            programs.eventually(lambda: "Turnaround" in screen(tmux))
            assert all(len(line) <= 140 for line in screen(tmux).splitlines())
            tmux("send-keys", "-t", "kerf", "q")
            programs.eventually(lambda: answer.is_file() and answer.read_text().endswith("}\n"))
        finally:
            tmux("kill-server")
    assert f'"capture": "{file}"' in answer.read_text()
    assert '"capture_error": null' in answer.read_text()
    assert programs.call("decode", file).code == 0


def terminal(folder: Path) -> Callable[..., str]:
    """Return what runs tmux with a server of its own."""
    environment = {**os.environ, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8"}
    for name in ("COLUMNS", "LINES"):  # parallel test workers set them, and they win over the size
        environment.pop(name, None)

    def run(*arguments: str) -> str:
        assert TMUX is not None
        command = [TMUX, "-f", "/dev/null", "-S", str(folder / "tmux"), *arguments]
        return subprocess.run(
            command, capture_output=True, text=True, check=True, env=environment
        ).stdout

    return run


def screen(tmux: Callable[..., str]) -> str:
    """Return what stands on the screen."""
    return tmux("capture-pane", "-p", "-t", "kerf")


@pytest.mark.parametrize("arguments", [(), ("--listen", "--open", "x.pcapng")])
def test_without_a_terminal_it_says_so_in_a_line(arguments: tuple[str, ...]) -> None:
    run = programs.run("console", *arguments)
    assert run.code == 2
    assert run.err.count("\n") == 1
    assert run.err.startswith("kerfbus: ")
