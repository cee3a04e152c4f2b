"""Whether Python, the libraries and the optional parts are there, as the package asks for them.

What is asked for comes from the installed package's own metadata, which is made from
pyproject.toml; so there is no second list of versions to keep. Nothing is imported to find out.
"""

from __future__ import annotations

import platform
import shutil
from collections.abc import Iterable, Iterator
from importlib.metadata import PackageNotFoundError, metadata, requires, version

from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.version import Version

from kerfbus.bench.doctor import Check, Level

TOPIC = "software"
EXTRA_TOPIC = "optional"
PACKAGE = "kerfbus"
FOR_USERS = {
    "fast": "a quicker bulk bit-error line",
    "parquet": "captures as Parquet tables",
    "plot": "pictures (kerfbus scenario plot)",
}
"""Extras that a user may want and what each is for; others are for contributors."""
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "msedge")


def check_software(package: str = PACKAGE) -> Iterator[Check]:
    """Yield what is found of Python, the package itself and the libraries that it needs."""
    try:
        about = metadata(package)
    except PackageNotFoundError:
        yield Check(TOPIC, package, "not installed", Level.BAD, f"pip install {package}")
        return
    yield check_python(platform.python_version(), about["Requires-Python"] or "")
    yield Check(TOPIC, package, about["Version"])
    for each in needed(requires(package) or ()):
        yield check_library(each)


def check_python(found: str, asked: str) -> Check:
    """Compare the interpreter's version with what the package asks for."""
    state = f"{found} on {platform.system()} {platform.release()}, {platform.machine()}"
    if Version(found) in SpecifierSet(asked, prereleases=True):
        return Check(TOPIC, "Python", state)
    return Check(TOPIC, "Python", state, Level.BAD, f"use a Python {asked}")


def needed(asked: Iterable[str], extra: str = "") -> list[Requirement]:
    """Return the requirements without an extra, or those that an extra adds, that apply here."""
    every = [Requirement(each) for each in asked]
    plain = [each for each in every if each.marker is None or each.marker.evaluate({"extra": ""})]
    if not extra:
        return plain
    return [
        each
        for each in every
        if each not in plain and each.marker is not None and each.marker.evaluate({"extra": extra})
    ]


def check_library(asked: Requirement) -> Check:
    """Compare an installed library with what is asked for."""
    do = f"pip install '{asked.name}{asked.specifier}'"
    try:
        found = version(asked.name)
    except PackageNotFoundError:
        return Check(TOPIC, asked.name, "not installed", Level.BAD, do)
    if asked.specifier.contains(found, prereleases=True):
        return Check(TOPIC, asked.name, found)
    return Check(TOPIC, asked.name, f"{found}; asked for is {asked.specifier}", Level.BAD, do)


def check_extras(package: str = PACKAGE) -> Iterator[Check]:
    """Yield which optional parts are there. One that is missing is no mistake."""
    try:
        offered = metadata(package).get_all("Provides-Extra") or []
    except PackageNotFoundError:
        return
    for name in sorted(FOR_USERS.keys() & set(offered)):
        yield _extra(package, name)
    yield check_browser()


def _extra(package: str, name: str) -> Check:
    """Say whether all that an extra adds is there."""
    what = f"{name}: {FOR_USERS[name]}"
    found = [check_library(each) for each in needed(requires(package) or (), name)]
    lacking = [f"{each.what} {each.state}" for each in found if each.level is Level.BAD]
    if lacking:
        return Check(
            EXTRA_TOPIC, what, ", ".join(lacking), Level.NOTE, f"pip install '{package}[{name}]'"
        )
    return Check(EXTRA_TOPIC, what, ", ".join(f"{each.what} {each.state}" for each in found))


def check_browser(names: Iterable[str] = BROWSERS) -> Check:
    """Say which browser can print a page to PDF without a window."""
    what = "browser: pages as PDF"
    for name in names:
        if path := shutil.which(name):
            return Check(EXTRA_TOPIC, what, path)
    return Check(
        EXTRA_TOPIC,
        what,
        "none found",
        Level.NOTE,
        "install Chromium, or print the HTML file from any browser",
    )
