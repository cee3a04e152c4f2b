"""Arc transferred: contact, discrete input and status bit say the same, at the right instants."""

from __future__ import annotations

import pytest
from supplies import MS, S, settings

from kerfbus.sim.arc import ENVELOPE_NS, METER_NS
from kerfbus.sim.device import Device
from kerfbus.sim.machine import Beginning
from kerfbus.sim.ratings import WORK_CURRENT_NS
from kerfbus.sim.sequence import ON_WORK, Mode


def shown(device: Device) -> tuple[bool, bool, bool]:
    """Return what contact, discrete input and status bit say."""
    status = device.value("status")
    assert isinstance(status, tuple)
    return (
        device.supply.arc_transferred,
        device.value("arc_transferred") is True,
        "arc-transferred" in status,
    )


def idle(**changes: float) -> Device:
    device = Device(Beginning(settings=settings(**changes)))
    device.supply.enable()
    device.advance(2 * S)
    return device


def test_all_three_say_the_same_in_every_mode() -> None:
    device = idle()
    supply, seen = device.supply, set()

    def agree(_: object) -> None:
        seen.add(supply.mode)
        assert shown(device) == (supply.mode in ON_WORK,) * 3

    supply.watchers.append(agree)
    supply.surround(2 * S, start_contact=True)
    supply.advance(6 * S)
    supply.surround(6 * S, start_contact=False)
    supply.advance(8 * S)
    supply.surround(8 * S, start_contact=True)
    supply.advance(12 * S)
    supply.surround(12 * S, torch_cover_closed=False)
    assert seen >= ON_WORK | {Mode.PRE_FLOW, Mode.PILOT, Mode.TRANSFER, Mode.POST_FLOW, Mode.FAULT}


@pytest.mark.parametrize("span", [10, 50, 100])
def test_it_comes_when_work_current_has_lasted(span: int) -> None:
    device = idle(transfer_time=span)
    supply = device.supply
    supply.surround(2 * S, start_contact=True)
    began = 2 * S + 560 * MS + WORK_CURRENT_NS  # pre-flow, ignition, work current
    supply.advance(began + span * MS - 1)
    assert shown(device) == (False,) * 3
    assert supply.plant.current(supply.now) > supply.settings.transfer_current
    supply.advance(began + span * MS)
    assert shown(device) == (True,) * 3


def test_it_falls_soon_after_the_arc_is_lost() -> None:
    device = idle()
    supply = device.supply
    supply.surround(2 * S, start_contact=True)
    supply.surround(6 * S, stand_off=25.0)
    supply.advance(6 * S + ENVELOPE_NS)
    assert shown(device) == (True,) * 3
    supply.advance(6 * S + ENVELOPE_NS + 3 * METER_NS)
    assert shown(device) == (False,) * 3
    assert supply.plant.arc_volts(supply.now) == 0


def test_the_terminals_never_show_more_than_the_open_circuit() -> None:
    device = idle()
    supply = device.supply
    supply.surround(2 * S, start_contact=True)
    supply.surround(6 * S, work_ohms=50.0)
    assert supply.arc_transferred
    assert supply.plant.arc_volts(6 * S + 1) == 290.0
    supply.advance(6 * S + ENVELOPE_NS)
    assert not supply.arc_transferred
