"""The form of ``[line]`` in a scenario file: rate and format, and what the pair is like.

Lengths are in m, distances of cables in mm, volts in V, resistances in ohm, clocks in ppm. Without
anything but rate and format the line is clean.
"""

from __future__ import annotations

from typing import Literal

from kerfbus.bench.tomlform import Field, Form


class CableForm(Form):
    """``[line.cable]``: the trunk."""

    metres: float | None = None
    gauge: int | None = None
    ohms: float | None = None
    velocity: float | None = None
    loss: float | None = None


class StubForm(Form):
    """``[[line.stub]]``: a derivation without a terminator."""

    at: float
    metres: float


class TerminationForm(Form):
    """``[line.termination]``: which ends have a terminator, and of how many ohms."""

    near: bool = True
    far: bool = True
    ohms: float = 120.0


class BiasForm(Form):
    """``[line.bias]``: the polarization."""

    fitted: bool = True
    pull_up: float | None = None
    pull_down: float | None = None
    volts: float | None = None


class RoutingForm(Form):
    """``[line.routing]``: how the pair runs and is bonded.

    Attributes:
        parallel: metres beside the torch or work lead.
        separation: mm from it.
        shield: where it is bonded.
        bonded_table, common_conductor, isolated: as in `kerfbus.sim.pair.coupling.Routing`.
    """

    parallel: float | None = None
    separation: float | None = None
    shield: Literal["none", "one-end", "both-ends"] | None = None
    bonded_table: bool | None = None
    common_conductor: bool | None = None
    isolated: bool | None = None


class NoiseForm(Form):
    """``[line.noise]``: what disturbs the pair, before the routing has its say.

    Attributes:
        gaussian: background between the conductors, V rms; the routing has no say in it.
        plasma: strength of all that an arc makes; 1 is that of a usual plasma table.
        hum: of the mains on the common mode, V peak.
        hum_hertz: 50 or 60.
        transients: first peak of trains of fast transients, V.
        transients_hertz: pulses a second within a train.
        drift: of the undriven pair without bias, V.
    """

    gaussian: float | None = Field(default=None, ge=0, le=10)
    plasma: float = Field(default=0.0, ge=0, le=100)
    hum: float = Field(default=0.0, ge=0, le=1000)
    hum_hertz: float = Field(default=50.0, ge=10, le=1000)
    transients: float = Field(default=0.0, ge=0, le=10_000)
    transients_hertz: float = Field(default=100_000.0, ge=250, le=1_000_000)
    drift: float | None = Field(default=None, ge=0, le=10)


class CauseForm(Form):
    """``[[line.cause]]``: something that is wrong, from 0 (barely visible) to 1 (dead)."""

    name: str
    severity: float = Field(default=0.5, ge=0, le=1)


class LineForm(Form):
    """``[line]``: the serial line that all supplies share.

    Attributes:
        baud, format: of all stations.
        fidelity: bit by bit, or by the voltages at each sample of the UARTs.
        causes: what is wrong.
        cable, stubs, termination, bias, routing, noise: what the pair is like.
        clocks: errors of clocks by station: ``client``, ``tap``, ``server 1``.
        places: where stations stand along the trunk, m.
    """

    baud: int = 19200
    format: str = "8E1"
    fidelity: Literal["bits", "sampled"] | None = None
    causes: list[CauseForm] = Field(alias="cause", default=[], max_length=20)
    cable: CableForm | None = None
    stubs: list[StubForm] = Field(alias="stub", default=[], max_length=64)
    termination: TerminationForm | None = None
    bias: BiasForm | None = None
    routing: RoutingForm | None = None
    noise: NoiseForm | None = None
    clocks: dict[str, float] = Field(default={})
    places: dict[str, float] = Field(default={})
