"""Linux beyond termios: structures as the kernel's headers have them, refusals, /sys."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from kerfbus.bench import linuxserial
from kerfbus.bench.linuxserial import Adapter
from kerfbus.bench.portoptions import Rs485Options
from kerfbus.bench.transport import LineCounters

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="other platform: Linux only"
)

PROBE = r"""
#include <stdio.h>
#include <stddef.h>
#include <string.h>
#include <asm/ioctls.h>
#include <asm/termbits.h>
#include <linux/serial.h>
#include <linux/tty_flags.h>
static void hex(const void *p, size_t n) {
    for (size_t i = 0; i < n; i++) printf("%02x", ((const unsigned char *)p)[i]);
    printf("\n");
}
int main(void) {
    printf("%x %x %x %x %x %x %x %lx\n", TIOCEXCL, TIOCNXCL, TIOCGSERIAL, TIOCSSERIAL, TIOCGRS485,
           TIOCSRS485, TIOCGICOUNT, (unsigned long)TCGETS2);
    printf("%zu %zu %zu %d\n", sizeof(struct serial_struct), offsetof(struct serial_struct, flags),
           offsetof(struct termios2, c_ospeed), (int)ASYNC_LOW_LATENCY);
    struct serial_icounter_struct c;
    memset(&c, 0, sizeof c);
    c.cts = 1; c.dcd = 2; c.rx = 3; c.tx = 4;
    c.frame = 11; c.overrun = 12; c.parity = 13; c.brk = 14; c.buf_overrun = 15;
    hex(&c, sizeof c);
    struct serial_rs485 r;
    memset(&r, 0, sizeof r);
    r.flags = SER_RS485_ENABLED | SER_RS485_RTS_AFTER_SEND | SER_RS485_RX_DURING_TX
              | SER_RS485_TERMINATE_BUS;
    r.delay_rts_before_send = 3; r.delay_rts_after_send = 7;
    hex(&r, sizeof r);
    return 0;
}
"""


@pytest.fixture(scope="module")
def headers(tmp_path_factory: pytest.TempPathFactory) -> list[list[str]]:
    """Return what a C program says that was compiled with the kernel's headers."""
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed (Debian packages gcc and libc6-dev)")
    folder = tmp_path_factory.mktemp("headers")
    (folder / "probe.c").write_text(PROBE)
    subprocess.run(["gcc", "-o", "probe", "probe.c"], cwd=folder, check=True)
    run = subprocess.run([folder / "probe"], check=True, capture_output=True, text=True)
    return [line.split() for line in run.stdout.splitlines()]


def test_numbers_are_the_headers(headers: list[list[str]]) -> None:
    ours = [
        linuxserial.TIOCEXCL,
        linuxserial.TIOCNXCL,
        linuxserial.TIOCGSERIAL,
        linuxserial.TIOCSSERIAL,
        linuxserial.TIOCGRS485,
        linuxserial.TIOCSRS485,
        linuxserial.TIOCGICOUNT,
        linuxserial.TCGETS2,
    ]
    assert [f"{number:x}" for number in ours] == headers[0]


def test_layouts_are_the_headers(headers: list[list[str]]) -> None:
    size, flags_at, speed_at, low_latency = map(int, headers[1])
    assert size <= linuxserial._SERIAL_STRUCT
    assert flags_at == linuxserial._FLAGS_AT
    assert speed_at == linuxserial._TERMIOS2_SPEEDS.size - 4
    assert low_latency == linuxserial.ASYNC_LOW_LATENCY


def test_counters_are_read_as_the_kernel_writes_them(headers: list[list[str]]) -> None:
    counters = linuxserial.parse_counters(bytes.fromhex(headers[2][0]))
    assert counters == LineCounters(framing=11, parity=13, break_=14, overrun=12, dropped=15)


def test_rs485_is_packed_as_the_kernel_reads_it(headers: list[list[str]]) -> None:
    options = Rs485Options(
        rts_on_send=False,
        rts_after_send=True,
        delay_before_ms=3,
        delay_after_ms=7,
        hear_own=True,
        terminate=True,
    )
    assert linuxserial.pack_rs485(options).hex() == headers[3][0]
    assert linuxserial.describe_rs485(bytes.fromhex(headers[3][0])) == str(options)


@pytest.mark.parametrize(
    "options",
    [Rs485Options(), Rs485Options(delay_before_ms=1, delay_after_ms=100, hear_own=True)],
    ids=str,
)
def test_what_is_read_back_is_worded_as_what_was_asked(options: Rs485Options) -> None:
    assert linuxserial.describe_rs485(bytes(linuxserial.pack_rs485(options))) == str(options)


def test_rs485_that_is_off_or_odd_is_said_so() -> None:
    assert linuxserial.describe_rs485(bytes(32)) == "off"
    odd = linuxserial.describe_rs485(struct.pack("@III20x", 0b111, 0, 0))
    assert odd == "on, RTS high while sending and after (switches nothing), 0 ms before, 0 ms after"


def test_the_low_latency_flag_alone_changes() -> None:
    before = bytes(range(128))
    on = linuxserial.with_low_latency(before, on=True)
    off = linuxserial.with_low_latency(bytes(on), on=False)
    assert linuxserial.low_latency_in(bytes(on))
    assert not linuxserial.low_latency_in(bytes(off))
    flag = linuxserial.ASYNC_LOW_LATENCY
    for changed, wanted in ((on, flag), (off, 0)):
        old, new = (int.from_bytes(each[16:20], sys.byteorder) for each in (before, changed))
        assert new == old & ~flag | wanted
        assert changed[:16] + changed[20:] == before[:16] + before[20:]


@pytest.fixture
def pty() -> Iterator[int]:
    master, slave = os.openpty()
    yield slave
    os.close(slave)
    os.close(master)


def test_a_pty_answers_none_instead_of_zero(pty: int) -> None:
    assert linuxserial.read_counters(pty) is None
    assert linuxserial.read_rs485(pty) is None
    assert linuxserial.read_low_latency(pty) is None
    assert linuxserial.set_low_latency(pty, on=True) is None
    assert linuxserial.set_rs485(pty, Rs485Options()) is False


def test_another_failure_than_unknown_is_raised() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    os.close(writer)
    with pytest.raises(OSError, match="Bad file descriptor"):
        linuxserial.read_counters(writer)


def test_the_lock_keeps_others_out(pty: int) -> None:
    os.chmod(os.ttyname(pty), 0o666)  # noqa: PTH101
    attempt = (
        "import os, sys\n"
        "if os.getuid() == 0: os.setuid(65534)\n"  # root may always
        "try: os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)\n"
        "except OSError as error: print(error.strerror)\n"
        "else: print('opened')"
    )

    def other_program() -> str:
        command = [sys.executable, "-c", attempt, os.ttyname(pty)]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()

    assert linuxserial.lock(pty)
    assert other_program() == "Device or resource busy"
    linuxserial.unlock(pty)
    assert other_program() == "opened"


def tree(folder: Path, name: str, device: str, latency: str | None) -> None:
    """Lay out the part of /sys that stands for one tty."""
    hardware = folder / "devices" / device
    hardware.mkdir(parents=True)
    if latency is not None:
        (hardware / "latency_timer").write_text(latency)
    node = folder / "class" / "tty" / name
    node.mkdir(parents=True)
    (node / "device").symlink_to(hardware)


@pytest.mark.parametrize(
    ("device", "latency", "usb", "timer"),
    [
        ("pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/ttyUSB0", "16\n", True, 16),
        ("pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/ttyUSB0", "1\n", True, 1),
        ("pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0", None, True, None),
        ("pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0", "soon\n", True, None),
        ("pnp0/00:05/usbish", None, False, None),
    ],
)
def test_how_it_is_attached(
    tmp_path: Path, device: str, latency: str | None, usb: bool, timer: int | None
) -> None:
    tree(tmp_path, "ttyX0", device, latency)
    found = linuxserial.read_adapter("/dev/ttyX0", tmp_path)
    assert found == Adapter(usb, timer, str(tmp_path / "devices" / device))


def test_what_sys_does_not_know_is_no_adapter(tmp_path: Path) -> None:
    assert linuxserial.read_adapter("/dev/pts/0", tmp_path) == Adapter(False, None, "")
