"""Waves on a tree of lines: a lattice in time, one step for each cell that a wave crosses.

Every line is a chain of cells of the same delay. At each boundary between cells waves meet a part
of the line's resistance, at each node all lines that end there, resistances across the pair, and
whatever is fed in. Both are solved exactly; there is no other approximation than the cells.

The resistance of a line grows with the root of the frequency (skin effect). In time it is a chain
of resistors, each with an inductor across it: with corners a factor r apart and ohms of
``root(corner) * ln(r) * root(2) / pi`` their sum follows the root between the corners within 4 %
for r = 10 (textbook: the integral of root(y)/(1 + y^2) dy/y is pi / root(2)).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log, pi, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

SKIN_CORNERS_HERTZ = (3e4, 3e5, 3e6, 3e7)
Volts = npt.NDArray[np.float64]


class Section(NamedTuple):
    """A line between two nodes.

    Attributes:
        near, far: nodes.
        cells: delay in steps, at least 1.
        ohms: resistance of both conductors, at zero frequency; lies between cells, so that a
            section of one cell has none.
        skin: ohms per root of a hertz on top.
    """

    near: int
    far: int
    cells: int
    ohms: float = 0.0
    skin: float = 0.0


class Lattice:
    """Lines, at rest at 0 V.

    Args:
        sections: the lines.
        impedance: characteristic impedance of all, ohm.
        siemens: conductance across the pair, by node.
        step_ns: delay of a cell.
    """

    def __init__(
        self,
        sections: Sequence[Section],
        impedance: float,
        siemens: Sequence[float],
        step_ns: float,
    ) -> None:
        ends = np.cumsum([section.cells for section in sections])
        self._impedance = impedance
        self._near = np.array([section.near for section in sections])
        self._far = np.array([section.far for section in sections])
        self._last = ends - 1
        self._first = np.concatenate(([0], ends[:-1]))
        self._admittance = np.array(siemens, np.float64)
        for end in (self._near, self._far):
            np.add.at(self._admittance, end, 1 / impedance)
        cells = int(ends[-1])
        self._right, self._left = np.zeros(cells), np.zeros(cells)  # waves about to arrive
        self._resist(sections, step_ns)

    def _resist(self, sections: Sequence[Section], step_ns: float) -> None:
        """Lay resistance between cells; the last of a section is a node, and has none there."""
        cells = len(self._right)
        ohms, skin = np.zeros(cells - 1), np.zeros(cells - 1)
        for section, first, last in zip(sections, self._first, self._last, strict=True):
            if last > first:
                ohms[first:last] = section.ohms / (last - first)
                skin[first:last] = section.skin / (last - first)
        ratio = SKIN_CORNERS_HERTZ[1] / SKIN_CORNERS_HERTZ[0]
        share = log(ratio) * sqrt(2) / pi
        corners = np.array(SKIN_CORNERS_HERTZ)[:, None]
        coils = skin * np.sqrt(corners) * share
        # Trapezoidal rule: a resistor with an inductor across it is a resistor and a source.
        half = pi * corners * step_ns * 1e-9
        self._coil_ohms = coils / (1 + half)
        self._coil_gain = np.divide(2 * half, coils, out=np.zeros_like(coils), where=coils > 0)
        self._coil_state = np.zeros_like(coils)
        self._skin = bool(skin.any())
        self._loop = 2 * self._impedance + ohms + self._coil_ohms.sum(axis=0)

    def feed(self, amperes: Volts, node: int) -> npt.NDArray[np.float64]:
        """Feed a current into a node, step by step, and return the volts of all nodes.

        Args:
            amperes: shape (steps,). A source of V volts behind R ohms is V/R amperes and a
                conductance of 1/R at its node.
            node: where.

        Returns:
            Volts, shape (steps, nodes).
        """
        out = np.empty((len(amperes), len(self._admittance)))
        for step, current in enumerate(amperes):
            out[step] = self._advance(node, float(current))
        return out

    def _advance(self, node: int, current: float) -> Volts:
        right, left = self._right, self._left
        at_near, at_far = left[self._first], right[self._last]
        nodes = len(self._admittance)
        volts: Volts = np.zeros(nodes)
        volts += np.bincount(self._near, at_near, nodes)
        volts += np.bincount(self._far, at_far, nodes)
        volts *= 2 / self._impedance
        volts[node] += current
        volts /= self._admittance
        # Boundaries between cells; those between sections are overwritten by the nodes below.
        drop = right[:-1] - left[1:]
        drop *= 2
        if self._skin:
            drop += (self._coil_ohms * self._coil_state).sum(axis=0)
        amperes = drop / self._loop
        if self._skin:
            self._coil_state += self._coil_gain * self._coil_ohms * (amperes - self._coil_state)
        amperes *= self._impedance
        next_right, next_left = np.empty_like(right), np.empty_like(left)
        next_right[1:] = left[1:] + amperes
        next_left[:-1] = right[:-1] - amperes
        next_right[self._first] = volts[self._near] - at_near
        next_left[self._last] = volts[self._far] - at_far
        self._right, self._left = next_right, next_left
        return volts
