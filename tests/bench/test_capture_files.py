"""What survives: kills, full disks, second writers. Real processes, real file systems."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from kerfbus.bench.capture import Burst, CaptureReader, CaptureWriter, Record, read_capture
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, LineEventKind

WAIT_SECONDS = 60
"""How long a condition may take on a machine that is busy with other things."""

COMMON = """
import itertools, json, sys
from kerfbus.bench.capture import CaptureWriter, read_capture
from kerfbus.bench.errors import CaptureError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind

def burst(number):
    data = number.to_bytes(4, "big") * (1 + number % 9)
    errors = (CharacterError(2, LineEventKind.PARITY),) if number % 5 == 0 else ()
    return Chunk(data, number, errors)

def writer(path, **more):
    return CaptureWriter(path, settings=LineSettings(), vantage="tap", timing="exact",
                         clock="virtual", **more)
"""


def burst(number: int) -> Burst:
    """Return the record that a child writes as its `number`."""
    data = number.to_bytes(4, "big") * (1 + number % 9)
    errors = (CharacterError(2, LineEventKind.PARITY),) if number % 5 == 0 else ()
    return Burst(data, number, False, errors)


def child(script: str, *arguments: object) -> subprocess.Popen[str]:
    """Start a Python process that says something on standard output."""
    return subprocess.Popen(
        [sys.executable, "-c", COMMON + script, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def kill(process: subprocess.Popen[str]) -> None:
    """End a process as hard as it goes, and fetch what it said last."""
    process.send_signal(signal.SIGKILL)
    process.wait(WAIT_SECONDS)


def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition."""
    end = threading.Event()
    for _ in range(WAIT_SECONDS * 100):
        if condition():
            return
        end.wait(0.01)
    pytest.fail("waited in vain")


@pytest.mark.parametrize("acknowledged", [1, 100, 3000])
def test_a_killed_recording_has_every_record_that_was_written(
    tmp_path: Path, acknowledged: int
) -> None:
    path = tmp_path / "a.pcapng"
    script = """
with writer(sys.argv[1]) as to:
    for number in itertools.count():
        to.inbound(burst(number))
        print(number, flush=True)
"""
    with child(script, path) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if int(line) >= acknowledged:
                break
        kill(process)
        last = max([acknowledged, *map(int, process.stdout.read().split("\n")[:-1])])
    records = read_capture(path).records
    assert len(records) > last
    assert list(records) == [burst(number) for number in range(len(records))]


def test_a_killed_buffered_recording_has_every_record_before_the_last_flush(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.pcapng"
    script = """
with writer(sys.argv[1], buffered=True) as to:
    for number in itertools.count():
        to.inbound(burst(number))
        if number % 37 == 0:
            to.flush()
            print(number, flush=True)
"""
    with child(script, path) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if int(line) > 5000:
                break
        kill(process)
        last = max([int(line), *map(int, process.stdout.read().split("\n")[:-1])])
    records = read_capture(path).records
    assert len(records) > last
    assert list(records) == [burst(number) for number in range(len(records))]


def test_a_buffered_recording_that_falls_silent_is_flushed_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    script = """
to = writer(sys.argv[1], buffered=True)
for round in range(2):
    to.inbound(burst(round))
    print(round, flush=True)
    sys.stdin.readline()
"""
    with child(script, path) as process, CaptureReader(wait_for(path), follow=True) as reader:
        found: list[Record] = []
        until(lambda: bool(found.extend(reader.poll()) or found))
        kill(process)
    assert found == [burst(0)]


def test_a_buffered_recording_that_is_never_closed_is_whole_when_its_program_ends(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.pcapng"
    with child("writer(sys.argv[1], buffered=True).inbound(burst(3))", path) as process:
        assert process.wait(WAIT_SECONDS) == 0
    assert read_capture(path).records == (burst(3),)


def wait_for(path: Path) -> Path:
    """Return a path once something is there."""
    until(path.exists)
    return path


def test_a_capture_is_read_while_another_process_writes_it(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    script = """
with writer(sys.argv[1]) as to:
    for number in range(3000):
        to.inbound(burst(number))
"""
    found: list[Record] = []
    with child(script, path) as process, CaptureReader(wait_for(path), follow=True) as reader:
        until(lambda: bool(found.extend(reader.poll()) or len(found) == 3000))
        assert process.wait(WAIT_SECONDS) == 0
    assert found == [burst(number) for number in range(3000)]


# One file, one writer


def writer_to(path: Path | str, overwrite: bool = False, buffered: bool = False) -> CaptureWriter:
    """Return a writer."""
    return CaptureWriter(
        path,
        settings=LineSettings(),
        vantage="tap",
        timing="exact",
        clock="virtual",
        overwrite=overwrite,
        buffered=buffered,
    )


def test_a_file_is_not_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_text("the only copy")
    with pytest.raises(CaptureError, match="exists already; choose another name"):
        writer_to(path)
    assert path.read_text() == "the only copy"
    with writer_to(path, overwrite=True) as writer:
        writer.write(burst(1))
    assert read_capture(path).records == (burst(1),)


def test_a_second_writer_is_refused_even_when_it_would_overwrite(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    with writer_to(path) as writer:
        writer.write(burst(1))
        with pytest.raises(CaptureError, match="is being recorded by another program"):
            writer_to(path, overwrite=True)
        script = """
try:
    writer(sys.argv[1], overwrite=True)
except CaptureError as error:
    print(error)
"""
        with child(script, path) as process:
            assert process.stdout is not None
            assert "is being recorded by another program" in process.stdout.read()
        writer.write(burst(2))
    assert read_capture(path).records == (burst(1), burst(2))
    writer_to(path, overwrite=True).close()


@pytest.mark.parametrize("overwrite", [False, True])
def test_what_is_no_place_for_a_capture(tmp_path: Path, overwrite: bool) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name, says in [
        ("absent/a.pcapng", "no such folder"),
        ("a\0b", "cannot be written"),
        *([("pipe", "cannot be written"), ("", "cannot be written")] if overwrite else []),
    ]:
        with pytest.raises(CaptureError, match=says):
            writer_to(f"{tmp_path}/{name}", overwrite)
    if overwrite:
        with pytest.raises(CaptureError, match="not a regular file"):
            writer_to("/dev/null", overwrite)


def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    script = """
import os
if os.geteuid() == 0:
    os.seteuid(65534)  # who may write everywhere would prove nothing
try:
    writer(sys.argv[1])
except CaptureError as error:
    print(error)
"""
    with child(script, tmp_path / "a.pcapng") as process:
        assert process.stdout is not None
        assert "cannot be written: Permission denied" in process.stdout.read()


# Full disks

FILL = """
def fill(path, buffered):
    to = writer(path, buffered=buffered)
    told = []
    for number in range(20000):
        try:
            to.inbound(burst(number))
        except CaptureError as error:
            told.append(str(error))
            if len(told) == 1:
                first = number
    to.close()
    found = read_capture(path)
    good = [(each.data, each.at, each.errors) for each in found.records]
    assert good == [tuple(burst(number)) for number in range(len(good))]
    return {"told": told, "first": first, "read": len(good), "warning": found.warning,
            "error": str(to.error)}
"""


def check_full(outcome: dict[str, object], *, buffered: bool) -> None:
    """Check what a full disk leaves: one error, and a capture without a scar."""
    (told,) = outcome["told"]  # type: ignore[misc]
    assert "make room or record elsewhere" in told
    assert outcome["error"] == told
    assert outcome["warning"] is None
    assert outcome["read"]
    if not buffered:
        assert outcome["read"] == outcome["first"]


@pytest.mark.parametrize("buffered", [False, True])
def test_a_file_size_limit_ends_the_recording_with_one_error(
    tmp_path: Path, buffered: bool
) -> None:
    script = """
import resource
resource.setrlimit(resource.RLIMIT_FSIZE, (100001, resource.RLIM_INFINITY))
print(json.dumps(fill(sys.argv[1], sys.argv[2] == "True")))
"""
    with child(FILL + script, tmp_path / "a.pcapng", buffered) as process:
        assert process.stdout is not None
        outcome = json.loads(process.stdout.read())
    check_full(outcome, buffered=buffered)
    assert 99_000 < (tmp_path / "a.pcapng").stat().st_size <= 100_001


@pytest.mark.parametrize("buffered", [False, True])
def test_a_full_file_system_ends_the_recording_with_one_error(
    tmp_path: Path, buffered: bool
) -> None:
    """A small file system in memory, in a mount namespace of its own."""
    mount = f"mount -t tmpfs -o size=96k none {tmp_path}"
    space = ["unshare", "--map-root-user", "--mount", "sh", "-c"]
    if not shutil.which("unshare") or subprocess.run([*space, mount], check=False).returncode:
        pytest.skip("other platform: no file system can be mounted here without rights")
    script = COMMON + FILL + 'print(json.dumps(fill(sys.argv[1], sys.argv[2] == "True")))'
    command = [sys.executable, "-c", script, str(tmp_path / "a.pcapng"), str(buffered)]
    run = subprocess.run(
        [*space, f'{mount} && exec "$@"', "sh", *command],
        capture_output=True,
        text=True,
        check=True,
    )
    check_full(json.loads(run.stdout), buffered=buffered)


def test_a_disk_that_is_full_from_the_start_leaves_no_file(tmp_path: Path) -> None:
    script = """
import resource
resource.setrlimit(resource.RLIMIT_FSIZE, (100, resource.RLIM_INFINITY))
try:
    writer(sys.argv[1])
except CaptureError as error:
    print(error)
"""
    with child(script, tmp_path / "a.pcapng") as process:
        assert process.stdout is not None
        assert "make room or record elsewhere" in process.stdout.read()
    assert list(tmp_path.iterdir()) == []


def test_a_reader_does_not_take_a_huge_block_into_memory_to_find_it_cut_off(
    tmp_path: Path,
) -> None:
    """A damaged length that claims gigabytes, in a (sparse) file that has some of them."""
    path = tmp_path / "a.pcapng"
    with writer_to(path) as writer:
        writer.write(burst(1))
    good = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(good)
        file.write((0xBAD).to_bytes(4, "little") + (2**32 - 4).to_bytes(4, "little"))
        file.truncate(good + 3 * 10**9)
    script = """
import resource
resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30))
found = read_capture(sys.argv[1])
print(len(found.records), found.warning)
"""
    with child(script, path) as process:
        assert process.stdout is not None
        assert process.stdout.read().startswith(f"1 the last block, at byte {good}, was cut off")
