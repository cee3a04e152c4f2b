"""From a scenario's file to a checked `Scenario`, or to all that is wrong, by line and key."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from kerfbus.bench.errors import FormError, ScenarioError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.tomlform import KeyPath, Source, first_of, read_text
from kerfbus.sim.machine import Beginning
from kerfbus.sim.maps import default_map
from kerfbus.sim.processes import Process, shipped_processes
from kerfbus.sim.ratings import Ratings
from kerfbus.sim.scenario.causes import converted
from kerfbus.sim.scenario.events import read_event
from kerfbus.sim.scenario.form import CutForm, ScenarioForm, SiteForm, SupplyForm, TableForm
from kerfbus.sim.scenario.plan import Cut, Program, Scenario, SupplyPlan, nanoseconds
from kerfbus.sim.scenario.wire import read_wire
from kerfbus.sim.settings import BAUDS, FORMATS, NAMES, Setting, Settings, engineering
from kerfbus.sim.site import Site
from kerfbus.sim.surroundings import PARTS, Surroundings

_ON_THE_LINE = {
    "address_setting": "the supply's `address`",
    "baud_setting": "`baud` of [line]",
    "format_setting": "`format` of [line]",
}
"""Settings that the file gives elsewhere."""
T = TypeVar("T")


def load_scenario(path: str | Path) -> Scenario:
    """Return the scenario in the file at `path`.

    Raises:
        ScenarioError: it cannot be read, or is wrong. The first thing wrong is told, and how many
            more there are; `check_scenario` gives them all.
    """
    return parse_scenario(read_text(path, ScenarioError), str(path))


def check_scenario(path: str | Path) -> list[FormError]:
    """Return everything that is wrong with the file at `path`; nothing when it is good.

    Raises:
        ScenarioError: it cannot be read, or is not TOML.
    """
    source = Source.parse(read_text(path, ScenarioError), str(path), ScenarioError)
    return _read(source)[1]


def parse_scenario(text: str, file: str, name: str = "") -> Scenario:
    """Return the scenario in `text`.

    Args:
        text: of the file.
        file: its name in messages.
        name: of the scenario; without one that of the file.

    Raises:
        ScenarioError: as `load_scenario`.
    """
    scenario, wrong = _read(Source.parse(text, file, ScenarioError))
    if scenario is None:
        raise first_of(wrong)
    return replace(scenario, name=name) if name else scenario


@dataclass
class Reader:
    """A file that is being read.

    Attributes:
        source: the file.
        wrong: what has been found wrong so far.
    """

    source: Source
    wrong: list[FormError] = field(default_factory=list)

    @contextmanager
    def at(self, *path: str | int) -> Iterator[None]:
        """Take a `UsageError` that is raised inside for a mistake at `path`."""
        try:
            yield
        except UsageError as error:
            self.wrong.append(self.source.wrong(path, str(error)))


def _read(source: Source) -> tuple[Scenario | None, list[FormError]]:
    form, wrong = source.fill(ScenarioForm)
    if form is None:
        return None, wrong
    reader = Reader(source)
    line = _line(form, reader)
    plans = [_supply(each, index, line, reader) for index, each in enumerate(form.supplies)]
    _check_names(plans, reader)
    wire = read_wire(form.line, [plan.address for plan in plans], reader)
    events = [
        read_event(each, ("event", index), plans, reader) for index, each in enumerate(form.events)
    ]
    if reader.wrong:
        return None, reader.wrong
    return Scenario(
        source.file,
        form.title,
        form.note,
        form.seed,
        nanoseconds(form.duration),
        line,
        tuple(plans),
        tuple(event for event in events if event is not None),
        wire,
    ), []


def _line(form: ScenarioForm, reader: Reader) -> LineSettings:
    given = form.line
    for key, value, known in (("baud", given.baud, BAUDS), ("format", given.format, FORMATS)):
        with reader.at("line", key):
            if value not in known:
                raise UsageError(f"the supply knows {', '.join(map(str, known))}, got {value!r}")
    return LineSettings() if reader.wrong else LineSettings.parse(given.baud, given.format)


def _check_names(plans: Sequence[SupplyPlan], reader: Reader) -> None:
    """Check that supplies can be told apart, on the line and in the log."""
    for index, plan in enumerate(plans):
        for other in plans[:index]:
            with reader.at("supply", index, "address"):
                if plan.address == other.address:
                    raise UsageError(f"{plan.address} is that of supply {other.name} already")
            with reader.at("supply", index, "name"):
                if plan.name == other.name:
                    raise UsageError(f"{plan.name} is there twice")


# --- a supply ------------------------------------------------------------------------------------


def _supply(form: SupplyForm, index: int, line: LineSettings, reader: Reader) -> SupplyPlan:
    path: KeyPath = ("supply", index)
    odd: dict[str, Any] = {}
    plant = _each(form.plant, (*path, "plant"), reader)
    odd.update(plant)
    site = _site(form.site, (*path, "site"), odd, reader)
    settings = _settings(form, path, line, reader)
    ratings = Ratings()
    with reader.at(*path, "options"):
        ratings = _ratings(form)
    beginning = Beginning(settings, 0, ratings, Surroundings().changed(**plant), site)
    program = None
    if form.table is not None:
        program = _program(form.table, (*path, "table"), reader)
    name = form.name or str(form.address)
    return SupplyPlan(name, form.address, beginning, MappingProxyType(odd), program)


def _each(given: Mapping[str, Any], path: KeyPath, reader: Reader) -> dict[str, Any]:
    """Return changes of the surroundings; each may be wrong for itself."""
    found = {}
    for name, value in given.items():
        with reader.at(*path, name):
            found[name] = converted(name, value)
    return found


def _site(form: SiteForm, path: KeyPath, odd: dict[str, Any], reader: Reader) -> Site:
    site = Site()
    for each in fields(Site):
        given = getattr(form, each.name)
        if each.name != "wear" and given is not None:
            with reader.at(*path, each.name):
                site = replace(site, **{each.name: given})
                odd[each.name] = given
    for part, percent in form.wear.items():
        with reader.at(*path, "wear", part):
            if part not in PARTS:
                raise UsageError(f"is no part; the parts are {', '.join(PARTS)}")
            site = replace(site, wear={**site.wear, part: percent})
    if site.wear:
        odd["wear"] = dict(site.wear)
    return site


def _ratings(form: SupplyForm) -> Ratings:
    if form.options is None:
        return Ratings()
    known = set(default_map().by_name("options").bits.values())
    unknown = set(form.options) - known
    if unknown:
        raise UsageError(
            f"there is no option {', '.join(sorted(unknown))}; there are {', '.join(sorted(known))}"
        )
    return Ratings(options=frozenset(form.options))


def _settings(form: SupplyForm, path: KeyPath, line: LineSettings, reader: Reader) -> Settings:
    chosen: dict[str, Setting] = {
        "address_setting": form.address,
        "baud_setting": BAUDS.index(line.baud),
        "format_setting": FORMATS.index(line.format),
    }
    for name, value in sorted(form.settings.items(), key=lambda item: item[0] != "process"):
        with reader.at(*path, "settings", name):
            chosen.update(_setting(name, value))
    return Settings.from_map(default_map()).changed(chosen)


def _setting(name: str, value: Any) -> dict[str, Setting]:
    """Return what a setting in the file sets."""
    if name in _ON_THE_LINE:
        raise UsageError(f"is given by {_ON_THE_LINE[name]}")
    if name not in NAMES:
        raise UsageError(f"is no setting; the settings are {', '.join(sorted(NAMES))}")
    register = default_map().by_name(name)
    setting = engineering(register, register.encode(value))
    if name != "process" or not value:
        return {name: setting}
    current, cutting, flow = _process(int(value)).set_points
    return {
        name: setting,
        "current_setpoint": current,
        "cutting_pressure_setpoint": cutting,
        "flow_pressure_setpoint": flow,
    }


def _process(number: int) -> Process:
    row = shipped_processes().by_number.get(number)
    if row is None:
        raise UsageError(f"there is no process {number}; `kerfbus process list` shows them")
    return row


# --- its table -----------------------------------------------------------------------------------


def _program(form: TableForm, path: KeyPath, reader: Reader) -> Program:
    cuts: list[Cut] = []
    with reader.at(*path, "process"):
        _process(form.process)
        for index, each in enumerate(form.cuts):
            cuts += _cut(each, form, (*path, "cut", index), reader)
    return Program(
        tuple(cuts),
        form.start == "contact",
        nanoseconds(form.poll),
        nanoseconds(form.begin),
        form.repeat,
        nanoseconds(form.fault_pause),
        form.fault_tries,
        form.when_asked == "cuts",
    )


def _cut(form: CutForm, table: TableForm, path: KeyPath, reader: Reader) -> list[Cut]:
    row = _process(table.process)
    with reader.at(*path, "process"):
        row = _process(form.process or table.process)
    with reader.at(*path, "kerfs"):
        if list(form.kerfs) != sorted(set(form.kerfs)) or not all(
            0 < place < form.length for place in form.kerfs
        ):
            raise UsageError(f"needs rising distances above 0 and below {form.length:g} mm")
    cut = Cut(
        row,
        form.length,
        _or(form.speed, row.speed),
        _or(form.stand_off, row.stand_off),
        _or(form.pierce_height, row.pierce_height),
        nanoseconds(_or(form.pierce_delay, row.pierce_delay)),
        nanoseconds(_or(form.pause, table.pause)),
        tuple(form.kerfs),
        form.edge,
    )
    return [cut] * form.times


def _or(given: T | None, usual: T) -> T:
    return usual if given is None else given
