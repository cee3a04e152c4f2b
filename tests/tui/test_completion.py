"""Completion as a shell does it: the printed script is read by real shells, and words come out."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import console
import pytest

NAME = Path(console.PROGRAM).name


def completed(words: str) -> list[str]:
    """Return what bash offers after the printed script was read, for the last of some words."""
    count = len(words.split(" ")) - 1
    script = (
        f"source <({NAME} completion bash) && COMP_WORDS=({words}) && COMP_CWORD={count} && "
        f'_kerfbus_completion {NAME} && printf "%s\\n" "${{COMPREPLY[@]}}"'
    )
    run = subprocess.run(
        ["bash", "--norc", "-c", script],
        env={**os.environ, "PATH": f"{Path(console.PROGRAM).parent}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stderr == ""
    return run.stdout.split()


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("kerfbus doc", {"doctor"}),
        ("kerfbus map sh", {"show"}),
        ("kerfbus read --ti", {"--timeout"}),
        ("kerfbus completion b", {"bash"}),
    ],
)
def test_bash_completes(words: str, offered: set[str]) -> None:
    assert set(completed(words)) == offered


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_other_shells_understand_the_script(shell: str) -> None:
    """Where the shell is there it parses the script; the script is looked at in any case."""
    script = console.call("completion", shell).out
    assert "_KERFBUS_COMPLETE" in script
    assert f"{shell}_complete" in script
    if shutil.which(shell) is not None:
        subprocess.run([shell, "-n"], input=script, text=True, check=True)


def test_a_program_gets_the_script_whole() -> None:
    answer = console.call("completion", "bash", "--json").answer
    assert answer["shell"] == "bash"
    assert answer["script"].strip() == console.call("completion", "bash").out.strip()


def test_another_shell_is_refused_in_one_line() -> None:
    run = console.call("completion", "csh")
    assert run.code == 2
    assert "bash" in run.err
