"""Runs of scenarios: the same bytes every time, and each shipped one shows what it says."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import statistics
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from scenarios import CLEAN_LINES, CUT, MS, TABLE, S, entries, run, scenario

from kerfbus.bench import wire
from kerfbus.bench.capture import CaptureReader
from kerfbus.bench.capturerecords import Burst, LineEvent
from kerfbus.bench.decode import Decoder
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.exchange import Outcome
from kerfbus.bench.transport import LineEventKind
from kerfbus.sim.diagnostics import Count
from kerfbus.sim.processes import shipped_processes
from kerfbus.sim.scenario import open_scenario
from kerfbus.sim.scenario.run import Report, RunOptions, run_scenario
from kerfbus.sim.scenario.trace import Window, trace_scenario

PROGRAM = """
import asyncio, hashlib, sys
from kerfbus.sim.scenario import open_scenario
from kerfbus.sim.scenario.journal import json_line
from kerfbus.sim.scenario.run import RunOptions, run_scenario
name, folder = sys.argv[1:]
options = RunOptions(capture=f"{folder}/{name}.pcapng", duration_ns=40 * 10**9)
report = asyncio.run(run_scenario(open_scenario(name), options))
log = "\\n".join(map(json_line, report.world.journal.entries))
print(hashlib.sha256(open(f"{folder}/{name}.pcapng", "rb").read()).hexdigest())
print(hashlib.sha256(log.encode()).hexdigest())
"""


# --- the same run --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["two-supplies", "bad-bonding"])
def test_two_processes_make_the_same_capture_and_log(name: str, tmp_path: Path) -> None:
    told = []
    for hash_seed in ("1", "2"):
        folder = tmp_path / hash_seed
        folder.mkdir()
        result = subprocess.run(
            [sys.executable, "-c", PROGRAM, name, str(folder)],
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
            capture_output=True,
            text=True,
            check=True,
        )
        told.append(result.stdout.split())
    assert told[0] == told[1]
    assert len(set(told[0])) == 2


def test_another_seed_makes_another_capture(tmp_path: Path) -> None:
    digests = set()
    for seed in (1, 2, 1):
        capture = tmp_path / "c.pcapng"
        run(scenario(TABLE, CUT), 8, capture, seed=seed, overwrite=True)
        digests.add(hashlib.sha256(capture.read_bytes()).hexdigest())
    assert len(digests) == 2


def test_what_a_scenario_does_comes_at_its_instant_however_often_somebody_asks() -> None:
    for poll in (0.01, 0.1, 0.7):
        table = TABLE + f"poll = {poll}\n"
        event = '[[event]]\nat = 3.0123\ninject = "torch-cover-open"\nlasts = 1.0\n'
        report = run(scenario(table, CUT, event), 8)
        (fault,) = entries(report, "fault")
        assert fault["at_ns"] == 3_012_300_000
        tables = [entry["at_ns"] for entry in entries(report, "table")]
        assert tables == sorted(tables)


def test_recording_changes_nothing(tmp_path: Path) -> None:
    given = scenario(TABLE, CUT)
    without, recorded = run(given, 20), run(given, 20, tmp_path / "c.pcapng")
    assert without.world.journal.entries == recorded.world.journal.entries
    assert without.outcomes == recorded.outcomes


# --- the capture ---------------------------------------------------------------------------------


def test_the_capture_holds_every_transaction_and_the_marks(tmp_path: Path) -> None:
    capture = tmp_path / "c.pcapng"
    event = '[[event]]\nat = 3\ninject = "phase-loss"\nlasts = 1\n'
    report = run(scenario(TABLE, CUT, event), 20, capture)
    bursts, marks, stamps = [], [], [0, 0]
    with CaptureReader(capture) as reader:
        assert reader.info.seed == 1
        assert reader.info.clock == "virtual"
        assert reader.info.timing == "exact"
        for record in reader:
            if isinstance(record, Burst):
                stamps.append(record.at)
                bursts.append(record)
            elif isinstance(record, LineEvent) and record.kind is LineEventKind.MARK:
                marks.append((record.comment, record.at))
                # It may have happened while the last reply was due or on the line.
                assert record.at >= stamps[-2]
    assert stamps == sorted(stamps)
    assert sum(burst.outbound for burst in bursts) == report.transactions
    assert len(bursts) == 2 * report.transactions
    arcs = [(comment, at) for comment, at in marks if comment.startswith("arc=")]
    modes = entries(report, "mode")
    assert arcs[0] == ("arc=on", next(e["at_ns"] for e in modes if e["after"] == "ignition"))
    assert [comment for comment, _ in arcs[:4]] == ["arc=on", "arc=off"] * 2
    assert ("note=inject #1 phase-loss supply 1", 3 * S) in marks
    assert ("note=undo #1 phase-loss supply 1", 4 * S) in marks


def test_the_capture_decodes_without_damage(tmp_path: Path) -> None:
    capture = tmp_path / "c.pcapng"
    report = run(open_scenario("two-supplies"), 30, capture)
    with CaptureReader(capture) as reader:
        decoder = Decoder(reader.info)
        rows = [row for record in reader for row in decoder.feed(record)]
        rows += decoder.finish()
        summary = decoder.summary.to_json()["summary"]
    assert rows
    assert summary["requests"] == summary["replies"] == report.transactions
    assert summary["damaged"] == summary["unanswered"] == summary["late"] == 0


def test_a_capture_that_is_there_is_not_overwritten(tmp_path: Path) -> None:
    capture = tmp_path / "c.pcapng"
    capture.write_bytes(b"mine")
    with pytest.raises(CaptureError, match="exists already"):
        run(scenario(TABLE, CUT), 1, capture)
    assert capture.read_bytes() == b"mine"


# --- shipped scenarios ---------------------------------------------------------------------------


@cache
def shipped(name: str) -> Report:
    """Return the report of a whole run of a shipped scenario; run once, each test looks."""
    return asyncio.run(run_scenario(open_scenario(name), RunOptions()))


def readings(name: str, register: str, mode: str, seconds: float, every_ns: int) -> list[Any]:
    """Return a register's values while the mode is in force."""
    window = Window(0, round(seconds * S), every_ns)
    trace = asyncio.run(trace_scenario(open_scenario(name), window))
    column = trace.column(register)
    return [
        value
        for value, at_mode in zip(column, trace.column("mode"), strict=True)
        if at_mode == mode
    ]


@pytest.mark.slow
@pytest.mark.parametrize("name", CLEAN_LINES)
def test_every_one_runs_and_every_request_is_answered(name: str) -> None:
    report = shipped(name)
    answered = report.outcomes[Outcome.REPLY] + report.outcomes[Outcome.EXCEPTION]
    assert answered == report.transactions > 500
    assert all(cuts >= 2 for cuts in report.cuts.values())
    assert entries(report, "end")[0]["transactions"] == report.transactions
    json.dumps(report.world.journal.entries)
    instants = [entry["at_ns"] for entry in report.world.journal.entries]
    assert instants == sorted(instants)


def test_clean_table_has_no_fault_and_no_warning() -> None:
    report = shipped("clean-table")
    assert not report.faults()
    assert not entries(report, "warning")
    assert not report.world.journal.injections
    assert report.outcomes[Outcome.REPLY] == report.transactions
    assert {entry["cause"] for entry in entries(report, "stop")} == {"link-stop"}


def test_worn_electrode_shows_in_the_voltage_and_ends_at_a_start() -> None:
    report = shipped("worn-electrode")
    (fault,) = entries(report, "fault")
    assert fault["fault"] == "part-worn-out"
    assert fault["mode"] == "pilot-arc"
    assert fault["because"] == [1]
    assert {entry["what"] for entry in entries(report, "act")} == {
        "replace-electrode",
        "replace-nozzle",
    }
    seconds, usual = fault["at_ns"] / S, shipped_processes().by_number[155].arc_voltage
    worn = readings("worn-electrode", "arc_voltage", "cutting", seconds, 250 * MS)
    fresh = readings("clean-table", "arc_voltage", "cutting", seconds, 250 * MS)
    assert statistics.median(fresh) == pytest.approx(usual, abs=1)
    assert 5 < statistics.median(worn) - statistics.median(fresh) < 9
    assert any(entry["warning"] == "electrode-worn" for entry in entries(report, "warning"))
    cuts_before = [e for e in entries(report, "stop") if e["at_ns"] < fault["at_ns"]]
    assert len(cuts_before) >= 5


def test_weak_compressor_is_low_on_demand_only() -> None:
    report = shipped("weak-compressor")
    faults = report.faults()
    assert set(faults) <= {"flow-pressure-low", "inlet-pressure-low"}
    assert faults["flow-pressure-low"] >= 1
    warnings = {entry["warning"] for entry in entries(report, "warning")}
    assert {"inlet-pressure-drop", "flow-pressure-near-limit"} <= warnings
    assert all(entry["because"] == [1] for entry in entries(report, "fault"))
    first = entries(report, "fault")[0]
    assert first["mode"] == "cutting"
    seconds = first["at_ns"] / S
    resting = readings("weak-compressor", "inlet_pressure", "idle", seconds, 100 * MS)
    cutting = readings("weak-compressor", "inlet_pressure", "cutting", seconds, 100 * MS)
    assert min(resting) > 6
    assert min(cutting) < 4.5


def test_bad_bonding_makes_trouble_with_transfer_and_the_arc() -> None:
    report = shipped("bad-bonding")
    assert report.faults()["no-transfer"] >= 2
    assert set(report.faults()) <= {"no-transfer", "arc-lost"}
    causes = [entry for entry in entries(report, "stop") if entry["cause"] == "arc-lost"]
    assert causes
    slope = next(e for e in entries(report, "inject") if e.get("over_ns"))
    assert all(slope["id"] in entry["because"] for entry in causes)
    for fault in entries(report, "fault"):
        (number,) = fault["because"]
        assert report.world.journal.injections[number - 1].what == "bad-bonding"
    early = readings("bad-bonding", "arc_voltage", "cutting", 40, 100 * MS)
    later = readings("bad-bonding", "arc_voltage", "cutting", 80, 100 * MS)
    assert max(later) > max(early) + 15


@pytest.mark.slow
def test_hot_afternoon_trips_and_recovers() -> None:
    report = shipped("hot-afternoon")
    faults = entries(report, "fault")
    assert {fault["fault"] for fault in faults} == {"over-temperature"}
    assert len(faults) >= 2
    slope = entries(report, "inject")[1]["id"]
    assert all(slope in fault["because"] for fault in faults)
    warned = [e["at_ns"] for e in entries(report, "warning") if e["warning"] == "temperature-high"]
    assert warned[0] < faults[0]["at_ns"]
    cleared = [entry["at_ns"] for entry in entries(report, "cleared")]
    cuts = [e["at_ns"] for e in entries(report, "mode") if e["after"] == "cutting"]
    assert faults[0]["at_ns"] + 60 * S < cleared[0], "it cools first"
    assert any(cleared[0] < at < faults[1]["at_ns"] for at in cuts), "it cuts again"


def test_two_supplies_answer_and_do_not_touch_each_other() -> None:
    report = shipped("two-supplies")
    assert set(report.cuts) == {"left", "right"}
    assert all(cuts >= 4 for cuts in report.cuts.values())
    assert report.faults("right") == {"torch-cover-open": 1}
    assert not report.faults("left")
    left, right = report.world.places
    assert (left.address, right.address) == (1, 2)
    for place in (left, right):
        reply = place.server.handle(
            wire.adu(place.address, wire.ReadInputRegisters(0, 4)), report.duration_ns
        )
        assert reply is not None
        assert reply[0] == place.address
    assert left.server.diagnostics.counts[Count.SERVER_MESSAGES] > 200


def test_rough_day_ties_every_fault_to_one_defect() -> None:
    report = shipped("rough-day")
    faults = entries(report, "fault")
    assert len({fault["fault"] for fault in faults}) >= 7
    whats = {each.number: each.what for each in report.world.journal.injections}
    for fault in faults:
        assert len(fault["because"]) == 1
        what = whats[fault["because"][0]]
        assert what in (
            fault["fault"],
            *{
                "watchdog": ["controller-silent"],
                "no-transfer": ["no-work"],
                "flow-pressure-low": ["no-gas"],
            }.get(fault["fault"], []),
        )
    assert report.cuts["1"] >= 15
    summary = entries(report, "injection")
    assert sum(len(entry["faults"]) for entry in summary) == len(faults)
    assert all(entry["recovered_at_ns"] for entry in summary if entry["faults"])
