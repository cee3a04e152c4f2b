"""What a scenario may say about its line, and what a port string may ask of it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.errors import PortMissingError, SettingsError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.transport import LineEventKind, Transport
from kerfbus.sim.pair.noise import Shield
from kerfbus.sim.pair.setup import CLIENT, TAP
from kerfbus.sim.scenario import check_scenario, open_scenario, parse_scenario, scenario_names
from kerfbus.sim.scenario.asked import open_asked, split_query
from kerfbus.sim.scenario.wire import CAUSE_NAMES
from kerfbus.sim.scenario.wiring import setup_of

LINE = LineSettings()
S = 1_000_000_000
SUPPLY = """
[[supply]]
address = 7
[supply.table]
process = 102
[[supply.table.cut]]
length = 40.0
"""
WHOLE = (
    """
title = "Every key of a line"
seed = 3
[line]
fidelity = "sampled"
clocks = { client = 120.0, "server 7" = -80.0 }
places = { "server 7" = 40.0 }
[line.cable]
metres = 50.0
gauge = 22
ohms = 110.0
velocity = 0.7
loss = 1.5
[[line.stub]]
at = 20.0
metres = 2.0
[line.termination]
far = false
ohms = 110.0
[line.bias]
pull_up = 620.0
pull_down = 620.0
volts = 5.0
[line.routing]
parallel = 10.0
separation = 50.0
shield = "none"
bonded_table = false
common_conductor = false
isolated = true
[line.noise]
gaussian = 0.02
plasma = 0.5
hum = 1.0
hum_hertz = 60.0
transients = 20.0
drift = 0.01
[[line.cause]]
name = "echo"
severity = 0.7
[[line.cause]]
name = "slow-server"
"""
    + SUPPLY
)


def test_every_key_arrives() -> None:
    scenario = parse_scenario(WHOLE, "whole.toml")
    assert scenario.wire is not None
    assert scenario.wire.causes == (("echo", 0.7), ("slow-server", 0.5))
    setup = setup_of(scenario, CLIENT, 3)
    plant = setup.plant
    assert setup.fidelity == "sampled"
    assert (plant.cable.metres, plant.cable.awg, plant.cable.loss_db) == (50.0, 22, 1.5)
    assert plant.stubs[0].metres == 2.0
    assert (plant.near_ohms, plant.far_ohms) == (110.0, float("inf"))
    assert plant.bias is not None
    assert plant.bias.pull_up == 620.0
    assert setup.place(CLIENT).clock_ppm == 120.0
    assert setup.place("server 7").metres == 40.0
    assert setup.routing.shield is Shield.NONE
    assert setup.routing.isolated
    assert setup.noise.gain == 0.5
    assert setup.noise.hum[0].volts * setup.noise.gain == 1.0
    assert setup.place(CLIENT).hears_itself


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("[[line.cause]]\nname = 'storm'", "line.cause storm.name: there is no cause 'storm'"),
        ("[line.cable]\nmetres = 1e9", "line.cable"),
        ("[line.routing]\nshield = 'some'", "not one of none, one-end, both-ends"),
        ("[line]\nclocks = { server = 1.0 }", "line.clocks.server: is no station"),
        ("[line]\nplaces = { client = 1.0 }", "line.places.client: needs the length"),
        ("[line]\nfidelity = 'good'", "not one of bits, sampled"),
        ("[line.noise]\nplasma = -1.0", "line.noise.plasma"),
        ("[line.termination]\nohms = 0.0", "line.termination.ohms"),
        ("[line.bias]\npull = 1.0", "is not a known key"),
    ],
)
def test_mistakes_have_line_and_key(line: str, said: str, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(f'title = "x"\n{line}\n{SUPPLY}')
    (mistake,) = check_scenario(file)
    assert said in str(mistake)
    assert "\n" not in str(mistake)
    assert mistake.line in (2, 3)


def test_only_rate_and_format_leave_the_line_clean() -> None:
    text = f'title = "x"\n[line]\nbaud = 9600\nformat = "8N2"\n{SUPPLY}'
    assert parse_scenario(text, "x.toml").wire is None


def test_one_scenario_ships_for_every_cause() -> None:
    for cause in CAUSE_NAMES:
        assert cause in scenario_names()
        wire = open_scenario(cause).wire
        assert wire is not None
        assert [name for name, _ in wire.causes] == [cause]


# --- the query -----------------------------------------------------------------------------------


def test_a_query_is_read() -> None:
    name, asked = split_query("./a b.toml?severity=0.3&fidelity=sampled&seed=7&cause=echo")
    assert name == "./a b.toml"
    assert asked == {"severity": 0.3, "fidelity": "sampled", "seed": 7, "cause": "echo"}
    scenario, seeded = open_asked("missing-bias?severity=0.3&seed=7")
    assert scenario.wire is not None
    assert (scenario.seed, seeded, scenario.wire.causes) == (7, True, (("missing-bias", 0.3),))
    clean, seeded = open_asked("clean-table?cause=echo")
    assert clean.wire is not None
    assert not seeded


@pytest.mark.parametrize(
    "query",
    [
        "severity=2",
        "severity=nan",
        "severity=",
        "seed=-1",
        "seed=1&seed=2",
        "fidelity=best",
        "cause=storm",
        "loud=1",
        "severity",
        "",
    ],
)
async def test_a_query_that_is_wrong(query: str) -> None:
    with pytest.raises(SettingsError) as caught:
        await open_port(f"sim:missing-bias?{query}", LINE, PortOptions(speed="fast"))
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 420


async def test_there_is_no_severity_where_nothing_is_wrong() -> None:
    with pytest.raises(SettingsError, match="give cause="):
        await open_port("sim:clean-table?severity=0.5", LINE, PortOptions(speed="fast"))
    with pytest.raises(PortMissingError, match="storm"):
        await open_port("sim:storm?severity=0.5", LINE, PortOptions(speed="fast"))


# --- ports ---------------------------------------------------------------------------------------


async def opened(port: str, **options: object) -> Transport:
    return await open_port(port, LINE, PortOptions(speed="fast", **options))  # type: ignore[arg-type]


async def test_a_client_reads_over_a_pair() -> None:
    async with await opened("sim:healthy") as port:
        client = Client(port, Policy(response_timeout=0.5, retries=0))
        for _ in range(20):
            result = await client.request(2, wire.ReadInputRegisters(0, 8))
            assert result.ok
            assert result.turnaround_ns is not None
            assert result.turnaround_ns >= LINE.t35_ns - LINE.bit_ns


async def test_a_tap_hears_what_a_uart_makes_of_it() -> None:
    async with await opened("sim:wrong-format?severity=1", vantage="tap") as port:
        chunk = await port.receive(None)
        assert chunk is not None
        assert [each.kind for each in chunk.errors] == [LineEventKind.PARITY] * len(chunk.data)
        counters = port.counters()
        assert counters is not None
        assert counters.parity
        with pytest.raises(UsageError, match="a tap sends nothing"):
            await port.send(b"x")


async def test_a_tap_may_wait_step_by_step() -> None:
    async def heard(step: int) -> list[tuple[bytes, int]]:
        found = []
        async with await opened("sim:missing-bias?severity=0.2", vantage="tap") as port:
            at = 0
            while at < S:
                at += step
                while (chunk := await port.receive(at)) is not None:
                    found.append((chunk.data, chunk.at))
        return found

    assert await heard(S // 4) == await heard(S // 4)


async def test_the_careful_controller_asks_whoever_plays_the_supply() -> None:
    for name in ("clean-table", "echo?severity=1"):
        async with await opened(f"sim:{name}", vantage="server") as port:
            chunk = await port.receive(None)
            assert chunk is not None
            assert chunk.data == wire.adu(1, wire.ReadDeviceIdentification(1, 0))
            at = port.clock.now()
            again = await port.receive(at + S)  # nobody answered, so it asks the same again
            assert again is not None
            end = await port.send(b"\x01\xab\x01\x90\xf0")
            heard = await port.receive(end + 3_000_000)
            assert (heard is not None and heard.data == b"\x01\xab\x01\x90\xf0") is (
                name != "clean-table"
            )


async def test_the_caller_may_change_its_rate() -> None:
    async with await opened("sim:healthy", vantage="tap") as port:
        assert (await port.receive(None)) is not None
        await port.reconfigure(LineSettings.parse(9600, "8E1"))
        errors = 0
        for _ in range(6):
            chunk = await port.receive(None)
            assert chunk is not None
            errors += len(chunk.errors)
        assert errors


# --- the same everywhere -------------------------------------------------------------------------

PROGRAM = """
import sys
from kerfbus.sim.causerun import CauseRun, record_cause
for cause in ("arc-noise", "duplicate-address", "second-client", "missing-bias"):
    record_cause(CauseRun(cause, 0.6, f"{sys.argv[1]}/{cause}.pcapng", "tap", transactions=25))
"""


def test_the_same_bytes_in_another_process(tmp_path: Path) -> None:
    folders = []
    for number in ("0", "4242"):
        folder = tmp_path / number
        folder.mkdir()
        folders.append(folder)
        subprocess.run(
            [sys.executable, "-c", PROGRAM, str(folder)],
            env={**os.environ, "PYTHONHASHSEED": number},
            check=True,
            timeout=120,
        )
    names = sorted(each.name for each in folders[0].iterdir())
    assert len(names) == 8
    for name in names:
        one, other = ((folder / name).read_bytes() for folder in folders)
        assert one == other


def test_the_truth_is_whole_json(tmp_path: Path) -> None:
    from kerfbus.sim.causerun import CauseRun, record_cause

    path = tmp_path / "a.pcapng"
    truth = record_cause(CauseRun(("echo", "no-server"), 0.5, path, "client", transactions=20))
    told = json.loads((tmp_path / "a.pcapng.truth.json").read_text())
    assert [each["cause"] for each in told["causes"]] == ["echo", "no-server"]
    assert told["vantage"] == "client"
    assert told["plant"]["stations"][0]["name"] == CLIENT
    assert TAP not in [each["name"] for each in told["plant"]["stations"]]
    assert told["hurt"] == truth.hurt == sum(each["hurt"] for each in told["transactions"])
