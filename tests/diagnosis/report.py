"""What the count says: lines for a terminal, and the page `docs/diagnosis.md` with its picture."""

from __future__ import annotations

from collections.abc import Sequence

from diagnosis.harness import (
    Bin,
    Figures,
    Judged,
    Share,
    expected_error,
    figures,
    worst_bin,
)

from kerfbus.bench.confidence import clopper_pearson

SIDE, EDGE = 360, 48


def summary(results: Sequence[Judged]) -> list[str]:
    """Return the figures as lines: all of them, then by source and by vantage."""
    lines = _numbers("all", figures(results))
    for what, key in (
        ("source", lambda each: each.task.source),
        ("vantage", lambda each: each.task.vantage),
    ):
        for value in sorted({key(each) for each in results}):
            part = figures([each for each in results if key(each) == value])
            lines.append(
                f"{what} {value}: first {part.first}, among three {part.third}, "
                f"false faults {part.false_faults}, both of two {part.both}"
            )
    return lines


def _numbers(title: str, got: Figures) -> list[str]:
    lines = [
        (
            f"{title}: right cause first {_sure(got.first)}, with a client's silences as one "
            f"{_sure(got.first_silence)}"
        ),
        (
            f"among the first three {_sure(got.third)}, with silences as one "
            f"{_sure(got.third_silence)}"
        ),
        f"healthy called faulty {_sure(got.false_faults)}",
        f"two causes, both among the first three {_sure(got.both)}",
    ]
    for name, bins in (("first cause", got.bins), ("every cause", got.every)):
        worst = worst_bin(bins)
        far = (
            "no tenth has 20 of them"
            if worst is None
            else f"widest gap {abs(worst.said - worst.right):.3f} "
            f"(said {worst.said:.2f}, right {worst.right:.2f}, {worst.count} of them)"
        )
        lines.append(f"calibration, {name}: expected error {expected_error(bins):.3f}; {far}")
    if got.failed:
        lines.append(f"no answer at all: {got.failed}")
    return lines


def _sure(share: Share) -> str:
    """Return a share with its interval (two-sided Clopper-Pearson)."""
    if not share.of:
        return "none"
    low, high = clopper_pearson(*share)
    return f"{share}, 95 % sure: {100 * low:.1f} to {100 * high:.1f} %"


def confusion_lines(got: Figures) -> list[str]:
    """Return, per true cause, what came first, most often named first."""
    lines = []
    for cause, said in got.confusion.items():
        total = sum(said.values())
        rest = ", ".join(f"{name} {count}" for name, count in said.most_common() if name != cause)
        lines.append(f"{cause:22} {100 * said[cause] / total:5.1f} % of {total:4}   {rest}")
    return lines


def matrix(got: Figures) -> list[str]:
    """Return the confusion matrix as a Markdown table: rows are true, columns what came first."""
    rows = list(got.confusion)
    seen = {name for said in got.confusion.values() for name in said}
    columns = [*rows, *sorted(seen - set(rows))]
    head = " | ".join(f"{number}" for number in range(1, len(columns) + 1))
    lines = [f"| true cause | {head} |", "|---|" + "---:|" * len(columns)]
    for number, cause in enumerate(rows, 1):
        cells = " | ".join(
            (f"**{count}**" if name == cause else str(count)) if count else ""
            for name in columns
            for count in [got.confusion[cause][name]]
        )
        lines.append(f"| {number} {cause} | {cells} |")
    others = [f"{number} {name}" for number, name in enumerate(columns, 1) if name not in rows]
    return [*lines, *(["", "Further columns: " + ", ".join(others) + "."] if others else [])]


def by_cause(results: Sequence[Judged]) -> list[str]:
    """Return a Markdown table: per cause and vantage, first and among the first three."""
    kinds: dict[tuple[str, str], list[Judged]] = {}
    for each in results:
        if len(each.task.causes) == 1:
            kinds.setdefault((each.task.causes[0], each.task.vantage), []).append(each)
    lines = ["| cause | from | captures | first | among three |", "|---|---|---:|---:|---:|"]
    for (cause, vantage), inside in kinds.items():
        first = 100 * sum(each.within(1) for each in inside) / len(inside)
        third = 100 * sum(each.within(3) for each in inside) / len(inside)
        lines.append(f"| {cause} | {vantage} | {len(inside)} | {first:.0f} % | {third:.0f} % |")
    return lines


def reliability_table(bins: Sequence[Bin]) -> list[str]:
    """Return a Markdown table of a reliability diagram."""
    lines = ["| said on average | was right | captures |", "|---:|---:|---:|"]
    return lines + [f"| {said:.3f} | {right:.3f} | {count} |" for said, right, count in bins]


def page(results: Sequence[Judged], picture: str) -> str:
    """Return docs/diagnosis.md.

    Args:
        results: what was judged.
        picture: name of the picture beside it.
    """
    got = figures(results)
    parts = [
        "# How good the diagnosis is",
        "",
        "Made by `make diagnosis`; do not edit. Everything is simulated and invented: "
        f"{len(results)} captures of 300 transactions each, of which a cause hurts 2 to 50 % "
        "where it hurts any; seeds that were not looked at while the table of causes was written. "
        "Sources: " + ", ".join(sorted({each.task.source for each in results})) + ". "
        "`other-A` and `other-B` are a second line model, in two manners, that shares nothing "
        "with the project's own simulated line (`own-...`).",
        "",
        *(f"- {line}" for line in summary(results)),
        "",
        (
            "From a client, an exchanged pair, a wrong rate, a wrong format and an absent server "
            'are the same silence; "silences as one" counts any of the four as right there.'
        ),
        "",
        (
            "Wanted are 92 % first, 98 % among three, 80 % with both of two causes among three, "
            "under 1 % of sound links called faulty, and probabilities true to 0.05. Some captures "
            "show nothing of their cause where they were recorded: what hurts only what another "
            "station hears is counted all the same."
        ),
        "",
        "## What was called what",
        "",
        "Rows are the true cause, columns what came first, numbered like the rows.",
        "",
        *matrix(got),
        "",
        "## By cause and by who recorded",
        "",
        *by_cause(results),
        "",
        "## Are the probabilities true",
        "",
        f"![Reliability of the first cause's probability]({picture})",
        "",
        "The first cause:",
        "",
        *reliability_table(got.bins),
        "",
        "Every cause that is named:",
        "",
        *reliability_table(got.every),
    ]
    return "\n".join(parts) + "\n"


def drawing(got: Figures) -> str:
    """Return the reliability diagram as SVG: a circle's area is the number of captures."""
    top = max((each.count for each in got.bins), default=1)
    size = SIDE + 2 * EDGE
    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size} {size}" '
            'font-family="sans-serif" font-size="12">'
        ),
        f'<rect width="{size}" height="{size}" fill="white"/>',
        f'<path d="M{_x(0)},{_y(0)} L{_x(1)},{_y(1)}" stroke="#888"/>',
        (
            f'<path d="M{_x(0)},{_y(0.05)} L{_x(0.95)},{_y(1)} M{_x(0.05)},{_y(0)} '
            f'L{_x(1)},{_y(0.95)}" stroke="#bbb" stroke-dasharray="4 4"/>'
        ),
        f'<path d="M{_x(0)},{_y(1)} V{_y(0)} H{_x(1)}" fill="none" stroke="black"/>',
    ]
    for tenth in range(0, 11, 2):
        at = tenth / 10
        parts.append(f'<text x="{_x(at)}" y="{_y(0) + 16}" text-anchor="middle">{at:.1f}</text>')
        parts.append(f'<text x="{_x(0) - 6}" y="{_y(at) + 4}" text-anchor="end">{at:.1f}</text>')
    for said, right, count in got.bins:
        wide = 2 + 12 * (count / top) ** 0.5
        parts.append(
            f'<circle cx="{_x(said)}" cy="{_y(right)}" r="{wide:.1f}" fill="#2266aa" '
            f'fill-opacity="0.6"><title>{count} captures</title></circle>'
        )
    parts += [
        f'<text x="{size / 2}" y="{size - 8}" text-anchor="middle">probability said</text>',
        (
            f'<text transform="translate(13 {size / 2}) rotate(-90)" text-anchor="middle">'
            "share that was right</text>"
        ),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _x(share: float) -> float:
    return round(EDGE + SIDE * share, 1)


def _y(share: float) -> float:
    return round(EDGE + SIDE * (1 - share), 1)
