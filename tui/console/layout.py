"""Which values are shown together, and which are asked for from the start.

A person thinks of arc, gas, process, consumables, faults and link. Where a map has the names below
they are put together so; the rest of a map is shown by its own groups, which are asked for when
somebody wants to see them. Nothing here depends on the map of the simulated supply being used.
"""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.bench.regmap import Register, RegisterMap
from kerfbus.tui.chosen import NO_GROUP

FIRST_GROUPS = 4
"""So many groups of an unknown map are asked for from the start (chosen)."""


class Section(NamedTuple):
    """Values that belong together.

    Attributes:
        key: short name, to choose it by.
        title: for people.
        registers: in the order in which they are shown; all can be read.
        first: whether it is asked for from the start.
    """

    key: str
    title: str
    registers: tuple[Register, ...]
    first: bool


_KNOWN: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "arc",
        "Arc",
        ("mode", "output_current", "arc_voltage", "demanded_current", "cut_time", "duty"),
    ),
    ("gas", "Gas", ("inlet_pressure", "flow_pressure", "gas_flow")),
    (
        "process",
        "Process",
        ("current_setpoint", "cutting_pressure_setpoint", "flow_pressure_setpoint", "process"),
    ),
    (
        "consumables",
        "Consumables",
        ("electrode_wear", "nozzle_wear", "swirl_ring_wear", "shield_wear"),
    ),
    ("faults", "Faults", ("fault", "warnings", "last_stop", "heat_sink_temperature")),
    ("link", "Link", ("watchdog_state", "bus_messages", "bus_errors", "server_no_responses")),
)
ARC_NAMES = ("arc_transferred",)
"""Registers that say whether an arc burns, where a map has one of them."""
FAULT_NAMES = ("fault", "warnings")
"""The register of the latched fault, and that of warnings."""
MODE_NAMES = ("mode",)


def sections_of(found: RegisterMap) -> tuple[Section, ...]:
    """Return the sections of a map, those that are asked for from the start first."""
    names = {each.name: each for each in found.registers if each.readable}
    known = []
    for key, title, members in _KNOWN:
        registers = tuple(names[name] for name in members if name in names)
        if len(registers) >= 2:
            known.append(Section(key, title, registers, True))
    taken = {each.name for section in known for each in section.registers}
    rest = _by_group(found, taken)
    if known:
        return (*known, *rest)
    return tuple(
        section._replace(first=number < FIRST_GROUPS) for number, section in enumerate(rest)
    )


def _by_group(found: RegisterMap, taken: set[str]) -> list[Section]:
    """Return what is left of a map by its own groups."""
    blocks: dict[str, list[Register]] = {group: [] for group in found.groups}
    for register in found.registers:
        if register.readable and register.name not in taken:
            blocks.setdefault(register.group, []).append(register)
    sections = []
    for group, members in blocks.items():
        title = found.groups.get(group) or group or NO_GROUP
        if members:
            key = group if group not in {each[0] for each in _KNOWN} or not taken else f"{group}+"
            sections.append(Section(key or "others", title, tuple(members), False))
    return sections


def first_named(found: RegisterMap, names: tuple[str, ...]) -> Register | None:
    """Return the first of some registers that a map has and that can be read."""
    known = {each.name: each for each in found.registers if each.readable}
    return next((known[name] for name in names if name in known), None)
