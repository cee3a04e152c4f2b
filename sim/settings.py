"""The supply's settings: every register that can be written and keeps what was written.

Names are those of the register map; numbers are in the map's units, choices are their raw codes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from enum import IntEnum
from typing import Self

from kerfbus.bench.line import LineSettings
from kerfbus.bench.regmap import Register, RegisterMap, Type

NS = 1_000_000_000
MS = 1_000_000

BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
"""Bit rates by their code in the map."""
FORMATS = ("8E1", "8O1", "8N2", "8N1")
"""Character formats by their code in the map."""
RATIOS = (16, 20, 30, 40, 50, 100)
"""Ratios of the divided arc voltage; the code is the ratio."""


class StartSource(IntEnum):
    """What may start the arc."""

    CONTACT = 0
    LINK = 1
    EITHER = 2


class Ignition(IntEnum):
    """How the pilot arc is struck."""

    CONTACT = 0
    HIGH_FREQUENCY = 1


Setting = float | int | str | bool


def engineering(register: Register, raw: tuple[int, ...]) -> Setting:
    """Return what raw words mean: a number in its unit, a choice as its code, a text."""
    if register.type is Type.ENUMERATION:
        return raw[0]
    value = register.decode(raw)
    if value is None or isinstance(value, tuple):  # an "invalid" number, or bits
        return raw[0]
    return value


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings; the defaults are the factory's, as in the register map.

    Attributes are named after their registers.
    """

    current_setpoint: float = 60.0
    cutting_pressure_setpoint: float = 5.2
    flow_pressure_setpoint: float = 4.0
    process: int = 0
    voltage_ratio: int = 50
    voltage_trim: float = 1.0
    start_source: int = StartSource.CONTACT
    ignition_method: int = Ignition.CONTACT
    preflow_time: float = 0.5
    postflow_time: float = 10.0
    pilot_limit: float = 5.0
    ignition_attempts: int = 3
    transfer_current: float = 5.0
    transfer_time: int = 50
    ramp_up_time: int = 150
    pierce_time: float = 0.5
    ramp_down_time: int = 100
    watchdog_time: float = 1.0
    address_setting: int = 1
    baud_setting: int = BAUDS.index(19200)
    format_setting: int = FORMATS.index("8E1")
    reply_delay: int = 0
    asset_tag: str = ""
    panel_lock: bool = False

    @classmethod
    def from_map(cls, register_map: RegisterMap) -> Self:
        """Return the defaults that `register_map` gives, ours where it gives none."""
        given = {register.name: register for register in register_map.registers}
        found = {}
        for field in fields(cls):
            register = given.get(field.name)
            if register is not None and register.default is not None:
                found[field.name] = engineering(register, register.encode(register.default))
        return cls(**found)  # type: ignore[arg-type]

    def changed(self, values: Mapping[str, Setting]) -> Self:
        """Return the settings with some values changed, by name."""
        return replace(self, **values)  # type: ignore[arg-type]

    @property
    def line(self) -> LineSettings:
        """Return the line settings that wait to be applied."""
        return LineSettings.parse(BAUDS[self.baud_setting], FORMATS[self.format_setting])


NAMES = frozenset(field.name for field in fields(Settings))
"""Names of all settings."""
