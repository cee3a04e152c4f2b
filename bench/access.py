"""Values of a unit over a client: read in few requests, set, and read back.

What comes back are readings with names and units, each with the raw words behind it. What a server
refuses or leaves unanswered is part of a reading, not an exception. Nothing here decides whether a
write may be made: `kerfbus.bench.regmap.plan_write` has checked it against the map, the caller has
made sure that it is armed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Outcome, Result
from kerfbus.bench.regmap import (
    PlannedWrite,
    ReadSpan,
    Register,
    RegisterMap,
    Table,
    Target,
    Value,
)

READS: Mapping[Table, Callable[[int, int], wire.Request]] = {
    Table.COIL: wire.ReadCoils,
    Table.DISCRETE: wire.ReadDiscreteInputs,
    Table.HOLDING: wire.ReadHoldingRegisters,
    Table.INPUT: wire.ReadInputRegisters,
}
"""The request that reads each table (MODBUS Application Protocol V1.1b3, 6.1 to 6.4)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What was read at one place.

    Attributes:
        span: the addresses.
        register: the map's register there, None where the map has none.
        raw: words, or bits as 0 and 1; None when nothing was read.
        at: end of the reply, in nanoseconds; None when nothing was read.
        problem: why nothing was read, "" when something was.
    """

    span: ReadSpan
    register: Register | None = None
    raw: tuple[int, ...] | None = None
    at: int | None = None
    problem: str = ""

    @property
    def name(self) -> str | None:
        """Return the register's name."""
        return self.register.name if self.register else None

    @property
    def unit(self) -> str | None:
        """Return the register's unit."""
        return self.register.unit if self.register else None

    @property
    def value(self) -> Value | tuple[int, ...]:
        """Return what the raw words mean; without a register the words, one of them as it is.

        None when nothing was read, or the words mean "no reading".
        """
        if self.raw is None:
            return None
        if self.register is not None:
            return self.register.decode(self.raw)
        return self.raw[0] if len(self.raw) == 1 else self.raw


@dataclass(frozen=True, slots=True)
class Setting:
    """What became of one value that was written.

    Attributes:
        after: what was read back; where nothing could be, what was sent.
        before: what was there, None where it could not be read.
        verified: whether what was read back is what was sent; None where it could not be read.
        problem: why the write failed, "" when the server said that it was done.
        rounded_from: the number that was asked for, when the register's steps cannot show it and
            the nearest was sent instead.
    """

    after: Reading
    before: Reading | None
    verified: bool | None
    problem: str = ""
    rounded_from: float | None = None


def readings_wanted(register_map: RegisterMap, targets: Iterable[Target]) -> list[Reading]:
    """Return an empty reading for each value that targets name.

    A span of addresses that is made of whole readable registers counts as those; any other is one
    reading without a name.

    Raises:
        UsageError: an unknown name.
    """
    wanted: list[Reading] = []
    for target in targets:
        if target.name is not None:
            wanted.append(reading_of(register_map.by_name(target.name)))
            continue
        assert target.table is not None
        covering = register_map.covering(target.table, target.address, target.count)
        end = target.address
        for register in covering:
            end = register.end if register.address == end and register.readable else -1
        if covering and end == target.address + target.count:
            wanted += map(reading_of, covering)
        else:
            wanted.append(Reading(ReadSpan(target.table, target.address, target.count)))
    return wanted


def reading_of(register: Register) -> Reading:
    """Return an empty reading of a register."""
    return Reading(ReadSpan(register.table, register.address, register.words), register)


async def read_values(
    client: Client, server: int, register_map: RegisterMap, wanted: Sequence[Reading]
) -> list[Reading]:
    """Return the readings wanted, filled, in their order.

    After the first request that nobody answers no further one is sent: the unit is not there, and
    each would cost its time-out again. Those readings say that they were not asked for.

    Raises:
        UsageError: a register that can only be written.
        PortLostError: never; a port that went away is a problem of the readings.
    """
    names = [each.register.name for each in wanted if each.register]
    spans = register_map.plan_reads(names)
    spans += [each.span for each in wanted if each.register is None]
    answers: dict[ReadSpan, Reading] = {}
    problem = ""
    for span in spans:
        if problem:
            answers[span] = Reading(span, problem=f"not asked: {problem}")
            continue
        result = await client.request(server, READS[span.table](span.start, span.quantity))
        answers[span] = _answer(span, result)
        if result.outcome in (Outcome.TIMEOUT, Outcome.PORT_LOST):
            problem = answers[span].problem
    return [_picked(each, answers) for each in wanted]


async def write_values(client: Client, server: int, planned: PlannedWrite) -> list[Setting]:
    """Read what is there, write, and read back; one result for each register.

    A span that the map does not know in full is one result without a name. A broadcast (server 0)
    is answered by nobody, so nothing is read before or after it.
    """
    span = ReadSpan(planned.table, planned.address, len(planned.raw))
    parts = [reading_of(each) for each in planned.registers] if not planned.unmapped else []
    parts = parts or [Reading(span)]
    readable = server != 0 and all(each.readable for each in planned.registers)
    before = await _read_span(client, server, span) if readable else None
    result = await client.request(server, _write_request(planned))
    problem = "" if result.ok else problem_of(result)
    after = await _read_span(client, server, span) if readable and not problem else None
    sent = Reading(span, raw=planned.raw, at=result.at)
    settings = [_setting(each, before, after, sent, problem) for each in parts]
    return [replace(each, rounded_from=planned.rounded_from) for each in settings]


def problem_of(result: Result) -> str:
    """Return in one line why a request was not obeyed, "" when it was."""
    if result.ok:
        return ""
    if result.outcome is Outcome.EXCEPTION:
        return f"server {result.server} refuses: {exception_text(result.exception)}"
    tries = f" after {result.attempts} tries" if result.attempts > 1 else ""
    if result.outcome is Outcome.TIMEOUT:
        return f"server {result.server} does not answer{tries}"
    return f"{result.outcome.value}{tries}" + (f": {result.detail}" if result.detail else "")


def exception_text(code: int | None) -> str:
    """Return an exception code with its meaning (MODBUS Application Protocol V1.1b3, 7)."""
    if code is None:
        return "no code"
    return f"exception {code:02X}, {wire.exception_name(code)}"


async def _read_span(client: Client, server: int, span: ReadSpan) -> Reading:
    return _answer(span, await client.request(server, READS[span.table](span.start, span.quantity)))


def raw_of(span: ReadSpan, reply: wire.Reply | None) -> tuple[int, ...] | None:
    """Return the words, or bits as 0 and 1, in the reply to a read of `span`; None in any other."""
    if isinstance(reply, wire.ReadCoilsReply | wire.ReadDiscreteInputsReply):
        return tuple(int(bit) for bit in reply.bits[: span.quantity])
    if isinstance(reply, wire.ReadHoldingRegistersReply | wire.ReadInputRegistersReply):
        return tuple(reply.values)
    return None


def _answer(span: ReadSpan, result: Result) -> Reading:
    """Return what a read brought."""
    raw = raw_of(span, result.reply) if result.ok else None
    if raw is None:
        return Reading(span, problem=problem_of(result))
    if len(raw) != span.quantity:
        return Reading(
            span, problem=f"the reply holds {len(raw)} values instead of {span.quantity}"
        )
    return Reading(span, raw=raw, at=result.at)


def _picked(wanted: Reading, answers: Mapping[ReadSpan, Reading]) -> Reading:
    """Return a reading with its part of the answer that covers it."""
    span = wanted.span
    for answered, answer in answers.items():
        first = span.start - answered.start
        if answered.table is span.table and 0 <= first <= answered.quantity - span.quantity:
            raw = answer.raw[first : first + span.quantity] if answer.raw is not None else None
            return replace(wanted, raw=raw, at=answer.at, problem=answer.problem)
    raise AssertionError(f"no read was planned for {span}")


def _write_request(planned: PlannedWrite) -> wire.Request:
    """Return the smallest request that writes it."""
    raw, start = planned.raw, planned.address
    if planned.table is Table.COIL:
        if len(raw) == 1:
            return wire.WriteSingleCoil(start, bool(raw[0]))
        return wire.WriteMultipleCoils(start, tuple(bool(bit) for bit in raw))
    if len(raw) == 1:
        return wire.WriteSingleRegister(start, raw[0])
    return wire.WriteMultipleRegisters(start, raw)


def _setting(
    part: Reading, before: Reading | None, after: Reading | None, sent: Reading, problem: str
) -> Setting:
    """Return what became of one part of a write."""
    was = _picked(part, {before.span: before}) if before and before.raw is not None else None
    wrote = _picked(part, {sent.span: sent})
    if after is None or after.raw is None:
        return Setting(wrote, was, None, problem)
    found = _picked(part, {after.span: after})
    return Setting(found, was, found.raw == wrote.raw, problem)
