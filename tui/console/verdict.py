"""The three sentences on top: is it talking, is it healthy, what is wrong.

Pure: what is known goes in, three sentences come out. Each begins with a word that is an answer, so
colour is never needed. The limits between the answers are chosen and stand below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum

from kerfbus.tui.console.lines import Line, Role, Span, line
from kerfbus.tui.rates import per_cent

NS = 1_000_000_000
SILENT_NS = 3 * NS
"""After so long without a reply it is not talking."""
ENOUGH = 60
"""Fewer transactions prove little: 0 of 60 wrong means below 6 %."""
BAD_RATE = 1e-3
"""A link is unhealthy when more than this is certain to go wrong."""
RECENT_SECONDS = 60


class Door(Enum):
    """The state of the port."""

    SHUT = "no port is open"
    OPENING = "opening"
    OPEN = "open"
    LOST = "gone"
    FAILED = "cannot be opened"


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of the link at one moment.

    Attributes:
        now: that moment.
        port: the port string.
        server: whom is asked, None for a tap.
        door: state of the port.
        why: of a port that is gone or cannot be opened.
        reply_at: end of the last good frame that was heard, None for none yet.
        unanswered: requests in a row without a good reply.
        polls: requests a second, of late.
        trials: transactions that came to an end.
        wrong: of these, wrong ones.
        interval: of their rate, 95 %.
        recent_wrong: in the last minute.
        recent_trials: in the last minute.
        recent_kinds: what went wrong in the last minute, in words.
        fault: the unit's latched fault, "" for none or unknown.
        warnings: the unit's warnings.
        problems: why values could not be read -> how many.
        troubles: of recording, in words.
    """

    now: int
    port: str
    server: int | None
    door: Door
    why: str = ""
    reply_at: int | None = None
    unanswered: int = 0
    polls: float = 0.0
    trials: int = 0
    wrong: int = 0
    interval: tuple[float, float] = (0.0, 1.0)
    recent_wrong: int = 0
    recent_trials: int = 0
    recent_kinds: Sequence[str] = ()
    fault: str = ""
    warnings: Sequence[str] = ()
    problems: dict[str, int] = field(default_factory=dict)
    troubles: Sequence[str] = ()


def sentences(seen: Seen) -> tuple[Line, Line, Line]:
    """Return the three sentences."""
    return (
        _sentence("Talking?", *talking(seen)),
        _sentence("Healthy?", *healthy(seen)),
        _sentence("Wrong?", *wrong(seen)),
    )


_SIGNS = {Role.GOOD: "✔", Role.BAD: "✖", Role.WARN: "▲", Role.FAINT: "…"}


def _sentence(question: str, role: Role, answer: str, rest: str) -> Line:
    sign = Span(f"{_SIGNS[role]} {answer}", role)
    return line(Span(f" {question:<9}", Role.TITLE), sign, f"  {rest}" if rest else "")


Answer = tuple[Role, str, str]


def talking(seen: Seen) -> Answer:
    """Return whether anybody answers."""
    if seen.door is Door.SHUT:
        return Role.FAINT, "NO PORT", "press c to choose one"
    if seen.door is Door.OPENING:
        return Role.FAINT, "OPENING", seen.port
    if seen.door is Door.FAILED:
        return Role.BAD, "NO", f"{seen.why}; c chooses another port"
    if seen.door is Door.LOST:
        return Role.BAD, "NO", f"the port is gone, it is tried again: {seen.why}"
    who = "somebody" if seen.server is None else f"server {seen.server}"
    verb = "talks" if seen.server is None else "answers"
    if seen.reply_at is None:
        if seen.server is not None and seen.unanswered >= 2:
            return (
                Role.BAD,
                "NO",
                f"{who} was silent to all {seen.unanswered} requests; c: other settings, or find",
            )
        return Role.FAINT, "WAITING", f"nothing heard yet on {seen.port}"
    gone = seen.now - seen.reply_at
    if gone > SILENT_NS:
        asked = f", {seen.unanswered} requests unanswered" if seen.server is not None else ""
        return Role.BAD, "NOT NOW", f"nothing good heard for {gone // NS} s{asked}"
    rate = f", {seen.polls:.0f} transactions a second" if seen.polls >= 0.5 else ""
    return Role.GOOD, "YES", f"{who} {verb}{rate}"


def healthy(seen: Seen) -> Answer:
    """Return how good the link is, with an exact interval."""
    if not seen.trials:
        return Role.FAINT, "NOT KNOWN", "no transaction yet"
    low, high = (per_cent(end) for end in seen.interval)
    if not seen.wrong:
        said = f"no error in {seen.trials:,}"
        if seen.trials < ENOUGH:
            return Role.FAINT, "SO FAR", f"{said}, too few to be sure"
        return Role.GOOD, "YES", f"{said}; fewer than {high} go wrong (95 % sure)"
    rate = per_cent(seen.wrong / seen.trials)
    said = f"{seen.wrong:,} of {seen.trials:,} wrong: {rate} (95 % sure: {low} to {high})"
    if seen.interval[0] > BAD_RATE:
        return Role.BAD, "NO", said
    return Role.WARN, "NOT QUITE", said


def wrong(seen: Seen) -> Answer:
    """Return the worst that is wrong, and how much else is."""
    found = list(_wrongs(seen))
    if not found:
        quiet = seen.door in (Door.OPEN, Door.SHUT)
        return Role.GOOD if quiet else Role.FAINT, "NOTHING SEEN", ""
    role, word, said = found[0]
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    return role, word, said + more


def _wrongs(seen: Seen) -> list[Answer]:
    found: list[Answer] = [(Role.BAD, "RECORDING", each) for each in seen.troubles]
    if seen.door in (Door.LOST, Door.FAILED):
        found.append((Role.BAD, "PORT", seen.why))
    if seen.fault:
        found.append((Role.BAD, "FAULT", f"the supply says {seen.fault}"))
    if seen.recent_wrong:
        kinds = ", ".join(seen.recent_kinds) or "no reply"
        said = (
            f"{seen.recent_wrong} of {seen.recent_trials} in the last minute: {kinds}; x explains"
        )
        found.append((Role.BAD, "LINE", said))
    refusals = {why: count for why, count in seen.problems.items() if "refuses" in why}
    for why, count in refusals.items():
        many = f"{count} value{'s' if count > 1 else ''}"
        said = f"{many} cannot be read: is the map right? {why}"
        found.append((Role.WARN, "MAP", said))
    if seen.warnings:
        found.append((Role.WARN, "WARNING", "the supply warns: " + ", ".join(seen.warnings)))
    return found
