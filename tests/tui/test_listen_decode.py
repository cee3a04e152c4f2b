"""`kerfbus listen`, `kerfbus decode` and `kerfbus demo`."""

from __future__ import annotations

import contextlib
import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import console
import pytest
from socatcable import cable

from kerfbus.bench.capture import CaptureWriter
from kerfbus.bench.crc import with_crc
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind

FRAME_KEYS = {
    *("at_ns", "role", "server", "function", "hex", "ok", "errors", "exception", "echo", "late"),
    *("pairs_with", "gap_before_chars"),
}
SUMMARY_KEYS = {
    *("frames", "ok", "damaged", "stray_characters", "requests", "replies", "exceptions"),
    *("unanswered", "late", "echoes"),
}
LINE = LineSettings()
ASK = with_crc(bytes.fromhex("0104000a0001"))
ANSWER = with_crc(bytes.fromhex("010402050c"))  # 129.2 V
REFUSAL = with_crc(bytes.fromhex("018402"))


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """Return a capture of a tap: a good transaction, a refused one, a damaged reply, strays."""
    path = tmp_path / "site.pcapng"
    at = 1_000_000_000
    with CaptureWriter(path, settings=LINE, vantage="tap", timing="exact", clock="wall") as writer:

        def hear(data: bytes, *errors: CharacterError) -> None:
            nonlocal at
            at += 10_000_000 + LINE.characters_ns(len(data))
            writer.inbound(Chunk(data, at, errors))

        hear(ASK)
        hear(ANSWER)
        writer.mark("arc", "on", at)
        hear(ASK)
        hear(REFUSAL)
        hear(ASK)
        hear(ANSWER[:-1] + b"\x00", CharacterError(6, LineEventKind.FRAMING))
        hear(b"\xff\x00")
    return path


def test_decode_json_lines(capture: Path) -> None:
    run = console.call("decode", capture, "--json")
    assert (run.code, run.err) == (0, "")
    *rows, last = run.answers
    frames = [row for row in rows if row["role"] != "stray"]
    assert [row["role"] for row in frames] == ["request", "reply"] * 3
    assert all(row.keys() >= FRAME_KEYS for row in frames)
    assert [row["pairs_with"] for row in frames] == [None, 0, None, 2, None, 4]
    assert [row["hex"] for row in frames[:2]] == [ASK.hex(), ANSWER.hex()]
    assert frames[3]["exception"] == 2
    assert frames[5]["ok"] is False
    assert set(frames[5]["errors"]) == {"crc", "framing"}
    assert [row["hex"] for row in rows if row["role"] == "stray"] == ["ff00"]
    assert last["summary"].keys() >= SUMMARY_KEYS
    assert last["summary"] == {
        "frames": 6,
        "ok": 5,
        "damaged": 1,
        "stray_characters": 2,
        "requests": 3,
        "replies": 3,
        "exceptions": 1,
        "unanswered": 1,
        "late": 0,
        "echoes": 0,
    }


def test_decode_tells_line_events_when_asked(capture: Path) -> None:
    rows = console.call("decode", capture, "--json", "--events").answers
    (mark,) = [row for row in rows if row.get("role") == "event"]
    assert (mark["event"], mark["comment"]) == ("mark", "arc=on")


def test_decode_for_a_person_shows_the_evidence(capture: Path) -> None:
    run = console.call("decode", capture)
    assert max(map(len, run.out.splitlines())) <= 80
    assert "heard as tap, 19200 8E1, timing exact" in run.out
    assert "REFUSED: exception 02, illegal data address" in run.out
    assert "DAMAGED 7 characters [crc, framing]" in run.out
    assert (ANSWER[:-1] + b"\x00").hex(" ") in run.out
    assert ASK.hex(" ") not in run.out  # good frames are shown by what they say
    assert "mark arc=on" in run.out
    assert run.out.splitlines()[-2] == "6 frames: 5 good, 1 damaged; 2 stray characters"
    assert ASK.hex(" ") in console.call("decode", capture, "--all").out


def test_decode_with_a_map_names_the_values(capture: Path) -> None:
    run = console.call("decode", capture, "--map", "supply")
    assert "arc_voltage 129.2 V" in run.out
    rows = console.call("decode", capture, "--map", "supply", "--json").answers
    assert [len(row["values"]) for row in rows[:4]] == [0, 1, 0, 0]
    assert rows[1]["values"] == [
        {"name": "arc_voltage", "value": 129.2, "unit": "V", "raw": [1292]}
    ]


def test_decode_a_capture_that_was_cut_off(capture: Path) -> None:
    whole = capture.read_bytes()
    capture.write_bytes(whole[:-5])
    run = console.call("decode", capture)
    assert run.code == 0
    assert "cut off" in run.err
    assert "6 frames" in run.out


def test_decode_a_capture_that_is_damaged_gives_what_stands_before(capture: Path) -> None:
    data = bytearray(capture.read_bytes())
    place = data.index(ANSWER) - 24
    data[place : place + 4] = b"\xff" * 4
    capture.write_bytes(data)
    run = console.call("decode", capture, "--json")
    assert run.code == 2
    *_, summary, error = run.answers
    assert summary["summary"]["requests"] == 1
    assert error["error"]["kind"] == "capture"
    assert "byte" in error["error"]["message"]
    assert len(run.err.splitlines()) == 1


@pytest.mark.parametrize("content", [None, b"", b"no capture at all", b"\x0a\x0d\x0d\x0a" * 4])
def test_decode_what_is_no_capture(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "file"
    if content is not None:
        path.write_bytes(content)
    run = console.call("decode", path, "--json")
    assert run.code == 2
    assert run.answers[-1]["error"]["kind"] == "capture"
    assert len(run.err.splitlines()) == 1


def heard(run: console.Run) -> tuple[list[Any], Any]:
    """Return the rows of a JSON run and its last line."""
    *rows, last = run.answers
    return rows, last


def test_listen_to_the_simulated_line_and_record(tmp_path: Path) -> None:
    path = tmp_path / "heard.pcapng"
    run = console.call("listen", "--seconds", "0.5", "--capture", path, "--json")
    assert run.code == 0
    rows, last = heard(run)
    assert {row["role"] for row in rows} == {"request", "reply"}
    assert last["summary"]["frames"] == len(rows) > 4
    quality = last["quality"]
    assert quality["requests"] == last["summary"]["requests"]
    assert quality["requests"] - quality["answered"] in (0, 1)  # the last one may still be due
    assert quality["transaction_error_rate"] == 0.0
    assert quality["interval"][1] < 1
    again, summary = heard(console.call("decode", path, "--map", "supply", "--json"))
    assert again == rows
    assert summary["summary"] == last["summary"]


def test_listen_for_a_person_with_names() -> None:
    run = console.call("listen", "--seconds", "0.4")
    assert max(map(len, run.out.splitlines())) <= 80
    assert "current_setpoint 60.0 A" in run.out
    assert "Transactions that went wrong: 0 %" in run.out
    assert run.err == "kerfbus: listening; Ctrl-C ends it\n"


@pytest.mark.skipif(os.name != "posix", reason="other platform: ptys and signals")
def test_listen_on_a_pty_until_stopped(tmp_path: Path) -> None:
    """What reaches a tap's port: here the two sides of a conversation, written by the test."""
    master, slave = os.openpty()
    name = os.ttyname(slave)
    path = tmp_path / "heard.pcapng"
    with console.start("listen", "--port", name, "--capture", path, "--json") as listener:
        assert listener.stderr is not None
        assert listener.stdout is not None
        assert "listening" in listener.stderr.readline()
        os.write(master, ASK + ANSWER)
        rows = [json.loads(listener.stdout.readline()) for _ in range(2)]
        listener.send_signal(signal.SIGINT)
        out, err = listener.communicate()
    os.close(master)
    os.close(slave)
    assert (listener.returncode, err) == (0, "")
    assert [row["role"] for row in rows] == ["request", "reply"]
    last = json.loads(out)
    assert last["quality"]["answered"] == 1
    assert set(last["quality"]["line_errors"].values()) == {None}
    assert len(console.call("decode", path, "--json").answers) == 3


@pytest.mark.skipif(os.name != "posix", reason="other platform: ptys and signals")
def test_listen_goes_on_when_a_port_that_was_lost_comes_back(tmp_path: Path) -> None:
    near, far, path = tmp_path / "near", tmp_path / "far", tmp_path / "heard.pcapng"
    with contextlib.ExitStack() as first:
        first.enter_context(cable(near, far))
        with console.start("listen", "--port", near, "--capture", path, "--json") as listener:
            assert listener.stderr is not None
            assert listener.stdout is not None
            assert "listening" in listener.stderr.readline()
            far.write_bytes(ASK)
            assert json.loads(listener.stdout.readline())["hex"] == ASK.hex()
            first.close()
            assert str(near) in listener.stderr.readline()  # lost
            with cable(near, far):
                assert "back" in listener.stderr.readline()
                far.write_bytes(ASK)
                assert json.loads(listener.stdout.readline())["hex"] == ASK.hex()
                listener.send_signal(signal.SIGINT)
                out, _ = listener.communicate()
    assert listener.returncode == 0
    assert json.loads(out)["summary"]["frames"] == 2
    kinds = [
        row["event"]
        for row in console.call("decode", path, "--json", "--events").answers
        if row.get("role") == "event"
    ]
    assert kinds == ["opened", "lost", "opened", "lost"]


@pytest.mark.parametrize(
    ("arguments", "kind"),
    [
        (["--port", "nosuch"], "port-missing"),
        (["--baud", "0"], "settings"),
        (["--seconds", "0"], "usage"),
        (["--capture", __file__], "capture"),
        (["--map", "nosuch.toml"], "map"),
    ],
    ids=lambda each: each[0] if isinstance(each, list) else "",
)
def test_listen_to_what_cannot_be(arguments: list[str], kind: str) -> None:
    run = console.call("listen", *arguments, "--json")
    assert run.code == 2
    assert run.answer["error"]["kind"] == kind
    assert len(run.err.splitlines()) == 1


@pytest.fixture
def full_disk() -> Iterator[None]:
    """Let no file grow beyond 3000 bytes, as on a full disk."""
    resource = pytest.importorskip("resource", reason="other platform: limits of a process")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (3000, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.usefixtures("full_disk")
@pytest.mark.parametrize(
    "command", [["listen", "--seconds", "3"], ["demo", "--brief"]], ids=" ".join
)
def test_a_disk_that_fills_up_is_said_and_leaves_what_was_recorded(
    command: list[str], tmp_path: Path
) -> None:
    path = tmp_path / "run.pcapng"
    run = console.call(*command, "--capture", path, "--json")
    assert run.code == 2
    assert run.answers[-1]["error"]["kind"] == "capture"
    assert "make room" in run.err.splitlines()[-1]
    assert run.err.count("make room") == 1
    if command[0] == "listen":  # said at once, not only at the end of a long run
        assert "the recording stopped just now" in run.err
    decoded = console.call("decode", path, "--json")
    assert decoded.code == 0
    assert decoded.answers[-1]["summary"]["ok"] > 10


def test_demo_tells_a_cut_from_start_to_post_flow() -> None:
    run = console.call("demo", "--brief", "--json")
    assert (run.code, run.err) == (0, "")
    answer = run.answer
    assert answer["write"] == {"previous": 60.0, "value": 45.0, "verified": True}
    assert "20 to 125 A" in answer["refused"]
    modes = [moment["mode"] for moment in answer["cut"]]
    assert modes == sorted(set(modes), key=modes.index)
    assert modes[:3] == ["self-test", "idle", "pre-flow"]
    assert modes[-2:] == ["cutting", "post-flow"]
    cutting = answer["cut"][-2]
    assert cutting["output_current"] == pytest.approx(60, abs=1)
    assert cutting["arc_voltage"] > 80
    assert answer["summary"]["damaged"] == 0
    assert answer["quality"]["answered"] == answer["summary"]["requests"]


def test_demo_is_the_same_each_time_and_its_recording_byte_for_byte(tmp_path: Path) -> None:
    one, two = tmp_path / "one.pcapng", tmp_path / "two.pcapng"
    first = console.call("demo", "--brief", "--seed", "3", "--capture", one)
    second = console.call("demo", "--brief", "--seed", "3", "--capture", two)
    assert one.read_bytes() == two.read_bytes()
    assert first.out.replace("one.pcapng", "two.pcapng") == second.out
    assert max(map(len, first.out.splitlines()[:-1])) <= 80
    assert console.call("decode", one).code == 0


def test_demo_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    assert console.call("demo", "--brief").code == 0
    assert list(tmp_path.iterdir()) == []


def test_the_arc_that_others_read_divides_the_account(tmp_path: Path) -> None:
    capture = tmp_path / "heard.pcapng"
    arguments = ("--map", "supply", "--arc", "status=arc-transferred", "--capture", capture)
    run = console.call("listen", "--seconds", "8", *arguments, "--json")
    assert run.code == 0
    found = {each["condition"]: each for each in run.answers[-1]["quality"]["conditions"]}
    assert {"arc=on", "arc=off"} <= set(found)
    assert found["arc=on"]["transactions"] > 20
    assert run.answers[-1]["comparisons"][0]["first"] == "arc=on"
    events = console.call("decode", capture, "--events", "--json").answers
    marks = [each["comment"] for each in events if each.get("event") == "mark"]
    assert marks[:3] == ["arc=off", "arc=on", "arc=off"]


def test_a_sign_of_the_arc_needs_a_map(tmp_path: Path) -> None:
    if os.name != "posix":
        pytest.skip("other platform: ptys")
    with cable(tmp_path / "a", tmp_path / "b"):
        run = console.call("listen", "--port", tmp_path / "a", "--arc", "mode", "--seconds", "1")
    assert (run.code, "--map" in run.err) == (2, True)
