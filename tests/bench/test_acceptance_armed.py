"""Acceptance steps that write: what they find, and that everything is put back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import acceptanceplans as plans
import pytest

from kerfbus.bench.acceptance.keeping import NotAnArcError, planned
from kerfbus.bench.acceptance.plan import parse_plan
from kerfbus.bench.acceptance.restoring import unstoppable
from kerfbus.bench.acceptance.result import Grade, Result, Verdict
from kerfbus.bench.acceptance.runner import Run
from kerfbus.bench.acceptance.session import Kept, Session
from kerfbus.bench.crc import with_crc
from kerfbus.bench.errors import PlanError, PortLostError
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.transport import Transport
from kerfbus.sim.maps import default_map

NAMES = ("process", "current_setpoint", "cutting_pressure_setpoint", "flow_pressure_setpoint")
FACTORY = {
    "process": 0,
    "current_setpoint": 60.0,
    "cutting_pressure_setpoint": 5.2,
    "flow_pressure_setpoint": 4.0,
}
WRITE_ONE, CURRENT = 6, 0
"""Function code of a single write, and the address of `current_setpoint`."""


def is_write(data: bytes) -> bool:
    return data[1] in (5, 6, 15, 16)


class Scripted(plans.Meddler):
    """A line on which something happens at the n-th write, counted from 1."""

    def __init__(self, inner: Transport, happens: Callable[[int, bytes], bytes]) -> None:
        super().__init__(inner)
        self._happens = happens
        self.writes = 0

    def meddled(self, data: bytes) -> bytes:
        if not is_write(data):
            return data
        self.writes += 1
        return self._happens(self.writes, data)


def off_by_one(data: bytes) -> bytes:
    """Return the write with a value one step lower, as a unit with a wrong scale would take it."""
    value = int.from_bytes(data[4:6], "big")
    lower = value - 1 if value > 200 else value  # below 20 A it would refuse
    return with_crc(data[:4] + lower.to_bytes(2, "big"))


async def run_on(
    happens: Callable[[int, bytes], bytes], *steps: str
) -> tuple[Run, Session, Scripted, dict[str, object]]:
    """Run steps on a scripted line; also return what stands in the unit afterwards."""
    line = Scripted(await plans.simulated(), happens)
    run = plans.run_of(plans.plan_of(*steps))
    async with plans.session_on(line, run.state) as session:
        await run.run(session)
        after = dict(await plans.values_of(line._inner, *NAMES))
    return run, session, line, after


def nothing(_: int, data: bytes) -> bytes:
    return data


@pytest.mark.parametrize("step", [plans.SET_POINT, plans.REFUSED, plans.SELECTION])
async def test_a_good_unit_passes_and_is_left_as_it_was(step: str) -> None:
    run, session, line, after = await run_on(nothing, step)
    (result,) = run.results
    assert result.finding.grade is Grade.PASSED, result
    assert line.writes >= 2
    assert after == FACTORY
    assert not session.not_restored
    assert run.state.pending == ()


async def test_what_was_set_before_is_what_is_put_back() -> None:
    """A process other than 0 sets the set-points, so the order in which they go back matters."""
    line = await plans.simulated()
    found = default_map()
    process, current = found.by_name("process"), found.by_name("current_setpoint")
    run = plans.run_of(plans.plan_of(plans.SET_POINT, plans.SELECTION))
    from kerfbus.bench.access import write_values

    async with plans.session_on(line, run.state) as session:
        for register, value in ((process, 203), (current, 44.0)):
            wrote = planned(register, register.encode(value))
            assert (await write_values(session.client(), 1, wrote))[0].verified
        before = await plans.values_of(line, *NAMES)
        await run.run(session)
        assert await plans.values_of(line, *NAMES) == before
    assert before["process"] == 203
    assert before["current_setpoint"] == 44.0
    assert [each.finding.grade for each in run.results] == [Grade.PASSED] * 2


async def test_the_read_back_is_compared() -> None:
    # The first write is of `process`; all of the current go wrong, but not what is put back.
    def happens(number: int, data: bytes) -> bytes:
        return off_by_one(data) if number <= 5 and data[2:4] == b"\0\0" else data

    run, _, _, after = await run_on(happens, plans.SET_POINT)
    (result,) = run.results
    assert result.finding.grade is Grade.FAILED
    assert result.finding.measured == pytest.approx(0.1)
    assert after == FACTORY


async def test_what_cannot_be_put_back_is_said_plainly() -> None:
    def happens(_: int, data: bytes) -> bytes:
        return off_by_one(data) if data[2:4] == b"\0\0" else data

    run, session, _, after = await run_on(happens, plans.SET_POINT)
    assert after["current_setpoint"] == 59.9
    (line,) = session.not_restored
    assert line == "NOT RESTORED: current_setpoint was 60 A and is 59.9 A. Set it by hand"
    assert line in run.results[0].finding.detail
    assert [each.name for each in run.state.pending][1] == "current_setpoint"
    assert run.verdict is Verdict.FAILED
    assert "current_setpoint" in run.to_json()["not_restored"]


async def test_a_port_that_comes_back_is_used_to_put_back() -> None:
    def happens(number: int, data: bytes) -> bytes:
        if number in (3, 4):
            raise PortLostError("sim:", "unplugged")
        return data

    run, session, line, after = await run_on(happens, plans.SET_POINT)
    assert run.results[0].finding.grade is Grade.FAILED
    assert line.writes > 4
    assert after == FACTORY
    assert not session.not_restored


async def test_a_port_that_is_gone_is_said_plainly() -> None:
    gone = False

    class Gone(plans.Meddler):
        async def send(self, data: bytes) -> int:
            nonlocal gone
            gone = gone or (is_write(data) and data[2:4] == b"\0\0")
            if gone:
                raise PortLostError("sim:", "unplugged")
            return await super().send(data)

    run = plans.run_of(plans.plan_of(plans.SET_POINT, plans.step("map")))
    async with plans.session_on(Gone(await plans.simulated()), run.state) as session:
        await run.run(session)
    assert len(session.not_restored) == 4
    assert "current_setpoint was 60 A and may have been changed" in session.not_restored[1]
    assert [each.finding.grade for each in run.results] == [Grade.FAILED] * 2
    assert run.state.pending


async def test_what_a_step_left_behind_is_not_taken_for_what_was_there() -> None:
    """The first step cannot put back; when the second begins the unit takes writes again."""
    left = [False]

    def happens(_: int, data: bytes) -> bytes:
        return off_by_one(data) if not left[0] and data[2:4] == b"\0\0" else data

    line = Scripted(await plans.simulated(), happens)
    run = plans.run_of(plans.plan_of(plans.SET_POINT, plans.REFUSED, plans.SELECTION))
    ended = []

    def end(result: Result) -> None:
        ended.append(result.check)
        left[0] = len(ended) == 2

    run.watcher = replace(run.watcher, ended=end)
    async with plans.session_on(line, run.state) as session:
        await run.run(session)
        after = await plans.values_of(line, *NAMES)
    grades = [each.finding.grade for each in run.results]
    assert grades == [Grade.FAILED, Grade.FAILED, Grade.PASSED]
    assert "nothing was written; NOT RESTORED: current" in run.results[1].finding.detail
    assert after == FACTORY
    assert (session.not_restored, run.state.pending) == ([], ())


async def test_a_cut_that_begins_meanwhile_ends_the_writing() -> None:
    """From the third write on the unit is busy: nothing more is set but what is put back."""
    line = Scripted(await plans.simulated(), nothing)
    busy = plans.SET_POINT.replace(plans.IDLE, 'idle = { current_setpoint = ["60.0", "20.0"] }\n')
    run = plans.run_of(plans.plan_of(busy))
    async with plans.session_on(line, run.state) as session:
        await run.run(session)
        after = await plans.values_of(line, *NAMES)
    detail = run.results[0].finding.detail
    assert "stopped, because current_setpoint is 55.0, and must be 60.0 or 20.0" in detail
    assert after == FACTORY


@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize("at", [1, 2, 3, 5])
async def test_cancelling_puts_everything_back(at: int, times: int) -> None:
    """Cancelled during the n-th write, and again while things are put back."""
    task: asyncio.Task[None]
    asked = 0

    class Cancelled(Scripted):
        async def send(self, data: bytes) -> int:
            nonlocal asked
            sent = await super().send(data)
            if self.writes >= at and asked < times:
                asked += 1
                task.cancel()
                await asyncio.sleep(0)
            return sent

    line = Cancelled(await plans.simulated(), nothing)
    run = plans.run_of(plans.plan_of(plans.SET_POINT))
    async with plans.session_on(line, run.state) as session:
        task = asyncio.create_task(run.run(session))
        with pytest.raises(asyncio.CancelledError):
            await task
        assert asked == times
        after = await plans.values_of(line, *NAMES)
    assert after == FACTORY
    assert run.state.pending == ()
    assert run.results[0].finding.grade is Grade.SKIPPED
    assert "interrupted" in run.results[0].finding.detail


async def test_the_journal_is_written_before_the_first_byte() -> None:
    run = plans.run_of(plans.plan_of(plans.SET_POINT))

    def happens(_: int, data: bytes) -> bytes:
        assert Kept("current_setpoint", (600,)) in run.state.pending
        return data

    async with plans.session_on(Scripted(await plans.simulated(), happens), run.state) as session:
        await run.run(session)
    assert run.results[0].finding.grade is Grade.PASSED


async def test_what_an_earlier_run_left_is_put_back_first() -> None:
    line = Scripted(await plans.simulated(), nothing)
    run = plans.run_of(plans.plan_of(plans.step("confirm", "question = '?'")))
    run.state.pending = (Kept("current_setpoint", (450,)),)
    assert run.needs_line
    async with plans.session_on(line, run.state) as session:
        await run.run(session)
        after = await plans.values_of(line, "current_setpoint")
    assert after == {"current_setpoint": 45.0}
    assert run.state.pending == ()


async def test_nothing_is_written_unarmed() -> None:
    line = Scripted(await plans.simulated(), nothing)
    run = plans.run_of(plans.plan_of(plans.SET_POINT, plans.REFUSED, plans.SELECTION))
    async with plans.session_on(line, run.state, may_write=False) as session:
        await run.run(session)
    assert {each.finding.grade for each in run.results} == {Grade.SKIPPED}
    assert "--arm" in run.results[0].finding.detail
    assert not [data for data in line.sent if is_write(data)]


async def test_nothing_is_written_while_the_unit_is_busy() -> None:
    busy = plans.SET_POINT.replace('"off", "idle"', '"cutting"')
    run, _, line, _ = await run_on(nothing, busy)
    assert run.results[0].finding.grade is Grade.SKIPPED
    assert "mode is off, and must be cutting" in run.results[0].finding.detail
    assert line.writes == 0


def narrower(found: RegisterMap) -> RegisterMap:
    """Return the map with a lower upper limit than the unit has."""
    registers = tuple(
        replace(each, max=100.0) if each.name == "current_setpoint" else each
        for each in found.registers
    )
    return RegisterMap(found.name, found.file, registers, found.header, found.groups)


async def test_a_unit_that_takes_what_it_should_refuse_fails_and_is_put_back() -> None:
    line = await plans.simulated()
    text = plans.HEADER + plans.REFUSED
    run = plans.run_of(parse_plan(text, "x").against(narrower(default_map())))
    async with plans.session_on(line, run.state) as session:
        session.map = narrower(default_map())
        await run.run(session)
        after = await plans.values_of(line, *NAMES)
    (result,) = run.results
    assert (result.finding.grade, result.finding.measured) == (Grade.FAILED, "1 of 2 refused")
    assert "100.1 A: accepted" in result.finding.detail
    assert after == FACTORY


@pytest.mark.parametrize(
    "step",
    [
        plans.step("selection", 'register = "arc_command"\nvalues = ["start"]\nidle = {}'),
        plans.SET_POINT.replace('"flow_pressure_setpoint"', '"start"'),
        plans.SET_POINT.replace("process = 0", "start = true"),
    ],
)
def test_no_plan_may_write_what_can_strike_an_arc(step: str) -> None:
    with pytest.raises(PlanError, match="can strike an arc; no plan may write it"):
        plans.plan_of(step)


@pytest.mark.parametrize("name", ["start", "arc_command", "mode"])
def test_the_last_gate_before_the_wire_holds(name: str) -> None:
    with pytest.raises(NotAnArcError):
        planned(default_map().by_name(name), (1,))


async def test_an_armed_run_of_the_shipped_plan_sends_no_arc_command() -> None:
    from kerfbus.bench.acceptance.plan import GENERIC, plan_text

    text = plan_text(GENERIC).replace('"0.1%@95%"', '"5%@90%"')
    run = plans.run_of(parse_plan(text, GENERIC).against(default_map()))
    line = Scripted(await plans.simulated(), nothing)
    async with plans.session_on(line, run.state) as session:
        await run.run(session)
        assert (await plans.values_of(line, "total_starts"))["total_starts"] == 0
    found = default_map()
    allowed = {found.by_name(name).address for name in NAMES}
    written = {(data[1], int.from_bytes(data[2:4], "big")) for data in line.sent if is_write(data)}
    assert written == {(WRITE_ONE, address) for address in allowed}


async def test_unstoppable_work_ends_and_passes_on_what_it_raises() -> None:
    async def work(fails: bool) -> int:
        await asyncio.sleep(0)
        if fails:
            raise KeyError("why")
        return 7

    assert await unstoppable(work(fails=False)) == 7
    with pytest.raises(KeyError, match="why"):
        await unstoppable(work(fails=True))


def test_results_name_their_step() -> None:
    plan = plans.plan_of(plans.SET_POINT)
    found: list[Result] = plans.run_of(plan).results
    assert [(each.check, each.kind) for each in found] == [("current", "set-point")]
