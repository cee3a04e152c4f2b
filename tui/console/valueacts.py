"""Keys that act on values: set, arm, choose what is asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kerfbus.bench.errors import UsageError
from kerfbus.tui.console.base import Base
from kerfbus.tui.console.lines import Role

if TYPE_CHECKING:
    from kerfbus.bench.access import Setting
    from kerfbus.bench.regmap import PlannedWrite, Register
    from kerfbus.tui.console.board import Held
    from kerfbus.tui.console.model import Model

ARM, STRIKE = "arm", "arc"
"""What a person must type."""


class ValueActs(Base):
    """Keys that act on values."""

    def action_set_chosen(self) -> None:
        """Set the chosen value."""
        from kerfbus.tui.console.valueview import chosen_register

        model = self.live
        if model is None or self.review is not None:
            return
        chosen = chosen_register(model.board, self.choice)
        if chosen is not None and self.pane == 0:
            self.flow(self._set(model, chosen))

    def action_choose_set(self) -> None:
        """Choose a value from a list, and set it."""
        if self.live is not None:
            self.flow(self._choose(self.live))

    async def _choose(self, model: Model) -> None:
        from kerfbus.tui.console.dialogs import Pick

        strike = not model.link.real or (model.link.armed and model.link.strike)
        offered = model.board.settable(strike=strike)
        options = [(each.name, _offer(each)) for each in offered]
        left_out = sum(each.writable and each.can_strike_arc for each in model.map.registers)
        said = []
        if not strike and left_out:
            said = [f"{left_out} that can strike an arc are not offered on a real port."]
        name = await self.push_screen_wait(Pick("Set which value?", options, said))
        if name is not None:
            await self._set(model, model.map.by_name(name))

    async def _set(self, model: Model, register: Register) -> None:
        """Ask for the value, check it, arm where that is needed, write and read back."""
        from kerfbus.bench.regmap import Target, plan_write
        from kerfbus.tui.console.dialogs import Ask

        if not register.writable:
            raise UsageError(f"{register.name}: the map lets it be read only; s lists what can be")
        if register.can_strike_arc and model.link.real and not model.link.strike:
            raise UsageError(f"{register.name} can strike an arc: not offered on a real port")
        held = model.board[register.name]

        def planned(text: str) -> PlannedWrite:
            return plan_write(model.map, Target(register.name, value=text or None))

        text = await self.push_screen_wait(
            Ask(f"Set {register.name}", _about(register, held), check=planned)
        )
        if text is None:
            return
        write = planned(text)
        if model.link.real and not model.link.armed and not await self._arm(model):
            self.say("Not armed: nothing was sent.")
            return
        done = await self.engine.write(write)
        for each in done:
            self.say(*_outcome(each))

    def action_arm(self) -> None:
        """Arm, or disarm, writing to a real port."""
        if self.live is not None:
            self.flow(self._toggle_arm(self.live))

    async def _toggle_arm(self, model: Model) -> None:
        if not model.link.real:
            self.say("This port is simulated: nothing real can move, no arming is needed.")
        elif model.link.armed:
            model.link.armed = model.link.strike = False
            self.say("Disarmed.")
        elif await self._arm(model):
            self.say(f"Armed: writing to {model.link.port} is allowed until A or another port.")

    async def _arm(self, model: Model) -> bool:
        """Let a person arm a real port; return whether it is armed."""
        said = (
            f"{model.link.port}:",
            "a real port. What is written there moves real things. The map's limits",
            "still hold, and what can strike an arc is still not offered.",
            f"Type {ARM} to allow writing until A disarms or the port changes.",
        )
        model.link.armed = await self._typed("Arm this port?", said, ARM)
        return model.link.armed

    async def _typed(self, title: str, said: tuple[str, ...], word: str) -> bool:
        """Return whether a person has typed a word."""
        from kerfbus.tui.console.dialogs import Ask

        def check(text: str) -> None:
            if text != word:
                raise UsageError(f"type {word}, or Esc")

        return await self.push_screen_wait(Ask(title, said, check=check)) is not None

    def action_allow_strike(self) -> None:
        """Offer registers that can strike an arc on a real port, by an act of its own."""
        if self.live is not None:
            self.flow(self._allow_strike(self.live))

    async def _allow_strike(self, model: Model) -> None:
        link = model.link
        if not link.real:
            self.say("This port is simulated: they are offered already.")
            return
        if not link.armed and not await self._arm(model):
            return
        said = (
            "What can strike an arc is then offered for setting.",
            "Nobody may be near the torch. Emergency stop and start permission are",
            "hard-wired; this is no safety function.",
            f"Type {STRIKE} to offer it until you disarm.",
        )
        link.strike = await self._typed("Offer what can strike an arc?", said, STRIKE)

    def action_groups(self) -> None:
        """Choose what is asked for."""
        if self.live is not None:
            self.flow(self._groups(self.live))

    async def _groups(self, model: Model) -> None:
        from kerfbus.tui.console.dialogs import PickSeveral

        board = model.board
        options = [
            (each.key, f"{each.title}  ({len(each.registers)})", each.key in board.polled)
            for each in board.sections
        ]
        chosen = await self.push_screen_wait(PickSeveral("What is asked for?", options))
        if chosen is not None:
            board.polled = set(chosen)


def _offer(register: Register) -> str:
    from kerfbus.tui.console.valueview import limits_text

    limits = limits_text(register)
    unit = f" {register.unit}" if register.unit and limits else ""
    arc = "  CAN STRIKE AN ARC" if register.can_strike_arc else ""
    return f"{register.name:<28} {limits}{unit}{arc}"


def _about(register: Register, held: Held) -> list[str]:
    """Return what a person should know before setting a value."""
    from kerfbus.bench.valuetext import with_unit
    from kerfbus.tui.console.valueview import limits_text

    lines = [register.description] if register.description else []
    now = with_unit(register, held.value) if held.at is not None else "not read"
    lines.append(f"Now {now}.")
    limits = limits_text(register)
    if limits:
        lines.append(f"Limits of the map: {limits} {register.unit or ''}".rstrip() + ".")
    if register.values:
        names = ", ".join(register.values.values())
        lines.append(f"One of: {names}")
    elif register.table.of_bits:
        lines.append("on or off")
    if register.can_strike_arc:
        lines.append("THIS CAN STRIKE AN ARC.")
    return lines


def _outcome(setting: Setting) -> tuple[str, Role]:
    """Return what became of a write."""
    from kerfbus.bench.valuetext import with_unit

    register = setting.after.register
    name = setting.after.name or "value"
    if setting.problem:
        return f"{name}: not set: {setting.problem}", Role.BAD
    now = with_unit(register, setting.after.value)
    before = with_unit(register, setting.before.value) if setting.before is not None else "?"
    if setting.verified is False:
        return f"{name}: reads back {now}, NOT what was sent", Role.BAD
    tail = "read back" if setting.verified else "sent; cannot be read back"
    if setting.rounded_from is not None:
        tail += f"; {setting.rounded_from:.10g} was rounded"
    return f"{name}: {before} -> {now}, {tail}", Role.GOOD
