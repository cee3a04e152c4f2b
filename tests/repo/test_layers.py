"""The import graph is the architecture: the contracts in pyproject.toml hold, and can break."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import tree


def run_contracts(folder: Path) -> subprocess.CompletedProcess[str]:
    """Run the import contracts over the folders below `folder`."""
    links = folder / ".links" / "kerfbus"
    links.mkdir(parents=True, exist_ok=True)
    for name in tree.FOLDERS:
        link = links / name
        if not link.exists():
            link.symlink_to(folder / name)
    return subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-logo", "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(links.parent), "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """Return a copy of the product that a test may spoil."""
    for name in tree.FOLDERS:
        shutil.copytree(tree.ROOT / name, tmp_path / name)
    shutil.copy(tree.ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_contracts_hold() -> None:
    run = run_contracts(tree.ROOT)
    assert run.returncode == 0, run.stdout


@pytest.mark.slow
@pytest.mark.parametrize(
    ("module", "line", "named"),
    [
        ("bench/crc.py", "import kerfbus.sim", "kerfbus.bench.crc -> kerfbus.sim"),
        ("sim/__init__.py", "import kerfbus.tui", "kerfbus.sim -> kerfbus.tui"),
        ("bench/line.py", "import serial", "kerfbus.bench.line -> serial"),
        ("bench/errors.py", "import click", "kerfbus.bench.errors -> click"),
        ("sim/__init__.py", "import pymodbus", "kerfbus.sim -> pymodbus"),
        ("bench/framing.py", "import time", "kerfbus.bench.framing -> time"),
    ],
)
def test_an_arrow_the_wrong_way_is_named(copy: Path, module: str, line: str, named: str) -> None:
    with (copy / module).open("a") as file:
        file.write(f"\n{line}\n")
    run = run_contracts(copy)
    assert run.returncode != 0
    assert named in " ".join(run.stdout.split())
