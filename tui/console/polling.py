"""Which reads go round, and what one of them says of each register."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from kerfbus.bench.access import Reading, reading_of
from kerfbus.bench.regmap import ReadSpan, Register, RegisterMap


def interleaved(spans: list[ReadSpan], first: Sequence[Register]) -> list[ReadSpan]:
    """Return reads in an order in which those that hold a first register come every other time."""
    quick = [
        span
        for span in spans
        if any(
            each.table is span.table and span.start <= each.address < span.start + span.quantity
            for each in first
        )
    ]
    slow = [span for span in spans if span not in quick]
    if not quick or len(slow) < len(quick):
        return [*quick, *slow]
    order: list[ReadSpan] = []
    for number, span in enumerate(slow):
        order += [quick[number % len(quick)], span]
    return order


def parts_of(whole: Reading, found: RegisterMap) -> list[Reading]:
    """Return a reading for each register that lies whole in one that was read."""
    span, raw = whole.span, whole.raw
    assert raw is not None
    parts = []
    for register in found.covering(span.table, span.start, span.quantity):
        first = register.address - span.start
        if first >= 0 and first + register.words <= span.quantity:
            part = raw[first : first + register.words]
            parts.append(replace(reading_of(register), raw=part, at=whole.at))
    return parts
