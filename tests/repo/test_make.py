"""The README's two commands, as far as they can be tried without making an environment."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
import tree

pytestmark = pytest.mark.skipif(shutil.which("make") is None, reason="make is not installed")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with the Makefile and what it looks at first."""
    for name in ("Makefile", "pyproject.toml"):
        shutil.copy(tree.ROOT / name, tmp_path)
    for name in (*tree.FOLDERS, "tests"):
        (tmp_path / name).mkdir()
    return tmp_path


def make(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    # What a surrounding make says to this run must not reach the one on trial.
    ours = ("VENV", "PYTHON", "ARGS", "MAKEFLAGS", "MFLAGS", "MAKELEVEL", "MAKEOVERRIDES")
    return subprocess.run(
        ["make", "--no-print-directory", *arguments],
        cwd=folder,
        env={name: value for name, value in os.environ.items() if name not in ours},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("target", ["demo", "test"])
def test_an_old_python_is_refused_in_one_line(folder: Path, target: str) -> None:
    old = folder / "python-old"
    old.write_text("#!/bin/sh\nexit 1\n")
    old.chmod(0o755)
    run = make(folder, target, f"PYTHON={old}")
    assert run.returncode != 0
    assert run.stderr.splitlines()[0] == (
        f"kerfbus needs Python 3.11 or newer; {old} is older or missing."
    )
    assert not (folder / ".venv").exists()


def test_a_python_that_is_new_enough_is_found(folder: Path) -> None:
    run = make(folder, "demo", "--dry-run")
    assert 'found="python' in run.stdout


def test_a_folder_that_is_no_environment_is_never_removed(folder: Path) -> None:
    mine = folder / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("years of work")
    assert make(folder, "clean", f"VENV={mine}").returncode == 0
    assert (mine / "thesis.txt").exists()
    (mine / "pyvenv.cfg").touch()
    assert make(folder, "clean", f"VENV={mine}").returncode == 0
    assert not mine.exists()
