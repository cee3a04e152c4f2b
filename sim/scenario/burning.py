"""When an arc burns."""

from __future__ import annotations

from kerfbus.sim.sequence import ON_WORK, Mode

BURNING = ON_WORK | {Mode.IGNITION, Mode.PILOT, Mode.TRANSFER}
"""Modes that the mark ``arc=on`` stands for: from the first spark to the last."""
