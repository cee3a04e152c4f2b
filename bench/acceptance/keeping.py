"""Writing for a test, and putting back what was there, whatever happens.

What stands in every register that a step may change is read and written down in a journal before
the first byte is sent. Then the step may write; after it, also after Ctrl-C, a wrong read-back or a
refusal, everything is put back and read once more. Where that fails, it is said plainly: which
register, what was there, what is there now.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace

from kerfbus.bench.acceptance.restoring import unstoppable
from kerfbus.bench.acceptance.result import Finding, Grade, shown
from kerfbus.bench.acceptance.session import Kept, Session
from kerfbus.bench.access import Reading, read_values, reading_of, write_values
from kerfbus.bench.client import Client
from kerfbus.bench.errors import LimitError
from kerfbus.bench.regmap import PlannedWrite, Register

TRIES = 3
"""How often putting back is tried."""
PAUSE_NS = 1_000_000_000
"""Between two tries: a port that was unplugged may come back."""

Work = Callable[[], Awaitable[Finding]]


class NotAnArcError(LimitError):
    """A write that could strike an arc was about to be made; no byte was sent."""


def planned(register: Register, raw: tuple[int, ...]) -> PlannedWrite:
    """Return the write of raw words, which may be outside the map's limits.

    The last gate before the wire: it lets nothing by that can strike an arc.

    Raises:
        NotAnArcError: the register can strike an arc, or cannot be written.
    """
    if register.can_strike_arc or not register.writable:
        raise NotAnArcError(f"{register.name}: acceptance never writes it")
    return PlannedWrite(register.table, register.address, raw, (register,), 0)


async def keeping(session: Session, names: Sequence[str], work: Work) -> Finding:
    """Do work that writes to registers, and put them back.

    Args:
        session: the run.
        names: all that the work may change, in the order in which they are put back.
        work: writes nothing but those.
    """
    # What an earlier step left behind must not be taken for what was there.
    if session.journal.pending:
        problems = await unstoppable(put_back(session, session.journal.pending))
        if problems:
            return Finding.failed("; ".join(("nothing was written", *problems)))
    client = session.client()
    registers = [session.map.by_name(name) for name in dict.fromkeys(names)]
    before = await _read(session, client, registers)
    unread = [each for each in before if each.raw is None]
    if unread:
        why = f"nothing was written, because {unread[0].name} could not be read beforehand"
        return Finding.failed(f"{why}: {unread[0].problem}")
    kept = [Kept(each.register.name, each.raw) for each in before if each.register and each.raw]
    session.journal.changing(kept)
    finding = None
    try:
        finding = await work()
    finally:
        problems = await unstoppable(put_back(session, kept))
    if not problems:
        return finding
    return replace(
        finding, grade=Grade.FAILED, detail="; ".join(filter(None, (*problems, finding.detail)))
    )


async def put_back(session: Session, kept: Sequence[Kept]) -> list[str]:
    """Put registers back and read them; return a line for each that is not as it was.

    The lines are `Session.not_restored` from then on.
    """
    client = session.client()
    problems: list[str] = []
    for attempt in range(TRIES):
        if attempt:
            await session.line.clock.sleep_until(session.line.clock.now() + PAUSE_NS)
        problems = await _once(session, client, kept)
        if not problems:
            session.journal.restored()
            break
    session.not_restored[:] = problems
    return problems


async def _once(session: Session, client: Client, kept: Sequence[Kept]) -> list[str]:
    """Try once to put back; return what is not as it was."""
    registers = [session.map.by_name(each.name) for each in kept]
    for register, (_, raw) in zip(registers, kept, strict=True):
        # What stands there already is not written: a write may have effects of its own.
        now = (await _read(session, client, [register]))[0]
        if now.raw is None:
            break  # nobody answers; each further one would cost its time-outs again
        if now.raw != raw:
            await write_values(client, session.server, planned(register, raw))
    after = await _read(session, client, registers)
    return [
        _problem(register, each.raw, reading)
        for register, each, reading in zip(registers, kept, after, strict=True)
        if reading.raw != each.raw
    ]


def _problem(register: Register, raw: tuple[int, ...], now: Reading) -> str:
    was = shown(_text(register, raw), register.unit or "")
    if now.raw is None:
        return (
            f"NOT RESTORED: {register.name} was {was} and may have been changed; it cannot be "
            f"read now ({now.problem}). Set it by hand"
        )
    is_now = shown(_text(register, now.raw), register.unit or "")
    return f"NOT RESTORED: {register.name} was {was} and is {is_now}. Set it by hand"


def _text(register: Register, raw: tuple[int, ...]) -> float | int | str | bool:
    value = register.decode(raw)
    return value if isinstance(value, bool | int | float | str) else str(value)


async def _read(session: Session, client: Client, registers: Sequence[Register]) -> list[Reading]:
    wanted = [reading_of(each) for each in registers]
    return await read_values(client, session.server, session.map, wanted)
