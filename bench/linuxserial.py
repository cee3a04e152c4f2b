"""What Linux says and does beyond termios: counters, RS-485 mode, low latency, locks, adapters.

Every function takes a file descriptor or a device path and answers None where the driver has
nothing to say; a request that a driver refuses raises OSError, which the caller translates. Numbers
are those of asm-generic/ioctls.h, linux/serial.h and linux/tty_flags.h. Importable on every
platform; on others than Linux each function answers None.
"""

from __future__ import annotations

import errno
import struct
import sys
from pathlib import Path
from typing import NamedTuple

from kerfbus.bench.portoptions import Rs485Options
from kerfbus.bench.transport import LineCounters

if sys.platform != "win32":
    import fcntl

_UNKNOWN_REQUEST = (errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP)


def _ioctl(fd: int, request: int, buffer: bytearray) -> bool:
    """Fill `buffer`; False when the driver does not know the request."""
    if sys.platform == "linux":
        try:
            fcntl.ioctl(fd, request, buffer)
        except OSError as error:
            if error.errno not in _UNKNOWN_REQUEST:
                raise
        else:
            return True
    return False


TIOCEXCL = 0x540C
TIOCNXCL = 0x540D
TIOCGSERIAL = 0x541E
TIOCSSERIAL = 0x541F
TIOCGRS485 = 0x542E
TIOCSRS485 = 0x542F
TIOCGICOUNT = 0x545D
TCGETS2 = 0x802C542A

ASYNC_LOW_LATENCY = 1 << 13
_FLAGS_AT = 16
"""Offset of `flags` in struct serial_struct: type, line, port, irq come before it, 4 bytes each."""
_SERIAL_STRUCT = 128  # 72 bytes on 64-bit machines, 60 on 32-bit ones; room to spare
_ICOUNT = struct.Struct("@11i9i")
_RS485 = struct.Struct("@III20x")
_TERMIOS2_SPEEDS = struct.Struct("@36xII")

_RS485_ENABLED = 1 << 0
_RS485_RTS_ON_SEND = 1 << 1
_RS485_RTS_AFTER_SEND = 1 << 2
_RS485_RX_DURING_TX = 1 << 4
_RS485_TERMINATE_BUS = 1 << 5

_PTY_MAJORS = range(136, 144)
"""Unix98 pty slaves (Documentation/admin-guide/devices.txt)."""
SYSFS = Path("/sys")


def is_pty_number(major: int) -> bool:
    """Return whether a character device of this major number is a pty slave."""
    return major in _PTY_MAJORS


def parse_counters(icount: bytes) -> LineCounters:
    """Return the line errors of a struct serial_icounter_struct."""
    # cts dsr rng dcd rx tx come first.
    frame, overrun, parity, brk, buf_overrun = _ICOUNT.unpack_from(icount)[6:11]
    return LineCounters(frame, parity, brk, overrun, buf_overrun)


def read_counters(fd: int) -> LineCounters | None:
    """Return what the driver has counted since it was loaded, None when it counts nothing."""
    buffer = bytearray(_ICOUNT.size)
    return parse_counters(bytes(buffer)) if _ioctl(fd, TIOCGICOUNT, buffer) else None


def pack_rs485(options: Rs485Options) -> bytearray:
    """Return the struct serial_rs485 that asks for `options`."""
    flags = (
        _RS485_ENABLED
        | _RS485_RTS_ON_SEND * options.rts_on_send
        | _RS485_RTS_AFTER_SEND * options.rts_after_send
        | _RS485_RX_DURING_TX * options.hear_own
        | _RS485_TERMINATE_BUS * options.terminate
    )
    return bytearray(_RS485.pack(flags, options.delay_before_ms, options.delay_after_ms))


def describe_rs485(state: bytes) -> str:
    """Return the mode in a struct serial_rs485 as `Rs485Options` words it, or ``off``.

    A driver may report levels that switch nothing, which `Rs485Options` refuses; hence the text is
    made from the flags.
    """
    flags, before, after = _RS485.unpack_from(state)
    if not flags & _RS485_ENABLED:
        return "off"
    parts = ["on", f"RTS {'high' if flags & _RS485_RTS_ON_SEND else 'low'} while sending"]
    parts += [f"{before} ms before", f"{after} ms after"]
    if bool(flags & _RS485_RTS_ON_SEND) == bool(flags & _RS485_RTS_AFTER_SEND):
        parts[1] += " and after (switches nothing)"
    if flags & _RS485_RX_DURING_TX:
        parts.append("hears itself")
    if flags & _RS485_TERMINATE_BUS:
        parts.append("terminated")
    return ", ".join(parts)


def read_rs485(fd: int) -> str | None:
    """Return the RS-485 mode in force, None when the driver has none."""
    buffer = bytearray(_RS485.size)
    return describe_rs485(bytes(buffer)) if _ioctl(fd, TIOCGRS485, buffer) else None


def set_rs485(fd: int, options: Rs485Options) -> bool:
    """Switch RS-485 mode on; False when the driver has none. Read it back with `read_rs485`."""
    return _ioctl(fd, TIOCSRS485, pack_rs485(options))


def low_latency_in(state: bytes) -> bool:
    """Return whether a struct serial_struct asks for low latency."""
    return bool(struct.unpack_from("@i", state, _FLAGS_AT)[0] & ASYNC_LOW_LATENCY)


def with_low_latency(state: bytes, on: bool) -> bytearray:
    """Return a struct serial_struct like `state` with the low-latency flag as wanted."""
    changed = bytearray(state)
    flags = struct.unpack_from("@i", state, _FLAGS_AT)[0] & ~ASYNC_LOW_LATENCY
    struct.pack_into("@i", changed, _FLAGS_AT, flags | ASYNC_LOW_LATENCY * on)
    return changed


def read_low_latency(fd: int) -> bool | None:
    """Return whether low latency is in force, None when the driver does not say."""
    state = _serial_struct(fd)
    return None if state is None else low_latency_in(state)


def _serial_struct(fd: int) -> bytes | None:
    buffer = bytearray(_SERIAL_STRUCT)
    return bytes(buffer) if _ioctl(fd, TIOCGSERIAL, buffer) else None


def set_low_latency(fd: int, on: bool) -> bool | None:
    """Ask for low latency or the opposite; return what is in force then, None as above."""
    state = _serial_struct(fd)
    if state is not None and low_latency_in(state) is not on:
        _ioctl(fd, TIOCSSERIAL, with_low_latency(state, on))
    return read_low_latency(fd)


def lock(fd: int) -> bool:
    """Make further opens fail with EBUSY, root's excepted; False when that is unknown here."""
    return _ioctl(fd, TIOCEXCL, bytearray())


def unlock(fd: int) -> None:
    """Undo `lock`."""
    _ioctl(fd, TIOCNXCL, bytearray())


def read_baud(fd: int) -> int | None:
    """Return the rate in force in bits per second, also one that termios has no name for."""
    buffer = bytearray(64)  # struct termios2 has 44 bytes
    if not _ioctl(fd, TCGETS2, buffer):
        return None
    return int(_TERMIOS2_SPEEDS.unpack_from(buffer)[1])


class Adapter(NamedTuple):
    """How a tty is attached.

    Attributes:
        usb: over USB.
        latency_ms: the adapter's latency timer in force, None when it has none or does not tell.
        device: the node in /sys that stands for the hardware, "" when there is none.
    """

    usb: bool
    latency_ms: int | None
    device: str


def read_adapter(path: str, sysfs: Path = SYSFS) -> Adapter:
    """Return how the tty at `path` is attached, as /sys says."""
    node = sysfs / "class" / "tty" / Path(path).resolve().name / "device"
    if not node.exists():
        return Adapter(usb=False, latency_ms=None, device="")
    real = node.resolve()
    # usb1, usb2 ... are the root hubs below which every USB device hangs.
    usb = any(part.startswith("usb") and part[3:].isdigit() for part in real.parts)
    try:
        latency = int((real / "latency_timer").read_text())
    except (OSError, ValueError):
        latency = None
    return Adapter(usb, latency, str(real))
