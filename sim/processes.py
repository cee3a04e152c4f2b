"""Processes: set-points and cutting data by material, thickness and quality.

The simulated supply knows the table that ships with it (``processes.toml``, all of it invented); a
user may write one of the same form. Number 0 is manual and stands in no table.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from kerfbus.bench.errors import FormError, ProcessError
from kerfbus.bench.tomlform import Field, Form, Source, first_of, read_text

Material = Literal["mild-steel", "stainless", "aluminium"]
Quality = Literal["fine", "production"]
MATERIALS: tuple[Material, ...] = ("mild-steel", "stainless", "aluminium")
QUALITIES: tuple[Quality, ...] = ("fine", "production")
MAX_NUMBER = 999
SHIPPED = "processes.toml"


class Process(Form):
    """One row of the table.

    Attributes:
        number: what is written to the register `process`, 1 to 999.
        material: what is cut.
        quality: ``fine`` (less current, slower, narrower kerf) or ``production``.
        thickness: of the plate, mm.
        current: cutting current, A.
        cutting_pressure: gas pressure while the arc burns, bar gauge.
        flow_pressure: gas pressure in pre-flow, pilot arc and post-flow, bar gauge.
        speed: of the torch while cutting, mm/min.
        arc_voltage: to be expected at that stand-off and speed with new parts, V.
        stand_off: nozzle to plate while cutting, mm.
        pierce_height: nozzle to plate while piercing, mm.
        pierce_delay: from arc transferred to the start of motion, s.
        kerf: width of the cut, mm.
    """

    number: int = Field(ge=1, le=MAX_NUMBER)
    material: Material
    quality: Quality
    thickness: float = Field(ge=0.5, le=150)
    current: float = Field(ge=5, le=1000)
    cutting_pressure: float = Field(ge=0.5, le=12)
    flow_pressure: float = Field(ge=0.5, le=12)
    speed: float = Field(ge=10, le=20_000)
    arc_voltage: float = Field(ge=40, le=300)
    stand_off: float = Field(ge=0.5, le=15)
    pierce_height: float = Field(ge=0.5, le=30)
    pierce_delay: float = Field(ge=0, le=20)
    kerf: float = Field(ge=0.2, le=20)

    @property
    def set_points(self) -> tuple[float, float, float]:
        """Return current (A), cutting and flow pressure (bar gauge)."""
        return self.current, self.cutting_pressure, self.flow_pressure

    @property
    def what(self) -> str:
        """Return material, thickness and quality, e.g. ``mild-steel 6 mm fine``."""
        return f"{self.material} {self.thickness:g} mm {self.quality}"


class Margins(Form):
    """How far a set-point may be moved from its process by hand, as a fraction."""

    current: float = Field(default=0.15, ge=0, le=0.5)
    pressure: float = Field(default=0.15, ge=0, le=0.5)


class _File(Form):
    title: str = Field(default="", max_length=200)
    note: str = Field(default="", max_length=500)
    limits: Margins = Margins()
    rows: list[Process] = Field(alias="process", min_length=1, max_length=MAX_NUMBER)


@dataclass(frozen=True, slots=True)
class ProcessTable:
    """A table that has been checked.

    Attributes:
        file: path or name.
        title: what it is.
        note: what must be said of it.
        margins: how far set-points may be moved by hand.
        by_number: the rows by number, in the file's order.
    """

    file: str
    title: str
    note: str
    margins: Margins
    by_number: Mapping[int, Process]

    def rows(self, material: str | None = None, quality: str | None = None) -> tuple[Process, ...]:
        """Return the rows for a material and quality, thin to thick; None for any."""
        found = [
            row
            for row in self.by_number.values()
            if material in (None, row.material) and quality in (None, row.quality)
        ]
        return tuple(
            sorted(found, key=lambda row: (row.material, row.quality, row.thickness))
            if material
            else found
        )


def load_processes(path: str | Path) -> ProcessTable:
    """Return the table in the file at `path`.

    Raises:
        ProcessError: it cannot be read, or is wrong: by line, process and field.
    """
    return parse_processes(read_text(path, ProcessError), str(path))


def parse_processes(text: str, file: str) -> ProcessTable:
    """Return the table in `text`; `file` is its name in messages.

    Raises:
        ProcessError: it is wrong. The first mistake is told, and how many more there are.
    """
    source = Source.parse(text, file, ProcessError)
    form, wrong = source.fill(_File)
    if form is not None:
        wrong = list(_between(source, form.rows))
    if form is None or wrong:
        raise first_of(wrong)
    rows = MappingProxyType({row.number: row for row in form.rows})
    return ProcessTable(file, form.title, form.note, form.limits, rows)


@cache
def shipped_processes() -> ProcessTable:
    """Return the simulated supply's own table."""
    package = __name__.rpartition(".")[0]
    return parse_processes(resources.files(package).joinpath(SHIPPED).read_text("utf-8"), SHIPPED)


def _between(source: Source, rows: list[Process]) -> Iterator[FormError]:
    """Yield what is wrong between the values of a row, and between rows."""
    numbers: dict[int, int] = {}
    uses: dict[tuple[str, str, float], int] = {}
    for index, row in enumerate(rows):
        if numbers.setdefault(row.number, index) != index:
            yield source.wrong(("process", index, "number"), f"{row.number} is there twice")
        other = uses.setdefault((row.material, row.quality, row.thickness), index)
        if other != index:
            message = f"{row.what} is process {rows[other].number} already"
            yield source.wrong(("process", index, "thickness"), message)
        if row.pierce_height < row.stand_off:
            message = f"{row.pierce_height:g} mm is below the stand-off, {row.stand_off:g} mm"
            yield source.wrong(("process", index, "pierce_height"), message)
        if row.flow_pressure > row.cutting_pressure:
            message = (
                f"{row.flow_pressure:g} bar is above the cutting pressure, "
                f"{row.cutting_pressure:g} bar"
            )
            yield source.wrong(("process", index, "flow_pressure"), message)
