"""The traffic of a line on a terminal: `kerfbus.bench.traffictext` with colours, or as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kerfbus.bench.access import Reading
from kerfbus.bench.conversation import Role
from kerfbus.bench.decode import Row
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.traffictext import HEADER, TrafficText, count, seconds, summary_lines
from kerfbus.tui.output import BAD, FAINT, Output

__all__ = ["TrafficLines", "count", "quality_lines", "seconds", "summary_lines"]


class TrafficLines:
    """Makes the lines.

    Args:
        output: where they go.
        show_all: whether a person sees the characters of good frames, too.
        register_map: names the values; None shows them raw.
    """

    def __init__(
        self, output: Output, *, show_all: bool = False, register_map: RegisterMap | None = None
    ) -> None:
        self._text = TrafficText(register_map, show_all=show_all)
        self._output = output

    def header(self) -> None:
        """Write the heading of the columns."""
        self._output.text(HEADER, FAINT)

    def give(self, row: Row, *, events: bool = False) -> None:
        """Give out a row: to a person a line or more, to a program an object.

        Args:
            row: a frame, stray characters or a line event.
            events: whether a program gets line events, too.
        """
        readings = self._text.values(row)
        if not self._output.as_json:
            self._show(row, readings or [])
        elif row.message is not None or events:
            record = row.to_json()
            if readings is not None:
                record["values"] = [_named(each) for each in readings]
            self._output.answer(record)

    def _show(self, row: Row, readings: Sequence[Reading]) -> None:
        first, *more = self._text.said(row, readings)
        if row.message is None:
            self._output.text(first, FAINT)
            return
        good = row.ok and row.message.role is not Role.STRAY
        self._output.text(first, "" if good else BAD)
        self._output.texts(more)
        for line in self._text.evidence(row):
            self._output.text(line, FAINT)


def _named(reading: Reading) -> dict[str, Any]:
    """Return a value by name as JSON has it."""
    return {
        "name": reading.name,
        "value": reading.value,
        "unit": reading.unit,
        "raw": reading.raw,
    }


def quality_lines(quality: Mapping[str, Any]) -> list[str]:
    """Return the quality of a link as sentences."""
    rate = quality["transaction_error_rate"]
    low, high = (f"{100 * end:.3g} %" for end in quality["interval"])
    if rate is None:
        return ["No transaction was heard: nothing can be said about the link's quality."]
    sure = f"{quality['confidence']:.0%} sure: {low} to {high}"
    lines = [f"Transactions that went wrong: {100 * rate:.3g} % ({sure})"]
    turnaround = quality["turnaround_ms"]
    if turnaround["max"] is not None:
        times = ", ".join(f"{name} {value:.3g} ms" for name, value in turnaround.items())
        lines.append(f"Turnaround: {times}")
    errors = quality["line_errors"]
    if None in errors.values():
        lines.append("Line errors: this port does not report them.")
    else:
        lines.append("Line errors: " + ", ".join(f"{name} {n}" for name, n in errors.items()))
    return lines
