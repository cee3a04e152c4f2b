"""How two register maps differ, by name and by place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any, NamedTuple

from kerfbus.bench.regmap import Register, RegisterMap

_COMPARED = tuple(
    each.name for each in fields(Register) if each.name not in ("name", "codec", "description")
)


class Change(NamedTuple):
    """One field of a register that differs.

    Attributes:
        name: of the register.
        field: of the register.
        before, after: its values.
    """

    name: str
    field: str
    before: Any
    after: Any


class Renamed(NamedTuple):
    """A place that has another name, and otherwise means the same."""

    before: str
    after: str


class MapDiff(NamedTuple):
    """What differs.

    Attributes:
        removed, added: names that only the first and only the second map has.
        renamed: registers at the same place with the same meaning and another name.
        changed: fields, in the order of the first map.
    """

    removed: tuple[str, ...]
    added: tuple[str, ...]
    renamed: tuple[Renamed, ...]
    changed: tuple[Change, ...]

    @property
    def same(self) -> bool:
        """Return whether nothing differs."""
        return not any(self)

    def to_json(self) -> dict[str, Any]:
        """Return the answer of ``map diff --json``."""
        return {
            "same": self.same,
            "removed": list(self.removed),
            "added": list(self.added),
            "renamed": [each._asdict() for each in self.renamed],
            "changed": [
                {
                    "name": each.name,
                    "field": each.field,
                    "before": _plain(each.before),
                    "after": _plain(each.after),
                }
                for each in self.changed
            ],
        }


def diff_maps(first: RegisterMap, second: RegisterMap) -> MapDiff:
    """Compare two maps. Descriptions do not count: they change nothing that happens."""
    before = {each.name: each for each in first.registers}
    after = {each.name: each for each in second.registers}
    gone = {name: each for name, each in before.items() if name not in after}
    come = {name: each for name, each in after.items() if name not in before}
    renamed = tuple(_renamed(gone, come))
    for pair in renamed:
        del gone[pair.before], come[pair.after]
    changed = tuple(
        Change(name, field, getattr(before[name], field), getattr(after[name], field))
        for name in before
        if name in after
        for field in _COMPARED
        if getattr(before[name], field) != getattr(after[name], field)
    )
    return MapDiff(tuple(gone), tuple(come), renamed, changed)


def _renamed(gone: Mapping[str, Register], come: Mapping[str, Register]) -> list[Renamed]:
    places = {_meaning(each): name for name, each in come.items()}
    pairs = []
    for name, each in gone.items():
        other = places.pop(_meaning(each), None)
        if other is not None:
            pairs.append(Renamed(name, other))
    return pairs


def _meaning(register: Register) -> str:
    return repr([getattr(register, field) for field in _COMPARED])


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): each for key, each in value.items()}
    return list(value) if isinstance(value, tuple) else value
