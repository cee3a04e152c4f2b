"""A request to the supply on trial: what it would change, before anything has changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from kerfbus.bench.regmap import RegisterMap
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.refusal import cannot
from kerfbus.sim.supply import Supply


class Span(NamedTuple):
    """Limits in force of a set-point."""

    low: float
    high: float


class Limits:
    """Limits of the set-points: the map's, narrowed by the process in force.

    Args:
        register_map: gives the widest limits.
    """

    NAMES = ("current_setpoint", "cutting_pressure_setpoint", "flow_pressure_setpoint")

    def __init__(self, register_map: RegisterMap) -> None:
        given = {each.name: each for each in register_map.registers}
        self._widest = {}
        self._step = {}
        for name in self.NAMES:
            register = given.get(name)
            low = register.min if register is not None else None
            high = register.max if register is not None else None
            self._step[name] = 0.01 if register is None else register.scale
            self._widest[name] = Span(0.0 if low is None else low, 1e6 if high is None else high)

    def of(self, name: str, process: int) -> Span:
        """Return the limits of the set-point `name` under `process`."""
        widest = self._widest[name]
        if not process:
            return widest
        table = shipped_processes()
        row = table.by_number.get(process)
        if row is None:
            return widest
        nominal = dict(zip(self.NAMES, row.set_points, strict=True))[name]
        current = name == "current_setpoint"
        margin = table.margins.current if current else table.margins.pressure
        # On the register's own steps, so that what the limit shows is accepted.
        low, high = (
            round(round(nominal * share / self._step[name]) * self._step[name], 9)
            for share in (1 - margin, 1 + margin)
        )
        return Span(max(widest.low, low), min(widest.high, high))


class Draft:
    """What a request would make of the supply.

    Attributes:
        settings: as they would be.
        acts: what would be done afterwards, in order.
    """

    def __init__(self, supply: Supply, limits: Limits) -> None:
        self.supply = supply
        self.limits = limits
        self.settings = supply.settings
        self.acts: list[Callable[[Supply], None]] = []
        self._keyed = supply.link.has_key(supply.now)
        self._key_word: int | None = None
        self._key_used = False

    def give_key(self, word: int) -> None:
        """Take what is written to the key register."""
        self._keyed, self._key_word, self._key_used = word == COMMAND_KEY, word, False

    def use_key(self, what: str) -> None:
        """Use the key up.

        Raises:
            RefusedError: there is none.
        """
        if not self._keyed:
            raise cannot(f"{what}: needs the key first")
        self._keyed, self._key_used = False, True

    def carry_out(self) -> None:
        """Do all of it."""
        link = self.supply.link
        if self._key_word is not None:
            link.give_key(self._key_word, self.supply.now)
        if self._key_used:
            link.key_until = None
        if self.settings != self.supply.settings:
            self.supply.change(self.settings)
        for act in self.acts:
            act(self.supply)
