"""The values of a unit as they were last read: how old each is, and how it went.

Fed with what reads bring; nothing is read here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from kerfbus.bench.access import Reading
from kerfbus.bench.regmap import ReadSpan, Register, RegisterMap, Value
from kerfbus.tui.console.layout import Section, sections_of

TREND = 60
"""So many past numbers of each value are kept (chosen)."""


@dataclass(slots=True)
class Held:
    """A value and its past.

    Attributes:
        register: the map's.
        value: what was read last, None for "no reading" or never read.
        at: end of the reply that brought it, None when nothing did.
        problem: why the last read brought nothing, "" when it did.
        trend: numbers of the last reads, oldest first.
    """

    register: Register
    value: Value = None
    at: int | None = None
    problem: str = ""
    trend: deque[float] = field(default_factory=lambda: deque(maxlen=TREND))

    @property
    def outside(self) -> bool:
        """Return whether it is a number beyond the limits that the map gives."""
        value, register = self.value, self.register
        if isinstance(value, bool) or not isinstance(value, int | float):
            return False
        low, high = register.min, register.max
        return (low is not None and value < low) or (high is not None and value > high)


class Board:
    """All values of a map.

    Args:
        found: the map.

    Attributes:
        map: the map.
        sections: what belongs together.
        polled: keys of the sections that are asked for.
    """

    def __init__(self, found: RegisterMap) -> None:
        self.map = found
        self.sections: tuple[Section, ...] = sections_of(found)
        self.polled: set[str] = {each.key for each in self.sections if each.first}
        self._held = {each.name: Held(each) for each in found.registers}

    def __getitem__(self, name: str) -> Held:
        """Return what is held of a register."""
        return self._held[name]

    @property
    def shown(self) -> list[Section]:
        """Return the sections that are asked for."""
        return [each for each in self.sections if each.key in self.polled]

    def spans(self, also: Iterable[Register] = ()) -> list[ReadSpan]:
        """Return the reads that bring all that is asked for, in as few requests as possible.

        Args:
            also: further registers that somebody needs.
        """
        names = [each.name for section in self.shown for each in section.registers]
        names += [each.name for each in also]
        return self.map.plan_reads(dict.fromkeys(names))

    def first_names(self, also: Iterable[Register] = ()) -> list[Register]:
        """Return the registers that should be young: those of the first section, and others."""
        shown = self.shown
        return [*(shown[0].registers if shown else ()), *also]

    def take(self, readings: Sequence[Reading]) -> None:
        """Take values in; those without a name or without words are passed over."""
        for reading in readings:
            if reading.register is None or reading.raw is None:
                continue
            held = self._held[reading.register.name]
            value = reading.register.decode(reading.raw)
            held.value, held.at, held.problem = value, reading.at, ""
            if isinstance(value, int | float) and not isinstance(value, bool):
                held.trend.append(float(value))

    def refuse(self, span: ReadSpan, problem: str) -> None:
        """Note that a read brought nothing, and why."""
        for register in self.map.covering(span.table, span.start, span.quantity):
            self._held[register.name].problem = problem

    @property
    def problems(self) -> dict[str, int]:
        """Return why values that are asked for could not be read: reason -> how many."""
        found: dict[str, int] = {}
        for section in self.shown:
            for register in section.registers:
                problem = self._held[register.name].problem
                if problem:
                    found[problem] = found.get(problem, 0) + 1
        return found

    def settable(self, *, strike: bool) -> list[Register]:
        """Return the registers that may be offered for setting, in the map's order.

        Args:
            strike: whether those are among them that can strike an arc.
        """
        return [
            each
            for each in self.map.registers
            if each.writable and (strike or not each.can_strike_arc)
        ]
