"""What a look at the machine finds, on real ptys, files and processes, and on a made-up /sys."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from kerfbus.bench import doctor, doctorports, doctorsoftware, linuxserial
from kerfbus.bench.clock import ManualClock, SystemClock
from kerfbus.bench.doctor import Check, Level
from kerfbus.bench.portlist import PortEntry

linux = pytest.mark.skipif(sys.platform != "linux", reason="other platform: Linux only")
NOBODY = 65534


@pytest.fixture
def pty() -> Iterator[str]:
    """Return the path of a real pty whose other side is open."""
    if sys.platform == "win32":
        pytest.skip("other platform: ptys")
    ours, theirs = os.openpty()
    path = os.ttyname(theirs)
    os.close(theirs)
    yield path
    os.close(ours)


@contextlib.contextmanager
def somebody_else() -> Iterator[None]:
    """Be a user without rights while the context lasts; who is none already stays."""
    if os.geteuid() != 0:
        yield
        return
    groups = os.getgroups()
    os.setgroups([])
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups(groups)


@linux
def test_a_port_that_may_be_used(pty: str) -> None:
    found = doctorports.check_port(PortEntry(pty, description="a thing"))
    assert found.level is Level.GOOD
    assert found.state == "may be used: a thing"


@linux
@pytest.mark.parametrize(("mode", "word"), [(0o600, "only"), (0o660, "the group")])
def test_a_denied_port_names_who_may_and_the_step(pty: str, mode: int, word: str) -> None:
    Path(pty).chmod(mode)
    if os.geteuid() != 0:
        Path(pty).chmod(mode & 0o060)  # its owner is this user: take the owner's right away
    with somebody_else():
        found = doctorports.check_port(PortEntry(pty))
    assert found.level is Level.BAD
    assert word in found.state
    assert found.do
    if mode == 0o660:
        assert "usermod -aG" in found.do


@linux
def test_a_port_that_another_program_holds(pty: str) -> None:
    program = "import sys; f = open(sys.argv[1]); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", program, pty],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdin is not None
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        found = doctorports.check_port(PortEntry(pty))
        assert found.level is Level.NOTE
        assert str(holder.pid) in found.state
        holder.stdin.close()
    assert doctorports.check_port(PortEntry(pty)).level is Level.GOOD


@pytest.mark.parametrize("name", ["/dev/no-such-port", "/dev/null/x"])
@linux
def test_a_port_that_is_not_there(name: str) -> None:
    found = doctorports.check_port(PortEntry(name))
    assert found.level is Level.BAD
    assert found.do


@linux
def test_looking_inside_a_pty_says_what_it_lacks_and_sends_nothing(pty: str) -> None:
    found = list(doctorports.look_inside(pty, ()))
    assert [each.level for each in found] == [Level.GOOD, Level.NOTE]
    assert "no wire" in found[1].state


@linux
def test_looking_inside_what_is_no_port_opens_nothing(tmp_path: Path) -> None:
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)  # opening it would wait for ever
    (found,) = doctorports.look_inside(str(fifo), ())
    assert found.level is Level.BAD
    assert "named pipe" in found.state


def test_no_ports_is_no_mistake(tmp_path: Path) -> None:
    (found,) = doctorports.check_ports((), tmp_path)
    assert found.level is Level.NOTE
    assert "sim:" in found.do


def test_a_service_that_takes_ports_is_named(tmp_path: Path) -> None:
    process = tmp_path / "77"
    process.mkdir()
    (process / "comm").write_text("ModemManager\n")
    found = [each.what for each in doctorports.check_ports((), tmp_path)]
    assert found[-1] == "ModemManager"


@linux
@pytest.mark.parametrize(
    ("timer", "level", "word"),
    [("16\n", Level.NOTE, "16 ms"), ("1\n", Level.GOOD, "1 ms"), (None, Level.NOTE, "not told")],
)
def test_latency_timers(
    timer: str | None,
    level: Level,
    word: str,
    pty: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The tree of /sys as the kernel lays it out (Documentation/ABI/stable/sysfs-...-usb)."""
    device = tmp_path / "devices" / "usb1" / "1-1" / "ttyUSB7"
    device.mkdir(parents=True)
    if timer is not None:
        (device / "latency_timer").write_text(timer)
    node = tmp_path / "class" / "tty" / Path(pty).name
    node.mkdir(parents=True)
    (node / "device").symlink_to(device)
    real = linuxserial.read_adapter
    monkeypatch.setattr(linuxserial, "read_adapter", lambda path: real(path, tmp_path))
    found = [each for each in doctorports.check_ports([PortEntry(pty)]) if "timer" in each.what]
    assert [each.level for each in found] == [level]
    assert word in found[0].state
    assert (timer == "16\n") == ("latency_timer" in found[0].do)


def test_a_clock_that_goes_and_one_that_stands() -> None:
    assert doctor.check_clock(SystemClock()).level is Level.GOOD
    assert doctor.check_clock(ManualClock()).level is Level.BAD


@pytest.mark.parametrize(
    ("late", "level"), [([50_000] * 20, Level.GOOD), ([50_000] * 19 + [9_000_000], Level.NOTE)]
)
def test_waits(late: list[int], level: Level) -> None:
    found = doctor.check_waits(late)
    assert found.level is level
    assert "50 us" in found.state


def test_a_folder_with_room_and_one_without(tmp_path: Path) -> None:
    assert doctor.check_disk(tmp_path).level is Level.GOOD
    assert doctor.check_disk(tmp_path / "missing").level is Level.BAD


@linux
@pytest.mark.skipif(not Path("/sys/kernel").is_dir(), reason="/sys is not mounted")
def test_a_file_system_without_room_is_bad() -> None:
    assert doctor.check_disk("/sys/kernel").level is Level.BAD  # 0 bytes free, by its nature


@linux
def test_ptys_can_be_made_or_it_is_said_why(monkeypatch: pytest.MonkeyPatch) -> None:
    assert doctor.check_ptys().level is Level.GOOD
    monkeypatch.setattr(os, "openpty", refuse)
    found = doctor.check_ptys()
    assert found.level is Level.BAD
    assert "No space" in found.state
    monkeypatch.delattr(os, "openpty")
    assert "--tcp" in doctor.check_ptys().do


def refuse() -> tuple[int, int]:
    """Fail as the system does when its ptys are used up."""
    raise OSError(28, "No space left on device")


def test_libraries_are_those_that_are_asked_for() -> None:
    found = list(doctorsoftware.check_software())
    assert {"Python", "kerfbus", "pyserial", "click"} <= {each.what for each in found}
    assert [each for each in found if each.level is not Level.GOOD] == []


@pytest.mark.parametrize(
    ("asked", "word"), [("pyserial>=99", "asked for is >=99"), ("no-such-thing-here", "not inst")]
)
def test_a_library_that_does_not_do(asked: str, word: str) -> None:
    (requirement,) = doctorsoftware.needed([asked])
    found = doctorsoftware.check_library(requirement)
    assert found.level is Level.BAD
    assert word in found.state
    assert found.do.startswith("pip install '")


def test_extras_are_apart_from_what_is_needed() -> None:
    asked = ["click>=8", "numba>=0.59; extra == 'fast'", "colorama; sys_platform == 'nowhere'"]
    assert [each.name for each in doctorsoftware.needed(asked)] == ["click"]
    assert [each.name for each in doctorsoftware.needed(asked, "fast")] == ["numba"]


@pytest.mark.parametrize(("python", "level"), [("3.11.0", Level.GOOD), ("3.10.9", Level.BAD)])
def test_python(python: str, level: Level) -> None:
    assert doctorsoftware.check_python(python, ">=3.11").level is level


def test_a_package_that_is_not_installed() -> None:
    (found,) = doctorsoftware.check_software("no-such-thing-here")
    assert found.level is Level.BAD
    assert list(doctorsoftware.check_extras("no-such-thing-here")) == []


def test_a_browser_is_looked_for_by_name() -> None:
    assert doctorsoftware.check_browser(("no-such-browser",)).level is Level.NOTE
    assert doctorsoftware.check_browser((sys.executable,)).level is Level.GOOD


def test_one_bad_finding_is_enough() -> None:
    good = Check("a", "b", "c")
    assert doctor.all_well([good, good._replace(level=Level.NOTE)])
    assert not doctor.all_well([good, good._replace(level=Level.BAD)])
