"""A hand on a simulated supply: what a person does to it while it runs."""

from __future__ import annotations

import pytest

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Outcome
from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.sim.hand import DEFECTS, LINE_TROUBLES, Hand, hand_of, with_trouble
from kerfbus.sim.port import open_port
from kerfbus.sim.vantage import SimTransport

MS = 1_000_000
PORTS = ("sim:", "sim:clean-table", "sim:healthy", "sim:healthy?cause=random-noise&severity=0")


async def opened(port: str) -> tuple[SimTransport, Hand, Client]:
    transport = await open_port(port, LineSettings(), PortOptions(speed="fast"))
    assert isinstance(transport, SimTransport)
    hand = hand_of(transport)
    assert hand is not None
    return transport, hand, Client(transport)


async def polled(line: SimTransport, hand: Hand, client: Client, until: str) -> None:
    """Poll ten times a second until the supply is in a mode; fail after half a minute."""
    for _ in range(300):
        if hand.mode == until:
            return
        await line.clock.sleep_until(line.clock.now() + 100 * MS)
        await client.request(1, wire.ReadInputRegisters(2, 1))
        hand.tick(line.clock.now())
    pytest.fail(f"never {until}, but {hand.mode}")


@pytest.mark.parametrize("port", PORTS)
async def test_an_arc_is_struck_from_off_and_stopped(port: str) -> None:
    line, hand, client = await opened(port)
    hand.strike()
    await polled(line, hand, client, "cutting")
    assert hand.burning
    hand.stop()
    await polled(line, hand, client, "idle")
    assert not hand.burning
    await line.close()


async def test_a_defect_comes_and_goes() -> None:
    line, hand, client = await opened("sim:")
    hand.strike()
    await polled(line, hand, client, "cutting")
    hand.inject("stop-chain-open")
    assert hand.mode == "fault"
    with pytest.raises(UsageError, match="fault"):
        hand.strike()
    hand.stop()
    with pytest.raises(UsageError, match="still there"):
        hand.clear_fault()
    hand.lift("stop-chain-open")
    hand.clear_fault()
    assert hand.mode in ("idle", "off", "post-flow")
    assert hand.defects == ()
    await line.close()


async def test_plant_and_wear_are_set_within_their_ranges() -> None:
    line, hand, _ = await opened("sim:")
    hand.set("stand_off", 3.5)
    assert hand.surroundings.stand_off == 3.5
    hand.set_wear("nozzle", 80.0)
    assert hand.wear("nozzle") == pytest.approx(80.0)
    for act in (
        lambda: hand.set("stand_off", 51.0),
        lambda: hand.set("colour", 1.0),
        lambda: hand.set_wear("nozzle", 201.0),
        lambda: hand.set_wear("bolt", 1.0),
        lambda: hand.inject("bad-luck"),
    ):
        with pytest.raises(UsageError):
            act()
    await line.close()


@pytest.mark.parametrize("name", sorted(DEFECTS))
async def test_every_defect_can_be_laid_on_and_taken_away(name: str) -> None:
    line, hand, _ = await opened("sim:")
    before = hand.surroundings
    hand.inject(name)
    assert hand.surroundings != before
    hand.lift(name)
    assert hand.surroundings == before
    await line.close()


def test_a_port_with_a_trouble() -> None:
    assert with_trouble("sim:", "echo", 0.25) == "sim:healthy?cause=echo&severity=0.25"
    assert with_trouble("sim:healthy?cause=echo&severity=1", None, 0.0) == "sim:healthy"
    with pytest.raises(UsageError):
        with_trouble("sim:", "bad-luck", 0.5)
    with pytest.raises(UsageError):
        with_trouble("sim:", "echo", 1.5)


async def test_a_trouble_of_the_line_is_heard() -> None:
    port = with_trouble("sim:", "random-noise", 0.8)
    line, _, client = await opened(port)
    outcomes = [(await client.request(1, wire.ReadInputRegisters(0, 8))).outcome for _ in range(30)]
    assert any(each is not Outcome.REPLY for each in outcomes)
    assert "random-noise" in LINE_TROUBLES
    await line.close()
