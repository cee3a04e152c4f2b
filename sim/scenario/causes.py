"""Defects that a scenario injects by name, and what each can lead to.

A defect is a change of the surroundings; which faults a change can lead to is known for each of
them, so that the log ties a fault to the defect behind it, not merely to the last one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any, NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.sim.faults import Fault
from kerfbus.sim.surroundings import PARTS, Surroundings

Changes = Mapping[str, Any]
"""Surroundings by name."""


class Cause(NamedTuple):
    """A defect.

    Attributes:
        changes: of the surroundings.
        text: what is physically so.
    """

    changes: Changes
    text: str


def _cause(text: str, **changes: Any) -> Cause:
    return Cause(MappingProxyType(changes), text)


CAUSES: Mapping[str, Cause] = MappingProxyType(
    {
        "no-gas": _cause("the gas is shut off", inlet_bar=0.0),
        "inlet-pressure-low": _cause("the source gives too little pressure", inlet_bar=4.0),
        "inlet-pressure-high": _cause("the source gives too much pressure", inlet_bar=10.5),
        "weak-compressor": _cause("the compressor cannot keep up", compressor_litres=40.0),
        "regulator-off": _cause("the regulator is out of adjustment", regulator_error=-0.9),
        "no-ignition": _cause("no pilot arc comes up", strikes=False),
        "electrode-stuck": _cause("the electrode stays on the nozzle", electrode_stuck=True),
        "no-work": _cause("there is no work below the torch", over_work=False),
        "torch-too-high": _cause("the torch stands too high", stand_off=12.0),
        "nozzle-touches": _cause("the nozzle touches the work", stand_off=0.1),
        "work-lead-open": _cause("the work lead is off", work_lead_ok=False),
        "bad-bonding": _cause("clamp and table are badly bonded", work_ohms=15.0),
        "wrong-nozzle": _cause("a nozzle for less current is fitted", nozzle_amperes=30.0),
        "current-low": _cause("half of the power stage is dead", current_gain=0.5),
        "current-high": _cause("the current regulator runs away", current_gain=1.3),
        "torch-cover-open": _cause("the torch cover is open", torch_cover_closed=False),
        "part-missing": _cause("the nozzle is not seated", parts_missing=frozenset({"nozzle"})),
        "thermal-switch-open": _cause("the thermal switch is open", too_hot=True),
        "fan-stalled": _cause("the fan does not turn", fan_ok=False),
        "sensor-failed": _cause(
            "the heat sink's sensor shows nothing", sensors_failed=frozenset({"heat_sink"})
        ),
        "phase-loss": _cause("a mains phase is missing", phases=frozenset({"l1", "l3"})),
        "mains-low": _cause("the mains are too low", mains_volts=320.0),
        "mains-high": _cause("the mains are too high", mains_volts=480.0),
        "memory": _cause("stored settings are damaged", memory_ok=False),
        "control-defect": _cause("the control fails its self-test", control_ok=False),
        "stop-chain-open": _cause("the hard-wired stop chain is open", stop_chain_closed=False),
        "start-stuck": _cause("the start contact is closed", start_contact=True),
    }
)
"""Defects of the physical side."""
_OTHER_SIDE: Mapping[str, frozenset[Fault]] = MappingProxyType(
    {
        "no-gas": frozenset({Fault.INLET_PRESSURE_HIGH}),
        "inlet-pressure-low": frozenset({Fault.INLET_PRESSURE_HIGH}),
        "inlet-pressure-high": frozenset(
            {Fault.NO_GAS, Fault.INLET_PRESSURE_LOW, Fault.FLOW_PRESSURE_LOW}
        ),
        "weak-compressor": frozenset({Fault.INLET_PRESSURE_HIGH}),
        "regulator-off": frozenset(
            {Fault.NO_GAS, Fault.INLET_PRESSURE_LOW, Fault.INLET_PRESSURE_HIGH}
        ),
        "torch-too-high": frozenset({Fault.NOZZLE_SHORT}),
        "nozzle-touches": frozenset({Fault.NO_TRANSFER, Fault.PILOT_LIMIT}),
        "current-low": frozenset({Fault.OVER_CURRENT}),
        "current-high": frozenset({Fault.CURRENT_NOT_REACHED}),
        "mains-low": frozenset({Fault.MAINS_HIGH}),
        "mains-high": frozenset({Fault.MAINS_LOW, Fault.ARC_LOST}),
    }
)
"""Faults of the same surroundings that only a value on their other side can lead to."""
CONTROLLER_SILENT = "controller-silent"
"""A defect of the controller: it asks nothing while this lasts."""
INJECTIONS = (*CAUSES, CONTROLLER_SILENT)
"""All names that `inject` takes."""

REPLACE = "replace-"
ACTS = (
    *(f"{REPLACE}{part.replace('_', '-')}" for part in PARTS),
    "clear-fault",
    "enable",
    "disable",
    "self-test",
    "power-cycle",
)
"""What a person can do at the supply, all names that `act` takes."""

_F = Fault
_GAS = frozenset(
    {
        _F.NO_GAS,
        _F.INLET_PRESSURE_LOW,
        _F.INLET_PRESSURE_HIGH,
        _F.FLOW_PRESSURE_LOW,
        _F.GAS_PRESSURE_OFF_SET_POINT,
    }
)
_TRANSFER = frozenset({_F.NO_TRANSFER, _F.PILOT_LIMIT, _F.ARC_LOST})

LEADS_TO: Mapping[str, frozenset[Fault]] = MappingProxyType(
    {
        "inlet_bar": _GAS,
        "compressor_litres": _GAS,
        "regulator_error": _GAS,
        "hose_metres": _GAS,
        "hose_millimetres": _GAS,
        "receiver_litres": _GAS,
        "strikes": frozenset({_F.NO_IGNITION}),
        "electrode_stuck": frozenset({_F.NOZZLE_SHORT}),
        "over_work": _TRANSFER,
        "stand_off": _TRANSFER | {_F.NOZZLE_SHORT},
        "table_speed": frozenset({_F.ARC_LOST}),
        "over_kerf": frozenset({_F.ARC_LOST}),
        "work_lead_ok": _TRANSFER | {_F.WORK_LEAD_OPEN},
        "work_ohms": _TRANSFER,
        "nozzle_amperes": frozenset({_F.PART_WORN_OUT}),
        "current_gain": frozenset({_F.CURRENT_NOT_REACHED, _F.OVER_CURRENT, _F.ARC_LOST}),
        "torch_cover_closed": frozenset({_F.TORCH_COVER_OPEN}),
        "parts_missing": frozenset({_F.PART_MISSING}),
        "too_hot": frozenset({_F.OVER_TEMPERATURE}),
        "ambient": frozenset({_F.OVER_TEMPERATURE}),
        "fan_ok": frozenset({_F.FAN_STALLED, _F.OVER_TEMPERATURE}),
        "sensors_failed": frozenset({_F.TEMPERATURE_SENSOR}),
        "phases": frozenset({_F.PHASE_LOSS}),
        "mains_volts": frozenset({_F.MAINS_LOW, _F.MAINS_HIGH, _F.ARC_LOST}),
        "mains_unequal": frozenset({_F.MAINS_LOW, _F.ARC_LOST}),
        "memory_ok": frozenset({_F.MEMORY, _F.PARAMETER_OUT_OF_RANGE}),
        "control_ok": frozenset({_F.SELF_TEST_FAILED}),
        "stop_chain_closed": frozenset({_F.STOP_CHAIN_OPEN}),
        "start_contact": frozenset({_F.START_STUCK}),
        "wear": frozenset({_F.PART_WORN_OUT, _F.ARC_LOST, _F.NO_IGNITION}),
        CONTROLLER_SILENT: frozenset({_F.WATCHDOG}),
    }
)
"""Which faults can follow when something is not as it should be."""


def leads_to(names: Iterable[str]) -> frozenset[Fault]:
    """Return the faults that changes of these names can lead to."""
    return frozenset().union(*(LEADS_TO.get(name, frozenset()) for name in names))


def defect_leads_to(name: str) -> frozenset[Fault]:
    """Return the faults that a defect, of `INJECTIONS`, can lead to."""
    if name == CONTROLLER_SILENT:
        return leads_to((CONTROLLER_SILENT,))
    return leads_to(CAUSES[name].changes) - _OTHER_SIDE.get(name, frozenset())


_DEFAULTS = Surroundings()
_KINDS = {field.name: getattr(_DEFAULTS, field.name) for field in fields(Surroundings)}


def converted(name: str, given: object) -> Any:
    """Return a value for the surroundings out of what TOML gave.

    Raises:
        UsageError: there is no such name, or the value is of another kind or out of range.
    """
    if name not in _KINDS:
        raise UsageError("is not among the surroundings: " + ", ".join(sorted(_KINDS)))
    usual = _KINDS[name]
    if isinstance(usual, bool):
        if not isinstance(given, bool):
            raise UsageError(f"needs true or false, got {given!r}")
        return given
    if isinstance(usual, frozenset):
        if not isinstance(given, list) or not all(isinstance(each, str) for each in given):
            raise UsageError(f"needs a list of names, got {given!r}")
        value: Any = frozenset(given)
    else:
        if isinstance(given, bool) or not isinstance(given, int | float):
            raise UsageError(f"needs a number, got {given!r}")
        value = float(given)
    _DEFAULTS.changed(**{name: value})
    return value
