"""What is built holds what it should, and works in a new environment, with and without an extra.

The wheel is built from the unpacked sdist, as an installer without the repository would. The new
environment has nothing but pip's work on the wheel and links to the installed libraries that the
wheel asks for; so what is not asked for is not there. That the libraries themselves can be
installed is what `make setup` shows.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tarfile
import venv
import zipfile
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import NamedTuple

import pytest
import tree
from packaging.requirements import Requirement

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="other platform: links"),
]

BUILD = "import sys; from setuptools import build_meta as b; getattr(b, sys.argv[1])(sys.argv[2])"
OUTSIDE = ("pyproject.toml", "README.md", "LICENSE")
MADE = {"PKG-INFO", "setup.cfg"}
"""What setuptools adds to an sdist, beside `kerfbus.egg-info`."""


class Built(NamedTuple):
    """The two files that are published."""

    sdist: Path
    wheel: Path


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Build the sdist from what belongs to the repository, and the wheel from the sdist."""
    folder = tmp_path_factory.mktemp("built")
    copy = folder / "copy"
    for path in tree.tracked_files():  # all of it: what must not get in could get in
        (copy / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(tree.ROOT / path, copy / path)
    build(copy, "build_sdist", folder)
    (sdist,) = folder.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        archive.extractall(folder / "unpacked", filter="data")
    (source,) = (folder / "unpacked").iterdir()
    build(source, "build_wheel", folder)
    (wheel,) = folder.glob("*.whl")
    return Built(sdist, wheel)


def build(source: Path, hook: str, target: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-c", BUILD, hook, str(target)],
        cwd=source,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr


def product() -> set[str]:
    """Return what of the repository a user gets."""
    return {str(path) for path in tree.tracked_files() if path.parts[0] in tree.FOLDERS}


def test_the_wheel_holds_every_module_and_data_file_and_no_more(built: Built) -> None:
    names = zipfile.ZipFile(built.wheel).namelist()
    held = {name for name in names if ".dist-info/" not in name}
    assert held == {f"kerfbus/{path}" for path in product()}
    assert any(name.endswith("licenses/LICENSE") for name in names)


def test_the_sdist_holds_what_it_takes_to_build_and_no_more(built: Built) -> None:
    with tarfile.open(built.sdist) as archive:
        inside = {each.name.partition("/")[2] for each in archive if each.isfile()}
    held = {name for name in inside if not name.startswith("kerfbus.egg-info/")}
    assert held == product() | set(OUTSIDE) | MADE


class Environment:
    """A new environment with the wheel and links to what it asks for, without extras at first."""

    def __init__(self, folder: Path, wheel: Path) -> None:
        self.folder = folder
        venv.create(folder, with_pip=False)
        self.python = folder / "bin" / "python"
        install = [sys.executable, "-m", "pip", "--python", str(self.python)]
        install += ["install", "--quiet", "--no-deps", "--no-index", "--disable-pip-version-check"]
        subprocess.run([*install, str(wheel)], check=True, capture_output=True)
        (self.packages,) = (folder / "lib").glob("python*/site-packages")
        self.add("")

    def add(self, extra: str) -> None:
        """Link what the wheel asks for with an extra, "" for what it asks for in any case."""
        (about,) = self.packages.glob("kerfbus-*.dist-info")
        asked = about.joinpath("METADATA").read_text().partition("\n\n")[0].splitlines()
        lines = [line.partition(": ")[2] for line in asked if line.startswith("Requires-Dist: ")]
        for name in everything(lines, extra):
            link(name, self.packages)

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run the installed program in an empty folder, without what this environment has."""
        place = self.folder / "place"
        place.mkdir(exist_ok=True)
        return subprocess.run(
            [self.folder / "bin" / "kerfbus", *arguments],
            cwd=place,
            # The real home, where a drawing library has its list of fonts already.
            env={
                "PATH": "/usr/bin:/bin",
                "HOME": os.environ.get("HOME", str(place)),
                "LC_ALL": "C.UTF-8",
            },
            capture_output=True,
            text=True,
            check=False,
        )


def everything(asked: list[str], extra: str) -> set[str]:
    """Return the names of the libraries that are asked for, and of those that these ask for."""
    found: set[str] = set()
    waiting = [(each, extra) for each in map(Requirement, asked)]
    while waiting:
        each, given = waiting.pop()
        if each.marker is not None and not each.marker.evaluate({"extra": given}):
            continue
        if each.name in found:
            continue
        try:
            below = distribution(each.name).requires or []
        except PackageNotFoundError:
            assert given == "", f"{each.name} is asked for and not installed"
            continue
        found.add(each.name)
        waiting += [(Requirement(line), "") for line in below]
    return found


def link(name: str, packages: Path) -> None:
    """Link what belongs to an installed library into another environment."""
    library = distribution(name)
    for top in {each.parts[0] for each in library.files or []} - {"..", "__pycache__"}:
        source = Path(str(library.locate_file(top)))
        if source.exists() and not (packages / top).exists():
            (packages / top).symlink_to(source)


@pytest.fixture(scope="module")
def installed(built: Built, tmp_path_factory: pytest.TempPathFactory) -> Environment:
    """Return an environment with what was built."""
    return Environment(tmp_path_factory.mktemp("installed") / "venv", built.wheel)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ("--version", "kerfbus 0."),
        ("demo --brief", "Turnaround"),
        ("map show --group arc", "arc_voltage"),
        ("scenario list", "clean-table"),
        ("process list --json", '"processes"'),
        ("read mode --port sim:worn-electrode", "off"),
        ("completion bash", "complete"),
    ],
)
def test_it_works_where_nothing_else_is(installed: Environment, arguments: str, word: str) -> None:
    run = installed.run(*arguments.split())
    assert run.returncode == 0, run.stderr
    assert word in run.stdout


def test_what_needs_an_extra_says_so_in_one_line_and_works_with_it(installed: Environment) -> None:
    plot = ("scenario", "plot", "clean-table", "--out", "cut.svg")
    run = installed.run(*plot)
    assert run.returncode == 2
    (line,) = run.stderr.splitlines()
    assert "kerfbus[plot]" in line
    found = json.loads(installed.run("doctor", "--json").stdout)["checks"]
    (extra,) = [each for each in found if each["what"].startswith("plot: ")]
    assert extra["level"] == "note"
    assert "kerfbus[plot]" in extra["do"]
    assert [each for each in found if each["topic"] == "software" if each["level"] == "bad"] == []
    installed.add("plot")
    run = installed.run(*plot)
    assert run.returncode == 0, run.stderr
    assert (installed.folder / "place" / "cut.svg").read_text().startswith("<?xml")
