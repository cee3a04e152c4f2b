"""The picture of a link: errors over time and place, turnaround, the rate and how sure it is.

matplotlib stands behind this module and `kerfbus.tui.cutplot` and nowhere else; it is the optional
extra ``plot``. Everything can be told apart without colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kerfbus.bench.confidence import clopper_pearson
from kerfbus.bench.diagnosis.episodes import Episode
from kerfbus.bench.diagnosis.explaining import Explanation
from kerfbus.bench.diagnosis.scene import Scene
from kerfbus.bench.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SUFFIXES = (".svg", ".png", ".pdf")
NS = 1_000_000_000
STEPS = 24
"""Stretches of time in which the rate is counted."""
PLACES = 20
"""Steps from the head of a frame to its tail."""
ROWS = ("request damaged", "reply damaged", "no reply", "late reply", "stray characters")
_MARKS = ("v", "^", "x", "o", "|")


def check_plot(path: Path) -> None:
    """Make sure that a picture can be drawn, before any work is done.

    Raises:
        UsageError: matplotlib is missing, or the name has no suffix of `SUFFIXES`.
    """
    if path.suffix not in SUFFIXES:
        raise UsageError(f"{path}: give a name that ends in {', '.join(SUFFIXES)}")
    _figure()


def _figure() -> Any:
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UsageError(
            'drawing needs matplotlib, which is not installed: pip install "kerfbus[plot]"'
        ) from error
    figure = Figure(figsize=(10, 11), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def draw_link(found: Explanation, name: str, path: Path) -> None:
    """Draw an explanation to a file.

    Args:
        found: the explanation.
        name: of the capture, for the title.
        path: the picture; its suffix says the format.

    Raises:
        UsageError: as `check_plot`.
        OSError: the file cannot be written.
    """
    check_plot(path)
    figure = _figure()
    first = found.suspects[0].ranked if found.suspects else None
    said = found.verdict
    if found.verdict == "fault" and first is not None:
        said = f"{first.cause.slug}, {first.probability:.0%}"
    figure.suptitle(f"{name}: {said}")
    axes = figure.subplots(4, 1, gridspec_kw={"height_ratios": [1.3, 1, 1, 1]})
    scene = found.scene
    _timeline(axes[0], scene)
    _rate(axes[1], scene)
    _places(axes[2], scene)
    _turnaround(axes[3], scene)
    figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)


def _begin(scene: Scene) -> int:
    episodes = scene.exchanges.episodes
    return episodes[0].began if episodes else 0


def _seconds(scene: Scene, at: int) -> float:
    return (at - _begin(scene)) / NS


def _arc(axes: Axes, scene: Scene) -> None:
    """Shade the time in which the arc was on."""
    if scene.arc is None:
        return
    episodes = scene.exchanges.episodes
    end = max((e.ended for e in episodes), default=0)
    switches = [*scene.arc.switches, (end, False)]
    label = f"arc on ({scene.arc.source})"
    for (at, on), (later, _) in pairwise(switches):
        if on and later > at:
            axes.axvspan(
                _seconds(scene, at),
                _seconds(scene, later),
                facecolor="0.9",
                hatch="///",
                edgecolor="0.75",
                linewidth=0,
                label=label,
            )
            label = "_"


def _times(scene: Scene) -> list[list[float]]:
    """Return when each kind of error happened, in the order of `ROWS`."""
    episodes = scene.episodes
    kinds = (
        [e.ended for e in episodes if e.asking is not None or e.unheard],
        [(e.torn or e.answer or e).at for e in episodes if e.answering is not None],  # type: ignore[union-attr]
        [e.ended for e in episodes if e.silent],
        [p.at for e in episodes for p in e.late],
        [s.piece.at for s in scene.strays],
    )
    return [[_seconds(scene, at) for at in each] for each in kinds]


def _timeline(axes: Axes, scene: Scene) -> None:
    _arc(axes, scene)
    for row, (times, mark) in enumerate(zip(_times(scene), _MARKS, strict=True)):
        axes.plot(times, [row] * len(times), mark, color="black", markersize=6, alpha=0.6)
    axes.set_yticks(
        range(len(ROWS)),
        [f"{name} ({len(t)})" for name, t in zip(ROWS, _times(scene), strict=True)],
    )
    axes.set_ylim(len(ROWS) - 0.5, -0.5)
    axes.set_xlabel("time, s")
    axes.set_title("What went wrong, and when")
    if scene.arc is not None:
        axes.legend(loc="upper right")


def _rate(axes: Axes, scene: Scene) -> None:
    """Draw the share that went wrong, with its interval, in stretches of as many exchanges."""
    _arc(axes, scene)
    episodes = scene.episodes
    size = max(1, -(-len(episodes) // STEPS))
    for begin in range(0, len(episodes), size):
        part = episodes[begin : begin + size]
        wrong = sum(e.hurt for e in part)
        low, high = clopper_pearson(wrong, len(part))
        middle = _seconds(scene, part[len(part) // 2].ended)
        axes.vlines(middle, 100 * low, 100 * high, color="black", linewidth=1)
        axes.plot(middle, 100 * wrong / len(part), "o", color="black", markersize=4)
    axes.set_ylim(bottom=0)
    axes.set_xlabel("time, s")
    axes.set_ylabel("went wrong, %")
    axes.set_title(f"Share that went wrong, of {size} exchanges each, with its 95 % interval")


def _places(axes: Axes, scene: Scene) -> None:
    """Draw where in the frame characters were wrong or missing."""
    counts: dict[str, list[int]] = {"request": [0] * PLACES, "reply": [0] * PLACES}
    for _, role, pattern in scene.damaged:
        if not pattern.due:
            continue
        lost = [*range(pattern.head_lost), *range(pattern.due - pattern.tail_lost, pattern.due)]
        for place in {*pattern.wrong, *lost}:
            counts[role][min(PLACES - 1, place * PLACES // pattern.due)] += 1
    middles = [(step + 0.5) * 100 / PLACES for step in range(PLACES)]
    width = 40 / PLACES
    for shift, (role, values) in zip((-0.5, 0.5), counts.items(), strict=True):
        axes.bar(
            [m + shift * width for m in middles],
            values,
            width=width,
            label="requests" if role == "request" else "replies",
            facecolor="0.75" if role == "request" else "0.35",
            edgecolor="black",
            hatch="///" if role == "request" else "",
        )
    axes.set_xlim(0, 100)
    axes.set_xlabel("place in the frame that was due, % from head to tail")
    axes.set_ylabel("characters")
    axes.set_title("Characters that were wrong or missing, by place")
    axes.legend()


def _turnaround(axes: Axes, scene: Scene) -> None:
    good = _turnarounds(scene.episodes, damaged=False)
    bad = _turnarounds(scene.episodes, damaged=True)
    if good or bad:
        axes.hist(
            [good, bad],
            bins=40,
            stacked=True,
            label=["before good replies", "before damaged ones"],
            color=["0.8", "0.3"],
            edgecolor="black",
        )
        axes.legend()
        axes.set_yscale("symlog")
    axes.set_xlabel("from the end of the request to the reply, ms")
    axes.set_ylabel("replies")
    axes.set_title("Turnaround")


def _turnarounds(episodes: Sequence[Episode], *, damaged: bool) -> list[float]:
    return [
        e.turnaround / 1e6
        for e in episodes
        if e.turnaround is not None and (e.answering is not None) is damaged
    ]
