"""A controller that takes what it hears for what it asked.

No CRC, no address, no length is looked at; when nothing comes it floods the line; it does not
notice that the link is lost; and it sets a current that the map does not allow. How it starts,
stops and treats faults is right.
"""

from __future__ import annotations

import os
import select
import sys
import termios
import time
import tty

from table_program import POLL_NS, SERVER, STATUS, Manner, TableProgram

from kerfbus.bench import wire

PATIENCE_SECONDS = 0.3
FLOOD = 30
REPLY_SIZE = 21
"""Address, function, byte count, eight words, CRC."""
LEAST = 12
NS = 1_000_000_000
_TOO_MUCH = 450


def opened(path: str) -> int:
    """Open a pty raw."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(fd)
    return fd


def heard(fd: int, wanted: int) -> bytes:
    """Return what comes until there is enough or the patience is over."""
    data, end = b"", time.monotonic() + PATIENCE_SECONDS
    while len(data) < wanted and (left := end - time.monotonic()) > 0:
        if select.select([fd], [], [], left)[0]:
            data += os.read(fd, 256)
    return data


def exchange(fd: int, request: wire.Request) -> bytes:
    """Ask, and flood the line when nothing comes."""
    termios.tcflush(fd, termios.TCIFLUSH)
    wanted = REPLY_SIZE if request is STATUS else 8
    os.write(fd, wire.adu(SERVER, request))
    data = heard(fd, wanted)
    if len(data) >= LEAST or (data and request is not STATUS):
        return data
    status = wire.adu(SERVER, STATUS)
    for _ in range(FLOOD):
        os.write(fd, status)
    return heard(fd, REPLY_SIZE)


def run(port: str, signals: str) -> None:
    """Run until the port goes away."""
    line, side = opened(port), opened(signals)
    program = TableProgram(
        Manner(notices_loss=False, amperes=_TOO_MUCH),
        lambda word: os.write(side, word.encode() + b"\n"),  # type: ignore[arg-type, return-value]
    )
    words = b""
    while True:
        begun = time.monotonic_ns()
        if select.select([side], [], [], 0)[0]:
            *lines, words = (words + os.read(side, 256)).split(b"\n")
            for each in lines:
                program.order(each.decode("ascii", "replace").strip(), begun)
        data = exchange(line, program.ask(begun))
        take(program, data, time.monotonic_ns())
        time.sleep(max(begun + POLL_NS - time.monotonic_ns(), 0) / NS)


def take(program: TableProgram, data: bytes, now: int) -> None:
    """Believe what came."""
    if program.queue and program.asked is program.queue[0]:
        program.obeyed(now, refused=len(data) > 1 and bool(data[1] & 0x80))
    elif program.asked is STATUS or len(data) >= REPLY_SIZE:
        if len(data) >= LEAST:
            words = data[3:REPLY_SIZE]
            program.told(
                tuple(int.from_bytes(words[at : at + 2], "big") for at in range(0, 8, 2)), now
            )
        else:
            program.silence(now)


if __name__ == "__main__":
    try:
        run(*sys.argv[1:3])
    except (OSError, termios.error, KeyboardInterrupt):
        sys.exit(0)
