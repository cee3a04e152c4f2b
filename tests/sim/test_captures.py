"""The committed captures: made again byte for byte, each with its reason and what it must be.

What each must decode to and be explained by is checked by the pytest plugin; the test of that is in
test_pytest_plugin.py.
"""

from __future__ import annotations

import asyncio
import importlib.util
from pathlib import Path
from types import ModuleType

import console
import pytest

from kerfbus.bench.capturereader import CaptureReader
from kerfbus.bench.expectation import expectation_file, load_expectation
from kerfbus.bench.traffictext import capture_text
from kerfbus.sim.maps import open_map

FOLDER = Path(__file__).parents[2] / "captures"
NAMES = sorted(path.stem for path in FOLDER.glob("*.pcapng"))
FOREIGN = {"real-pymodbus", "real-pymodbus-no-answer", "real-minimalmodbus", "real-libmodbus"}
PRINTED = ["first-minute", "missing-bias-server", "wrong-format-tap", "real-libmodbus"]


def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("captures_make", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKER = maker()


@pytest.mark.slow
@pytest.mark.parametrize("name", MAKER.CAPTURES)
def test_a_capture_is_made_again_byte_for_byte(name: str, tmp_path: Path) -> None:
    asyncio.run(MAKER.make(tmp_path, [name]))
    assert [each.name for each in tmp_path.iterdir()] == [f"{name}.pcapng"]
    made = (tmp_path / f"{name}.pcapng").read_bytes()
    assert made == (FOLDER / f"{name}.pcapng").read_bytes(), f"{name}: run `make captures`"


def test_every_capture_but_the_foreign_ones_can_be_made_again() -> None:
    assert set(NAMES) == {*MAKER.CAPTURES} | FOREIGN
    assert len(NAMES) >= 25


@pytest.mark.parametrize("name", PRINTED)
def test_what_stands_beside_a_capture_is_what_the_command_prints(name: str) -> None:
    run = console.call("decode", FOLDER / f"{name}.pcapng")
    assert run.code == 0
    assert run.out == (FOLDER / f"{name}.txt").read_text(encoding="utf-8")


def test_text_with_a_map_is_what_the_command_prints_with_it() -> None:
    path = FOLDER / "one-cut.pcapng"
    run = console.call("decode", path, "--map", "supply")
    with CaptureReader(path) as reader:
        lines = list(capture_text(reader, path.name, open_map("supply")))
    assert run.out.splitlines() == lines


@pytest.mark.parametrize("name", NAMES)
def test_a_capture_has_its_reason_decode_and_causes(name: str) -> None:
    table = (FOLDER / "README.md").read_text(encoding="utf-8")
    expected = load_expectation(expectation_file(FOLDER / f"{name}.pcapng"))
    (row,) = [line for line in table.splitlines() if line.startswith(f"| `{name}` |")]
    with CaptureReader(FOLDER / f"{name}.pcapng") as reader:
        assert row == f"| `{name}` | {reader.info.vantage} | {expected.reason} |"
    assert expected.decode == FOLDER / f"{name}.txt"
    assert expected.causes is not None


def test_the_causes_expected_are_what_was_done_to_the_line() -> None:
    for name, run in MAKER.CAUSES.items():
        causes = load_expectation(expectation_file(FOLDER / f"{name}.pcapng")).causes
        assert causes is not None
        assert causes.first == (run.cause,)
        assert causes.verdict == ("healthy" if run.cause == "healthy" else "fault")


def test_the_corpus_holds_every_cause_and_vantage_and_both_fidelities() -> None:
    from kerfbus.bench.diagnosis.causes import CAUSES

    runs = MAKER.CAUSES.values()
    assert {run.cause for run in runs} >= {each.slug for each in CAUSES}
    assert {run.vantage for run in runs} == {"client", "server", "tap"}
    assert {run.fidelity for run in runs} == {"bits", "sampled"}
