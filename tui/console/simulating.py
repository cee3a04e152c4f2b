"""What a person can do to a simulated supply and its line, as a list to choose from."""

from __future__ import annotations

from typing import NamedTuple

from kerfbus.sim.hand import DEFECTS, LINE_TROUBLES, QUANTITIES, WEAR_PERCENT, Hand, with_trouble
from kerfbus.sim.surroundings import PARTS


class Act(NamedTuple):
    """Something that can be done.

    Attributes:
        key: what kind, and to what: ``kind:name``.
        shown: for people.
        done: what is said, and marked, afterwards.
        asks: what number it needs, "" for none.
        given: a number to begin with.
    """

    key: str
    shown: str
    done: str
    asks: str = ""
    given: str = ""


def acts(hand: Hand, port: str) -> list[Act]:
    """Return what can be done now, what is wanted most often first."""
    first = (
        Act("stop:", "Stop the arc", "arc stopped")
        if hand.burning
        else Act("strike:", "Strike the arc (switches the supply on first)", "arc ordered")
    )
    around = hand.surroundings
    numbers = ("stand_off", *(name for name in QUANTITIES if name != "stand_off"))
    found = [first, Act("clear:", "Clear the latched fault", "fault cleared")]
    found += [_number(name, getattr(around, name)) for name in numbers]
    found += [
        Act(
            f"wear:{part}",
            f"wear of {part:<22} {hand.wear(part):.1f} %",
            f"wear of {part}",
            "{:g} to {:g} {}".format(*WEAR_PERCENT),
            f"{hand.wear(part):.1f}",
        )
        for part in PARTS
    ]
    for name, text in DEFECTS.items():
        there = name in hand.defects
        verb = "lifted" if there else "injected"
        sign = "[x]" if there else "[ ]"
        found.append(Act(f"defect:{name}", f"{sign} {name:<24} {text}", f"{verb} {name}"))
    if "?cause=" in port:
        found.append(Act("line:", "line: nothing wrong (a fresh supply)", "line healthy"))
    found += [
        Act(
            f"line:{name}",
            f"line: {name:<22} (a fresh supply on another line)",
            f"line {name}, severity",
            "severity, 0 (barely visible) to 1 (dead)",
            "0.5",
        )
        for name in LINE_TROUBLES
    ]
    return found


def _number(name: str, value: float | None) -> Act:
    low, high, unit = QUANTITIES[name]
    now = "as it fits" if value is None else f"{value:g}"
    return Act(
        f"set:{name}",
        f"{name:<20} {now:>9}   {low:g} to {high:g} {unit}",
        name,
        f"{low:g} to {high:g} {unit}",
        "" if value is None else f"{value:g}",
    )


def doing(hand: Hand, act: Act, value: float, port: str) -> str | None:
    """Do an act; return the port that must be opened for it, None where nothing must be.

    Raises:
        UsageError: it cannot be done.
    """
    kind, _, name = act.key.partition(":")
    match kind:
        case "strike":
            hand.strike()
        case "stop":
            hand.stop()
        case "clear":
            hand.clear_fault()
        case "set":
            hand.set(name, value)
        case "wear":
            hand.set_wear(name, value)
        case "defect" if name in hand.defects:
            hand.lift(name)
        case "defect":
            hand.inject(name)
        case _:
            return with_trouble(port, name or None, value)
    return None
