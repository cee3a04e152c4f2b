"""The answer of `explain`: verdicts, keys, what cannot be told apart, files that are none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from linetalk import MS, HandMade, flipped, nothing, request

from kerfbus.bench.capture import CaptureWriter, LineEvent
from kerfbus.bench.diagnosis.arcwatch import arc_marks
from kerfbus.bench.diagnosis.explain import explain as explain_path
from kerfbus.bench.diagnosis.explain import explain_file
from kerfbus.bench.diagnosis.explaining import explain
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.transport import Chunk, LineEventKind


def written(path: Path, line: HandMade) -> Path:
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
    return path


def test_keys_are_those_of_the_answers(tmp_path: Path) -> None:
    line = HandMade()
    for at in range(120):
        line.exchange(back=flipped(5, at % 8) if at % 6 == 0 else None)
    answer = explain_path(written(tmp_path / "one.pcapng", line))
    json.dumps(answer)
    assert answer["verdict"] == "fault"
    assert {"requests", "timeouts", "line_errors", "interval", "turnaround_ms"} <= set(
        answer["quality"]
    )
    chances = [each["probability"] for each in answer["causes"]]
    assert chances == sorted(chances, reverse=True)
    assert sum(chances) <= 1.0001
    for cause in answer["causes"]:
        assert {"cause", "probability", "evidence", "next_check"} <= set(cause)
        for each in cause["evidence"]:
            assert {"what", "value", "expected", "frames"} <= set(each)
            assert all(isinstance(frame, int) for frame in each["frames"])


def test_evidence_names_the_frames_that_were_hurt() -> None:
    line = HandMade()
    for at in range(120):
        line.exchange(back=flipped(5, at % 8) if at in (30, 60, 90) else None)
    found = explain(line.info, line.records)
    inside = found.findings["inside-hurt"]
    assert inside.frames == (60, 61, 120, 121, 180, 181)
    assert found.scene.hurt[0].answering is not None
    assert found.scene.hurt[0].answering.flips == ((5, 1 << 30 % 8),)


@pytest.mark.parametrize("count", [0, 5])
def test_too_little_is_insufficient(count: int) -> None:
    line = HandMade()
    line.polls(count)
    found = explain(line.info, line.records)
    assert found.verdict == "insufficient"
    assert found.to_json()["quality"]["requests"] == count


def test_silence_at_a_client_cannot_be_told_apart() -> None:
    line = HandMade("client")
    for _ in range(60):
        line.exchange(3, back=nothing)
    found = explain(line.info, line.records).to_json()
    assert found["verdict"] == "fault"
    silent = {"no-server", "swapped-pair", "wrong-baud", "wrong-format"}
    assert {each["cause"] for each in found["causes"][:4]} == silent
    for each in found["causes"][:4]:
        assert set(each["cannot_be_told_from"]) == silent - {each["cause"]}
        assert "tap" in each["next_check"]


def test_two_causes_are_both_named() -> None:
    line = HandMade("tap")
    for at in range(300):
        if at % 14 == 3:
            line.exchange(back=lambda d: d[:-1] + bytes((d[-1] | 0xE0,)))
        else:
            line.exchange()
        if at % 4 == 0:
            line.say(b"\x00", wait=6 * MS, errors={0: LineEventKind.BREAK})
    named = [each["cause"] for each in explain(line.info, line.records).to_json()["causes"][:3]]
    assert {"early-release", "missing-bias"} <= set(named)


def test_arc_marks_are_read() -> None:
    line = HandMade()
    line.arc(on=False)
    line.polls(3)
    line.arc(on=True)
    line.polls(3)
    events = [each for each in line.records if isinstance(each, LineEvent)]
    arc = arc_marks(events)
    assert arc is not None
    assert arc.telling
    assert arc.on(line.now - MS, line.now) is True
    assert arc_marks([]) is None


def test_a_capture_cut_off_is_explained_and_said_to_be(tmp_path: Path) -> None:
    line = HandMade()
    line.polls(80)
    path = written(tmp_path / "cut.pcapng", line)
    path.write_bytes(path.read_bytes()[:-9])
    found, warning = explain_file(path)
    assert found.verdict == "healthy"
    assert warning is not None
    assert "cut off" in warning


def test_what_is_no_capture_is_said_in_a_line(tmp_path: Path) -> None:
    path = tmp_path / "no.pcapng"
    path.write_bytes(request(3) * 20)
    with pytest.raises(CaptureError):
        explain_path(path)
