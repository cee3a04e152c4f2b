"""Register maps that ship with the package (all invented)."""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path

from kerfbus.bench.errors import MapError
from kerfbus.bench.regmap import RegisterMap, load_map, parse_map

DEFAULT = "supply"
"""Name of the simulated supply's own map."""


@cache
def default_map() -> RegisterMap:
    """Return the map of the simulated supply."""
    return open_map(DEFAULT)


def map_names() -> tuple[str, ...]:
    """Return the names of the maps that ship, in alphabetical order."""
    files = resources.files(__name__).iterdir()
    return tuple(sorted(file.name.removesuffix(".toml") for file in files if _is_map(file.name)))


def map_text(name: str) -> str:
    """Return a shipped map as it is written, to start one's own from.

    Raises:
        MapError: no map of that name ships.
    """
    if name not in map_names():
        raise MapError(name, f"no such map ships; there is {', '.join(map_names())}")
    return resources.files(__name__).joinpath(f"{name}.toml").read_text("utf-8")


def open_map(name_or_path: str | Path) -> RegisterMap:
    """Return a shipped map by its name, or a user's map by its path.

    A name wins over a file that is called the same; write ``./NAME`` for the file.

    Raises:
        MapError: neither a shipped map nor a good map file.
    """
    if isinstance(name_or_path, str) and name_or_path in map_names():
        return parse_map(map_text(name_or_path), f"{name_or_path}.toml")
    try:
        return load_map(name_or_path)
    except MapError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            names = ", ".join(map_names())
            raise MapError(
                str(name_or_path), f"there is no such file, nor a map of that name ({names})"
            ) from error
        raise


def _is_map(file: str) -> bool:
    return file.endswith(".toml")
