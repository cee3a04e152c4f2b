"""From ``[line]`` of a scenario to a pair: what is fixed, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import inf
from typing import Any, Protocol

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.coupling import Routing, Shield
from kerfbus.sim.pair.noiseplan import PLASMA, Drift, Hum, NoisePlan, Transients
from kerfbus.sim.pair.plant import Bias, Cable, Stub
from kerfbus.sim.pair.setup import CLIENT, TAP, Fidelity, Given, server_name
from kerfbus.sim.scenario.lineform import LineForm, NoiseForm

CAUSE_NAMES = (
    "healthy",
    "arc-noise",
    "random-noise",
    "missing-termination",
    "missing-bias",
    "early-release",
    "late-release",
    "echo",
    "adapter-gaps",
    "duplicate-address",
    "second-client",
    "intermittent-contact",
    "ground-offset",
    "swapped-pair",
    "wrong-baud",
    "wrong-format",
    "slow-server",
    "no-server",
)
"""All causes; what each does is in `kerfbus.sim.pair.defects`, which brings numpy along."""


@dataclass(frozen=True)
class Wire:
    """A scenario's pair.

    Attributes:
        given: what the file fixes.
        causes: what is wrong, with severities.
        fidelity: which line.
    """

    given: Given
    causes: tuple[tuple[str, float], ...] = ()
    fidelity: Fidelity = "bits"

    @classmethod
    def usual(cls) -> Wire:
        """Return a pair of which nothing is said."""
        return cls(Given())

    def asked(self, cause: str | None, severity: float | None, fidelity: Fidelity | None) -> Wire:
        """Return a pair with other causes, severities or fidelity; None leaves what there is."""
        causes = self.causes
        if cause is not None:
            causes = ((cause, 0.5),)
        if severity is not None:
            causes = tuple((name, severity) for name, _ in causes)
        return replace(self, causes=causes, fidelity=fidelity or self.fidelity)


class Places(Protocol):
    """Where mistakes are noted; see `kerfbus.sim.scenario.load.Reader`."""

    @contextmanager
    def at(self, *path: str | int) -> Iterator[None]:
        """Take a `UsageError` that is raised inside for a mistake at `path`."""


def check_cause(name: str) -> str:
    """Return the name of a cause.

    Raises:
        UsageError: there is no such cause.
    """
    if name not in CAUSE_NAMES:
        raise UsageError(f"there is no cause {name!r}; there are {', '.join(CAUSE_NAMES)}")
    return name


def read_wire(form: LineForm, addresses: Sequence[int], reader: Places) -> Wire | None:
    """Return the pair that a file describes, None where the line is a clean one.

    Args:
        form: of ``[line]``.
        addresses: of the supplies.
        reader: takes mistakes.
    """
    if form.model_fields_set <= {"baud", "format"}:
        return None
    for index, cause in enumerate(form.causes):
        with reader.at("line", "cause", index, "name"):
            check_cause(cause.name)
    return Wire(
        _given(form, addresses, reader),
        tuple((cause.name, cause.severity) for cause in form.causes),
        form.fidelity or "bits",
    )


def _given(form: LineForm, addresses: Sequence[int], reader: Places) -> Given:
    given = Given()
    if form.cable is not None:
        with reader.at("line", "cable"):
            names = {"gauge": "awg", "loss": "loss_db"}
            given = replace(given, cable=Cable(**_said(form.cable, names)))
    if form.termination is not None:
        ends = form.termination
        with reader.at("line", "termination", "ohms"):
            if not 1.0 <= ends.ohms <= 1e6:
                raise UsageError(f"{ends.ohms:g} is out of range; give 1 to 1000000")
        near, far = (ends.ohms if fitted else inf for fitted in (ends.near, ends.far))
        given = replace(given, near_ohms=near, far_ohms=far)
    if form.bias is not None:
        said = _said(form.bias)
        biased = bool(said.pop("fitted", True))
        with reader.at("line", "bias"):
            given = replace(given, bias=Bias(**said) if said else None, biased=biased)
    if form.routing is not None:
        said = _said(form.routing, {"parallel": "parallel_metres", "separation": "separation_mm"})
        if "shield" in said:
            said["shield"] = Shield(said["shield"])
        with reader.at("line", "routing"):
            given = replace(given, routing=Routing(**said))
    if form.noise is not None:
        with reader.at("line", "noise"):
            given = replace(given, noise=_noise(form.noise))
    return _stations(form, given, addresses, reader)


def _stations(form: LineForm, given: Given, addresses: Sequence[int], reader: Places) -> Given:
    """Return what is given with the stations' clocks and places, and the stubs."""
    known = (CLIENT, TAP, *(server_name(each) for each in addresses))
    length = given.cable.metres if given.cable is not None else None
    for key, said, low, high in (
        ("clocks", form.clocks, -500_000.0, 500_000.0),
        ("places", form.places, 0.0, length),
    ):
        for name, value in said.items():
            with reader.at("line", key, name):
                if name not in known:
                    raise UsageError(f"is no station; the stations are {', '.join(known)}")
                if high is None:
                    raise UsageError("needs the length of the trunk: give [line.cable] metres")
                if not low <= value <= high:
                    raise UsageError(f"{value:g} is out of range; give {low:g} to {high:g}")
    stubs: list[Stub] = []
    for index, each in enumerate(form.stubs):
        with reader.at("line", "stub", index):
            if length is None or not 0.0 <= each.at <= length:
                raise UsageError("leaves the trunk beyond its end, as [line.cable] metres has it")
            stubs.append(Stub(each.at, each.metres))
    return replace(given, clocks=form.clocks, metres=form.places, stubs=tuple(stubs))


def _said(form: Any, names: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Return what a form says, by the names of the records that it goes into."""
    known = names or {}
    return {
        known.get(name, name): getattr(form, name)
        for name in type(form).model_fields
        if name in form.model_fields_set and getattr(form, name) is not None
    }


def _noise(form: NoiseForm) -> NoisePlan:
    plan = replace(PLASMA, gain=form.plasma, hum=()) if form.plasma else NoisePlan()
    # The gain is of all that the routing couples, so what comes besides is given without it.
    gain = form.plasma or 1.0
    if form.gaussian is not None:
        plan = replace(plan, gaussian=form.gaussian)
    if form.hum:
        plan = replace(plan, hum=(Hum(form.hum / gain, form.hum_hertz),))
    if form.transients:
        train = Transients(form.transients / gain, form.transients_hertz)
        plan = replace(plan, transients=(train,))
    if form.drift is not None:
        plan = replace(plan, drift=Drift(form.drift))
    return plan
