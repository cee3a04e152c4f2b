"""Spans of time as a person types them: ``90``, ``15m``, ``24h``."""

from __future__ import annotations

import re
from typing import Any

import click

from kerfbus.tui.options import LONGEST_SECONDS

UNITS = {"": 1.0, "ms": 1e-3, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
_FORM = re.compile(r"([0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*([a-z]*)")


class Duration(click.ParamType):  # type: ignore[type-arg]
    """Seconds, or a number with ms, s, m, h or d; more than 0."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return seconds, or fail with what would be right."""
        if isinstance(value, float):
            return value
        found = _FORM.fullmatch(str(value).strip())
        seconds = float(found[1]) * UNITS.get(found[2], 0.0) if found else 0.0
        if not 0 < seconds <= LONGEST_SECONDS:
            self.fail(f"{value!r}: give a time such as 90, 90s, 15m or 24h.", param, ctx)
        return seconds


DURATION = Duration()


def spoken(seconds: float) -> str:
    """Return a span for a person.

    >>> [spoken(each) for each in (0.25, 12.3, 75, 3 * 3600 + 125)]
    ['0.25 s', '12.3 s', '1:15 min', '3:02:05 h']
    """
    if seconds < 60:
        return f"{seconds:.3g} s"
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02}:{rest:02} h" if hours else f"{minutes}:{rest:02} min"
