"""Checks that only read: settings, identity, map, limits, error rate, times, watchdog."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from kerfbus.bench import wire
from kerfbus.bench.acceptance.form import StepForm
from kerfbus.bench.acceptance.result import Finding, Grade, Limit, number
from kerfbus.bench.acceptance.session import Session
from kerfbus.bench.acceptance.timeline import WatchedLine
from kerfbus.bench.access import Reading, read_values, reading_of
from kerfbus.bench.client import Outcome
from kerfbus.bench.confidence import Claim, upper_bound
from kerfbus.bench.line import LineSettings
from kerfbus.bench.mapprobe import MapProbe, Probed, Standing
from kerfbus.bench.regmap import Register
from kerfbus.bench.soak import Soak, SoakPlan, Verdict

NS, NS_PER_MS = 1_000_000_000, 1_000_000
NAMED = 6
"""So many names stand in a detail; of more there is the count."""
BASIC = 1
"""The stream of basic identification (MODBUS Application Protocol V1.1b3, 6.21)."""

Check = Callable[[Session, StepForm], Awaitable[Finding]]


async def settings(session: Session, step: StepForm) -> Finding:
    """Return whether the unit answers at the settings that the plan, or else the map, says."""
    header = session.map.header
    wanted = LineSettings.parse(
        step.baud or header.settings.baud, step.format or header.settings.format
    )
    address = step.address or header.server
    limit = Limit(text=f"{wanted}, server {address}; all of {step.count} reads answered")
    used = f"{session.line.settings}, server {session.server}"
    if (session.line.settings, session.server) != (wanted, address):
        return Finding(Grade.FAILED, used, limit, "the run used other settings than the plan's")
    line, verdict = await _soaked(
        session, SoakPlan(session.server, session.spans(step.registers), step.count)
    )
    total = line.quality.total
    if verdict is Verdict.DEAD:
        return Finding(Grade.FAILED, used, limit, "no answer at all")
    problem = await _unexpected(session, step)
    grade = Grade.PASSED if verdict.good and not problem else Grade.FAILED
    said = f"{total.trials - total.wrong} of {total.trials} reads answered whole"
    return Finding(grade, used, limit, f"{said}; {problem}" if problem else said)


async def identity(session: Session, step: StepForm) -> Finding:
    """Return who the unit says that it is."""
    names = list(dict.fromkeys((*step.registers, *step.expect)))
    readings = await _read(session, names)
    said = [f"{each.name} {each.value}" for each in readings if not each.problem]
    said += await _objects(session)
    limit = Limit(text=", ".join(f"{name} {value}" for name, value in step.expect.items()))
    wrong = _differences(step, readings)
    wrong += [f"{each.name}: {each.problem}" for each in readings if each.problem]
    if not said:
        wrong.append("the unit says nothing of itself")
    grade = Grade.FAILED if wrong else Grade.PASSED
    return Finding(grade, ", ".join(said), limit, "; ".join(wrong[:NAMED]))


async def whole_map(session: Session, step: StepForm) -> Finding:
    """Return whether the unit answers all that the map says can be read."""
    probes = await MapProbe(session.client(), session.server).run(session.map)
    asked = [each for each in probes if each.standing is not Standing.WRITE_ONLY]
    answered = [each for each in asked if each.standing is Standing.ANSWERED]
    lacking = [
        each
        for each in asked
        if each.standing is not Standing.ANSWERED and each.register.name not in step.may_be_missing
    ]
    limit = Limit(text=f"all {len(asked)}" + _but(step.may_be_missing))
    detail = _listed(f"{each.register.name} {each.standing.value}" for each in lacking)
    grade = Grade.FAILED if lacking or not answered else Grade.PASSED
    return Finding(grade, f"{len(answered)} of {len(asked)} answered", limit, detail)


async def limits(session: Session, step: StepForm) -> Finding:
    """Return whether what the unit holds is within the limits that the map gives."""
    named = [session.map.by_name(name) for name in step.registers]
    bounded = [each for each in named or session.map.registers if _bounded(each)]
    if not bounded:
        return Finding.skipped("the map gives no limits")
    readings = await _read(session, [each.name for each in bounded])
    probes = [
        Probed(reading.register, Standing.ANSWERED, raw=reading.raw)
        for reading in readings
        if reading.register is not None and reading.raw is not None
    ]
    outside = [each for each in probes if each.in_limits is False]
    said = _listed(_outside(each) for each in outside)
    unread = [each for each in readings if each.raw is None]
    if unread:
        said = "; ".join(filter(None, (said, f"not read: {_listed(str(e.name) for e in unread)}")))
    grade = Grade.FAILED if outside or unread else Grade.PASSED
    measured = f"{len(probes) - len(outside)} of {len(bounded)} within"
    return Finding(grade, measured, Limit(text="all, as the map says"), said)


async def error_rate(session: Session, step: StepForm) -> Finding:
    """Return whether transactions that go wrong are as rare as claimed."""
    assert step.claim is not None
    claim = Claim.parse(step.claim)
    plan = SoakPlan(
        session.server,
        session.spans(step.registers),
        duration_ns=round(step.seconds * NS),
        claim=claim,
    )
    line, verdict = await _soaked(session, plan)
    line.note()
    total = line.quality.total
    if verdict is not Verdict.DEAD:
        session.soaked = line
    # The same share of the risk as the claim takes, so that bound and verdict agree.
    risk = (1 - claim.confidence) / ((total.wrong + 1) * (total.wrong + 2))
    high = upper_bound(total.wrong, total.trials, 1 - risk) if total.trials else 1.0
    limit = Limit(
        high=100 * claim.rate,
        unit="%",
        text=f"at most {number(100 * claim.rate)} % at {100 * claim.confidence:g} % confidence",
    )
    said = f"{total.wrong} of {total.trials} transactions went wrong; {verdict.value}"
    grade = Grade.PASSED if verdict.good else Grade.FAILED
    return Finding(grade, 100 * high, limit, said, figures=(line.timeline.to_json(),))


async def turnaround(session: Session, step: StepForm) -> Finding:
    """Return whether the unit answers soon enough."""
    line = await _account(session, step)
    limit = Limit(step.min, step.max, "ms")
    spread = line.quality.turnarounds
    if not spread.count:
        return Finding.failed("no answer at all", limit)
    (found,) = spread.percentiles(step.percentile)
    value = found / NS_PER_MS
    width, bins = _few(spread.histogram())
    figure = {
        "kind": "histogram",
        "unit": "ms",
        "width": width / NS_PER_MS,
        "values": [[each / NS_PER_MS, count] for each, count in bins],
        "limit": step.max,
    }
    longest = (spread.longest or 0) / NS_PER_MS
    said = f"percentile {step.percentile} of {spread.count}; longest {longest:.4g} ms"
    finding = Finding.held(value, limit, said + _host(session))
    return Finding(finding.grade, value, limit, finding.detail, figures=(figure,))


async def silent_interval(session: Session, step: StepForm) -> Finding:
    """Return whether there is enough silence before each frame."""
    needed = session.line.settings.t35_ns
    limit = Limit(low=needed / NS_PER_MS, unit="ms")
    if session.line.facts.paced is False:
        return Finding.skipped("this port has no wire on which silence could be seen", limit)
    if session.line.timing == "host" and session.line.uncertainty_ns >= needed:
        doubt = session.line.uncertainty_ns / NS_PER_MS
        return Finding.skipped(f"this port's stamps are only good to {doubt:.3g} ms", limit)
    line = await _account(session, step)
    shortest = line.quality.silences.shortest
    if shortest is None:
        return Finding.failed("no answer at all", limit)
    # Instants are whole nanoseconds, rounded on both sides.
    grade = Grade.PASSED if shortest + 2 >= needed else Grade.FAILED
    count = line.quality.silences.count
    said = f"shortest of {count}, 3.5 characters needed" + _host(session)
    return Finding(grade, shortest / NS_PER_MS, limit, said)


async def watchdog(session: Session, step: StepForm) -> Finding:
    """Return whether the unit has a watchdog for the link, and for how long it waits."""
    assert step.register_name is not None
    register = session.map.by_name(step.register_name)
    limit = Limit(step.min, step.max, register.unit or "")
    readings = await _read(session, [register.name, *step.expect])
    if readings[0].raw is None:
        return Finding.failed(readings[0].problem, limit)
    value = readings[0].value
    if not isinstance(value, int | float) or value == 0:
        return Finding(Grade.FAILED, str(value), limit, "no watchdog is set")
    wrong = _differences(step, readings[1:])
    finding = Finding.held(value, limit, "; ".join(wrong))
    return finding if not wrong else Finding(Grade.FAILED, value, limit, finding.detail)


CHECKS: Mapping[str, Check] = MappingProxyType(
    {
        "settings": settings,
        "identity": identity,
        "map": whole_map,
        "limits": limits,
        "error-rate": error_rate,
        "turnaround": turnaround,
        "silent-interval": silent_interval,
        "watchdog": watchdog,
    }
)
"""What does each kind of step."""


async def _soaked(session: Session, plan: SoakPlan) -> tuple[WatchedLine, Verdict]:
    line = WatchedLine(session.line)
    soak = Soak(line, plan, session.policy)
    async with session.following(soak, line):
        return line, await soak.run()


async def _account(session: Session, step: StepForm) -> WatchedLine:
    """Return an account of many reads: that of the error rate, where there was one."""
    if session.soaked is not None:
        return session.soaked
    plan = SoakPlan(session.server, session.spans(step.registers), step.count)
    return (await _soaked(session, plan))[0]


async def _read(session: Session, names: Sequence[str]) -> list[Reading]:
    wanted = [reading_of(session.map.by_name(name)) for name in names]
    return await read_values(session.client(), session.server, session.map, wanted)


async def _unexpected(session: Session, step: StepForm) -> str:
    """Return what the unit says otherwise than the step expects, "" for nothing."""
    if not step.expect:
        return ""
    return "; ".join(_differences(step, await _read(session, list(step.expect))))


def _differences(step: StepForm, readings: Sequence[Reading]) -> list[str]:
    found = []
    for each in readings:
        if each.name not in step.expect:
            continue
        wanted = step.expect[each.name]
        if each.problem:
            found.append(f"{each.name}: {each.problem}")
        elif str(each.value).strip() != str(wanted) and each.value != wanted:
            found.append(f"{each.name} is {each.value}, not {wanted}")
    return found


async def _objects(session: Session) -> list[str]:
    """Return the basic identification of function 2B/0E; nothing where the unit has none."""
    request = wire.ReadDeviceIdentification(BASIC, 0)
    result = await session.client().request(session.server, request)
    if result.outcome is not Outcome.REPLY:
        return []
    if not isinstance(result.reply, wire.ReadDeviceIdentificationReply):
        return []
    objects = result.reply.objects
    return [f"object {each.object_id:02X} {each.value.decode('latin-1')!r}" for each in objects]


def _bounded(register: Register) -> bool:
    limited = register.min is not None or register.max is not None
    return register.readable and register.type.numeric and limited


def _outside(probed: Probed) -> str:
    register = probed.register
    assert probed.raw is not None
    return f"{register.name} {register.decode(probed.raw)}, map: {register.quantity.allowed}"


def _listed(words: Any) -> str:
    found = list(words)
    more = len(found) - NAMED
    return "; ".join(found[:NAMED]) + (f"; and {more} more" if more > 0 else "")


def _but(names: Sequence[str]) -> str:
    return f" but {', '.join(names)}" if names else ""


def _host(session: Session) -> str:
    if session.line.timing == "exact":
        return ""
    doubt = session.line.uncertainty_ns / NS_PER_MS
    return f"; by the host's clock, delays of up to {doubt:.3g} ms included"


def _few(histogram: Sequence[tuple[int, int]], most: int = 40) -> tuple[int, list[tuple[int, int]]]:
    """Return a histogram in at most so many equal bins: their width, and (lower end, count)."""
    low, high = histogram[0][0], histogram[-1][0]
    width = max((high - low) // most + 1, 1)
    bins: dict[int, int] = {}
    for value, count in histogram:
        place = low + (value - low) // width * width
        bins[place] = bins.get(place, 0) + count
    return width, sorted(bins.items())
