"""The divided arc voltage, as a controller's input sees it.

A divider has a source resistance, an input a resistance of its own; together they divide once more.
What a height control takes for a change of height may be that. Arithmetic only; exact.
"""

from __future__ import annotations

from math import inf, isinf
from typing import NamedTuple

RATIOS = (16, 20, 30, 40, 50, 100)
"""Ratios met in practice, all on the invented unit's list (common practice; no source)."""


class Divider(NamedTuple):
    """A divided output.

    Attributes:
        ratio: arc voltage to output voltage without load, of `RATIOS` or any above 1.
        source_kilohms: Thevenin resistance of the output, 0 to 1000 kilohms.
    """

    ratio: float
    source_kilohms: float

    def share(self, load_kilohms: float) -> float:
        """Return what a load leaves of the output voltage, 0 to 1.

        Args:
            load_kilohms: resistance of the input, above 0; infinity for none.

        >>> round(Divider(50, 1.0).share(10.0), 3)
        0.909
        """
        if isinf(load_kilohms):
            return 1.0
        return load_kilohms / (load_kilohms + self.source_kilohms)

    def output(self, arc_volts: float, load_kilohms: float = inf) -> float:
        """Return the output voltage under load, V: ``U / ratio * Rin / (Rin + Rs)``."""
        return arc_volts / self.ratio * self.share(load_kilohms)

    def effective_ratio(self, load_kilohms: float) -> float:
        """Return arc voltage to output voltage under load: ``ratio * (1 + Rs / Rin)``."""
        return self.ratio / self.share(load_kilohms)

    def loading_percent(self, load_kilohms: float) -> float:
        """Return by how many percent a load changes the output; never above 0."""
        return 100.0 * (self.share(load_kilohms) - 1.0)


def apparent_millimetres(arc_volts: float, percent: float, volts_per_mm: float) -> float:
    """Return the change of height that a gain error looks like, mm; below 0: it looks lower.

    Args:
        arc_volts: true arc voltage, V.
        percent: error of the reading.
        volts_per_mm: slope of the arc voltage over height; 2 to 8, mostly 3 to 6 V/mm.

    >>> round(apparent_millimetres(120.0, -9.1, 4.0), 1)
    -2.7
    """
    return arc_volts * percent / 100.0 / volts_per_mm


def wrong_ratio_percent(source_ratio: float, assumed_ratio: float) -> float:
    """Return the error of a reading when the two sides do not agree on the ratio, percent.

    Args:
        source_ratio: at the supply.
        assumed_ratio: at the controller.

    >>> round(wrong_ratio_percent(30, 50)), round(wrong_ratio_percent(50, 30))
    (67, -40)
    """
    return 100.0 * (assumed_ratio / source_ratio - 1.0)


def count_millimetres(divider: Divider, full_scale: float, bits: int, volts_per_mm: float) -> float:
    """Return the height of one count of a converter, mm.

    Args:
        divider: before the converter.
        full_scale: of the converter, V.
        bits: of the converter, 1 to 32.
        volts_per_mm: slope of the arc voltage over height.

    >>> round(count_millimetres(Divider(50, 0.0), 10.0, 10, 4.0), 2)
    0.12
    """
    return full_scale / float(2**bits) * divider.ratio / volts_per_mm
