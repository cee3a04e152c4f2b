"""Measure and draw the pictures of line.md.

Run: python docs/plots.py [FOLDER]   (default: this folder; `make plots` does it: two minutes)

Needs matplotlib, the extra "plot". With --quick everything is counted on a fiftieth of the trials,
which shows that it works. With --png each picture is drawn as PNG as well, to look at.
"""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from collections import Counter
from collections.abc import Callable, Sequence
from math import comb
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from measured import (
    CHARACTER_NS,
    LINES,
    Point,
    bit_errors,
    frame_errors,
    frame_errors_in_bulk,
    hits,
    open_runs,
    undetected_in_bulk,
)
from measured import undetected as count_undetected

from kerfbus.bench.confidence import clopper_pearson
from kerfbus.sim.pair.gilbert import Gilbert
from kerfbus.sim.pair.theory import frame_error, tail, undetected_patterns, vote_error

STYLES = {"BitLine": ("o", "bit line"), "SampledLine": ("s", "sampled line")}
BIT_TRIALS = (
    (0.4, 4000),
    (0.8, 4000),
    (1.2, 4000),
    (1.6, 8000),
    (2.0, 20_000),
    (2.4, 60_000),
    (2.8, 120_000),
)
"""Margin over noise, and characters."""
FRAME_TRIALS = ((1.2, 400), (1.6, 800), (2.0, 1500), (2.4, 3000), (2.8, 8000))
"""Margin over noise, and frames of 8 characters; of longer ones fewer."""
BULK_TRIALS = ((3e-5, 1_000_000), (3e-4, 200_000), (3e-3, 50_000), (3e-2, 20_000))
"""Bit error rate, and frames of 8 characters."""
RATES = (0.06, 0.2, 0.35, 0.5)
"""Chances of a bit to be wrong, for the counts of what the CRC misses."""
FEWEST = 5
"""A point is drawn where at least so many errors are expected: whatever was then found."""
GREY = "0.5"


def new(title: str, columns: int = 1) -> tuple[Figure, list[Axes]]:
    """Return a figure and its axes."""
    figure = Figure(figsize=(7.2 if columns == 1 else 10.5, 4.8), layout="constrained")
    figure.suptitle(title, fontsize=12)
    return figure, list(figure.subplots(1, columns, squeeze=False)[0])


def finish(axes: Axes, legend: str, **words: Any) -> None:
    """Label axes and lay the grid."""
    axes.set(**words)
    axes.grid(visible=True, which="major", color="0.85", linewidth=0.6)
    axes.legend(loc=legend, fontsize=8.5, framealpha=1.0)


def points(axes: Axes, found: Sequence[Point], mark: str, label: str, shift: float = 1.0) -> None:
    """Draw measured shares with their exact 95 % intervals; shifted apart by a factor."""
    shares = np.array([each.share for each in found])
    bounds = np.array([each.interval() for each in found]).reshape(-1, 2).T
    axes.errorbar(
        [each.x * shift for each in found],
        shares,
        yerr=np.abs(bounds - shares),
        marker=mark,
        markersize=5.0,
        markerfacecolor="white",
        color="black",
        linestyle="none",
        capsize=2.5,
        elinewidth=0.8,
        label=label,
    )


def bits(scale: float) -> Figure:
    """Draw the bit error rate over margin / sigma."""
    figure, (axes,) = new("Is a bit misheard? Measured on both lines, and calculated")
    ratios = np.linspace(0.01, 3.6, 200)
    q = [tail(each) for each in ratios]
    axes.plot(
        ratios, q, color=GREY, linestyle="--", label=r"one sample: $q = Q(\mathrm{margin}/\sigma)$"
    )
    axes.plot(ratios, [vote_error(e) for e in q], "k-", label=r"majority of three: $3q^2-2q^3$")
    for kind, shift in zip(LINES, (0.992, 1.008), strict=True):
        mark, label = STYLES[kind.__name__]
        found = [bit_errors(kind, ratio, round(n * scale)) for ratio, n in BIT_TRIALS]
        points(axes, found, mark, f"{label}, with 95 % interval", shift)
    axes.set_yscale("log")
    finish(
        axes,
        "lower left",
        xlim=(0, 3.6),
        ylim=(1e-6, 1),
        xlabel=r"margin / $\sigma$: volts to the threshold over rms volts of white noise",
        ylabel="share of data bits that are wrong",
    )
    return figure


def frames(scale: float) -> Figure:
    """Draw the frame error rate over the bit error rate."""
    figure, (axes,) = new("Is a frame misheard? 8E1, white noise")
    rates = np.geomspace(1e-5, 0.1, 150).tolist()
    for octets, trials, first in ((8, 1.0, True), (64, 0.12, False)):
        plain = [frame_error(each, 11 * octets) for each in rates]
        words = r"$1-(1-p)^n$, $n$ = 11 bits a character" if first else None
        axes.plot(rates, plain, "k-", label=words)
        found = [
            frame_errors_in_bulk(rate, octets, round(n * trials * scale)) for rate, n in BULK_TRIALS
        ]
        points(axes, found, "^", "bits wrong in bulk" if first else "_")
        for kind, shift in zip(LINES, (0.95, 1.05), strict=True):
            mark, label = STYLES[kind.__name__]
            found = [
                frame_errors(kind, ratio, octets, round(n * scale * trials))
                for ratio, n in FRAME_TRIALS
            ]
            points(axes, found, mark, label if first else "_", shift)
    axes.text(1.4e-5, 5.5e-2, "64 characters", fontsize=9)
    axes.text(9e-5, 3.2e-3, "8 characters", fontsize=9)
    axes.set_xscale("log")
    axes.set_yscale("log")
    finish(
        axes,
        "lower right",
        xlim=(1e-5, 0.1),
        ylim=(5e-4, 1.2),
        xlabel=r"bit error rate $p = 3q^2-2q^3$",
        ylabel="share of frames not heard as sent, 95 % intervals",
    )
    return figure


def bursts(scale: float) -> Figure:
    """Draw run lengths against Gilbert, and frames hit by fast transients."""
    figure, (left, right) = new("Bursts: how long, and how many frames they meet", 2)
    for (share, burst), mark, line in (((0.01, 4.0), "o", "-"), ((0.1, 15.0), "s", "--")):
        channel = Gilbert.of(share, burst)
        runs = Counter(
            length
            for seed in range(5, 9)
            for length in open_runs(channel, round(1_500_000 * scale), seed)
        )
        total = sum(runs.values())
        left.plot(
            range(1, 41),
            [channel.burst_share(n) for n in range(1, 41)],
            color="black",
            linestyle=line,
            linewidth=1.0,
            label=rf"$a(1-a)^{{n-1}}$, $a$ = 1/{burst:g}",
        )
        found = [
            Point(n, runs[n], total)
            for n in range(1, 41, 1 if burst < 10 else 2)
            if total * channel.burst_share(n) >= FEWEST
        ]
        points(left, found, mark, f"counted: P = {share:g}, B = {burst:g}")
    left.set_yscale("log")
    finish(
        left,
        "upper right",
        xlim=(0, 41),
        ylim=(5e-4, 1),
        xlabel="length of a run of lost characters, n",
        ylabel="share of runs",
    )
    for hertz, mark, line in ((5e3, "o", "-"), (1e5, "s", "--")):
        train = 75e3 / hertz
        spans = np.array([0.0, 30.0])
        label = f"75 pulses at {hertz / 1e3:g} kHz: {train:g} ms"
        right.plot(spans, (spans + train) / 300.0, "k", linestyle=line, linewidth=1.0, label=label)
        found = [
            hits(octets * CHARACTER_NS * 19200 / baud, hertz, round(20_000 * scale))
            for baud, octets in ((9600, 25), (19200, 8), (19200, 25), (115200, 25))
        ]
        points(right, found, mark, "counted, with 95 % interval" if train > 1 else "_")
    finish(
        right,
        "upper left",
        xlim=(0, 30),
        ylim=(0, 0.2),
        xlabel="duration of a frame, ms",
        ylabel="share of frames met by a train, one each 300 ms",
    )
    return figure


def undetected(scale: float) -> Figure:
    """Draw the share of damaged frames whose CRC fits."""
    figure, (axes,) = new("Is damage missed? CRC of a frame of 8 characters (64 bits)")
    exact = {w: undetected_patterns(8, w) for w in range(1, 65)}
    weights = range(4, 61, 2)
    axes.plot(
        weights,
        [exact[w] / comb(64, w) for w in weights],
        "k-",
        linewidth=1.0,
        marker=".",
        markersize=3,
        label="exact: undetected patterns of w bits over all of them",
    )
    found = [p for rate in RATES for p in count_undetected(rate, round(6_000_000 * scale))]
    most: dict[float, Point] = {}
    for each in found:
        if each.tried * exact[int(each.x)] / comb(64, int(each.x)) >= FEWEST and (
            each.x not in most or each.tried > most[each.x].tried
        ):
            most[each.x] = each
    points(axes, list(most.values()), "o", "counted, with 95 % interval")
    behind = [
        each
        for each in undetected_in_bulk(0.05, round(4_000_000 * scale))
        if each.tried * exact[int(each.x)] / comb(64, int(each.x)) >= FEWEST
    ]
    points(axes, behind, "^", "the same behind a UART, 8N1", 1.03)
    found += behind
    odd = sum(each.tried for each in found if each.x % 2)
    missed = sum(each.wrong for each in found if each.x % 2)
    assert not missed
    assert not any(each.wrong for each in found if each.x == 2)
    for share, words in ((2.0**-15, "$2^{-15}$"), (2.0**-16, "$2^{-16}$")):
        axes.axhline(share, color=GREY, linestyle=":", linewidth=0.9)
        axes.text(63.5, share, words, fontsize=9, va="bottom", ha="right")
    upper = clopper_pearson(missed, odd)[1]
    axes.text(
        0.98,
        0.72,
        f"1, 2, 3 and every odd number of wrong bits: always detected\n"
        f"(counted: 0 missed of {odd / 1e6:.2g} million odd ones: "
        f"below {upper * 1e6:.1f} in a million)",
        transform=axes.transAxes,
        ha="right",
        fontsize=8.5,
    )
    axes.set_yscale("log")
    finish(
        axes,
        "upper right",
        xlim=(0, 64),
        ylim=(8e-6, 2e-3),
        xlabel="wrong bits in the frame, w (even)",
        ylabel="share of such frames whose CRC fits",
    )
    return figure


PICTURES: dict[str, Callable[[float], Figure]] = {
    "line-bits": bits,
    "line-frames": frames,
    "line-bursts": bursts,
    "line-undetected": undetected,
}


def main() -> int:
    """Draw all pictures into a folder."""
    parser = ArgumentParser(description="Measure and draw the pictures of line.md.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent)
    parser.add_argument("--only", choices=PICTURES, action="append")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--png", action="store_true")
    chosen = parser.parse_args()
    # Names inside an SVG are made from this instead of from chance: the same picture every time.
    mpl.rcParams["svg.hashsalt"] = "kerfbus"
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    for name in chosen.only or PICTURES:
        figure = PICTURES[name](0.02 if chosen.quick else 1.0)
        figure.savefig(chosen.folder / f"{name}.svg", metadata=nothing)
        if chosen.png:
            figure.savefig(chosen.folder / f"{name}.png", dpi=110)
        print(chosen.folder / f"{name}.svg")
    return 0


if __name__ == "__main__":
    sys.exit(main())
