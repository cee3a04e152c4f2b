"""`kerfbus scenario`: list, show, defects, faults, check, run, plot."""

from __future__ import annotations

import hashlib
import json
import sys
from itertools import pairwise
from pathlib import Path

import console
import pytest

from kerfbus.bench.capture import CaptureReader
from kerfbus.sim.maps import default_map
from kerfbus.sim.scenario import scenario_names, scenario_text
from kerfbus.sim.scenario.causes import INJECTIONS
from kerfbus.tui.cutplot import _apart

# --- to read -------------------------------------------------------------------------------------


def test_list_names_every_scenario_and_what_it_shows() -> None:
    run = console.call("scenario", "list")
    assert run.code == 0
    assert max(map(len, run.out.splitlines())) <= 80
    assert "invented" in run.out
    found = console.call("scenario", "list", "--json").answer["scenarios"]
    assert [each["name"] for each in found] == list(scenario_names())
    assert all(f"{each['name']}: {each['title']}" in run.out for each in found)
    by_name = {each["name"]: each for each in found}
    assert by_name["two-supplies"]["supplies"] == [
        {"name": "left", "server": 1},
        {"name": "right", "server": 2},
    ]


def test_show_gives_a_file_to_start_from(tmp_path: Path) -> None:
    run = console.call("scenario", "show", "rough-day")
    file = tmp_path / "mine.toml"
    file.write_text(run.out)
    assert run.out == scenario_text("rough-day")
    assert console.call("scenario", "check", file).code == 0
    assert console.call("scenario", "show", "rough-day", "--json").answer["text"] == run.out


def test_defects_lists_what_can_be_injected() -> None:
    run = console.call("scenario", "defects")
    assert max(map(len, run.out.splitlines())) <= 80
    found = console.call("scenario", "defects", "--json").answer["defects"]
    assert [each["name"] for each in found] == list(INJECTIONS)
    by_name = {each["name"]: each for each in found}
    assert by_name["phase-loss"]["faults"] == ["phase-loss"]
    assert by_name["controller-silent"]["faults"] == ["watchdog"]
    assert by_name["mains-low"]["faults"] == ["arc-lost", "mains-low"]
    assert by_name["current-high"]["faults"] == ["arc-lost", "over-current"]


def test_faults_lists_all_that_can_be_latched_and_what_clears_it() -> None:
    run = console.call("scenario", "faults")
    assert max(map(len, run.out.splitlines())) <= 80
    found = console.call("scenario", "faults", "--json").answer["faults"]
    codes = default_map().by_name("fault").values
    assert {each["code"]: each["name"] for each in found} == {
        code: name for code, name in codes.items() if code
    }
    assert len(found) >= 15
    for each in found:
        assert f"{each['code']}  {each['name']}\n" in run.out
        assert all(each[key] for key in ("cause", "judged", "effect", "clears_when"))
    bits = default_map().by_name("interlocks").bits.values()
    assert {each["interlock"] for each in found} - {None} <= set(bits)


def test_check_lists_mistakes_by_line_and_key(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    text = scenario_text("weak-compressor")
    file.write_text(text)
    run = console.call("scenario", "check", file)
    assert (run.code, run.err) == (0, "")
    assert run.out.startswith(f"{file}: good")
    assert console.call("scenario", "check", file, "--json").answer["ok"] is True
    file.write_text(text.replace("process = 157", "process = 7").replace("6.8", '"6.8"'))
    run = console.call("scenario", "check", file)
    assert (run.code, run.out) == (2, "")
    assert len(run.err.splitlines()) == 2
    answer = console.call("scenario", "check", file, "--json").answer
    assert answer["ok"] is False
    assert answer["error"]["kind"] == "scenario"
    found = {(each["key"], text.splitlines()[each["line"] - 1]) for each in answer["mistakes"]}
    assert {key for key, _ in found} == {"supply 1.plant.inlet_bar", "supply 1.table.process"}
    assert all(key.rpartition(".")[2] in line for key, line in found)


@pytest.mark.parametrize(
    ("arguments", "kind", "words"),
    [
        (["check", "nosuch.toml"], "scenario", ["nosuch.toml", "no such file"]),
        (["show", "storm"], "scenario", ["storm", "clean-table"]),
        (["run", "storm"], "scenario", ["storm", "clean-table"]),
        (["run", "nosuch.toml"], "scenario", ["nosuch.toml", "no such file"]),
        (["run", "clean-table", "--duration", "0"], "usage", ["--duration"]),
        (["plot", "clean-table", "--out", "x.txt"], "usage", ["x.txt", ".svg"]),
        (["plot", "clean-table", "--out", "x.svg", "--supply", "9"], "usage", ["supply 9"]),
        (["plot", "clean-table", "--out", "x.svg", "--cut", "99"], "usage", ["no start 99"]),
        (
            ["plot", "clean-table", "--out", "x.svg", "--from", "5", "--to", "5"],
            "usage",
            ["nothing between"],
        ),
    ],
)
def test_what_cannot_be_is_one_line(arguments: list[str], kind: str, words: list[str]) -> None:
    run = console.call("scenario", *arguments, "--json")
    assert run.code == 2
    assert run.answer["error"]["kind"] == kind
    (line,) = run.err.splitlines()
    assert all(word in line for word in words)


# --- to run --------------------------------------------------------------------------------------


def test_run_shows_the_log_and_keeps_log_and_capture(tmp_path: Path) -> None:
    capture, log = tmp_path / "c.pcapng", tmp_path / "c.jsonl"
    run = console.call(
        *("scenario", "run", "rough-day", "--duration", "30"),
        *("--capture", capture, "--log", log),
    )
    assert (run.code, run.err) == (0, "")
    assert "#1 torch-cover-open" in run.out
    assert "FAULT 30 torch-cover-open while cutting  (because of #1)" in run.out
    assert "30 s of scenario time" in run.out
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert lines[0]["kind"] == "begin"
    assert lines[-1]["kind"] == "end"
    assert {"inject", "fault", "injection"} <= {line["kind"] for line in lines}
    with CaptureReader(capture) as reader:
        assert sum(1 for _ in reader) > 500
        assert reader.info.vantage == "client"


def test_run_json_is_the_log_and_a_summary(tmp_path: Path) -> None:
    log = tmp_path / "c.jsonl"
    run = console.call(
        "scenario", "run", "two-supplies", "--duration", "40", "--log", log, "--json"
    )
    *told, last = run.answers
    assert told == [json.loads(line) for line in log.read_text().splitlines()]
    summary = last["summary"]
    assert summary["faults"] == {"torch-cover-open": 1}
    assert summary["duration_ns"] == 40_000_000_000
    assert set(summary["cuts"]) == {"left", "right"}
    assert sum(summary["outcomes"].values()) == summary["transactions"]
    assert set(summary["outcomes"]) <= {"reply", "exception"}


def test_run_brief_leaves_the_modes_out_and_text_logs_are_text(tmp_path: Path) -> None:
    log = tmp_path / "c.txt"
    run = console.call(
        *("scenario", "run", "rough-day", "--duration", "30", "--brief", "--log", log)
    )
    assert "->" not in run.out
    assert "FAULT" in run.out
    assert "pre-flow -> ignition" in log.read_text()


def test_the_same_seed_gives_the_same_files(tmp_path: Path) -> None:
    digests = []
    for number, seed in enumerate((5, 5, 6)):
        files = tmp_path / f"{number}.pcapng", tmp_path / f"{number}.jsonl"
        run = console.run(
            *("scenario", "run", "bad-bonding", "--duration", "40", "--seed", str(seed)),
            *("--capture", files[0], "--log", files[1]),
        )
        assert run.code == 0
        digests.append([hashlib.sha256(file.read_bytes()).hexdigest() for file in files])
    assert digests[0] == digests[1]
    assert digests[0][0] != digests[2][0]
    assert digests[0][1] != digests[2][1]


@pytest.mark.parametrize("option", ["--capture", "--log"])
def test_files_that_are_there_are_not_overwritten(option: str, tmp_path: Path) -> None:
    file = tmp_path / "mine"
    file.write_text("mine")
    run = console.call("scenario", "run", "clean-table", "--duration", "1", option, file)
    assert run.code == 2
    assert str(file) in run.err
    assert len(run.err.splitlines()) == 1
    assert file.read_text() == "mine"


def test_a_scenario_of_ones_own(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("title = 'Mine'\nduration = 5\n[[supply]]\naddress = 9\n")
    run = console.call("scenario", "run", file, "--json")
    assert run.code == 0
    assert run.answers[-1]["summary"]["transactions"] == 0


# --- to look at ----------------------------------------------------------------------------------


def test_plot_draws_a_cut_the_same_each_time(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    pictures = []
    for number in range(2):
        file = tmp_path / f"{number}.svg"
        answer = console.call("scenario", "plot", "clean-table", "--out", file, "--json").answer
        pictures.append(file.read_bytes())
    assert pictures[0] == pictures[1]
    assert pictures[0].startswith(b"<?xml")
    assert answer["supply"] == "1"
    assert answer["begin_ns"] < answer["end_ns"]


def test_plot_draws_a_stretch_of_time_of_another_supply(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    file = tmp_path / "right.png"
    run = console.call(
        *("scenario", "plot", "two-supplies", "--out", file, "--supply", "right"),
        *("--from", "28", "--to", "36"),
    )
    assert run.code == 0
    assert "supply right from 28.000 to 35.99" in run.out
    assert file.read_bytes().startswith(b"\x89PNG")


def test_without_matplotlib_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    run = console.call("scenario", "plot", "clean-table", "--out", "x.svg")
    assert run.code == 2
    (line,) = run.err.splitlines()
    assert 'pip install "kerfbus[plot]"' in line


def test_names_above_a_picture_do_not_overlap_and_keep_their_order() -> None:
    places = [0.0, 0.01, 0.02, 0.5, 0.501, 0.9]
    moved = _apart(places)
    assert all(right - left >= 0.0259 for left, right in pairwise(moved))
    assert moved[-1] == 0.9
    assert moved[0] >= 0
