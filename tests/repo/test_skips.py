"""Where everything that tests need is said to be installed, a skip is a failure."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import tree


@pytest.mark.parametrize(
    ("reason", "strict", "passes"),
    [
        ("nosuch is not installed", False, True),
        ("nosuch is not installed", True, False),
        ("other platform: ptys", True, True),
    ],
)
def test_skips(reason: str, strict: bool, passes: bool, tmp_path: Path) -> None:
    shutil.copy(tree.ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "test_one.py").write_text(
        f"import pytest\ndef test_one():\n    pytest.skip({reason!r})\n"
    )
    environment = {key: value for key, value in os.environ.items() if key != "KERFBUS_NO_SKIPS"}
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path)],
        cwd=tmp_path,
        env=environment | ({"KERFBUS_NO_SKIPS": "1"} if strict else {}),
        capture_output=True,
        text=True,
        check=False,
    )
    assert (run.returncode == 0) is passes, run.stdout
    assert reason in run.stdout or passes
