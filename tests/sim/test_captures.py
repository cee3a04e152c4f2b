"""The committed captures: made again byte for byte, decoded to what stands beside them."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import console
import pytest

FOLDER = Path(__file__).parents[2] / "captures"
NAMES = sorted(path.stem for path in FOLDER.glob("*.pcapng"))


def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("captures_make", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


async def test_captures_are_made_again_byte_for_byte(tmp_path: Path) -> None:
    module = maker()
    await module.make(tmp_path)
    assert sorted(module.CAPTURES) == NAMES
    for name in NAMES:
        made = (tmp_path / f"{name}.pcapng").read_bytes()
        assert made == (FOLDER / f"{name}.pcapng").read_bytes(), f"{name}: run `make captures`"


@pytest.mark.parametrize("name", NAMES)
def test_capture_decodes_to_what_stands_beside_it(name: str) -> None:
    run = console.call("decode", FOLDER / f"{name}.pcapng")
    assert run.code == 0
    wanted = (FOLDER / f"{name}.txt").read_text(encoding="utf-8")
    assert run.out == wanted


def test_each_capture_has_its_reason() -> None:
    table = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert NAMES
    assert all(f"| `{name}` |" in table for name in NAMES)
