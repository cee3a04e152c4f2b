"""A register map as Markdown tables, group by group."""

from __future__ import annotations

from collections.abc import Iterator

from kerfbus.bench.mapexport.identifiers import origin
from kerfbus.bench.regmap import Register, RegisterMap

HEAD = "| name | table | address | type | unit | range | access | meaning |"
RULE = "|---|---|---|---|---|---|---|---|"


def markdown(register_map: RegisterMap) -> str:
    """Return the text."""
    header = register_map.header
    lines = [f"# {_cell(header.title or register_map.name)}", ""]
    if header.note:
        lines += [_cell(header.note), ""]
    lines += [
        f"From the factory: server {header.server}, {header.settings}.",
        "Addresses count from 0; value = raw * scale + offset.",
        "",
    ]
    groups = dict.fromkeys((*register_map.groups, *(each.group for each in register_map.registers)))
    for group in groups:
        members = [each for each in register_map.registers if each.group == group]
        if members:
            title = register_map.groups.get(group) or group or "Others"
            lines += [f"## {_cell(title)}", "", HEAD, RULE, *map(_row, members), ""]
            lines += _legends(members)
    return "\n".join([*lines, f"*{_cell(origin(register_map))}*", ""])


def _cell(text: str) -> str:
    return text.replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")


def _row(register: Register) -> str:
    length = f"+{register.words}" if register.words > 1 else ""
    scale = f" x {register.scale:g}" if register.type.numeric and register.scale != 1 else ""
    offset = f" {register.offset:+g}" if register.offset else ""
    low, high = register.min, register.max
    bounds = "" if low is None and high is None else f"{_bound(low)} to {_bound(high)}"
    arc = " **can strike an arc**" if register.can_strike_arc else ""
    cells = (
        f"`{register.name}`",
        str(register.table),
        f"{register.address}{length}",
        f"{register.type}{scale}{offset}",
        register.unit or "",
        bounds,
        register.access,
        register.description,
    )
    return "| " + " | ".join(_cell(each) for each in cells) + arc + " |"


def _bound(value: float | None) -> str:
    return "any" if value is None else f"{value:g}"


def _legends(members: list[Register]) -> Iterator[str]:
    """Yield what bits and numbers mean, under their table."""
    for register in members:
        for word, names in (("", register.values), ("bit ", register.bits)):
            if names:
                listed = ", ".join(f"{word}{raw} {_cell(name)}" for raw, name in names.items())
                yield f"`{register.name}`: {listed}."
                yield ""
