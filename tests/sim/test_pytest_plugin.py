"""The pytest plugin, run by pytest: captures as tests, fixtures, reports, several processes."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hours import PAUSE_SECONDS, TRANSACTIONS, record_hour

# Runs in this process forget what they have imported, and numpy bears no second import.
import kerfbus.bench.diagnosis.explain
import kerfbus.sim.background
import kerfbus.sim.capturetest
import kerfbus.sim.pairport
import kerfbus.sim.plainline
import kerfbus.sim.scenario.wiring
import kerfbus.sim.tcpdoor  # noqa: F401

pytest_plugins = ["pytester"]

CORPUS = Path(__file__).parents[2] / "captures"
QUIET = ("-p", "no:hypothesispytest", "-p", "no:asyncio", "-p", "no:benchmark")
"""Plugins of others that these runs do not need; they cost more than all the rest."""


@pytest.fixture
def site(pytester: pytest.Pytester) -> Path:
    """A folder with a capture, its decode and its expectations."""
    folder = pytester.mkdir("site")
    for suffix in (".pcapng", ".txt", ".expect.toml"):
        shutil.copy(CORPUS / f"first-minute{suffix}", folder)
    return folder


def run(pytester: pytest.Pytester, *arguments: str | Path) -> pytest.RunResult:
    return pytester.runpytest_inprocess(*QUIET, *arguments)


# Captures as tests


def test_every_capture_is_a_test(pytester: pytest.Pytester, site: Path) -> None:
    below = site / "below"
    below.mkdir()
    shutil.copy(CORPUS / "one-cut.pcapng", below)
    pytester.makepyfile("def test_other(): assert False")
    result = run(pytester, "--captures", "site", "-v")
    result.assert_outcomes(passed=2)
    result.stdout.fnmatch_lines(
        [
            "site/below/one-cut.pcapng::capture PASSED*",
            "site/first-minute.pcapng::capture PASSED*",
            "site/below/one-cut.pcapng: nothing is expected of it: only checked for decoding",
        ]
    )
    result.stdout.no_fnmatch_line("site/first-minute.pcapng: nothing*")


def test_captures_come_with_what_else_is_named(pytester: pytest.Pytester, site: Path) -> None:
    other = pytester.makepyfile("def test_other(): pass")
    result = run(pytester, "--captures", site / "first-minute.pcapng", other)
    result.assert_outcomes(passed=2)


def test_nothing_is_collected_unasked(pytester: pytest.Pytester, site: Path) -> None:
    pytester.makepyfile("def test_other(): pass")
    run(pytester).assert_outcomes(passed=1)


def test_a_folder_that_is_not_there_is_told(pytester: pytest.Pytester) -> None:
    result = run(pytester, "--captures", "nowhere")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: --captures */nowhere: there is no such folder or capture"])


def test_a_difference_is_shown_with_its_transaction(pytester: pytest.Pytester, site: Path) -> None:
    text = site / "first-minute.txt"
    text.write_text(text.read_text("utf-8").replace("= 450", "= 451", 1), "utf-8")
    result = run(pytester, "--captures", "site")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "first-minute.pcapng is not what it is expected to be",
            "kept because: identity, reads, *",
            "capture: */site/first-minute.pcapng",
            "first-minute.txt, line *",
            "  expected *to 1 *write register 0 = 451",
            "  got *to 1 *write register 0 = 450",
            "  in this transaction:",
            "*to 1     current_setpoint 45.0 A",
            "*from 1   wrote register 0 = 450",
        ]
    )
    result.stdout.no_fnmatch_line("*Traceback*")


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        (
            "first-minute.expect.toml",
            b"reason = 'x'\n[summary]\nframse = 1\n",
            "*first-minute.expect.toml: line 3: summary.framse: is not counted*",
        ),
        ("first-minute.pcapng", b"no capture", "*first-minute.pcapng: *"),
        ("lonely.expect.toml", b"reason = 'x'\n", "*lonely.pcapng: there is no such file"),
    ],
)
def test_what_cannot_be_read_is_told_in_a_line(
    pytester: pytest.Pytester, site: Path, name: str, content: bytes, said: str
) -> None:
    (site / name).write_bytes(content)
    result = run(pytester, "--captures", "site")
    assert result.parseoutcomes()["failed"] == 1
    result.stdout.fnmatch_lines([said])
    result.stdout.no_fnmatch_line("*Error*")


def test_a_capture_is_run_again_under_its_rules(pytester: pytest.Pytester, site: Path) -> None:
    shutil.copy(CORPUS / "one-cut.pcapng", site)
    expected = "reason = 'x'\nmap = 'supply'\n[rerun]\nport = '{}'\n"
    beside = site / "one-cut.expect.toml"
    beside.write_text(expected.format("sim:worn-electrode"), "utf-8")
    result = run(pytester, "--captures", "site", "--keep-captures", "kept")
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(
        [
            "  got       * differ; capture of the run: */kept/one-cut-again.pcapng",
            "rerun, transaction * (value): server 1: read input registers 0-7",
            "  expected  status enabled, warnings none",
            "  got       status enabled, warning, warnings electrode-worn",
        ]
    )
    assert [each.name for each in (pytester.path / "kept").iterdir()] == ["one-cut-again.pcapng"]
    (site / "one-cut.rerun.toml").write_text("default = 'ignore'\n", "utf-8")
    run(pytester, "--captures", "site").assert_outcomes(passed=2)


# Fixtures

FIXTURES = """
    import pytest
    from kerfbus.bench import wire

    def test_in_process(simulated_supply, virtual_clock):
        assert simulated_supply.read("mode") == {"mode": "off"}
        assert simulated_supply.write(current_setpoint=45) == {"current_setpoint": 45.0}
        before = virtual_clock.now()
        simulated_supply.hear(3600)
        assert virtual_clock.now() == before + 3600 * 10**9

    @pytest.mark.scenario("worn-electrode")
    def test_scenario(simulated_supply):
        assert simulated_supply.port == "sim:worn-electrode"

    def hurt(line):
        found = [line.ask(wire.ReadInputRegisters(0, 20)) for _ in range(12)]
        return [each.attempts for each in found]

    @pytest.mark.scenario("early-release")
    @pytest.mark.seed(7)
    def test_faults(faulty_line):
        some = hurt(faulty_line(severity=0.7))
        assert min(some) == 1 and max(some) > 1
        assert hurt(faulty_line(severity=0.7)) == some
        assert hurt(faulty_line("early-release", severity=0.7, seed=8)) != some
        assert {*hurt(faulty_line("clean-table"))} == {1}

    async def ask(line):
        return await line.client.request(1, wire.ReadHoldingRegisters(0, 2))

    def test_asynchronous_code(simulated_supply):
        import asyncio
        assert asyncio.run(ask(simulated_supply)).ok

    def test_recorded(recorded_line):
        line = recorded_line("site/first-minute.pcapng")
        assert line.read("current_setpoint") == {"current_setpoint": 45.0}
        tap = recorded_line("site/first-minute.pcapng", vantage="tap", by_character=True)
        heard = tap.hear(60)
        assert all(len(each.data) == 1 for each in heard) and len(heard) > 100
"""


def test_fixtures_in_virtual_time(pytester: pytest.Pytester, site: Path) -> None:
    pytester.makepyfile(FIXTURES)
    result = run(pytester, "--strict-markers", "-W", "error")
    result.assert_outcomes(passed=5)


def test_an_hour_is_replayed_in_virtual_time(pytester: pytest.Pytester) -> None:
    record_hour(pytester.mkdir("site") / "hour.pcapng")
    pytester.makepyfile(
        f"""
        from kerfbus.bench import wire

        def test_it(recorded_line):
            line = recorded_line("site/hour.pcapng")
            for _ in range({TRANSACTIONS}):
                line.hear({PAUSE_SECONDS})
                assert line.ask(wire.ReadInputRegisters(8, 5)).ok
            assert line.clock.now() > 3600 * 10**9
        """
    )
    result = run(pytester, "--captures", "site", "test_an_hour_is_replayed_in_virtual_time.py")
    result.assert_outcomes(passed=2)


@pytest.mark.skipif(sys.platform == "win32", reason="other platform: ptys")
def test_supplies_on_real_ports(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        import asyncio, os, stat
        import pytest
        from kerfbus.bench import wire
        from kerfbus.bench.client import Client
        from kerfbus.bench.line import LineSettings
        from kerfbus.bench.ports import open_port

        async def ask(supply):
            async with await open_port(supply.port, LineSettings()) as port:
                return await Client(port).request(supply.server, wire.ReadHoldingRegisters(0, 1))

        def test_pty(supply_pty, tmp_path):
            assert supply_pty.path.parent == tmp_path
            assert asyncio.run(ask(supply_pty)).reply.values == (600,)

        @pytest.mark.scenario("two-supplies")
        def test_tcp(supply_tcp):
            assert supply_tcp.endpoint.port != 0
            assert asyncio.run(ask(supply_tcp)).ok
            assert supply_tcp.captures == (supply_tcp.capture,)
        """
    )
    run(pytester, "-W", "error").assert_outcomes(passed=2)


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        ("scenario('nothing')", "nothing: there is no such scenario; *"),
        ("scenario()", "marker scenario: give it one value, as in scenario('')"),
        ("seed('x')", "marker seed('x'): give a whole number from 0"),
    ],
)
def test_wrong_markers_are_told_in_a_line(pytester: pytest.Pytester, mark: str, said: str) -> None:
    pytester.makepyfile(
        f"import pytest\n@pytest.mark.{mark}\ndef test_it(simulated_supply): pass\n"
    )
    result = run(pytester)
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines([said])
    result.stdout.no_fnmatch_line("*exception*")


FAILING = """
    from pathlib import Path
    def test_it(simulated_supply):
        simulated_supply.write(current_setpoint=45)
        assert simulated_supply.read("current_setpoint")["current_setpoint"] == 46
"""


def test_a_failure_shows_the_transactions_and_keeps_a_capture(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(FAILING)
    result = run(pytester, "--keep-captures", "kept")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "*- kerfbus: simulated_supply -*",
            "*to 1     current_setpoint 45.0 A",
            "*to 1     read holding registers 0",
            "*from 1   current_setpoint 45.0 A",
            "capture of the run: */simulated_supply.pcapng",
            "kept as: *",
        ]
    )
    (kept,) = (pytester.path / "kept").iterdir()
    assert kept.name.startswith("test_a_failure_shows")
    run(pytester, "--captures", "kept").assert_outcomes(passed=1)


# Processes


@pytest.mark.skipif(sys.platform == "win32", reason="other platform: ptys")
def test_several_processes_share_nothing(pytester: pytest.Pytester, site: Path) -> None:
    pytester.makepyfile(
        """
        import asyncio, os
        import pytest
        from kerfbus.bench import wire
        from kerfbus.bench.client import Client
        from kerfbus.bench.line import LineSettings
        from kerfbus.bench.ports import open_port

        async def ask(supply):
            async with await open_port(supply.port, LineSettings()) as port:
                return await Client(port).request(1, wire.ReadHoldingRegisters(0, 1))

        @pytest.mark.parametrize("number", range(4))
        def test_it(supply_pty, supply_tcp, simulated_supply, number):
            assert asyncio.run(ask(supply_pty)).ok
            assert asyncio.run(ask(supply_tcp)).ok
            simulated_supply.write(current_setpoint=40 + number)
            assert number != 2
        """
    )
    result = pytester.runpytest_subprocess(
        *QUIET, "-n", "2", "--captures", "site", "test_several_processes_share_nothing.py",
        "--keep-captures", "kept",
    )  # fmt: skip
    result.assert_outcomes(passed=4, failed=1)
    assert len([*(pytester.path / "kept").iterdir()]) == 3


def test_the_corpus_is_what_it_is_expected_to_be(pytester: pytest.Pytester) -> None:
    settings = pytester.makeini("[pytest]")  # else pytest takes those beside the captures
    result = run(pytester, "-c", settings, "--captures", CORPUS)
    result.assert_outcomes(passed=len([*CORPUS.glob("*.pcapng")]))


def test_it_can_be_left_out(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        "def test_it(request): assert not hasattr(request.config.option, 'captures')"
    )
    result = pytester.runpytest_subprocess(*QUIET, "-p", "no:kerfbus", "-W", "error")
    result.assert_outcomes(passed=1)


def test_unused_it_imports_nothing_of_ours() -> None:
    program = (
        "import sys, kerfbus.sim.pytest_plugin\n"
        "print(*sorted(name for name in sys.modules if name.startswith('kerfbus')))\n"
        "print('asyncio' in sys.modules, 'numpy' in sys.modules, 'pydantic' in sys.modules)\n"
    )
    out = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    ).stdout
    assert out.split("\n")[:2] == [
        "kerfbus kerfbus.sim kerfbus.sim.pytest_plugin",
        "False False False",
    ]
