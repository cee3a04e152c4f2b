"""`kerfbus explain`: what a person reads, what a program reads, pictures, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from console import call
from linetalk import HandMade, flipped, nothing

from kerfbus.bench.capture import CaptureWriter, LineEvent
from kerfbus.bench.transport import Chunk


def written(path: Path, line: HandMade) -> str:
    with CaptureWriter(
        path, settings=line.info.settings, vantage=line.vantage, timing=line.timing, clock="virtual"
    ) as writer:
        for record in line.records:
            if isinstance(record, LineEvent):
                writer.mark(*record.comment.split("="), record.at)
            elif record.outbound:
                writer.outbound(record.data, record.at)
            else:
                writer.inbound(Chunk(record.data, record.at, record.errors))
    return str(path)


@pytest.fixture
def sick(tmp_path: Path) -> str:
    line = HandMade("client")
    for at in range(120):
        line.exchange(back=nothing if at % 2 else None)
    return written(tmp_path / "sick.pcapng", line)


def test_a_person_reads_cause_evidence_and_next_check(sick: str) -> None:
    ran = call("explain", sick)
    assert ran.code == 1
    assert "no-server" in ran.out
    assert "one address never answers, others do (address 9): 60 of 60" in ran.out
    assert "Next:" in ran.out
    assert "locked out" in ran.out.replace("\n        ", " ")
    assert "Transactions that went wrong: 50 %" in ran.out
    assert all(len(line) <= 80 for line in ran.out.splitlines())


def test_a_program_reads_one_object(sick: str) -> None:
    ran = call("explain", sick, "--json")
    assert ran.code == 1
    answer = json.loads(ran.out)
    assert answer["verdict"] == "fault"
    assert answer["causes"][0]["cause"] == "no-server"
    assert answer["quality"]["timeouts"] == 60


def test_healthy_is_exit_code_0(tmp_path: Path) -> None:
    line = HandMade()
    line.polls(100)
    ran = call("explain", written(tmp_path / "good.pcapng", line))
    assert ran.code == 0
    assert "Healthy" in ran.out


def test_too_little_is_said(tmp_path: Path) -> None:
    ran = call("explain", written(tmp_path / "empty.pcapng", HandMade()), "--json")
    assert ran.code == 1
    assert json.loads(ran.out)["verdict"] == "insufficient"


@pytest.mark.parametrize("suffix", ["svg", "png"])
def test_picture_is_drawn(tmp_path: Path, suffix: str) -> None:
    line = HandMade()
    for at in range(80):
        if at % 20 == 0:
            line.arc(on=at % 40 == 0)
        line.exchange(back=flipped(4, 3) if at % 9 == 0 else None)
    path = tmp_path / f"link.{suffix}"
    ran = call("explain", written(tmp_path / "one.pcapng", line), "--plot", str(path))
    assert ran.code == 1
    assert str(path) in ran.out
    content = path.read_bytes()
    assert content.startswith(b"\x89PNG" if suffix == "png" else b"<?xml")
    assert len(content) > 10_000


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("explain", "nowhere.pcapng"), "no such file"),
        (("explain", __file__), "capture"),
        (("explain", __file__, "--plot", "link.txt"), ".svg"),
        (("explain", __file__, "--map", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_what_cannot_be_done_is_one_line(arguments: tuple[str, ...], said: str) -> None:
    ran = call(*arguments)
    assert ran.code == 2
    assert said in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    assert "Traceback" not in ran.err
