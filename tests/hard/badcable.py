"""A cable between two ptys that damages frames by chance, and that can be pulled and put back.

One end is a pty that a client opens; the other is opened here: the pty of a supply, which may die
and come again. It counts what passes, so that a recording can be held against it.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import threading
import tty
from collections.abc import Callable
from pathlib import Path

WAIT_SECONDS = 0.02
ENOUGH = 4096


def flip(frame: bytearray, chance: random.Random) -> None:
    """Change some bits of a character."""
    frame[chance.randrange(len(frame))] ^= chance.randrange(1, 256)


def drop(frame: bytearray, chance: random.Random) -> None:
    """Lose a character."""
    del frame[chance.randrange(len(frame))]


def add(frame: bytearray, chance: random.Random) -> None:
    """Add a character that nobody sent."""
    frame.insert(chance.randrange(len(frame) + 1), chance.randrange(256))


def cut(frame: bytearray, chance: random.Random) -> None:
    """Lose the end."""
    del frame[chance.randrange(len(frame)) :]


DAMAGES: tuple[Callable[[bytearray, random.Random], None], ...] = (flip, drop, add, cut)


class BadCable:
    """The cable.

    Args:
        near: a link to the pty that the client opens; made here.
        far: the supply's pty; made by the supply.
        seed: of the damage.

    Attributes:
        damaged_share: how many of the frames are damaged, from 0 to 1; may be changed at any time.
        frames: that passed, both ways.
        damaged: how many of these were damaged.
        from_client: characters that the client sent.
        to_client: characters that were handed to the client.
        pulled: how often it was pulled.
    """

    def __init__(self, near: Path, far: Path, seed: int = 0) -> None:
        self.damaged_share = 0.0
        self.frames = self.damaged = self.from_client = self.to_client = self.pulled = 0
        self._near, self._far = near, far
        self._chance = random.Random(seed)
        self._master = self._supply = -1
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._carry, daemon=True)

    def __enter__(self) -> BadCable:
        """Put it in."""
        self.put_back()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Take it away."""
        self._ending.set()
        self._thread.join()
        with self._lock:
            self._close_near()
            self._close_far()

    def pull(self) -> None:
        """Take the near end away: whoever has it open meets a hang-up."""
        with self._lock:
            self._close_near()
            self.pulled += 1

    def put_back(self) -> None:
        """Make a near end, under the same name."""
        with self._lock:
            self._master, slave = os.openpty()
            tty.setraw(slave)
            self._slave = slave  # held open: a client that closes is no hang-up for the cable
            self._near.unlink(missing_ok=True)
            self._near.symlink_to(os.ttyname(slave))

    def _close_near(self) -> None:
        self._near.unlink(missing_ok=True)
        if self._master >= 0:
            os.close(self._slave)
            os.close(self._master)
            self._master = -1

    def _close_far(self) -> None:
        if self._supply >= 0:
            os.close(self._supply)
            self._supply = -1

    def _carry(self) -> None:
        while not self._ending.is_set():
            with self._lock:
                ends = [end for end in (self._master, self._reach()) if end >= 0]
            try:
                ready = select.select(ends, [], [], WAIT_SECONDS)[0]
            except OSError:  # pulled meanwhile
                continue
            with self._lock:
                for end in ready:
                    if end in (self._master, self._supply):
                        self._pass_on(end)

    def _reach(self) -> int:
        """Return the supply's end, opened as soon as it is there."""
        if self._supply < 0:
            with contextlib.suppress(OSError):
                self._supply = os.open(self._far, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
                tty.setraw(self._supply)
        return self._supply

    def _pass_on(self, end: int) -> None:
        """Carry what is there from one end to the other; what cannot be carried is lost."""
        from_client = end == self._master
        try:
            data = os.read(end, ENOUGH)
        except OSError:
            data = b""
        if not data:
            if not from_client:
                self._close_far()
            return
        if from_client:
            self.from_client += len(data)
        data = self._worn(data)
        other = self._supply if from_client else self._master
        if other >= 0 and data:
            with contextlib.suppress(OSError):
                sent = os.write(other, data)
                self.to_client += 0 if from_client else sent

    def _worn(self, data: bytes) -> bytes:
        """Return a frame as it arrives."""
        self.frames += 1
        if self._chance.random() >= self.damaged_share:
            return data
        self.damaged += 1
        frame = bytearray(data)
        self._chance.choice(DAMAGES)(frame, self._chance)
        return bytes(frame)
