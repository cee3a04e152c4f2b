"""A run is the same on any machine: known digests, and libraries that round otherwise.

IEEE 754 fixes the result of ``+ - * /`` and of the square root to the last bit; `exp`, `log`,
`cosh`, powers and the sine are the C library's, and two of them may differ in that bit. The model
uses them, but what leaves it is coarse: registers are rounded to their steps, instants that come
out of a logarithm to microseconds. The second test replaces all of them by functions that are off
by one bit, everywhere, and demands the same files. What remains is chance: a value within one bit
of the edge of a step, about one in 10^12 readings.

When a run changes on purpose, print the new digests with

    python tests/sim/test_same_anywhere.py

and say in the commit why.
"""

from __future__ import annotations

import asyncio
import hashlib
import math
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from scenarios import CLEAN_LINES

from kerfbus.sim import arc, curves, emptying, gas, gasline, heat, wear
from kerfbus.sim.scenario import open_scenario
from kerfbus.sim.scenario.journal import json_line
from kerfbus.sim.scenario.run import RunOptions, run_scenario

DIGESTS: dict[str, tuple[str, str]] = {
    "clean-table": (
        "5bb7dd931c3f5fe5bf1f27db126824db1fb6ed0ecc636c89a71bf729c28431b5",
        "7a86e1dd3cd59d335479a19003e08f15d79514c0aeda3f14adce490f4e5d540a",
    ),
    "hot-afternoon": (
        "1cfdfcfeb1979de5c7e140ecf0de682610b9b9049d7be21ca043e2b79335b0cf",
        "e78eac16f9c6b607afe2fc7cc268991f0f38b2bc340c9bdd9fc289410de151ae",
    ),
    "rough-day": (
        "5e5dff9ee95568bc84fcfd2d48cf88c5a9420450da3c8582b3a4dbb8f4734259",
        "b8776eb5f730a17c9b062b7283df3164d8615b40013470011980d92361340c6d",
    ),
    "two-supplies": (
        "393caa1ebb7eb24dfb6e4bec08eb97a9416d4379b846ab8890ae3b831e5678fc",
        "2973ab4bb4971b88e167657d6e688724bdb38870209e54cf9a681da1d980cb2e",
    ),
    "weak-compressor": (
        "35faab6da3cc56d2115f5a44eb4aa2c4c1709dfb2c73211a17f64d2a9b2c9e85",
        "bc11e5a466dd255d06c77b420d9f93a357a19530ad9abce2084fa3b61b7e2f5a",
    ),
    "worn-electrode": (
        "34b18f6b1cc63ce94e609921ae621b67c443373f9f09ba7d214014ddbf52ed45",
        "51f22cfdb6d82e0b9f5ce1c026a042dc94f510c4c676a9c9b46bb178dbb36c7d",
    ),
}
"""SHA-256 of capture and log of a whole run."""


def digests(name: str, folder: Path) -> tuple[str, str]:
    """Return the digests of the capture and the log of a shipped scenario."""
    capture = folder / f"{name}.pcapng"
    report = asyncio.run(run_scenario(open_scenario(name), RunOptions(capture=capture)))
    assert report.capture_error is None
    log = "".join(f"{json_line(entry)}\n" for entry in report.world.journal.entries)
    return hashlib.sha256(capture.read_bytes()).hexdigest(), hashlib.sha256(
        log.encode()
    ).hexdigest()


@pytest.mark.slow
@pytest.mark.parametrize("name", CLEAN_LINES)
def test_a_shipped_scenario_makes_the_known_files(name: str, tmp_path: Path) -> None:
    assert digests(name, tmp_path) == DIGESTS[name]


def off_by_one_bit(function: Callable[..., float], towards: float) -> Callable[..., float]:
    """Return a function whose results lie one bit beside those of `function`."""
    return lambda *given: math.nextafter(function(*given), towards)


USED: dict[Any, tuple[str, ...]] = {
    curves: ("exp", "log"),
    emptying: ("acosh", "cosh", "exp", "log"),
    heat: ("exp",),
    wear: ("exp",),
    arc: ("_RIPPLE",),
}
"""Modules with functions of the C library; powers are in `gas`."""


@pytest.mark.slow
@pytest.mark.parametrize("towards", [math.inf, -math.inf])
@pytest.mark.parametrize("name", ["weak-compressor", "worn-electrode", "hot-afternoon"])
def test_a_library_that_rounds_otherwise_changes_nothing(
    name: str, towards: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module, names in USED.items():
        for each in names:
            found = getattr(module, each)
            if callable(found):
                other: object = off_by_one_bit(found, towards)
            else:
                other = tuple(math.nextafter(value, towards) for value in found)
            monkeypatch.setattr(module, each, other)
    drop = gas.Hose._constant
    monkeypatch.setattr(gas.Hose, "_constant", off_by_one_bit(drop, towards))
    bore = off_by_one_bit(gas.bore_conductance, towards)
    monkeypatch.setattr(gasline, "bore_conductance", bore)
    for cached in (gas.settle, gasline.torch_conductance):
        cached.cache_clear()
    try:
        assert digests(name, tmp_path) == DIGESTS[name]
    finally:
        for cached in (gas.settle, gasline.torch_conductance):
            cached.cache_clear()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        for each in CLEAN_LINES:
            print(f'    "{each}": (')
            for digest in digests(each, Path(place)):
                print(f'        "{digest}",')
            print("    ),")
