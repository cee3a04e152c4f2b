"""A tty stays marked through every setting; what it refuses and cannot say is said."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import termios
from collections.abc import Iterator

import pytest

from kerfbus.bench import linuxserial
from kerfbus.bench.errors import PortBusyError, PortError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.linuxserial import Adapter
from kerfbus.bench.portoptions import PortOptions, Rs485Options
from kerfbus.bench.posixdevice import PosixDevice, check_in_force, is_armed, read_format
from kerfbus.bench.serialport import Line

LINUX = sys.platform.startswith("linux")
N81 = LineSettings(19200, 8, "N", 1)
MARKING = termios.PARMRK | termios.INPCK
SWALLOWING = termios.IGNPAR | termios.ISTRIP | termios.BRKINT | termios.IGNBRK
TRANSLATING = termios.INLCR | termios.IGNCR | termios.ICRNL | termios.IXON | termios.IXOFF


@pytest.fixture
def path() -> Iterator[str]:
    """Make a pty and give the path of its slave."""
    master, slave = os.openpty()
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


def make(
    path: str,
    settings: LineSettings = N81,
    options: PortOptions | None = None,
    *,
    pty: bool = False,
) -> PosixDevice:
    """Make a device; `pty` False treats a pty as a serial port, with a driver of few words."""
    options = options or PortOptions()
    line = Line(path, N81, exclusive=options.exclusive)
    try:
        return PosixDevice(line, settings, options, pty=pty)
    except BaseException:
        line.close()
        raise


CHANGES = [
    LineSettings(9600, 8, "N", 1),
    LineSettings(9600, 8, "N", 2),
    LineSettings(115200, 8, "N", 2),
    LineSettings(12345, 8, "N", 1),  # a rate that termios has no name for
    LineSettings(19200, 8, "N", 1),
    LineSettings(19200, 8, "N", 1),  # nothing new
]


def test_every_setting_leaves_it_marked(path: str) -> None:
    device = make(path)
    for settings in CHANGES:
        device.apply(settings)
        flags = termios.tcgetattr(device.fd)
        assert flags[0] & (MARKING | SWALLOWING | TRANSLATING) == MARKING, settings
        assert not flags[3] & (termios.ICANON | termios.ECHO | termios.ISIG)
        assert flags[6][termios.VMIN] == 1, "else an empty read looks like a hang-up"
        assert read_format(device.fd) == settings.format
        if LINUX:
            assert linuxserial.read_baud(device.fd) == settings.baud
    device.close()


@pytest.mark.parametrize("form", ["8E1", "8O1", "7E1", "8E2"])
def test_a_pty_is_set_to_what_it_carries(path: str, form: str) -> None:
    settings = LineSettings.parse(19200, form)
    device = make(path, settings, pty=True)
    device.apply(LineSettings.parse(9600, form))
    assert is_armed(device.fd)
    assert read_format(device.fd) == f"8N{form[2]}"
    assert device.settings == LineSettings.parse(9600, form)
    assert f"a pty carries bytes; {form} is not in force anywhere" in device.facts().notes
    device.close()


@pytest.mark.skipif(not LINUX, reason="other platform: what a pty refuses differs")
@pytest.mark.parametrize("form", ["8E1", "7N1", "8M1"])
def test_a_driver_that_does_not_take_a_format_is_found_out(path: str, form: str) -> None:
    # The kernel's pty driver keeps 8N without a word; some C libraries notice, others do not.
    refusal = rf"^{path}: (the driver does not take {form}: .* 8N1|it does not take 19200 {form})$"
    with pytest.raises(PortError, match=refusal):
        make(path, LineSettings.parse(19200, form))
    device = make(path, LineSettings(9600, 8, "N", 1))
    with pytest.raises(PortError, match=refusal):
        device.apply(LineSettings.parse(19200, form))
    assert device.settings == LineSettings(9600, 8, "N", 1)
    assert linuxserial.read_baud(device.fd) == 9600, "the old ones are in force again"
    assert is_armed(device.fd)
    device.close()


@pytest.mark.parametrize(
    ("baud", "form", "complaint"),
    [
        (19200, "8E1", None),
        (None, "8E1", None),
        (19300, "8E1", None),
        (19600, "8E1", "does not take 19200 baud: the nearest it has is 19600"),
        (9600, "8E1", "does not take 19200 baud: the nearest it has is 9600"),
        (19200, "8N1", "does not take 8E1: it stays at 8N1"),
    ],
)
def test_what_is_in_force_is_compared(baud: int | None, form: str, complaint: str | None) -> None:
    settings = LineSettings(19200)
    if complaint is None:
        check_in_force("port", settings, baud, form)
        return
    with pytest.raises(PortError, match=f"^port: the driver {complaint}$"):
        check_in_force("port", settings, baud, form)


@pytest.mark.parametrize("form", ["8N1", "8N2", "8E1", "8O2", "7E1", "5N1", "6O1", "8M1", "8S1"])
def test_formats_are_read_from_the_flags(form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = LineSettings.parse(9600, form)
    size = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}[settings.data_bits]
    parity = {
        "N": 0,
        "E": termios.PARENB,
        "O": termios.PARENB | termios.PARODD,
        "M": termios.PARENB | termios.PARODD | 0o10000000000,
        "S": termios.PARENB | 0o10000000000,
    }[settings.parity]
    flags = size | parity | (termios.CSTOPB if settings.stop_bits == 2 else 0)
    monkeypatch.setattr(termios, "tcgetattr", lambda fd: [0, 0, flags, 0, 0, 0, []])
    assert read_format(0) == form


def test_a_second_open_is_refused_until_the_first_is_closed(path: str) -> None:
    first = make(path, pty=True)
    with pytest.raises(PortBusyError, match=f"^{path}: another program holds it; close that"):
        make(path, pty=True)
    first.close()
    make(path, pty=True).close()
    for _ in range(2):  # who does not lock does not keep others out
        make(path, options=PortOptions(exclusive=False), pty=True)


@pytest.mark.skipif(not LINUX, reason="other platform: RS-485 mode is Linux'")
def test_rs485_mode_that_the_driver_has_not_is_refused(path: str) -> None:
    with pytest.raises(PortError, match=f"^{path}: its driver has no RS-485 mode; leave"):
        make(path, options=PortOptions(rs485=Rs485Options()), pty=True)
    make(path, pty=True).close()  # nothing was left locked


def test_facts_of_a_pty(path: str) -> None:
    device = make(path, pty=True)
    facts = device.facts()
    device.close()
    assert facts.paced is False
    assert facts.reports_errors is False
    assert facts.counters is False
    assert facts.rs485 is None
    assert facts.low_latency is None
    assert facts.exclusive is True
    assert "a pty: no wire, no pace, no line errors" in facts.notes
    assert device.counters() is None


def test_a_driver_of_few_words_is_not_believed_to_be_faultless(path: str) -> None:
    device = make(path)
    facts = device.facts()
    device.close()
    assert facts.paced is True
    assert facts.reports_errors is None, "unknown, which is not False and not True"
    assert facts.counters is False
    assert any("whether it reports any is unknown" in note for note in facts.notes)
    assert any("called a framing error, a marked 00 a break: a guess" in n for n in facts.notes)


@pytest.mark.parametrize(
    ("adapter", "late_ms", "how"),
    [
        (Adapter(True, 16, ""), 18.0, "latency timer 16 ms (read back)"),
        (Adapter(True, 1, ""), 3.0, "latency timer 1 ms (read back)"),
        (Adapter(True, None, ""), 18.0, "latency timer 16 ms (assumed: the adapter does not tell)"),
        (Adapter(False, None, ""), 1 + 4 * 10 / 19.2, "4 characters in the UART"),
    ],
)
def test_how_late_stamps_may_be_and_how_that_was_got(
    path: str, monkeypatch: pytest.MonkeyPatch, adapter: Adapter, late_ms: float, how: str
) -> None:
    monkeypatch.setattr(linuxserial, "read_adapter", lambda path: adapter)
    device = make(path)
    assert device.uncertainty_ns() == pytest.approx(late_ms * 1e6, abs=1)
    assert any(how in note for note in device.facts().notes)
    device.close()


def test_the_uart_s_delay_follows_the_settings(path: str) -> None:
    device = make(path)
    before = device.uncertainty_ns()
    device.apply(LineSettings(9600, 8, "N", 1))
    assert device.uncertainty_ns() - before == pytest.approx(4 * 10 / 19200 * 1e9, abs=1)
    device.close()


@pytest.mark.skipif(not LINUX, reason="other platform: the lock is Linux'")
def test_a_port_is_locked_against_programs_that_ask_nobody(path: str) -> None:
    os.chmod(path, 0o666)  # noqa: PTH101
    device = make(path)
    assert not any("not against others" in note for note in device.facts().notes)
    assert not opens_for_another(path)
    device.close()
    assert opens_for_another(path)
    device = make(path, options=PortOptions(exclusive=False))
    assert device.facts().exclusive is False
    assert opens_for_another(path)
    device.close()


def opens_for_another(path: str) -> bool:
    """Return whether another user's program can open the device; root is never kept out."""
    attempt = (
        "import os, sys\n"
        "if os.getuid() == 0: os.setuid(65534)\n"
        "os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)\n"
    )
    run = subprocess.run([sys.executable, "-c", attempt, path], check=False, capture_output=True)
    return run.returncode == 0


def test_a_killed_program_leaves_no_lock_on_a_pty(path: str) -> None:
    """Why TIOCEXCL is not used there: the other side of the pty goes on."""
    os.chmod(path, 0o666)  # noqa: PTH101
    killed = (
        "import asyncio, os, signal, sys\n"
        "from kerfbus.bench.line import LineSettings\n"
        "from kerfbus.bench.ports import open_port\n"
        "async def run():\n"
        "    port = await open_port(sys.argv[1], LineSettings())\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        "asyncio.run(run())\n"
    )
    run = subprocess.run([sys.executable, "-c", killed, path], check=False)
    assert run.returncode == -signal.SIGKILL
    assert opens_for_another(path)


def test_closing_twice_or_after_an_unplug_raises_nothing() -> None:
    master, slave = os.openpty()
    device = make(os.ttyname(slave))
    os.close(slave)
    os.close(master)
    device.close()
    device.close()
