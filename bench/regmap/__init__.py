"""Register maps: what the registers of a unit mean, as data that a user can write.

A map is a TOML file. `load_map` checks it; a `RegisterMap` finds registers and plans reads; a
`Register` turns raw words into a value and back, and refuses what the unit must not be given.
"""

from kerfbus.bench.regmap.codec import Value
from kerfbus.bench.regmap.load import check_map, load_map, parse_map
from kerfbus.bench.regmap.register import Register, Table, Type
from kerfbus.bench.regmap.registermap import MapHeader, ReadSpan, RegisterMap
from kerfbus.bench.regmap.target import (
    PlannedWrite,
    Target,
    parse_target,
    parse_value,
    plan_write,
)

__all__ = [
    "MapHeader",
    "PlannedWrite",
    "ReadSpan",
    "Register",
    "RegisterMap",
    "Table",
    "Target",
    "Type",
    "Value",
    "check_map",
    "load_map",
    "parse_map",
    "parse_target",
    "parse_value",
    "plan_write",
]
