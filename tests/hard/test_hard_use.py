"""The short form of `make soak`: the same trials, seconds instead of an hour."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest
from hard import harduse

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="other platform: Linux only"),
]


def test_a_bad_cable_a_lost_port_and_a_killed_supply(tmp_path: Path) -> None:
    rows = dict(harduse.damaged_line(tmp_path, 8.0).rows)
    assert int(rows["port lost and found again"]) >= 2
    assert int(rows["supply killed and started again"]) >= 1


def test_a_full_disk(tmp_path: Path) -> None:
    harduse.full_disk(tmp_path, 3.0)


def test_a_clock_that_steps(tmp_path: Path) -> None:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed")
    harduse.stepping_clock(tmp_path, 2.0)


def test_a_recorder_that_is_killed(tmp_path: Path) -> None:
    harduse.killed_recorder(tmp_path, 1.0)


@pytest.mark.parametrize("looks", [[100] * 6 + [9000] * 3, [50_000] * 6 + [55_000] * 3])
def test_memory_that_grows_is_seen(looks: list[int]) -> None:
    memory = harduse.Memory()
    memory.seen = {"client": looks, "supply": [1] * 6}
    with pytest.raises(harduse.BrokenPromiseError, match="grew"):
        harduse.flat(harduse.Figures(""), memory)
