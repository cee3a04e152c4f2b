"""The programs that make the pictures of docs/line.md.

Their theory is `kerfbus.sim.pair.theory`, which test_line_theory.py holds to published figures.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
import tree
from scipy import stats

from kerfbus.sim.pair.theory import frame_error, tail, vote_error

CONFIDENCE = 0.99
DOCS = tree.ROOT / "docs"
PICTURES = ("line-bits", "line-frames", "line-bursts", "line-undetected")


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(DOCS))
    import measured

    return measured


@pytest.mark.slow
@pytest.mark.parametrize("line", ["BitLine", "SampledLine"])
def test_as_many_frames_are_wrong_as_independent_bits_make(measured: ModuleType, line: str) -> None:
    # 1 - (1 - p)^n with n = 11 bits a character and p = 3 q^2 - 2 q^3 (textbook), at 99 %
    kind = next(each for each in measured.LINES if each.__name__ == line)
    found = measured.frame_errors(kind, 2.0, 8, 1500)
    low, high = stats.binomtest(found.wrong, found.tried).proportion_ci(CONFIDENCE)
    assert low <= frame_error(vote_error(tail(2.0)), 88) <= high


@pytest.mark.slow
def test_the_program_draws_every_picture(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, str(DOCS / "plots.py"), str(tmp_path), "--quick"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (run.returncode, run.stderr) == (0, "")
    assert sorted(each.stem for each in tmp_path.iterdir()) == sorted(PICTURES)


@pytest.mark.parametrize("picture", PICTURES)
def test_the_page_shows_each_picture(picture: str) -> None:
    assert f"({picture}.svg)" in (DOCS / "line.md").read_text()
    assert (DOCS / f"{picture}.svg").read_text().startswith("<?xml")
