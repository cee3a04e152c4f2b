"""The picture of a cut: current, voltage, pressure, height, status over one time axis.

matplotlib stands behind this module and nowhere else; it is the optional extra ``plot``. Everything
can be told apart without colour: by place, by line style, by words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.sim.scenario import Scenario
from kerfbus.sim.scenario.phases import Phase, arc_window, phases_of
from kerfbus.sim.scenario.plan import NS, nanoseconds
from kerfbus.sim.scenario.trace import Trace, Window, trace_scenario
from kerfbus.tui.running import run

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SUFFIXES = (".svg", ".png", ".pdf")
SAMPLES = 1500
"""Across each column of the picture."""
START_NS = 2_000_000_000
"""How much of a cut's beginning is enlarged."""
_TITLES = ("The whole cut", "Its beginning, enlarged")
NAMED_SHARE = 0.09
"""A phase that takes less of the width has no room for its name; it is written upright above."""
MOST_NAMES = 40
"""More phases than this are shaded but not named."""
APART_SHARE = 0.026
"""Between names that stand upright, as a share of the width."""
HEADROOM = 1.25
"""Top of a panel over the highest value in it."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What is to be drawn.

    Attributes:
        supply: its name or address; None for the first.
        cut: number of the arc, from 1.
        begin: seconds; with `end` instead of an arc.
        end: seconds.
        seed: instead of the scenario's own.
    """

    supply: str | None = None
    cut: int = 1
    begin: float | None = None
    end: float | None = None
    seed: int | None = None


class Picture(NamedTuple):
    """What was drawn.

    Attributes:
        supply: its name.
        begin: left end of the time axis, ns.
        end: right end, ns.
    """

    supply: str
    begin: int
    end: int


class _Panel(NamedTuple):
    """One row of the picture.

    Attributes:
        label: of its axis, with the unit.
        lines: as (column, style, label); the label is shown where there are several.
        scale: what the values are divided by.
    """

    label: str
    lines: tuple[tuple[str, str, str], ...]
    scale: float = 1.0


_PANELS = (
    _Panel("current in\nwork lead\nA", (("output_current", "-", ""),)),
    _Panel("arc\nvoltage\nV", (("arc_voltage", "-", ""),)),
    _Panel(
        "gas\npressure\nbar",
        (("inlet_pressure", "--", "inlet"), ("flow_pressure", "-", "behind the regulator")),
    ),
    _Panel("nozzle to\nplate\nmm", (("stand_off", "-", ""),)),
    _Panel("torch\nspeed\nm/min", (("table_speed", "-", ""),), 1000.0),
)
_STATUS = (
    ("ready", "ready"),
    ("start", "start"),
    ("gas", "gas"),
    ("pilot_arc", "pilot arc"),
    ("arc_transferred", "arc transferred"),
    ("fault", "fault"),
)


def draw(scenario: Scenario, choice: Choice, path: Path) -> Picture:
    """Draw a cut, or a stretch of time, to a file.

    Raises:
        UsageError: matplotlib is missing, the name of the file has no suffix of `SUFFIXES`, there
            is no such supply or arc, or the time is empty.
        OSError: the file cannot be written.
    """
    if path.suffix not in SUFFIXES:
        raise UsageError(f"{path}: give a name that ends in {', '.join(SUFFIXES)}")
    new_figure = _matplotlib()
    index = _index(scenario, choice.supply)
    traces = run(_traces(scenario, choice, index))
    _draw(new_figure, scenario, traces, path)
    return Picture(traces[0].supply, traces[0].at[0], traces[0].at[-1])


async def _traces(scenario: Scenario, choice: Choice, index: int) -> list[Trace]:
    """Return the samples of what was chosen, and of a cut's beginning once more, closer."""
    if choice.begin is None and choice.end is None:
        begin, end = await arc_window(scenario, index, choice.cut, choice.seed)
        spans = [(begin, end), (begin, min(begin + START_NS, end))]
    else:
        end = scenario.duration_ns if choice.end is None else nanoseconds(choice.end)
        spans = [(nanoseconds(choice.begin or 0.0), end)]
    return [
        await trace_scenario(scenario, Window(left, right, _step(right - left), index), choice.seed)
        for left, right in spans
    ]


def _matplotlib() -> Callable[..., Figure]:
    """Return what makes a figure.

    Raises:
        UsageError: matplotlib is not installed.
    """
    try:
        import matplotlib as mpl
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UsageError(
            'drawing needs matplotlib, the extra "plot": pip install "kerfbus[plot]"'
        ) from error
    # Names inside an SVG are made from this instead of from chance: the same picture every time.
    mpl.rcParams["svg.hashsalt"] = "kerfbus"
    return Figure


def _index(scenario: Scenario, supply: str | None) -> int:
    for index, each in enumerate(scenario.supplies):
        if supply in (None, each.name, str(each.address)):
            return index
    names = ", ".join(each.name for each in scenario.supplies)
    raise UsageError(f"{scenario.name}: there is no supply {supply}; there is {names}")


def _step(span: int) -> int:
    """Return the time between samples, in whole tenths of a millisecond."""
    return max(span // SAMPLES // 100_000, 1) * 100_000


# --- the picture ---------------------------------------------------------------------------------


def _draw(
    new_figure: Callable[..., Figure], scenario: Scenario, traces: Sequence[Trace], path: Path
) -> None:
    figure = new_figure(figsize=(11, 9), layout="constrained")
    axes = figure.subplots(
        len(_PANELS) + 1,
        len(traces),
        sharex="col",
        sharey="row",
        squeeze=False,
        width_ratios=(3, 2)[: len(traces)],
        height_ratios=(*[2] * len(_PANELS), 1.8),
    )
    # A cut has its own time; a stretch of time that somebody asked for has the scenario's.
    origin = traces[0].at[0] if len(traces) > 1 else 0
    for column, trace in enumerate(traces):
        _column([row[column] for row in axes], trace, origin)
        title = _TITLES[column] if len(traces) > 1 else ""
        axes[0][column].set_title(title, pad=62, fontsize=11)
    for row, panel in zip(axes, _PANELS, strict=False):
        _scale(row[0], panel, traces[0], origin)
    for row in axes[:, 1:].flat:
        row.tick_params(labelleft=False)
        row.set_ylabel("")
    figure.suptitle(
        f"{scenario.title}: supply {traces[0].supply} of scenario {scenario.name} (invented)",
        fontsize=13,
    )
    zero = f" (0 is {origin / NS:.3f} s of the scenario)" if origin else " of the scenario"
    figure.supxlabel(f"time, s{zero}", fontsize=10)
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(path, metadata=nothing if path.suffix == ".svg" else None, dpi=130)


def _column(axes: Sequence[Axes], trace: Trace, origin: int) -> None:
    """Draw all rows of one column."""
    seconds = [(at - origin) / NS for at in trace.at]
    for axis, panel in zip(axes, _PANELS, strict=False):
        _panel(axis, panel, seconds, trace)
    _status(axes[-1], seconds, trace)
    phases = phases_of(trace)
    for axis in axes:
        _shade(axis, phases, origin)
        axis.set_xlim(seconds[0], seconds[-1])
    _name_phases(axes[0], phases)


def _panel(axis: Axes, panel: _Panel, seconds: Sequence[float], trace: Trace) -> None:
    for name, style, label in panel.lines:
        values = [value / panel.scale for value in trace.column(name)]
        axis.plot(seconds, values, style, color="black", linewidth=1.1, label=label)
    axis.set_ylabel(panel.label, rotation=0, ha="right", va="center", fontsize=9)
    axis.grid(axis="y", color="0.8", linewidth=0.5)
    if len(panel.lines) > 1:
        axis.legend(loc="lower right", fontsize=8, framealpha=1.0)


def _scale(axis: Axes, panel: _Panel, trace: Trace, origin: int) -> None:
    """Fit a row to what it shows. The open-circuit voltage would leave no room for the arc's."""
    burning = trace.column("arc_transferred")
    cut_off = panel.lines[0][0] == "arc_voltage" and any(burning)
    tops = []
    for name, _, _ in panel.lines:
        values = trace.column(name)
        if cut_off:
            values = [value for value, on in zip(values, burning, strict=True) if on]
        tops.append(max(values) / panel.scale)
    top = max(tops) * HEADROOM or 1.0
    axis.set_ylim(0, top)
    highest = max(trace.column(panel.lines[0][0])) / panel.scale
    if cut_off and highest > top:
        at = trace.column("arc_voltage").index(max(trace.column("arc_voltage")))
        axis.annotate(
            f"{highest:.0f} V open circuit",
            xy=((trace.at[at] - origin) / NS, top),
            xytext=(8, -10),
            textcoords="offset points",
            fontsize=8,
        )


def _status(axis: Axes, seconds: Sequence[float], trace: Trace) -> None:
    """Draw what is on as bars, one line each."""
    for line, (name, _) in enumerate(reversed(_STATUS)):
        bars = _bars(seconds, trace.column(name))
        axis.broken_barh(bars, (line + 0.2, 0.6), facecolor="0.25", edgecolor="black")
    axis.set_ylim(0, len(_STATUS))
    axis.set_yticks(
        [line + 0.5 for line in range(len(_STATUS))], [label for _, label in reversed(_STATUS)]
    )
    axis.tick_params(axis="y", labelsize=8, length=0)


def _bars(seconds: Sequence[float], values: Sequence[Any]) -> list[tuple[float, float]]:
    """Return the stretches in which something is on, as (beginning, length)."""
    found: list[tuple[float, float]] = []
    begin: float | None = None
    for at, value in zip(seconds, values, strict=True):
        if value and begin is None:
            begin = at
        elif not value and begin is not None:
            found.append((begin, at - begin))
            begin = None
    if begin is not None:
        found.append((begin, seconds[-1] - begin))
    return found


def _shade(axis: Axes, phases: Sequence[Phase], origin: int) -> None:
    """Shade every other phase and draw a line where one ends."""
    for number, phase in enumerate(phases):
        left, right = (phase.begin - origin) / NS, (phase.end - origin) / NS
        if number % 2:
            axis.axvspan(left, right, color="0.88", zorder=0, linewidth=0)
        axis.axvline(left, color="0.45", linewidth=0.5, linestyle=":", zorder=0.5)


def _name_phases(axis: Axes, phases: Sequence[Phase]) -> None:
    """Write the names above: level where there is room, else upright, apart, with a line down."""
    if len(phases) > MOST_NAMES:
        return
    begin, width = phases[0].begin, phases[-1].end - phases[0].begin
    centres = [((phase.begin + phase.end) / 2 - begin) / width for phase in phases]
    level = [phase.end - phase.begin >= NAMED_SHARE * width for phase in phases]
    upright = [number for number, is_level in enumerate(level) if not is_level]
    places = dict(zip(upright, _apart([centres[number] for number in upright]), strict=True))
    for number, phase in enumerate(phases):
        line = {"arrowstyle": "-", "linewidth": 0.5, "shrinkA": 1, "shrinkB": 0, "relpos": (0.5, 0)}
        axis.annotate(
            phase.name,
            xy=(centres[number], 1.0),
            xycoords="axes fraction",
            xytext=(places.get(number, centres[number]), 1.06 if level[number] else 1.16),
            textcoords="axes fraction",
            ha="center",
            va="bottom",
            rotation=0 if level[number] else 90,
            fontsize=8,
            arrowprops=None if level[number] else line,
        )


def _apart(places: Sequence[float]) -> list[float]:
    """Return rising places moved so far that `APART_SHARE` is between neighbours.

    >>> _apart([0.5, 0.5])
    [0.487, 0.513]
    """
    groups = [[place] for place in places]
    number = 0
    while number + 1 < len(groups):
        left, right = groups[number], groups[number + 1]
        if _centre(right) - _centre(left) < APART_SHARE * (len(left) + len(right)) / 2:
            groups[number : number + 2] = [left + right]
            number = max(number - 1, 0)
        else:
            number += 1
    return [
        round(_centre(group) + APART_SHARE * (place - (len(group) - 1) / 2), 6)
        for group in groups
        for place in range(len(group))
    ]


def _centre(group: Sequence[float]) -> float:
    """Return where a group of names stands; not left of the picture."""
    return max(sum(group) / len(group), APART_SHARE * (len(group) - 1) / 2)
