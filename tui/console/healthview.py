"""The health of the link as lines: rate with interval, errors by kind and way, turnaround.

Pure: the model in, lines out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from kerfbus.tui.console.lines import TICKS, Line, Role, Span, cut, line, wrapped
from kerfbus.tui.console.model import Model
from kerfbus.tui.rates import per_cent

if TYPE_CHECKING:
    from kerfbus.bench.quality import Quality

NS_PER_MS = 1_000_000
BINS = 24


def health_lines(model: Model, room: int) -> list[Line]:
    """Return how good the link is."""
    quality = model.quality
    if quality is None or not (quality.total.trials or quality.tally.requests):
        return [
            line(Span(" Nothing was asked yet: nothing can be said.", Role.FAINT)),
            *_facts(model, room),
        ]
    found = quality.to_json()
    lines = _rates(quality)
    lines += [line(""), *_ways(found, listening=model.link.server is None)]
    lines += [line(""), *_turnaround(found, quality.turnarounds.histogram())]
    lines += [line(""), *_line_errors(found), *_facts(model, room)]
    return [cut(each, room) for each in lines]


def _rates(quality: Quality) -> list[Line]:
    """Return the error rate of all, and of each state of the arc or other condition."""
    rows = [("all", quality.total)]
    named = {" ".join(name): share for name, share in quality.conditions.items()}
    arc = [name for name in ("arc on", "arc off") if name in named]
    others = [name for name in named if not name.startswith("arc ")]
    rows += [(name, named[name]) for name in (*arc, *others[-1:])]
    lines = [line(Span(" Transactions      count  wrong     rate   95 % sure", Role.TITLE))]
    for name, share in rows:
        low, high = share.interval
        said = "-" if share.rate is None else per_cent(share.rate)
        role = Role.BAD if share.wrong else Role.PLAIN
        rest = f"{said:>9}   {per_cent(low)} to {per_cent(high)}"
        lines.append(
            line(f" {name[:14]:<14}{share.trials:>9,}", Span(f"{share.wrong:>7,}", role), rest)
        )
    comparison = _comparison(quality.comparisons())
    if comparison:
        lines.append(line(Span(f" {comparison}")))
    return lines


def _ways(found: Mapping[str, Any], *, listening: bool) -> list[Line]:
    """Return errors by kind and way. What was never answered may have got lost either way."""
    there = str(found["damaged_requests"]) if listening else "not heard here"
    rows = (
        ("damaged, there →", there, found["damaged_requests"]),
        ("damaged, back ←", str(found["damaged_replies"]), found["damaged_replies"]),
        ("no reply, either way", str(found["timeouts"]), found["timeouts"]),
        ("refused (exceptions)", str(found["exceptions"]), 0),
        ("stray characters", str(found["stray_characters"]), found["stray_characters"]),
    )
    lines = [line(Span(" Errors by kind and way", Role.TITLE))]
    for name, said, bad in rows:
        lines.append(line(f" {name:<22}", Span(f"{said:>14}", Role.BAD if bad else Role.PLAIN)))
    return lines


def _turnaround(found: Mapping[str, Any], histogram: Sequence[tuple[int, int]]) -> list[Line]:
    """Return the time from a request to its reply, and how it is spread."""
    times = found["turnaround_ms"]
    if times["max"] is None:
        return [line(Span(" Turnaround", Role.TITLE), "  no reply yet")]
    said = "  ".join(f"{name} {value:.3g} ms" for name, value in times.items())
    bars = spread(histogram)
    low, high = histogram[0][0] / NS_PER_MS, histogram[-1][0] / NS_PER_MS
    return [
        line(Span(" Turnaround  ", Role.TITLE), said),
        line(f" {low:.3g} ms ", Span(bars, Role.GOOD), f" {high:.3g} ms"),
    ]


def spread(histogram: Sequence[tuple[int, int]], bins: int = BINS) -> str:
    """Return a histogram as bars on an even axis; a bin with anything in it is never empty.

    >>> spread([(0, 8), (10, 1)], 3)
    '█ ▁'
    """
    low, high = histogram[0][0], histogram[-1][0]
    counts = [0] * bins
    for value, count in histogram:
        index = (value - low) * (bins - 1) // (high - low) if high > low else 0
        counts[index] += count
    most = max(counts)
    return "".join(TICKS[max(1, 8 * each // most)] if each else " " for each in counts)


def _line_errors(found: Mapping[str, Any]) -> list[Line]:
    errors = found["line_errors"]
    title = Span(" Characters  ", Role.TITLE)
    if None in errors.values():
        return [line(title, Span("this port does not report line errors", Role.FAINT))]
    said = "  ".join(f"{name} {count}" for name, count in errors.items())
    role = Role.BAD if any(errors.values()) else Role.PLAIN
    return [line(title, Span(said, role))]


def _comparison(comparisons: Sequence[Mapping[str, Any]]) -> str:
    """Return whether the arc makes a difference, "" where that cannot be said yet."""
    for each in comparisons:
        if each["first"] != "arc=on" or each["p_value"] is None:
            continue
        chance = each["p_value"]
        if chance > 0.05:
            return f"Arc on or off: no difference beyond chance (p {chance:.2g})."
        ratio = each["rate_ratio"]
        sure = f"(by chance in {chance:.1g} of cases)"
        if ratio is None:
            return f"Errors only while the arc is on {sure}."
        return f"With the arc on {ratio:.3g} times as many go wrong {sure}."
    return ""


def _facts(model: Model, room: int) -> list[Line]:
    """Return what the port says about itself."""
    found: list[Line] = []
    for fact in model.link.facts:
        found += wrapped(f" {fact}", room - 2, Role.FAINT)
    return found
