"""The repository as data for `tests/repo`: its folders, its Python modules, its texts."""

from __future__ import annotations

import ast
import functools
import subprocess
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("bench", "sim", "tui")


@functools.cache
def project() -> dict[str, Any]:
    """Return pyproject.toml."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text())


def product_modules() -> list[Path]:
    """Return the Python files of the three folders, relative to the root."""
    return sorted(
        path.relative_to(ROOT)
        for folder in FOLDERS
        for path in (ROOT / folder).rglob("*.py")
        if "__pycache__" not in path.parts
    )


def module_name(path: Path) -> str:
    """Return the import name of a product module."""
    parts = path.with_suffix("").parts
    return ".".join(("kerfbus", *(parts[:-1] if parts[-1] == "__init__" else parts)))


@functools.cache
def parsed(path: Path) -> ast.Module:
    """Return the syntax tree of a file relative to the root."""
    return ast.parse((ROOT / path).read_text(), str(path))


@functools.cache
def tracked_files() -> tuple[Path, ...]:
    """Return what belongs to the repository: what git tracks, plus what it does not ignore.

    Outside a git checkout (an unpacked archive) it is every file that is not hidden.
    """
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if listed.returncode:
        return tuple(
            path.relative_to(ROOT)
            for path in sorted(ROOT.rglob("*"))
            if path.is_file() and not any(part.startswith(".") for part in path.parts)
        )
    names = listed.stdout.decode().split("\0")
    return tuple(Path(name) for name in names if name and (ROOT / name).is_file())
