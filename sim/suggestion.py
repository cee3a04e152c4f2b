"""A starting point for a material and thickness, out of a table of processes.

Between two rows of one material and quality:

* of the same current, everything is interpolated: speed along a straight line in logarithms of
  thickness and speed (it falls about as the inverse of thickness), all else linearly;
* of different currents, what goes with nozzle and current (current, pressures, arc voltage,
  stand-off, pierce height, kerf) is the thicker row's; speed and pierce delay are interpolated.

Outside the rows nothing is suggested.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, log
from typing import NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.sim.processes import MATERIALS, QUALITIES, Process, ProcessTable

CAUTION = (
    "A starting point only: cut a test piece and adjust. The manuals of the machine and of the "
    "supply prevail."
)
STEPS = {
    "current": 1.0,
    "cutting_pressure": 0.1,
    "flow_pressure": 0.1,
    "speed": 10.0,
    "arc_voltage": 1.0,
    "stand_off": 0.1,
    "pierce_height": 0.1,
    "pierce_delay": 0.05,
    "kerf": 0.1,
}
"""What is suggested, and to what step it is rounded."""
INTERPOLATED_ALWAYS = ("speed", "pierce_delay")


class Suggestion(NamedTuple):
    """A starting point.

    Attributes:
        material: as in the table.
        quality: as in the table.
        thickness: mm.
        values: by name, of `STEPS`.
        rows: that it comes from: one that fits exactly, or the thinner and the thicker neighbour.
        basis: how, in a sentence.
    """

    material: str
    quality: str
    thickness: float
    values: dict[str, float]
    rows: tuple[Process, ...]
    basis: str

    @property
    def process(self) -> int:
        """Return the number of the process to choose; its set-points are the nearest to these."""
        return self.rows[-1].number


def suggest(
    table: ProcessTable, material: str, thickness: float, quality: str | None = None
) -> Suggestion:
    """Return a starting point.

    Args:
        table: where to look.
        material: of `MATERIALS`.
        thickness: mm.
        quality: of `QUALITIES`; None for the first that covers the thickness, production before
            fine.

    Raises:
        UsageError: no such material or quality, or the table does not reach to this thickness.
    """
    _check("material", material, MATERIALS)
    if quality is not None:
        _check("quality", quality, QUALITIES)
    asked = ("production", "fine") if quality is None else (quality,)
    found = {each: table.rows(material, each) for each in asked}
    for rows in found.values():
        if rows and rows[0].thickness <= thickness <= rows[-1].thickness:
            return _between(rows, thickness)
    spans = [
        f"{rows[0].thickness:g} to {rows[-1].thickness:g} mm ({each})"
        for each, rows in found.items()
        if rows
    ]
    raise UsageError(
        f"{material} {thickness:g} mm: {table.file} has "
        f"{' and '.join(spans) or 'no row for that'}; outside of it nothing is suggested"
    )


def _check(name: str, given: str, known: Sequence[str]) -> None:
    if given not in known:
        raise UsageError(f"{name} {given!r}: give one of {', '.join(known)}")


def _between(rows: Sequence[Process], thickness: float) -> Suggestion:
    thicker = next(row for row in rows if row.thickness >= thickness)
    if thicker.thickness == thickness:
        basis = f"process {thicker.number}, as it stands in the table"
        return _suggestion(thicker, thickness, (thicker,), basis)
    thinner = [row for row in rows if row.thickness < thickness][-1]
    same = thinner.current == thicker.current
    names = tuple(STEPS) if same else INTERPOLATED_ALWAYS
    share = (thickness - thinner.thickness) / (thicker.thickness - thinner.thickness)
    values = {name: _line(thinner, thicker, name, share) for name in names}
    values["speed"] = _power(thinner, thicker, thickness)
    basis = (
        f"between process {thinner.number} ({thinner.thickness:g} mm) and "
        f"process {thicker.number} ({thicker.thickness:g} mm)"
    )
    if not same:
        basis += (
            f"; current and what goes with its nozzle are those of process {thicker.number}, "
            "speed and pierce delay are interpolated"
        )
    return _suggestion(thicker, thickness, (thinner, thicker), basis, values)


def _suggestion(
    row: Process,
    thickness: float,
    rows: tuple[Process, ...],
    basis: str,
    values: dict[str, float] | None = None,
) -> Suggestion:
    """Return a suggestion of some values, the others those of `row`."""
    given = values or {}
    rounded = {
        name: round(round(given.get(name, getattr(row, name)) / step) * step, 6)
        for name, step in STEPS.items()
    }
    return Suggestion(row.material, row.quality, thickness, rounded, rows, basis)


def _line(thinner: Process, thicker: Process, name: str, share: float) -> float:
    low, high = float(getattr(thinner, name)), float(getattr(thicker, name))
    return low + (high - low) * share


def _power(thinner: Process, thicker: Process, thickness: float) -> float:
    """Return the speed on a power of the thickness through both rows."""
    share = log(thickness / thinner.thickness) / log(thicker.thickness / thinner.thickness)
    return exp(log(thinner.speed) + share * log(thicker.speed / thinner.speed))
