"""The programs that make the pictures of docs/line.md: their theory, and that they run.

Their theory is closed; it is held to published or exhaustively counted figures here, and to the
lines themselves where it is ours.
"""

from __future__ import annotations

import subprocess
import sys
from math import comb
from pathlib import Path
from types import ModuleType

import pytest
import tree
from scipy import stats

CONFIDENCE = 0.99
DOCS = tree.ROOT / "docs"
PICTURES = ("line-bits", "line-frames", "line-bursts", "line-undetected")


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(DOCS))
    import measured

    return measured


@pytest.fixture
def theory(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(DOCS))
    import theory

    return theory


@pytest.mark.parametrize(
    ("ratio", "chance"),
    [(3, 1.349898e-3), (4, 3.167124e-5), (5, 2.866516e-7), (6, 9.865876e-10)],
)
def test_q_has_the_published_values(theory: ModuleType, ratio: int, chance: float) -> None:
    # Q(x) = erfc(x / sqrt 2) / 2, table of the references, recomputed
    assert theory.mishear(ratio) == pytest.approx(chance, rel=1e-6)


def test_a_majority_is_wrong_when_two_or_three_are(theory: ModuleType) -> None:
    assert theory.outvoted(0.1) == pytest.approx(3 * 0.1**2 * 0.9 + 0.1**3)


@pytest.mark.parametrize(("octets", "fours"), [(4, 24), (8, 364), (16, 2320)])
def test_undetected_patterns_are_those_counted_by_exhaustion(
    theory: ModuleType, octets: int, fours: int
) -> None:
    # number of undetected 4-bit patterns, whole frame: recomputed by exhaustion (test_crc.py)
    patterns = theory.undetected_patterns(octets)
    assert patterns[:5] == [1, 0, 0, 0, fours]
    assert not any(patterns[1::2])  # x + 1 divides the generator
    assert sum(patterns) == 2 ** (8 * octets - 16)
    for weight in range(0, 8 * octets + 1, 2):
        assert 0 <= patterns[weight] <= comb(8 * octets, weight)


@pytest.mark.slow
@pytest.mark.parametrize("line", ["BitLine", "SampledLine"])
def test_as_many_frames_are_wrong_as_independent_bits_make(
    measured: ModuleType, theory: ModuleType, line: str
) -> None:
    # 1 - (1 - p)^n with n = 11 bits a character and p = 3 q^2 - 2 q^3 (textbook), at 99 %
    kind = next(each for each in measured.LINES if each.__name__ == line)
    found = measured.frame_errors(kind, 2.0, 8, 1500)
    low, high = stats.binomtest(found.wrong, found.tried).proportion_ci(CONFIDENCE)
    assert low <= theory.any_wrong(theory.outvoted(theory.mishear(2.0)), 88) <= high


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
