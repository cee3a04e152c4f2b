"""`kerfbus write`: set values, within the map's limits, and read them back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from kerfbus.tui.endings import BAD_ANSWER, DONE
from kerfbus.tui.options import Link, examples, json_option, link_and_broadcast_options
from kerfbus.tui.output import BAD, HEADING, Json, Output, columns

if TYPE_CHECKING:
    from kerfbus.bench.access import Setting
    from kerfbus.bench.regmap import PlannedWrite
    from kerfbus.tui.linking import Plan


@click.command(
    "write",
    epilog=examples(
        "kerfbus write current_setpoint=45",
        "kerfbus write current_setpoint=45 --port COM5 --map my-unit.toml --arm",
        "kerfbus write holding:64=0x4B46,1 --port /dev/ttyUSB0 --arm",
    ),
)
@click.argument("targets", nargs=-1, required=True, metavar="NAME=VALUE | TABLE:ADDRESS=RAW,...")
@click.option("--arm", is_flag=True, help="Allow writing to a real port, in this run.")
@link_and_broadcast_options
@json_option
def command(targets: tuple[str, ...], arm: bool, link: Link, as_json: bool) -> int:
    """Set values; on a real port only with --arm.

    All limits of the map are checked before the first byte is sent. Each value is read before and
    after. A number between two steps of a register is rounded to the nearer, and the answer says
    so. Server 0 is broadcast: all obey, nobody answers.
    """
    from kerfbus.bench.errors import NotArmedError
    from kerfbus.bench.regmap import parse_target, plan_write
    from kerfbus.tui.linking import plan_for
    from kerfbus.tui.running import run

    output = Output(as_json=as_json)
    plan = plan_for(link, broadcast=True)
    writes = [plan_write(plan.map, parse_target(text)) for text in targets]
    if plan.real and not arm:
        raise NotArmedError(
            f"{link.port} is a real port: nothing was sent; add --arm to write to it in this run"
        )
    if plan.real and any(each.can_strike_arc for each in writes):
        output.remark("this can strike an arc; nobody may be near the torch")
    settings = run(_write(plan, writes))
    _tell(output, plan, settings)
    good = all(not each.problem and each.verified is not False for each in settings)
    return DONE if good else BAD_ANSWER


async def _write(plan: Plan, writes: Sequence[PlannedWrite]) -> list[Setting]:
    """Write in the order given; after the first failure nothing more is sent."""
    from kerfbus.bench.access import write_values
    from kerfbus.tui.linking import client_on
    from kerfbus.tui.progress import while_waiting

    done: list[Setting] = []
    async with client_on(plan) as client:
        for planned in writes:
            work = write_values(client, plan.server, planned)
            done += await while_waiting(f"setting server {plan.server}", work)
            if done[-1].problem:
                break
    return done


def _tell(output: Output, plan: Plan, settings: Sequence[Setting]) -> None:
    """Give out what became of each value."""
    output.answer({"server": plan.server, "values": [_record(each) for each in settings]})
    if output.as_json:
        return
    from kerfbus.tui.values import place, with_unit

    output.text(str(plan), HEADING)
    rows = []
    for each in settings:
        register = each.after.register
        before = with_unit(register, each.before.value) if each.before is not None else "?"
        rows.append((place(each.after), f"{before} -> {with_unit(register, each.after.value)}"))
    for each, line in zip(settings, columns(rows), strict=True):
        if each.problem:
            output.text(f"  {place(each.after)}: not set: {each.problem}", BAD)
        else:
            verdict = _VERDICTS[each.verified] + _rounding(each)
            output.text(f"  {line}  {verdict}", "" if each.verified else BAD)
    if plan.note:
        output.remark(plan.note)


_VERDICTS = {
    True: "verified",
    False: "NOT what was sent",
    None: "sent; cannot be read back",
}


def _rounding(setting: Setting) -> str:
    """Return what to say when not the number asked for was sent but the nearest step."""
    register = setting.after.register
    if setting.rounded_from is None or register is None:
        return ""
    unit = f" {register.unit}" if register.unit else ""
    return f"; {setting.rounded_from:.10g} rounded to steps of {register.scale:g}{unit}"


def _record(setting: Setting) -> dict[str, Json]:
    """Return what became of a value as JSON has it."""
    from kerfbus.tui.commands.read import as_record

    previous = setting.before.value if setting.before is not None else None
    record = {**as_record(setting.after), "previous": previous, "verified": setting.verified}
    record["rounded_from"] = setting.rounded_from
    if setting.problem:
        record |= {"value": None, "raw": None, "at_ns": None, "error": setting.problem}
    return record
