"""The book of faults: cause, effect, bits and remedy of each, in one table.

The supply takes from it which faults let the current ramp down; the rest is for people, and the
tests hold the supply to it. Documents are made from it: `rows`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import Enum
from types import MappingProxyType
from typing import NamedTuple

from kerfbus.sim.faults import Fault


class Effect(Enum):
    """What a fault does to an arc that burns."""

    CUT_OFF = "current is cut off, gas flows on"
    RAMP_DOWN = "current ramps down, gas flows on"
    NO_START = "no arc burns yet; the start ends, gas flows on after an ignition"


class Facts(NamedTuple):
    """A line of the book.

    Attributes:
        cause: what is physically so.
        judged: when the supply looks for it.
        effect: on an arc that burns, or on the start.
        interlock: bit of the register ``interlocks`` that is 0 while the cause is there, "" for
            none. Every fault sets the bit ``fault`` of ``status`` and the mode ``fault``.
        detail: what the log's ``detail`` holds, "" for nothing.
        remedy: what must be so before the separate act ``clear-fault`` is accepted.
    """

    cause: str
    judged: str
    effect: Effect
    interlock: str = ""
    detail: str = ""
    remedy: str = "nothing more"


_ALWAYS = "always while enabled"
_PRE_FLOW = "end of pre-flow"
_RAMPED = "end of the ramp-up, and whenever it changes after that"
_TEST = "end of the self-test"
_CENTIBAR = "pressure, 0.01 bar"

BOOK: Mapping[Fault, Facts] = MappingProxyType(
    {
        Fault.NO_GAS: Facts(
            "hardly any flow pressure (below 0.5 bar): valve shut, hose off, empty receiver",
            _PRE_FLOW,
            Effect.NO_START,
            "inlet-pressure-ok",
            _CENTIBAR,
            "the source gives at least 4.5 bar",
        ),
        Fault.INLET_PRESSURE_LOW: Facts(
            "inlet pressure below 4.5 bar while gas flows",
            _PRE_FLOW,
            Effect.NO_START,
            "inlet-pressure-ok",
            _CENTIBAR,
            "the source gives at least 4.5 bar",
        ),
        Fault.INLET_PRESSURE_HIGH: Facts(
            "inlet pressure above 9.5 bar",
            _PRE_FLOW,
            Effect.NO_START,
            "inlet-pressure-ok",
            _CENTIBAR,
            "the source gives at most 9.5 bar",
        ),
        Fault.FLOW_PRESSURE_LOW: Facts(
            "flow pressure below 70 % of its set-point: weak compressor, thin hose, failing source",
            f"{_PRE_FLOW}, and always from ignition on",
            Effect.CUT_OFF,
            "flow-pressure-ok",
            _CENTIBAR,
        ),
        Fault.GAS_PRESSURE_OFF_SET_POINT: Facts(
            "flow pressure more than 0.6 bar off its set-point: regulator out of adjustment",
            _PRE_FLOW,
            Effect.NO_START,
            "",
            _CENTIBAR,
        ),
        Fault.NO_IGNITION: Facts(
            "no pilot arc after all attempts: worn parts, no spark, moist gas",
            "end of the last ignition",
            Effect.NO_START,
        ),
        Fault.PILOT_LIMIT: Facts(
            "work current came and went until the pilot arc had burnt too long",
            "pilot limit",
            Effect.NO_START,
        ),
        Fault.NO_TRANSFER: Facts(
            "no work current while the pilot arc burnt: no work, too high, bad bonding",
            "pilot limit",
            Effect.NO_START,
        ),
        Fault.ARC_LOST: Facts(
            "the arc went out by itself three times in a row before a cut had begun",
            "when the arc goes out",
            Effect.CUT_OFF,
        ),
        Fault.NOZZLE_SHORT: Facts(
            "electrode on the nozzle after ignition, or nozzle on the work for 0.1 s",
            "end of ignition, and always while the arc burns",
            Effect.CUT_OFF,
            remedy="the electrode is free",
        ),
        Fault.WORK_LEAD_OPEN: Facts(
            "work lead open",
            "pilot limit, and when the arc goes out",
            Effect.CUT_OFF,
            "work-lead-ok",
            remedy="the work lead is connected",
        ),
        Fault.OVER_CURRENT: Facts(
            "current above 120 % of its set-point: defect of the regulator",
            _RAMPED,
            Effect.CUT_OFF,
            detail="current, 0.1 A",
            remedy="the defect is gone",
        ),
        Fault.CURRENT_NOT_REACHED: Facts(
            "current below 90 % of its set-point: defect of the power stage",
            _RAMPED,
            Effect.CUT_OFF,
            detail="current, 0.1 A",
            remedy="the defect is gone",
        ),
        Fault.TORCH_COVER_OPEN: Facts(
            "torch cover open",
            _ALWAYS,
            Effect.CUT_OFF,
            "torch-cover-closed",
            remedy="the cover is closed",
        ),
        Fault.PART_MISSING: Facts(
            "a consumable is not seated",
            _ALWAYS,
            Effect.CUT_OFF,
            "parts-in-place",
            remedy="all parts are seated",
        ),
        Fault.PART_WORN_OUT: Facts(
            "the arc left the electrode's insert for its holder: electrode and nozzle are lost",
            "end of ignition, by chance, more likely with a deeper pit",
            Effect.NO_START,
            remedy="electrode and nozzle are replaced",
        ),
        Fault.OVER_TEMPERATURE: Facts(
            "heat sink above 85 or winding above 130 degrees Celsius, their means over ten minutes "
            "above those of the rated duty in air of 40 degrees, or thermal switch open",
            _ALWAYS,
            Effect.RAMP_DOWN,
            "temperature-ok",
            "temperature, 0.1 degrees Celsius",
            "the block has gone by itself: below 70 and 115 degrees, after a high mean 10 K less",
        ),
        Fault.FAN_STALLED: Facts(
            "the fan does not turn",
            _ALWAYS,
            Effect.RAMP_DOWN,
            "fan-ok",
            remedy="the fan turns",
        ),
        Fault.TEMPERATURE_SENSOR: Facts(
            "a sensor of the power stage shows nothing",
            _ALWAYS,
            Effect.RAMP_DOWN,
            remedy="the sensor shows something",
        ),
        Fault.PHASE_LOSS: Facts(
            "a mains phase is missing",
            _ALWAYS,
            Effect.CUT_OFF,
            "phases-ok",
            remedy="all phases are present",
        ),
        Fault.MAINS_LOW: Facts(
            "mains below 340 V",
            _ALWAYS,
            Effect.CUT_OFF,
            detail="voltage, V",
            remedy="340 V are there",
        ),
        Fault.MAINS_HIGH: Facts(
            "mains above 460 V",
            _ALWAYS,
            Effect.CUT_OFF,
            detail="voltage, V",
            remedy="the voltage is below 460 V",
        ),
        Fault.WATCHDOG: Facts(
            "silence on the armed link for longer than `watchdog_time` during a start or a cut",
            "always while the link is armed",
            Effect.RAMP_DOWN,
        ),
        Fault.MEMORY: Facts(
            "stored settings are not whole; factory settings are in force after switching on",
            _TEST,
            Effect.NO_START,
            "memory-ok",
            remedy="the memory is whole",
        ),
        Fault.PARAMETER_OUT_OF_RANGE: Facts(
            "a setting is outside what this unit can do, e.g. more current than it is rated for",
            f"{_TEST}, and each start",
            Effect.NO_START,
            remedy="the setting is changed",
        ),
        Fault.SELF_TEST_FAILED: Facts(
            "the control has found a defect in itself",
            _TEST,
            Effect.NO_START,
            "self-test-ok",
            remedy="the defect is gone",
        ),
        Fault.STOP_CHAIN_OPEN: Facts(
            "hard-wired stop chain open",
            _ALWAYS,
            Effect.CUT_OFF,
            "stop-chain-closed",
            remedy="the chain is closed",
        ),
        Fault.START_STUCK: Facts(
            "the start contact has been closed for 60 s without a start that could obey it",
            "always while idle",
            Effect.NO_START,
            remedy="the contact is open",
        ),
    }
)
"""All faults, by code."""


class Row(NamedTuple):
    """A line of the book for a document.

    Attributes:
        code: of the register ``fault``.
        name: in the enumeration ``fault`` of the register map.
        facts: everything else.
    """

    code: int
    name: str
    facts: Facts


def rows() -> Iterator[Row]:
    """Yield the book by rising code."""
    for fault in sorted(BOOK):
        yield Row(int(fault), fault.name.lower().replace("_", "-"), BOOK[fault])
