"""All calculations, by name; a new one is a line here."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from kerfbus.bench.cabling.bias import BIAS, IDLE, TERMINATION, UNIT_LOADS
from kerfbus.bench.cabling.lines import LENGTH, REFLECTION, STUB
from kerfbus.bench.cabling.table import DIVIDER, DUTY, HOSE, SEPARATION_OF_CABLES
from kerfbus.bench.cabling.worked import Calculation

CALCULATIONS: Mapping[str, Calculation] = MappingProxyType(
    {
        each.name: each
        for each in (
            BIAS,
            IDLE,
            TERMINATION,
            UNIT_LOADS,
            LENGTH,
            STUB,
            REFLECTION,
            SEPARATION_OF_CABLES,
            DIVIDER,
            HOSE,
            DUTY,
        )
    }
)
"""In the order in which a person lays a cable."""
