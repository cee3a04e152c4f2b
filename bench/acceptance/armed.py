"""Checks that write: set-point and read-back, refusals, process selection. None strikes an arc."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from kerfbus.bench.acceptance.form import StepForm, Value
from kerfbus.bench.acceptance.keeping import keeping, planned
from kerfbus.bench.acceptance.plan import outside_of
from kerfbus.bench.acceptance.result import Finding, Grade, Limit
from kerfbus.bench.acceptance.session import Session
from kerfbus.bench.access import Reading, Setting, read_values, reading_of, write_values
from kerfbus.bench.errors import LimitError
from kerfbus.bench.regmap import Register

NOT_ARMED = "not armed: add --arm to write in this run; no armed step can strike an arc"

REFUSES = "refuses: exception"
"""What `kerfbus.bench.access.problem_of` says of a refusal, and of nothing else."""

Armed = Callable[[Session, StepForm, Register], Awaitable[Finding]]


async def armed(session: Session, step: StepForm) -> Finding:
    """Do an armed step: where it may, while the unit is idle, and with everything put back."""
    assert step.register_name is not None
    register = session.map.by_name(step.register_name)
    if not session.may_write:
        return Finding.skipped(NOT_ARMED)
    busy = await _busy(session, step)
    if busy:
        return Finding.skipped(f"nothing was written: {busy}")

    async def work() -> Finding:
        problem = await _first(session, step)
        return problem or await CHECKS[step.kind](session, step, register)

    return await keeping(session, (*step.first, register.name, *step.also), work)


async def set_point(session: Session, step: StepForm, register: Register) -> Finding:
    """Return whether what is set is what is read back, over the range."""
    tolerance = abs(register.scale) / 2 if step.tolerance is None else step.tolerance
    unit = register.unit or ""
    limit = Limit(high=tolerance, unit=unit)
    pairs: list[list[float]] = []
    for value in _points(step, register):
        setting = await _set(session, step, register, register.encode(value))
        found = setting.after.value
        if setting.problem or not isinstance(found, int | float):
            said = f"{value} {unit} not set: {setting.problem or 'it cannot be read back'}"
            return Finding.failed(said, limit)
        sent = register.decode(register.encode(value))
        assert isinstance(sent, int | float)
        pairs.append([float(sent), float(found)])
    worst = max(abs(sent - found) for sent, found in pairs)
    figure = {"kind": "pairs", "unit": unit, "pairs": pairs, "tolerance": tolerance}
    said = f"largest difference of {len(pairs)} values, {pairs[0][0]:g} to {pairs[-1][0]:g} {unit}"
    finding = Finding.held(worst, limit, said)
    return replace(finding, figures=(figure,))


async def refused(session: Session, step: StepForm, register: Register) -> Finding:
    """Return whether values outside the map's limits are refused and change nothing."""
    asked = _outside(step, register)
    kept = 0
    said = []
    for raw in asked:
        setting = await _set(session, step, register, raw)
        value = f"{register.decode(raw)} {register.unit or ''}".rstrip()
        if REFUSES not in setting.problem:
            said.append(f"{value}: " + (setting.problem or "accepted"))
            continue
        now = (await _read(session, [register]))[0]
        if setting.before is None or now.raw is None or now.raw != setting.before.raw:
            said.append(f"{value}: refused, but it reads {now.value} afterwards")
            continue
        kept += 1
    grade = Grade.PASSED if kept == len(asked) else Grade.FAILED
    limit = Limit(text=f"all {len(asked)} refused by an exception, nothing changed")
    return Finding(grade, f"{kept} of {len(asked)} refused", limit, "; ".join(said))


async def selection(session: Session, step: StepForm, register: Register) -> Finding:
    """Return whether each choice is taken, and shown where the unit shows it."""
    taken, said = 0, []
    for value in step.values:
        raw = register.encode(as_value(register, value))
        setting = await _set(session, step, register, raw)
        if setting.problem or setting.verified is not True:
            said.append(f"{value}: {setting.problem or f'reads {setting.after.value}'}")
            continue
        if step.shows is not None:
            shows = (await _read(session, [session.map.by_name(step.shows)]))[0]
            if shows.value != register.decode(raw):
                said.append(f"{value}: {step.shows} shows {shows.value}")
                continue
        taken += 1
    total = len(step.values)
    grade = Grade.PASSED if taken == total else Grade.FAILED
    return Finding(grade, f"{taken} of {total} taken", Limit(text=f"all {total}"), "; ".join(said))


CHECKS: Mapping[str, Armed] = MappingProxyType(
    {"set-point": set_point, "refused": refused, "selection": selection}
)
"""What does each kind of step."""


def as_value(register: Register, given: Value) -> Value | tuple[str, ...] | None:
    """Return a plan's value as the register takes it; text is parsed as on a command line."""
    return register.parse(given) if isinstance(given, str) else given


async def _busy(session: Session, step: StepForm) -> str:
    """Return why the unit is not idle, "" when it is."""
    names = list(step.idle)
    readings = await _read(session, [session.map.by_name(n) for n in names])
    for each in readings:
        if each.raw is None:
            return f"{each.name}: {each.problem}"
        allowed = step.idle[str(each.name)]
        if str(each.value) not in allowed:
            return f"{each.name} is {each.value}, and must be {' or '.join(allowed)}"
    return ""


async def _first(session: Session, step: StepForm) -> Finding | None:
    """Set what must be set before; return what went wrong, None for nothing."""
    for name, value in step.first.items():
        register = session.map.by_name(name)
        raw = register.encode(as_value(register, value))
        setting = await _set(session, step, register, raw)
        if setting.problem:
            return Finding.failed(f"{name} = {value} not set: {setting.problem}")
    return None


async def _set(
    session: Session, step: StepForm, register: Register, raw: tuple[int, ...]
) -> Setting:
    """Write, if the unit is still idle: somebody may have begun to cut meanwhile."""
    busy = await _busy(session, step)
    if busy:
        return Setting(reading_of(register), None, None, f"stopped, because {busy}")
    return (await write_values(session.client(), session.server, planned(register, raw)))[0]


async def _read(session: Session, registers: Sequence[Register]) -> list[Reading]:
    wanted = [reading_of(each) for each in registers]
    return await read_values(session.client(), session.server, session.map, wanted)


def _points(step: StepForm, register: Register) -> list[float]:
    """Return the values to be set: those of the plan, else some over the map's range."""
    if step.values:
        return [_as_number(register, each) for each in step.values]
    low, high = register.min, register.max
    assert low is not None
    assert high is not None
    last = step.points - 1
    return [low + (high - low) * each / last for each in range(step.points)]


def _outside(step: StepForm, register: Register) -> list[tuple[int, ...]]:
    """Return raw values that the map does not allow: those of the plan, else one step past each."""
    if not step.values:
        return outside_of(register)
    free = replace(register, min=None, max=None)
    return [free.encode(_as_number(register, each)) for each in step.values]


def _as_number(register: Register, given: Value) -> float:
    value = as_value(register, given)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise LimitError(f"{register.name}: {given!r} is no number")
    return value
