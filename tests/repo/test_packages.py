"""What is packaged is what is on the disk, and every module of it can be imported."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest
import tree

PACKAGES = {
    f"kerfbus.{'.'.join(path.parent.parts)}": str(path.parent)
    for path in tree.product_modules()
    if path.name == "__init__.py"
}


def test_listed_packages_equal_the_folders() -> None:
    listed = tree.project()["tool"]["setuptools"]
    assert sorted(listed["packages"]) == sorted(PACKAGES)
    assert listed["package-dir"] == PACKAGES


def test_every_folder_with_modules_is_a_package() -> None:
    without = {path.parent for path in tree.product_modules()} - {
        Path(folder) for folder in PACKAGES.values()
    }
    assert not without, "these folders have no __init__.py and would be left out of a wheel"


@pytest.mark.parametrize("folder", tree.FOLDERS)
def test_folder_is_typed(folder: str) -> None:
    assert (tree.ROOT / folder / "py.typed").read_bytes() == b""


def test_kerfbus_itself_is_a_namespace() -> None:
    import kerfbus

    assert getattr(kerfbus, "__file__", None) is None


@pytest.mark.parametrize("name", [tree.module_name(path) for path in tree.product_modules()])
def test_module_imports_and_its_examples_are_true(name: str) -> None:
    module = importlib.import_module(name)
    failures, _ = doctest.testmod(module, optionflags=doctest.ELLIPSIS)
    assert not failures
