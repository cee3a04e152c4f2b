"""A controller whose link is sound: `kerfbus.bench.client` asks, and the table program decides."""

from __future__ import annotations

import asyncio
import contextlib
import sys

from table_program import POLL_NS, SERVER, STATUS, Manner, TableProgram

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Outcome, Policy
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port
from kerfbus.bench.transport import Transport

PTY = LineSettings.parse(19200, "8N1")
POLICY = Policy(response_timeout=0.2, retries=0, late_window=0.0)


def run(manner: Manner) -> None:
    """Run until the port goes away: ``PROGRAM PORT SIGNALS``."""
    with contextlib.suppress(KeyboardInterrupt, PortLostError):
        asyncio.run(_run(manner, *sys.argv[1:3]))


async def _run(manner: Manner, port: str, signals: str) -> None:
    async with await open_port(port, PTY) as line, await open_port(signals, PTY) as side:
        said: list[str] = []
        program = TableProgram(manner, said.append)
        client = Client(line, POLICY)
        due, words = line.clock.now(), b""
        while True:
            await line.clock.sleep_until(due)
            due = max(due + POLL_NS, line.clock.now())
            words = await _orders(program, side, words)
            result = await client.request(SERVER, program.ask(line.clock.now()))
            now = line.clock.now()
            if result.outcome is Outcome.PORT_LOST:
                return
            if result.outcome not in (Outcome.REPLY, Outcome.EXCEPTION):
                program.silence(now)
            elif program.queue and program.asked is program.queue[0]:
                program.obeyed(now, refused=result.outcome is Outcome.EXCEPTION)
            elif program.asked is STATUS and isinstance(result.reply, wire.ReadInputRegistersReply):
                program.told(result.reply.values, now)
            while said:
                await side.send(said.pop(0).encode() + b"\n")


async def _orders(program: TableProgram, side: Transport, words: bytes) -> bytes:
    """Hand over what the side channel orders; return the rest of a line."""
    chunk = await side.receive(side.clock.now())
    if chunk is None:
        return words
    *lines, rest = (words + chunk.data).split(b"\n")
    for line in lines:
        program.order(line.decode("ascii", "replace").strip(), side.clock.now())
    return rest
