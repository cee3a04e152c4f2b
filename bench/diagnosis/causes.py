"""The table of causes: what each one is, where it shows, how, and what to look at next.

To add a cause, add an entry. `shows` names observations (`kerfbus.bench.diagnosis.observation`, the
modules ``see*``) and says for client, server and tap, in this order, how regularly the cause shows
them: `A` always, `O` often, `s` sometimes, `r` rarely, `.` never. What is not named is never shown.
A cause that shows itself in ways that exclude one another has several forms. An observation that
cannot be made at a vantage has no weight there, whatever is written.

Everything here is reasoning about receivers, drivers and cables, checked against captures of two
simulated lines that share no code; it is common practice, no source, unless one is named. Numbers
in the checks: MODBUS over Serial Line V1.02, 3.4.5 and 3.4.6 (terminators, polarization),
TIA/EIA-485-A by way of EURASIP JES 2016, table 1 (200 mV).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

OFF = (
    "Power off and locked out before anybody touches a terminal, an opened cabinet or the torch; "
    "live measurements are for licensed people. The manuals of the machine and of the supply and "
    "local codes come first."
)
"""The caution where a person may touch something."""
LOOK = (
    "Settings only; where a cabinet must be opened for it, power off and locked out first. The "
    "manuals of the machine and of the supply and local codes come first."
)
"""The caution where nothing need be touched."""

UNHEARD = 0.4
"""How common it is that a cause strikes what a listener does not hear, beside what it does hear
(chosen: a listener is mostly put where it hurts)."""


@dataclass(frozen=True, slots=True)
class Form:
    """A way in which a cause shows itself.

    Attributes:
        says: which way, "" where there is only one.
        shows: observation -> levels for client, server and tap.
        at: vantages at which it shows.
        weight: how common it is beside other forms of the cause (chosen).
    """

    says: str
    shows: Mapping[str, str]
    at: tuple[str, ...] = ("client", "server", "tap")
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause.

    Attributes:
        slug: as in machine-readable answers.
        says: what is physically so.
        seen_by: vantages that can see it.
        check: what to look at next.
        caution: what to mind while doing so.
        weight: how common it is beside others (chosen).
        forms: ways in which it shows itself.
    """

    slug: str
    says: str
    seen_by: tuple[str, ...]
    check: str
    caution: str
    weight: float
    forms: tuple[Form, ...]


HEALTHY: Mapping[str, str] = {
    "head-hurt": "s..",
    "tail-hurt": "s..",
    "in-runs": "s..",
    "lone": ".s.",
    "late-replies": ".r.",
    "long-silences": ".r.",
}
"""What a sound link may show for all that."""

CAUSES: tuple[Cause, ...] = (
    Cause(
        slug="arc-noise",
        says="noise bursts from the arc's start, transfer or cutting get onto the pair",
        seen_by=("client", "server", "tap"),
        check=(
            "Look where the pair runs beside the torch lead and the work lead, at its "
            "shield and at the bonding of the table; move or screen the pair, then count "
            "again with the arc off and on."
        ),
        caution=OFF,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "short-and-long": "sss",
                    "mostly-one-way": "..s",
                    "rubble-behind-reply": "AAA",
                    "inside-hurt": "AAA",
                    "garbled": "AAA",
                    "replies-hurt": "AAA",
                    "overlong": "AAA",
                    "worse-with-arc": "AAA",
                    "strays": "AAA",
                    "strays-with-arc": "AAA",
                    "several-servers": "AAA",
                    "long-bursts": "AOO",
                    "unanswered": "Ass",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "lone": "sss",
                    "strays-outnumber": "sss",
                    "asked-again": "rss",
                    "heads-lose-one-way": ".ss",
                    "impatient-requests": ".ss",
                    "one-talker": ".ss",
                    "some-requests-spared": "rrs",
                    "slow-answers": ".rs",
                    "in-blocks": ".rs",
                    "late-replies": ".rr",
                    "silent-blocks": ".rr",
                    "one-server": ".rr",
                    "missing-requests": "..r",
                    "long-silences": ".r.",
                    "server-unlike-itself": ".r.",
                },
                at=("client", "server", "tap"),
            ),
        ),
    ),
    Cause(
        slug="random-noise",
        says="single bits are hurt, evenly in time and place, whatever the arc does",
        seen_by=("client", "server", "tap"),
        check=(
            "Look for a source that is always on (a drive, a contactor, a switched supply) "
            "beside the pair, for an open shield and for a pair that is split between "
            "cables."
        ),
        caution=OFF,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "mostly-one-way": "..s",
                    "inside-hurt": "AAA",
                    "replies-hurt": "AAA",
                    "single-bits": "AAA",
                    "hurt-without-arc": "AAA",
                    "lone": "AAA",
                    "several-servers": "AAA",
                    "unanswered": "AAO",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "rubble-behind-reply": "sss",
                    "long-silences": "sss",
                    "strays": "sss",
                    "silent-blocks": "srs",
                    "long-bursts": "srs",
                    "strays-outnumber": "ssr",
                    "one-server": "ssr",
                    "some-requests-spared": "rss",
                    "late-replies": ".ss",
                    "impatient-requests": ".ss",
                    "asked-again": "rsr",
                    "one-talker": "s.r",
                    "slow-answers": ".rr",
                    "heads-lose-one-way": ".s.",
                    "head-hurt": "rr.",
                    "server-unlike-itself": ".s.",
                    "missing-requests": "..r",
                    "overlong": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "lone": ".s.",
                    "server-unlike-itself": ".s.",
                    "long-silences": ".r.",
                    "silent-blocks": ".r.",
                },
                at=("server",),
                weight=UNHEARD,
            ),
            Form(
                "it hurts only what the client hears",
                {
                    "asked-again": ".OO",
                    "long-silences": ".sO",
                    "silent-blocks": ".rr",
                    "hurt-without-arc": "..r",
                    "lone": ".ss",
                },
                at=("tap", "server"),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="missing-termination",
        says="the far end is open: reflections hurt the bits behind level changes",
        seen_by=("client", "server", "tap"),
        check=(
            "Measure across D0 and D1 with everything off: two terminators of 120 ohm in "
            "parallel give about 60 ohm, one about 120. Fit what is missing at the two ends "
            "of the trunk, nowhere else; a lower rate must make it better."
        ),
        caution=OFF,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "mostly-one-way": "..O",
                    "inside-hurt": "AAA",
                    "single-bits": "AOO",
                    "hurt-without-arc": "OOA",
                    "lone": "OOA",
                    "replies-hurt": "AOs",
                    "one-server": "OOO",
                    "one-talker": "OOO",
                    "after-edges": "OsO",
                    "same-bits": "sOs",
                    "some-requests-spared": "ssO",
                    "requests-hurt": ".OO",
                    "unanswered": "rss",
                    "late-replies": ".ss",
                    "heads-lose-one-way": ".ss",
                    "impatient-requests": ".ss",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                    "tail-hurt": "rrs",
                    "long-bursts": "rsr",
                    "several-servers": ".ss",
                    "slow-answers": "..s",
                    "rubble-behind-reply": ".rr",
                    "asked-again": ".rr",
                    "head-hurt": "rr.",
                    "garbled": "rr.",
                    "strays-outnumber": "..s",
                    "wide-turnaround": "..r",
                    "cut": ".r.",
                    "overlong": ".r.",
                    "in-blocks": "r..",
                    "both-ways": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "lone": "OsO",
                    "hurt-without-arc": "O.s",
                    "unanswered": "s.s",
                    "one-server": "s.s",
                    "long-silences": "r.s",
                    "silent-blocks": "s..",
                    "strays-outnumber": "..s",
                    "several-servers": "s..",
                    "some-requests-spared": "s..",
                },
                at=("client", "server", "tap"),
                weight=UNHEARD,
            ),
            Form(
                "it hurts only what the client hears",
                {
                    "asked-again": ".OO",
                    "long-silences": ".sO",
                    "silent-blocks": ".rr",
                    "lone": ".ss",
                    "single-bits": ".rr",
                },
                at=("tap", "server"),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="missing-bias",
        says="nothing holds the line while nobody drives it: it drifts through the threshold",
        seen_by=("client", "server", "tap"),
        check=(
            "Measure D1 against D0 in silence: 200 mV or more is wanted. Look for the bias "
            "resistors, which belong to one place on the pair."
        ),
        caution=OFF,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "short-and-long": "rrr",
                    "mostly-one-way": "..s",
                    "rubble-behind-reply": "AAA",
                    "replies-hurt": "AAA",
                    "hurt-without-arc": "AAA",
                    "lone": "AAA",
                    "strays": "AAA",
                    "strays-outnumber": "AAA",
                    "breaks": "AAA",
                    "several-servers": "AAA",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "head-hurt": "Oss",
                    "unanswered": "sss",
                    "tail-hurt": "sss",
                    "inside-hurt": "sss",
                    "long-silences": "rss",
                    "long-bursts": "sss",
                    "asked-again": "rsr",
                    "one-talker": "sss",
                    "slow-answers": ".sr",
                    "heads-lose-one-way": ".sr",
                    "impatient-requests": ".ss",
                    "garbled": "sss",
                    "strays-with-arc": ".rs",
                    "late-replies": ".rr",
                    "wide-turnaround": ".s.",
                    "same-bits": "..s",
                    "overlong": "sss",
                    "in-blocks": "rr.",
                    "one-server": "rr.",
                    "some-requests-spared": "rr.",
                    "server-unlike-itself": ".s.",
                    "heads-when-quick": "..r",
                    "second-replies": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "lone": "OOO",
                    "strays": "OOO",
                    "strays-outnumber": "OOO",
                    "breaks": "OOO",
                    "rubble-behind-reply": "OOs",
                    "several-servers": "sOs",
                    "silent-blocks": "rrr",
                    "asked-again": "sss",
                    "unanswered": "sss",
                    "head-hurt": ".Os",
                    "hurt-without-arc": "sO.",
                    "late-replies": "..s",
                    "slow-answers": "..s",
                    "long-silences": ".s.",
                    "one-server": "..s",
                    "some-requests-spared": "..s",
                    "tail-hurt": "r..",
                    "in-runs": ".r.",
                    "strays-with-arc": "r..",
                },
                at=("client", "server", "tap"),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="early-release",
        says="a driver lets go of the line before its last stop bit",
        seen_by=("client", "server", "tap"),
        check=(
            "Look at how the sender turns its driver on and off: automatic direction "
            "control of an adapter set for another rate, or a driver-enable time set too "
            "short."
        ),
        caution=LOOK,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "mostly-one-way": "..A",
                    "tail-hurt": "AAA",
                    "tail-to-idle": "AAA",
                    "lone": "AAA",
                    "hurt-without-arc": "sAA",
                    "replies-hurt": "ArO",
                    "one-talker": "sAs",
                    "requests-hurt": ".As",
                    "single-bits": "sss",
                    "after-edges": "sss",
                    "one-server": "sss",
                    "several-servers": ".ss",
                    "some-requests-spared": "rsr",
                    "long-silences": ".s.",
                    "silent-blocks": ".s.",
                    "wide-turnaround": "..r",
                    "unanswered": ".r.",
                    "server-unlike-itself": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "unanswered": "s..",
                    "hurt-without-arc": "s..",
                    "lone": "s..",
                },
                at=("client",),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="late-release",
        says="a driver holds the line into the head of what the other side says",
        seen_by=("client", "server", "tap"),
        check=(
            "Look at how the sender that talked before turns its driver off: direction by a "
            "timer or by the host is often late. Let the other side answer later, as a "
            "test."
        ),
        caution=LOOK,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "mostly-one-way": "..A",
                    "lone": "AAA",
                    "hurt-without-arc": "AAO",
                    "cut": "AOO",
                    "several-servers": "AOO",
                    "heads-lose-one-way": ".AA",
                    "garbled": "OsO",
                    "replies-hurt": "A.O",
                    "one-talker": ".OA",
                    "inside-hurt": "sss",
                    "requests-hurt": ".As",
                    "strays": "rss",
                    "mostly-incomplete": "srr",
                    "long-bursts": "s.s",
                    "one-server": ".ss",
                    "rubble-behind-reply": "s.r",
                    "unanswered": "r.s",
                    "heads-when-quick": "r.r",
                    "head-hurt": "r.r",
                    "some-requests-spared": ".s.",
                    "request-heads-when-quick": ".r.",
                    "long-silences": "r..",
                    "asked-again": "..r",
                    "breaks": ".r.",
                    "server-unlike-itself": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "long-silences": ".sO",
                    "silent-blocks": ".sO",
                    "lone": ".sO",
                    "unanswered": "..s",
                    "hurt-without-arc": "..s",
                    "asked-again": "..r",
                    "one-server": "..r",
                    "some-requests-spared": "..r",
                },
                at=("server", "tap"),
                weight=UNHEARD,
            ),
            Form(
                "it hurts only what the client hears",
                {
                    "asked-again": ".AA",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                },
                at=("tap", "server"),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="echo",
        says="the adapter hears its own transmission",
        seen_by=("client", "server"),
        check=(
            "Turn the echo off at the adapter (receiver off while it sends), or leave it: "
            "it does no harm to a program that knows it."
        ),
        caution=LOOK,
        weight=1.0,
        forms=(
            Form(
                "",
                {
                    "own-echo": "OO.",
                    "lone": ".s.",
                    "server-unlike-itself": ".s.",
                    "unanswered": "r..",
                    "in-runs": ".r.",
                    "some-requests-spared": "r..",
                },
                at=("client", "server"),
            ),
        ),
    ),
    Cause(
        slug="adapter-gaps",
        says="the host or its adapter hands characters over in lumps",
        seen_by=("client", "server", "tap"),
        check=(
            "Look at the adapter's latency timer, its buffer and what else the host does. "
            "The cable has nothing to do with it."
        ),
        caution=LOOK,
        weight=1.0,
        forms=(
            Form(
                "the client gives up on frames that come in parts",
                {
                    "split-frames": "OAA",
                    "wide-turnaround": "sss",
                    "long-silences": "sss",
                    "inside-hurt": "sss",
                    "cut": "sss",
                    "replies-hurt": "sss",
                    "hurt-without-arc": "sss",
                    "strays": "sss",
                    "several-servers": "sss",
                    "overlong": "rss",
                    "slow-answers": ".ss",
                    "impatient-requests": ".ss",
                    "unanswered": ".ss",
                    "mostly-incomplete": "ss.",
                    "garbled": ".ss",
                    "requests-hurt": ".ss",
                    "in-runs": ".ss",
                    "strays-outnumber": "ss.",
                    "both-ways": ".ss",
                    "late-replies": ".sr",
                    "lone": "sr.",
                    "breaks": "sr.",
                    "request-heads-when-quick": "..s",
                    "heads-lose-one-way": ".s.",
                    "rubble-behind-reply": ".rr",
                    "unheard-requests": ".s.",
                    "silent-blocks": "..s",
                    "head-hurt": "..s",
                    "one-server": ".s.",
                    "some-requests-spared": "..s",
                    "server-unlike-itself": ".s.",
                    "second-replies": ".r.",
                    "asked-again": ".r.",
                    "long-bursts": "r..",
                    "in-blocks": "..r",
                    "one-talker": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "frames come in parts, and nothing else",
                {
                    "split-frames": "AOO",
                    "lone": ".ss",
                    "late-replies": ".s.",
                    "unanswered": ".s.",
                    "in-runs": "..s",
                    "some-requests-spared": ".s.",
                    "server-unlike-itself": ".s.",
                    "silent-blocks": "..r",
                },
                at=("client", "server", "tap"),
            ),
        ),
    ),
    Cause(
        slug="duplicate-address",
        says="two servers answer to one address",
        seen_by=("client", "server", "tap"),
        check=("Take the servers off the line one by one, or read the address each one is set to."),
        caution=OFF,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "short-and-long": "rrr",
                    "mostly-one-way": "..s",
                    "rubble-behind-reply": "AAA",
                    "replies-hurt": "AAA",
                    "lone": "AAO",
                    "one-server": "AOA",
                    "hurt-without-arc": "AsO",
                    "server-unlike-itself": "OOO",
                    "tail-hurt": "OOs",
                    "inside-hurt": "OrA",
                    "garbled": "ssO",
                    "long-bursts": "O.A",
                    "second-replies": "sss",
                    "overlong": "sss",
                    "long-silences": "rsr",
                    "silent-blocks": "rrs",
                    "requests-hurt": ".Os",
                    "same-bits": "s.s",
                    "strays": "rsr",
                    "both-ways": ".ss",
                    "one-talker": "s.s",
                    "late-replies": "rrs",
                    "slow-answers": ".rs",
                    "unanswered": ".rs",
                    "after-edges": "s.r",
                    "some-requests-spared": "rrr",
                    "heads-lose-one-way": "..s",
                    "impatient-requests": ".ss",
                    "unheard-requests": ".s.",
                    "asked-again": ".ss",
                    "strays-outnumber": ".s.",
                    "breaks": "s..",
                    "foreign-requests": "r..",
                    "head-hurt": "..r",
                    "cut": ".r.",
                    "in-blocks": "..r",
                    "several-servers": "r..",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "rubble-behind-reply": ".O.",
                    "hurt-without-arc": ".O.",
                    "lone": ".O.",
                    "server-unlike-itself": ".O.",
                    "long-silences": ".s.",
                    "silent-blocks": ".s.",
                    "asked-again": ".s.",
                    "tail-hurt": ".s.",
                    "strays": ".s.",
                    "strays-outnumber": ".s.",
                    "some-requests-spared": ".s.",
                    "late-replies": ".r.",
                    "slow-answers": ".r.",
                    "second-replies": ".r.",
                    "unheard-requests": ".r.",
                    "unanswered": ".r.",
                    "breaks": ".r.",
                    "one-server": ".r.",
                },
                at=("server",),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="second-client",
        says="somebody else asks on this line",
        seen_by=("client", "server", "tap"),
        check=(
            "Find who else asks: a second controller, a panel, a service laptop. A serial "
            "line has one client."
        ),
        caution=LOOK,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "short-and-long": "rrr",
                    "mostly-one-way": "..s",
                    "unanswered": "AAA",
                    "inside-hurt": "AAA",
                    "replies-hurt": "AAA",
                    "hurt-without-arc": "AAA",
                    "several-servers": "AAA",
                    "overlong": "OAA",
                    "rubble-behind-reply": "AsA",
                    "garbled": "OsA",
                    "lone": "AOs",
                    "impatient-requests": ".AA",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "server-unlike-itself": "AA.",
                    "slow-answers": "sss",
                    "silent-blocks": "sss",
                    "long-bursts": "sss",
                    "long-silences": "rss",
                    "some-requests-spared": "rss",
                    "late-replies": ".ss",
                    "heads-lose-one-way": ".ss",
                    "foreign-requests": "A..",
                    "asked-out-of-turn": ".ss",
                    "cut": "rsr",
                    "in-runs": ".ss",
                    "strays": "ss.",
                    "second-replies": "rs.",
                    "one-server": ".sr",
                    "unheard-requests": ".s.",
                    "asked-again": "rr.",
                    "tail-to-idle": ".s.",
                    "breaks": "r.r",
                    "missing-requests": "..r",
                    "head-hurt": "..r",
                    "one-talker": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "it talks while replies are due, and little is damaged",
                {
                    "impatient-requests": ".AA",
                    "unanswered": ".OO",
                    "lone": ".OO",
                    "asked-out-of-turn": ".ss",
                    "asked-again": ".ss",
                    "several-servers": ".ss",
                    "some-requests-spared": ".ss",
                    "replies-hurt": ".ss",
                    "requests-hurt": ".ss",
                    "hurt-without-arc": ".OO",
                    "inside-hurt": ".ss",
                    "overlong": ".ss",
                    "late-replies": ".rr",
                    "slow-answers": ".ss",
                    "rubble-behind-reply": ".ss",
                    "server-unlike-itself": ".s.",
                },
                at=("server", "tap"),
            ),
            Form(
                "it talks in the pauses and nothing is hurt",
                {
                    "foreign-requests": "A..",
                    "asked-out-of-turn": ".AA",
                },
                at=("client", "server", "tap"),
            ),
        ),
    ),
    Cause(
        slug="intermittent-contact",
        says="the pair opens for moments: everything is lost at once",
        seen_by=("client", "server", "tap"),
        check=(
            "Look at every screw terminal, plug and crimp of the pair, and where the cable "
            "moves. Pull gently on each conductor."
        ),
        caution=OFF,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "short-and-long": "sss",
                    "blocks-end-in-reply": "rrr",
                    "mostly-one-way": "..s",
                    "replies-hurt": "AsA",
                    "hurt-without-arc": "AOO",
                    "several-servers": "OOA",
                    "in-runs": "OsA",
                    "in-blocks": "OsO",
                    "unanswered": "A.O",
                    "requests-hurt": ".AO",
                    "cut": "A.s",
                    "mostly-incomplete": "A.s",
                    "long-silences": ".Os",
                    "inside-hurt": "rss",
                    "garbled": ".sO",
                    "strays": "rss",
                    "both-ways": ".sO",
                    "rubble-behind-reply": ".ss",
                    "missing-requests": ".ss",
                    "silent-blocks": ".Or",
                    "overlong": ".ss",
                    "lone": "ss.",
                    "breaks": ".ss",
                    "impatient-requests": ".rs",
                    "unheard-requests": ".s.",
                    "long-bursts": ".s.",
                    "worse-with-arc": "r.r",
                    "some-requests-spared": ".s.",
                    "asked-again": ".r.",
                    "strays-outnumber": "..r",
                    "one-server": "..r",
                    "one-talker": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "short-and-long": "ss.",
                    "unanswered": "A.O",
                    "silent-blocks": ".Ar",
                    "hurt-without-arc": "O.s",
                    "in-runs": "O.s",
                    "several-servers": "O.s",
                    "long-silences": ".Or",
                    "in-blocks": "s.s",
                    "missing-requests": ".O.",
                    "lone": "rss",
                    "requests-hurt": ".ss",
                    "cut": ".ss",
                    "impatient-requests": "..s",
                    "asked-again": ".s.",
                    "late-replies": "..r",
                    "single-bits": "r..",
                    "strays": ".r.",
                    "one-server": "..r",
                },
                at=("client", "server", "tap"),
                weight=UNHEARD,
            ),
            Form(
                "the branch of the listener opens",
                {
                    "missing-requests": "..A",
                    "long-silences": "..s",
                    "silent-blocks": "..r",
                    "requests-hurt": "..s",
                    "replies-hurt": "..s",
                    "unanswered": "..s",
                    "unheard-requests": "..s",
                    "hurt-without-arc": "..s",
                    "several-servers": "..s",
                    "cut": "..s",
                    "lone": "..s",
                    "both-ways": "..s",
                },
                at=("tap",),
            ),
        ),
    ),
    Cause(
        slug="ground-offset",
        says="while a load is on, two commons are too far apart: one direction dies in blocks",
        seen_by=("client", "server", "tap"),
        check=(
            "Find out which load is on when it happens. Look for the third conductor "
            "(common) of the pair and for where it is bonded; have a measurement between "
            "the commons made by somebody licensed for it."
        ),
        caution=OFF,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "short-and-long": "rrr",
                    "blocks-end-in-reply": "s.s",
                    "mostly-one-way": "..O",
                    "several-servers": "AOO",
                    "replies-hurt": "ArA",
                    "hurt-without-arc": "AsO",
                    "in-runs": "AsO",
                    "in-blocks": "Ass",
                    "unanswered": "Ors",
                    "cut": "OsO",
                    "garbled": "sss",
                    "breaks": "sss",
                    "rubble-behind-reply": "srs",
                    "silent-blocks": ".sO",
                    "inside-hurt": "ssr",
                    "requests-hurt": ".Os",
                    "worse-with-arc": ".sO",
                    "strays": "srs",
                    "mostly-incomplete": "srs",
                    "one-talker": ".ss",
                    "missing-requests": ".sr",
                    "long-silences": ".sr",
                    "asked-again": ".sr",
                    "long-bursts": "rrr",
                    "strays-outnumber": "sr.",
                    "after-edges": ".s.",
                    "lone": ".s.",
                    "both-ways": "..s",
                    "late-replies": "..r",
                    "slow-answers": "..r",
                    "wide-turnaround": "..r",
                    "impatient-requests": "..r",
                    "tail-hurt": ".r.",
                    "overlong": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "short-and-long": "rr.",
                    "unanswered": "A.A",
                    "hurt-without-arc": "OsO",
                    "in-runs": "A.s",
                    "in-blocks": "s.O",
                    "several-servers": "O.r",
                    "silent-blocks": ".O.",
                    "mostly-incomplete": "O..",
                    "lone": ".sr",
                    "unheard-requests": ".s.",
                    "long-silences": ".s.",
                    "worse-with-arc": "r.r",
                    "breaks": "..s",
                    "one-server": "..s",
                    "late-replies": "..r",
                    "impatient-requests": "..r",
                    "missing-requests": ".r.",
                    "asked-again": ".r.",
                    "strays": "..r",
                    "some-requests-spared": "..r",
                    "server-unlike-itself": ".r.",
                },
                at=("client", "server", "tap"),
                weight=UNHEARD,
            ),
            Form(
                "it hurts only what the client hears",
                {
                    "asked-again": ".OO",
                    "long-silences": ".OO",
                    "silent-blocks": ".ss",
                    "ignored-in-runs": ".OO",
                    "strays": ".rr",
                    "breaks": ".rr",
                },
                at=("tap", "server"),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="swapped-pair",
        says="D0 and D1 are exchanged",
        seen_by=("client", "tap"),
        check=("Exchange D0 and D1 at one station and try again; makers name them differently."),
        caution=OFF,
        weight=0.8,
        forms=(
            Form(
                "",
                {
                    "inverted-fits": "..A",
                    "nothing-readable": "..O",
                    "long-silences": "s..",
                    "garbled": "..s",
                    "requests-hurt": "..s",
                    "replies-hurt": "..s",
                    "overlong": "..s",
                    "hurt-without-arc": "..s",
                    "in-blocks": "..s",
                    "both-ways": "..s",
                    "one-talker": "..s",
                },
                at=("client", "tap"),
            ),
            Form(
                "one server only, which is silent",
                {
                    "one-address-silent": "A.A",
                },
                at=("client", "tap"),
            ),
            Form(
                "all servers are silent",
                {
                    "nobody-answers": "A.A",
                },
                at=("client", "tap"),
            ),
        ),
    ),
    Cause(
        slug="wrong-baud",
        says="one station runs at another rate",
        seen_by=("client", "tap"),
        check=("Compare the rates that client, server and this listener are set to."),
        caution=LOOK,
        weight=0.8,
        forms=(
            Form(
                "",
                {
                    "nothing-readable": "..A",
                    "nothing-fits": "..A",
                    "format-fits": "..s",
                    "rate-fits": "..s",
                },
                at=("client", "tap"),
            ),
            Form(
                "one server only, which is silent",
                {
                    "one-address-silent": "A.A",
                },
                at=("client", "tap"),
            ),
            Form(
                "all servers are silent",
                {
                    "nobody-answers": "A.A",
                },
                at=("client", "tap"),
            ),
        ),
    ),
    Cause(
        slug="wrong-format",
        says="one station has another parity or number of stop bits",
        seen_by=("client", "tap"),
        check=("Compare the character formats that client, server and this listener are set to."),
        caution=LOOK,
        weight=0.8,
        forms=(
            Form(
                "",
                {
                    "nothing-readable": "..O",
                    "format-fits": "..O",
                    "long-silences": "..s",
                    "nothing-fits": "..r",
                },
                at=("client", "tap"),
            ),
            Form(
                "one server only, which is silent",
                {
                    "one-address-silent": "A.A",
                },
                at=("client", "tap"),
            ),
            Form(
                "all servers are silent",
                {
                    "nobody-answers": "A.A",
                },
                at=("client", "tap"),
            ),
        ),
    ),
    Cause(
        slug="slow-server",
        says="replies come near or after the time-out",
        seen_by=("client", "tap"),
        check=(
            "Give the client more patience and see whether the losses go; ask for fewer "
            "registers at a time."
        ),
        caution=LOOK,
        weight=1.0,
        forms=(
            Form(
                "frames arrive damaged",
                {
                    "short-and-long": "s.s",
                    "mostly-one-way": "..O",
                    "late-replies": "A.A",
                    "slow-answers": "A.A",
                    "unanswered": "A.A",
                    "wide-turnaround": "A.O",
                    "hurt-without-arc": "A.O",
                    "lone": "O.O",
                    "one-server": "O.O",
                    "rubble-behind-reply": "s.s",
                    "inside-hurt": "s.s",
                    "garbled": "s.s",
                    "replies-hurt": "s.s",
                    "long-bursts": "s.s",
                    "overlong": "s.s",
                    "several-servers": "s.s",
                    "asked-again": "r.s",
                    "in-runs": "s.r",
                    "impatient-requests": "..r",
                    "missing-requests": "..s",
                    "long-silences": "s..",
                    "cut": "s..",
                    "requests-hurt": "..s",
                    "strays": "s..",
                    "both-ways": "..s",
                    "in-blocks": "..r",
                    "one-talker": "r..",
                    "some-requests-spared": "r..",
                },
                at=("client", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "slow-answers": "O.O",
                    "wide-turnaround": "O.O",
                    "hurt-without-arc": "O.O",
                    "lone": "O.O",
                    "late-replies": "s.O",
                    "unanswered": "s.O",
                    "one-server": "s.O",
                    "asked-again": "s.s",
                    "several-servers": "s.s",
                    "foreign-requests": "s..",
                    "silent-blocks": "..s",
                    "impatient-requests": "..r",
                    "long-silences": "..r",
                    "head-hurt": "..r",
                },
                at=("client", "tap"),
                weight=UNHEARD,
            ),
            Form(
                "replies come just behind the time-out, before the next request",
                {
                    "asked-again": "A.A",
                    "slow-answers": "s.s",
                    "wide-turnaround": "s.s",
                    "one-server": "s.s",
                    "late-replies": "s.s",
                    "lone": "s.s",
                },
                at=("client", "tap"),
                weight=UNHEARD,
            ),
        ),
    ),
    Cause(
        slug="no-server",
        says="nobody has this address",
        seen_by=("client", "tap"),
        check=("See whether the unit is on, connected and set to this address."),
        caution=OFF,
        weight=0.8,
        forms=(
            Form(
                "",
                {
                    "one-address-silent": "A.A",
                },
                at=("client", "tap"),
            ),
            Form(
                "nobody at all answers",
                {
                    "nobody-answers": "A.A",
                },
                at=("client", "tap"),
            ),
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class Alike:
    """Causes that cannot be told apart from a vantage.

    Attributes:
        causes: their slugs.
        vantage: where.
        when: the observation that must be there for it.
        tell: what would tell.
    """

    causes: tuple[str, ...]
    vantage: str
    when: str
    tell: str


SILENCE = ("no-server", "swapped-pair", "wrong-baud", "wrong-format")
ALIKE: tuple[Alike, ...] = tuple(
    Alike(
        SILENCE,
        "client",
        when,
        "From a client all of these are the same silence. A tap at the server's end tells them "
        "apart, and so does `find` on a line with this one server.",
    )
    for when in ("nobody-answers", "one-address-silent")
)
"""What must be said to be indistinguishable."""


def by_slug(slug: str) -> Cause:
    """Return a cause of the table."""
    return next(cause for cause in CAUSES if cause.slug == slug)
