"""What a person chose on the command line: the map, the groups, the registers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from kerfbus.bench.errors import UsageError
from kerfbus.bench.regmap import Register, RegisterMap
from kerfbus.sim.maps import default_map, open_map

NO_GROUP = "Others"


def chosen_map(file: str | None) -> RegisterMap:
    """Return the map in a file or of a name; without either that of the simulated supply."""
    return default_map() if file is None else open_map(file)


def in_groups(found: RegisterMap, groups: Sequence[str]) -> list[Register]:
    """Return the registers of some groups, all of them when none is given.

    Raises:
        UsageError: the map has no such group.
    """
    known = list(dict.fromkeys((*found.groups, *(each.group for each in found.registers))))
    for group in groups:
        if group not in known:
            raise UsageError(
                f"map {found.name} has no group {group!r}; it has " + ", ".join(filter(None, known))
            )
    return [each for each in found.registers if not groups or each.group in groups]


def by_group(found: RegisterMap, registers: Iterable[Register]) -> list[tuple[str, list[Register]]]:
    """Return registers under the titles of their groups, in the order that the map gives them."""
    blocks: dict[str, list[Register]] = {group: [] for group in found.groups}
    for register in registers:
        blocks.setdefault(register.group, []).append(register)
    return [(_title(found, group), members) for group, members in blocks.items() if members]


def _title(found: RegisterMap, group: str) -> str:
    """Return a group's description and, to be typed, its name."""
    if not group:
        return NO_GROUP
    description = found.groups.get(group)
    return f"{description} ({group})" if description else group
