"""Tables that go on cutting by wires of their own while somebody else is the client on the line."""

from __future__ import annotations

import pytest

from kerfbus.bench.account import AccountingTransport
from kerfbus.bench.arcsign import parse_arc_sign
from kerfbus.bench.client import Policy
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.regmap import ReadSpan, Table
from kerfbus.bench.soak import NS, Soak, SoakPlan
from kerfbus.sim.maps import default_map


async def soaked(port: str, seconds: int) -> AccountingTransport:
    transport = await open_port(port, LineSettings(), PortOptions(speed="fast"))
    account = AccountingTransport(transport)
    sign = parse_arc_sign("status=arc-transferred", default_map())
    span = ReadSpan(Table.INPUT, 0, 8)
    plan = SoakPlan(1, (span,), duration_ns=seconds * NS, arc=sign, pause_ns=20_000_000)
    await Soak(account, plan, Policy(response_timeout=0.3, retries=0)).run()
    return account


async def test_a_client_that_only_reads_sees_the_arc_and_its_noise() -> None:
    """And the noise comes with the arc: what passes while it strikes or burns goes wrong more."""
    account = await soaked("sim:arc-noise?severity=0.7", 25)
    shares = account.quality.conditions
    assert shares["arc", "on"].trials > 30
    assert shares["arc", "off"].trials > 30
    found = {each["first"]: each for each in account.quality.comparisons()}
    assert found["arc=changing"]["p_value"] < 1e-3
    assert found["arc=changing"]["rate_ratio"] is None or found["arc=changing"]["rate_ratio"] > 5


async def test_a_table_without_wires_of_its_own_waits_for_the_client() -> None:
    account = await soaked("sim:random-noise?severity=0.1", 4)
    assert {value for key, value in account.quality.conditions if key == "arc"} == {"off"}


@pytest.mark.parametrize("port", ["sim:arc-noise", "sim:bad-bonding"])
async def test_the_same_seed_gives_the_same_account(port: str) -> None:
    first, second = await soaked(port, 8), await soaked(port, 8)
    assert first.quality.to_json() == second.quality.to_json()
