"""`kerfbus capture`: each command from end to end, and its mistakes in one line."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from console import PROGRAM, call

from kerfbus.bench.capture import read_capture
from kerfbus.sim.causerun import CauseRun, record_cause

BROKEN_PROGRAM = (
    "import sys; from kerfbus.bench.transactions import read_transactions as r;"
    "sys.exit(3 * any(t.request[1] == 6 for t in r(sys.argv[1]).transactions))"
)


@pytest.fixture(scope="module")
def noisy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("noisy") / "noisy.pcapng"
    record_cause(CauseRun("arc-noise", 0.7, path, vantage="client", seed=3, transactions=60))
    return path


def test_cut_and_join_are_the_whole(noisy: Path, tmp_path: Path) -> None:
    parts = [tmp_path / f"{name}.pcapng" for name in ("head", "tail", "whole")]
    assert call("capture", "cut", noisy, "--until", "2s", "--to", parts[0]).code == 0
    assert call("capture", "cut", noisy, "--from", "2s", "--to", parts[1]).code == 0
    found = call("capture", "join", *parts[:2], "--to", parts[2], "--json")
    assert found.answer == {"to": str(parts[2]), "records": len(read_capture(noisy).records)}
    assert read_capture(parts[2]).records == read_capture(noisy).records
    again = call("capture", "join", noisy, noisy, "--to", tmp_path / "twice.pcapng")
    assert again.code == 2
    assert "give a gap" in again.err
    gap = ("--gap", "1s", "--to", tmp_path / "twice.pcapng")
    assert call("capture", "join", noisy, noisy, *gap).code == 0


def test_transactions_are_cut_out(noisy: Path, tmp_path: Path) -> None:
    part = tmp_path / "part.pcapng"
    assert call("capture", "cut", noisy, "--transactions", "10-14", "--to", part).code == 0
    summary = call("decode", part, "--json").answers[-1]["summary"]
    assert summary["requests"] == 5


def test_shrunk_by_its_damage(noisy: Path, tmp_path: Path) -> None:
    small = tmp_path / "small.pcapng"
    found = call("capture", "shrink", noisy, "--damaged", "--to", small, "--json")
    assert found.code == 0
    assert found.answer["records"] == len(read_capture(small).records) <= 3
    assert call("decode", small, "--json").answers[-1]["summary"]["damaged"] > 0


def test_shrunk_by_a_command(noisy: Path, tmp_path: Path) -> None:
    small = tmp_path / "small.pcapng"
    program = tmp_path / "check.py"
    program.write_text(BROKEN_PROGRAM)
    line = f"{sys.executable} {program} {{}}"
    part = tmp_path / "part.pcapng"
    assert call("capture", "cut", noisy, "--transactions", "0-7", "--to", part).code == 0
    found = call("capture", "shrink", part, "--command", line, "--to", small)
    assert found.code == 0, found.err
    (left,) = read_capture(small).records
    assert left.data[1] == 6  # type: ignore[union-attr]


def test_shrunk_by_its_cause(tmp_path: Path) -> None:
    path, small = tmp_path / "echo.pcapng", tmp_path / "small.pcapng"
    record_cause(CauseRun("echo", 0.8, path, vantage="client", seed=3, transactions=40))
    found = call("capture", "shrink", path, "--explained-as", "echo", "--to", small, "--json")
    assert found.code == 0, found.err
    assert found.answer["records"] < len(read_capture(path).records) / 4
    assert call("explain", small, "--json").answer["causes"][0]["cause"] == "echo"


def test_anonymised_for_others(noisy: Path, tmp_path: Path) -> None:
    public = [tmp_path / f"{number}.pcapng" for number in range(3)]
    for path, key in zip(public, (["--key", "k"], ["--key", "k"], []), strict=True):
        assert call("capture", "anonymise", noisy, *key, "--to", path).code == 0
    assert public[0].read_bytes() == public[1].read_bytes() != public[2].read_bytes()
    before, after = (call("decode", each, "--json").answers[-1] for each in (noisy, public[0]))
    assert before == after


def test_shown_the_same_wherever_it_lies(noisy: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "other-name"
    shutil.copy(noisy, elsewhere)
    found = call("capture", "show", noisy)
    assert found.out == call("capture", "show", elsewhere).out
    assert "frames:" in found.out
    assert str(noisy) not in found.out


def test_git_shows_what_changed_in_a_capture(noisy: Path, tmp_path: Path) -> None:
    def git(*arguments: str) -> str:
        done = subprocess.run(
            ["git", "-c", "user.name=x", "-c", "user.email=x", *arguments],
            cwd=tmp_path,
            check=True,
            capture_output=True,
            text=True,
        )
        return done.stdout

    path = tmp_path / "site.pcapng"
    call("capture", "cut", noisy, "--transactions", "0-5", "--to", path)
    git("init", "-q")
    (tmp_path / ".gitattributes").write_text("*.pcapng diff=kerfbus\n")
    git("config", "diff.kerfbus.textconv", f"{PROGRAM} capture show")
    git("add", ".")
    git("commit", "-q", "-m", "x")
    path.unlink()
    call("capture", "cut", noisy, "--transactions", "0-4", "--to", path)
    changes = git("diff", "--no-ext-diff", "--textconv")
    assert "Binary files" not in changes
    assert any(line.startswith("-6 requests") for line in changes.splitlines()), changes


def test_exported(noisy: Path, tmp_path: Path) -> None:
    import duckdb

    table = tmp_path / "all.parquet"
    found = call("capture", "export", noisy, "--to", table, "--json")
    assert found.code == 0
    rows = duckdb.sql(f"select count(*), count(distinct capture) from '{table}'").fetchall()
    assert rows == [(found.answer["rows"], 1)]
    text = tmp_path / "all.csv"
    assert call("capture", "export", noisy, "--to", text).code == 0
    assert len(text.read_text().splitlines()) == found.answer["rows"] + 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["cut", "FILE", "--to", "x"], "give --from and --until, or"),
        (["cut", "FILE", "--transactions", "5", "--until", "1s", "--to", "x"], "give --from"),
        (["cut", "FILE", "--transactions", "a-b", "--to", "x"], "give N or N-M"),
        (["cut", "FILE", "--transactions", "900", "--to", "x"], "the capture has 0 to"),
        (["cut", "FILE", "--from", "9000s", "--to", "x"], "would be empty"),
        (["cut", "FILE", "--from", "1s", "--to", "FILE"], "exists"),
        (["shrink", "FILE", "--to", "x"], "give one of --command"),
        (["shrink", "FILE", "--damaged", "--to", "FILE"], "exists already"),
        (["shrink", "FILE", "--command", "true", "--to", "x"], "must stand for the file"),
        (["shrink", "FILE", "--command", "true {}", "--to", "x"], "does not fail"),
        (["shrink", "FILE", "--command", "no-such-program {}", "--to", "x"], "cannot be started"),
        (["shrink", "FILE", "--explained-as", "ecko", "--to", "x"], "did you mean 'echo'"),
        (["anonymise", "no-such.pcapng", "--to", "x"], "no such file"),
        (["export", "FILE", "--to", "x.xlsx"], "must end in .csv or .parquet"),
        (["export", "no-such.pcapng", "--to", "x.csv"], "no such file"),
        (["export", "FILE", "--to", "FILE"], "must end in"),
        (["show", "no-such.pcapng"], "no such file"),
    ],
)
def test_mistakes_are_one_line(
    noisy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    before = noisy.read_bytes()
    found = call("capture", *[str(noisy) if each == "FILE" else each for each in arguments])
    assert found.code == 2
    assert words in found.err
    assert len(found.err.splitlines()) == 1
    assert noisy.read_bytes() == before
    assert not list(tmp_path.iterdir())
