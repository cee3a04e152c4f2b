"""docs/ci.md: its steps are run as they stand, and its workflow needs nothing but public parts."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import tree

PAGE = (tree.ROOT / "docs" / "ci.md").read_text("utf-8")
SHELL = re.compile(r"^```sh\n(.*?)^```", re.DOTALL | re.MULTILINE)
FILES = dict(re.findall(r"<!-- file (\S+) -->\n\n```\w+\n(.*?)```", PAGE, re.DOTALL))
STEP = re.compile(r"^\s+- (?:run|uses): (.+)$", re.MULTILINE)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of a user's: a repository of git, with what the page has in files."""
    for name, content in FILES.items():
        if "/" not in name:
            (tmp_path / name).write_text(content, "utf-8")
    return tmp_path


def shell(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run lines as a person types them; the first that fails ends it."""
    who = {
        f"GIT_{role}_{what}": value
        for role in ("AUTHOR", "COMMITTER")
        for what, value in (("NAME", "page"), ("EMAIL", "page@example.org"))
    }
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    return subprocess.run(
        ["sh", "-e", "-c", script],
        cwd=folder,
        env={**os.environ, **who, "PATH": path},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="other platform: ptys")
def test_the_steps_can_be_followed(folder: Path) -> None:
    record, cut, run = SHELL.findall(PAGE)
    assert shell("git init -q .", folder).returncode == 0
    for line in (record + cut).splitlines():
        done = shell(line, folder)
        assert done.returncode <= line.startswith("kerfbus explain"), done.stderr  # 1: a fault
    expected = folder / "captures" / "no-bias.expect.toml"
    expected.write_text(FILES["captures/no-bias.expect.toml"], "utf-8")
    ran = shell(run, folder)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "1 passed" in ran.stdout
    kept = shell("git ls-files", folder).stdout.split()
    assert kept == [f"captures/no-bias.{kind}" for kind in ("expect.toml", "pcapng", "txt")]
    (command,) = [each for each in STEP.findall(FILES["captures.yml"]) if "pytest -n" in each]
    other = shell(command.replace("-n auto", "-n 2") + " test_controller.py", folder)
    assert other.returncode == 0, other.stdout + other.stderr
    assert "5 passed" in other.stdout


def test_the_workflow_is_of_public_parts() -> None:
    steps = STEP.findall(FILES["captures.yml"])
    used = [each for each in steps if each.startswith("actions/")]
    assert {each.partition("@")[0] for each in used} == {
        "actions/checkout",
        "actions/setup-python",
        "actions/upload-artifact",
    }
    assert len(steps) == len(used) + 2
    assert "\t" not in FILES["captures.yml"]
