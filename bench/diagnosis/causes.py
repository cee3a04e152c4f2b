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


@dataclass(frozen=True, slots=True)
class Form:
    """A way in which a cause shows itself.

    Attributes:
        says: which way, "" where there is only one.
        shows: observation -> levels for client, server and tap.
        at: vantages at which it shows.
    """

    says: str
    shows: Mapping[str, str]
    at: tuple[str, ...] = ("client", "server", "tap")


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
    "silent-blocks": ".ss",
    "asked-out-of-turn": ".rr",
    "long-silences": ".rr",
    "server-unlike-itself": ".s.",
    "unheard-requests": ".r.",
    "hurt-without-arc": ".r.",
    "lone": ".r.",
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
                    "rubble-behind-reply": "AAA",
                    "inside-hurt": "AAA",
                    "garbled": "AAA",
                    "replies-hurt": "AAA",
                    "overlong": "AAA",
                    "worse-with-arc": "AAA",
                    "strays": "AAA",
                    "strays-with-arc": "AAA",
                    "several-servers": "AAA",
                    "long-bursts": "OOA",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "unanswered": "sss",
                    "lone": "sss",
                    "strays-outnumber": "sss",
                    "impatient-requests": ".ss",
                    "silent-blocks": ".ss",
                    "one-talker": ".ss",
                    "some-requests-spared": "srr",
                    "slow-answers": ".rs",
                    "heads-lose-one-way": ".sr",
                    "long-silences": ".sr",
                    "asked-again": ".rs",
                    "asked-out-of-turn": ".rr",
                    "in-blocks": ".rr",
                    "late-replies": "..r",
                    "unheard-requests": ".r.",
                    "missing-requests": "..r",
                    "one-server": "..r",
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
                    "inside-hurt": "AAA",
                    "replies-hurt": "AAA",
                    "hurt-without-arc": "AAA",
                    "several-servers": "AAA",
                    "single-bits": "AOA",
                    "lone": "AOA",
                    "unanswered": "AOO",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "rubble-behind-reply": "sss",
                    "long-bursts": "sss",
                    "strays": "sss",
                    "strays-outnumber": "ssr",
                    "one-server": "ssr",
                    "some-requests-spared": "rss",
                    "late-replies": ".ss",
                    "impatient-requests": ".ss",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                    "head-hurt": "rsr",
                    "strays-with-arc": "s.s",
                    "one-talker": "srr",
                    "asked-again": ".sr",
                    "unheard-requests": ".s.",
                    "server-unlike-itself": ".s.",
                    "slow-answers": "..r",
                    "missing-requests": "..r",
                    "garbled": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "tail-hurt": ".s.",
                    "tail-to-idle": ".s.",
                    "lone": ".s.",
                    "server-unlike-itself": ".s.",
                    "asked-out-of-turn": ".r.",
                },
                at=("server",),
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
                    "inside-hurt": "AAO",
                    "replies-hurt": "AAO",
                    "single-bits": "AOO",
                    "hurt-without-arc": "OAO",
                    "lone": "OOA",
                    "one-server": "OAO",
                    "one-talker": "OAO",
                    "after-edges": "sOO",
                    "same-bits": "sss",
                    "requests-hurt": ".sO",
                    "some-requests-spared": "rrO",
                    "heads-lose-one-way": ".ss",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                    "unanswered": "rrs",
                    "long-bursts": "rsr",
                    "late-replies": "..s",
                    "impatient-requests": "..s",
                    "asked-again": "..s",
                    "tail-hurt": ".rr",
                    "garbled": "rr.",
                    "server-unlike-itself": ".s.",
                    "slow-answers": "..r",
                    "wide-turnaround": "..r",
                    "asked-out-of-turn": "..r",
                    "rubble-behind-reply": "..r",
                    "head-hurt": "r..",
                    "in-blocks": "r..",
                    "strays": "..r",
                    "several-servers": ".r.",
                    "both-ways": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "lone": "O..",
                    "long-silences": "..s",
                    "unanswered": "s..",
                    "hurt-without-arc": "s..",
                    "several-servers": "s..",
                    "server-unlike-itself": ".s.",
                    "late-replies": "r..",
                    "asked-out-of-turn": ".r.",
                    "one-server": "r..",
                    "one-address-silent": "r..",
                },
                at=("client", "server", "tap"),
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
                    "rubble-behind-reply": "AAA",
                    "replies-hurt": "AAA",
                    "hurt-without-arc": "AAA",
                    "strays": "AAA",
                    "strays-outnumber": "AAA",
                    "breaks": "AAA",
                    "several-servers": "AAA",
                    "lone": "AOA",
                    "requests-hurt": ".AA",
                    "both-ways": ".OA",
                    "unanswered": "sss",
                    "head-hurt": "sss",
                    "tail-hurt": "sss",
                    "inside-hurt": "sss",
                    "garbled": "srs",
                    "long-silences": ".ss",
                    "some-requests-spared": "rsr",
                    "slow-answers": ".sr",
                    "heads-lose-one-way": ".sr",
                    "impatient-requests": ".sr",
                    "asked-again": ".sr",
                    "long-bursts": ".rs",
                    "strays-with-arc": ".sr",
                    "late-replies": ".rr",
                    "wide-turnaround": ".s.",
                    "asked-out-of-turn": ".rr",
                    "unheard-requests": ".s.",
                    "silent-blocks": "..s",
                    "in-blocks": "rr.",
                    "one-server": ".s.",
                    "one-talker": ".s.",
                    "server-unlike-itself": ".s.",
                    "heads-when-quick": "..r",
                    "second-replies": ".r.",
                    "missing-requests": "..r",
                    "overlong": "r..",
                    "worse-with-arc": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "strays": "OOO",
                    "strays-outnumber": "OOO",
                    "breaks": "OOO",
                    "lone": "OsO",
                    "rubble-behind-reply": "sOs",
                    "unanswered": "sss",
                    "head-hurt": ".Os",
                    "hurt-without-arc": "sO.",
                    "silent-blocks": ".ss",
                    "asked-again": ".ss",
                    "several-servers": ".ss",
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
                    "tail-hurt": "AAA",
                    "tail-to-idle": "AAA",
                    "hurt-without-arc": "OAA",
                    "lone": "OAA",
                    "replies-hurt": "ArO",
                    "one-talker": "sOs",
                    "requests-hurt": ".As",
                    "single-bits": "sss",
                    "one-server": "sss",
                    "several-servers": "sss",
                    "after-edges": "rss",
                    "silent-blocks": ".ss",
                    "some-requests-spared": "rsr",
                    "asked-out-of-turn": "..s",
                    "long-silences": ".s.",
                    "server-unlike-itself": ".s.",
                    "slow-answers": "..r",
                    "wide-turnaround": "..r",
                    "impatient-requests": "..r",
                    "unheard-requests": ".r.",
                    "unanswered": "..r",
                    "inside-hurt": "r..",
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
                    "hurt-without-arc": "AAA",
                    "lone": "AAA",
                    "cut": "AAs",
                    "garbled": "AAs",
                    "replies-hurt": "AsA",
                    "several-servers": "AOs",
                    "heads-lose-one-way": ".AA",
                    "silent-blocks": ".AO",
                    "one-talker": ".AO",
                    "inside-hurt": "sss",
                    "unanswered": "rss",
                    "strays": "rsr",
                    "one-server": ".ss",
                    "head-hurt": "r.s",
                    "requests-hurt": ".O.",
                    "long-bursts": "s.r",
                    "asked-out-of-turn": "..s",
                    "long-silences": ".s.",
                    "some-requests-spared": ".s.",
                    "late-replies": ".r.",
                    "heads-when-quick": "r..",
                    "request-heads-when-quick": ".r.",
                    "impatient-requests": ".r.",
                    "rubble-behind-reply": "r..",
                    "unheard-requests": ".r.",
                    "asked-again": "..r",
                    "breaks": ".r.",
                    "both-ways": ".r.",
                    "server-unlike-itself": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "silent-blocks": ".OO",
                    "long-silences": ".sO",
                    "lone": ".rO",
                    "asked-out-of-turn": ".s.",
                    "unheard-requests": ".s.",
                    "asked-again": "..r",
                    "unanswered": "..r",
                    "hurt-without-arc": "..r",
                    "one-server": "..r",
                    "some-requests-spared": "..r",
                },
                at=("server", "tap"),
            ),
            Form(
                "it hurts only what the client hears",
                {
                    "asked-again": ".AA",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                },
                at=("tap", "server"),
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
                    "lone": "ss.",
                    "silent-blocks": ".s.",
                    "unanswered": "rr.",
                    "some-requests-spared": "rr.",
                    "server-unlike-itself": ".s.",
                    "slow-answers": ".r.",
                    "asked-out-of-turn": ".r.",
                    "unheard-requests": ".r.",
                    "hurt-without-arc": ".r.",
                    "in-runs": ".r.",
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
                    "split-frames": "OOA",
                    "wide-turnaround": "sss",
                    "cut": "sss",
                    "replies-hurt": "sss",
                    "hurt-without-arc": "sss",
                    "in-runs": "sss",
                    "strays": "sss",
                    "several-servers": "sss",
                    "inside-hurt": "srs",
                    "garbled": "srs",
                    "overlong": "srs",
                    "slow-answers": ".ss",
                    "heads-lose-one-way": ".ss",
                    "impatient-requests": ".ss",
                    "long-silences": ".ss",
                    "unanswered": ".ss",
                    "head-hurt": "s.s",
                    "requests-hurt": ".ss",
                    "strays-outnumber": "ss.",
                    "both-ways": ".ss",
                    "request-heads-when-quick": ".rs",
                    "asked-out-of-turn": ".rs",
                    "silent-blocks": ".rs",
                    "late-replies": ".rr",
                    "second-replies": ".s.",
                    "rubble-behind-reply": ".rr",
                    "unheard-requests": ".s.",
                    "same-bits": ".s.",
                    "in-blocks": "r.r",
                    "lone": "s..",
                    "breaks": "s..",
                    "server-unlike-itself": ".s.",
                    "heads-when-quick": "..r",
                    "asked-again": ".r.",
                    "worse-with-arc": "..r",
                    "one-server": ".r.",
                    "one-talker": ".r.",
                    "some-requests-spared": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "frames come in parts, and nothing else",
                {
                    "split-frames": "AOO",
                    "silent-blocks": ".ss",
                    "lone": ".ss",
                    "server-unlike-itself": ".s.",
                    "late-replies": ".r.",
                    "unanswered": ".r.",
                    "some-requests-spared": ".r.",
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
                    "replies-hurt": "AAA",
                    "hurt-without-arc": "AOO",
                    "lone": "OAO",
                    "one-server": "AOO",
                    "server-unlike-itself": "OOA",
                    "rubble-behind-reply": "OOO",
                    "tail-hurt": "OOs",
                    "inside-hurt": "OrA",
                    "garbled": "ssO",
                    "long-bursts": "OrO",
                    "second-replies": "sss",
                    "same-bits": "sss",
                    "overlong": "s.O",
                    "one-talker": "srs",
                    "heads-lose-one-way": ".ss",
                    "silent-blocks": ".ss",
                    "requests-hurt": ".ss",
                    "strays": "rsr",
                    "both-ways": ".ss",
                    "late-replies": "r.s",
                    "asked-again": ".sr",
                    "unanswered": ".rs",
                    "breaks": "sr.",
                    "some-requests-spared": ".sr",
                    "slow-answers": "..s",
                    "impatient-requests": "..s",
                    "long-silences": "..s",
                    "head-hurt": "r.r",
                    "after-edges": "s..",
                    "strays-outnumber": ".s.",
                    "several-servers": "r.r",
                    "heads-when-quick": "r..",
                    "foreign-requests": "r..",
                    "unheard-requests": ".r.",
                    "cut": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "rubble-behind-reply": ".O.",
                    "hurt-without-arc": ".O.",
                    "lone": ".O.",
                    "long-silences": ".s.",
                    "silent-blocks": ".s.",
                    "asked-again": ".s.",
                    "tail-hurt": ".s.",
                    "strays": ".s.",
                    "strays-outnumber": ".s.",
                    "server-unlike-itself": ".s.",
                    "late-replies": ".r.",
                    "slow-answers": ".r.",
                    "asked-out-of-turn": ".r.",
                    "second-replies": ".r.",
                    "unheard-requests": ".r.",
                    "unanswered": ".r.",
                    "some-requests-spared": ".r.",
                },
                at=("server",),
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
                    "unanswered": "AAA",
                    "replies-hurt": "AAA",
                    "hurt-without-arc": "AAA",
                    "several-servers": "AAA",
                    "rubble-behind-reply": "AsA",
                    "inside-hurt": "OOA",
                    "garbled": "OsA",
                    "overlong": "sOA",
                    "lone": "AOs",
                    "impatient-requests": ".AA",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "server-unlike-itself": "AA.",
                    "slow-answers": "sss",
                    "long-bursts": "sss",
                    "some-requests-spared": "sss",
                    "late-replies": "rss",
                    "heads-lose-one-way": ".ss",
                    "foreign-requests": "A..",
                    "asked-out-of-turn": ".ss",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                    "strays": "ss.",
                    "second-replies": "rs.",
                    "breaks": "sr.",
                    "one-server": ".sr",
                    "cut": ".rr",
                    "in-runs": "..s",
                    "one-talker": ".s.",
                    "unheard-requests": ".r.",
                    "missing-requests": "..r",
                    "in-blocks": "..r",
                    "strays-with-arc": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "asked-out-of-turn": ".s.",
                    "unheard-requests": ".s.",
                    "silent-blocks": ".s.",
                },
                at=("server",),
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
                    "replies-hurt": "AsA",
                    "hurt-without-arc": "OOA",
                    "in-runs": "OsA",
                    "several-servers": "OsA",
                    "garbled": "ssA",
                    "in-blocks": "OsO",
                    "requests-hurt": ".AO",
                    "silent-blocks": ".As",
                    "unanswered": "A.s",
                    "long-silences": ".Os",
                    "cut": "O.s",
                    "both-ways": ".sO",
                    "rubble-behind-reply": ".ss",
                    "missing-requests": ".ss",
                    "inside-hurt": ".ss",
                    "overlong": ".ss",
                    "lone": "ss.",
                    "strays": ".ss",
                    "breaks": ".ss",
                    "one-talker": ".ss",
                    "strays-outnumber": ".sr",
                    "some-requests-spared": ".sr",
                    "impatient-requests": "..s",
                    "worse-with-arc": "rr.",
                    "strays-with-arc": ".s.",
                    "one-server": ".rr",
                    "asked-out-of-turn": ".r.",
                    "unheard-requests": ".r.",
                    "asked-again": ".r.",
                    "tail-hurt": "r..",
                    "long-bursts": "..r",
                    "server-unlike-itself": ".r.",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "unanswered": "A.O",
                    "silent-blocks": ".OO",
                    "long-silences": ".Os",
                    "hurt-without-arc": "O.s",
                    "in-runs": "O.s",
                    "several-servers": "O.s",
                    "lone": "s.s",
                    "missing-requests": ".O.",
                    "in-blocks": "r.s",
                    "asked-again": ".rr",
                    "late-replies": "..r",
                    "impatient-requests": "..r",
                    "asked-out-of-turn": "..r",
                    "single-bits": "r..",
                    "one-server": "..r",
                },
                at=("client", "server", "tap"),
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
                    "replies-hurt": "AsA",
                    "unanswered": "OOs",
                    "in-runs": "ArO",
                    "in-blocks": "Ass",
                    "several-servers": "OsO",
                    "silent-blocks": ".AO",
                    "garbled": "ssO",
                    "hurt-without-arc": "Oss",
                    "rubble-behind-reply": "sss",
                    "strays": "sss",
                    "breaks": "sss",
                    "inside-hurt": "srs",
                    "worse-with-arc": ".sO",
                    "long-silences": ".Or",
                    "cut": "s.s",
                    "requests-hurt": ".ss",
                    "long-bursts": "srr",
                    "strays-outnumber": "ss.",
                    "lone": ".sr",
                    "one-talker": ".sr",
                    "missing-requests": "..s",
                    "tail-hurt": ".s.",
                    "both-ways": "..s",
                    "slow-answers": "..r",
                    "impatient-requests": ".r.",
                    "asked-out-of-turn": "..r",
                    "overlong": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "hurt-without-arc": "OsO",
                    "silent-blocks": ".AO",
                    "unanswered": "A.O",
                    "in-runs": "A.s",
                    "in-blocks": "O.s",
                    "several-servers": "O.r",
                    "asked-out-of-turn": ".rs",
                    "unheard-requests": ".O.",
                    "long-silences": ".O.",
                    "worse-with-arc": "sr.",
                    "lone": ".sr",
                    "asked-again": ".s.",
                    "one-server": "..s",
                    "server-unlike-itself": ".s.",
                    "missing-requests": ".r.",
                    "strays": "..r",
                    "breaks": "..r",
                },
                at=("client", "server", "tap"),
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
                    "nothing-readable": "..O",
                    "inverted-fits": "..O",
                    "garbled": "..s",
                    "requests-hurt": "..s",
                    "replies-hurt": "..s",
                    "overlong": "..s",
                    "hurt-without-arc": "..s",
                    "in-runs": "..s",
                    "in-blocks": "..s",
                    "strays": "..s",
                    "strays-outnumber": "..s",
                    "breaks": "..s",
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
                    "nothing-fits": "..O",
                    "long-silences": "..s",
                    "format-fits": "..r",
                    "rate-fits": "..r",
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
                    "nothing-readable": "..A",
                    "format-fits": "..O",
                    "nothing-fits": "..s",
                    "long-silences": "..s",
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
                    "slow-answers": "A.A",
                    "unanswered": "A.A",
                    "hurt-without-arc": "A.O",
                    "late-replies": "O.O",
                    "wide-turnaround": "O.O",
                    "rubble-behind-reply": "s.s",
                    "inside-hurt": "s.s",
                    "garbled": "s.s",
                    "replies-hurt": "s.s",
                    "overlong": "s.s",
                    "in-runs": "s.s",
                    "lone": "s.s",
                    "one-server": "s.s",
                    "several-servers": "s.s",
                    "long-bursts": "r.s",
                    "one-talker": "r.s",
                    "silent-blocks": "..s",
                    "cut": "s..",
                    "requests-hurt": "..s",
                    "worse-with-arc": "..s",
                    "strays": "s..",
                    "missing-requests": "..r",
                    "long-silences": "..r",
                    "asked-again": "..r",
                    "in-blocks": "..r",
                    "both-ways": "..r",
                },
                at=("client", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "late-replies": "O.O",
                    "wide-turnaround": "O.O",
                    "unanswered": "O.O",
                    "hurt-without-arc": "O.O",
                    "lone": "O.O",
                    "slow-answers": "s.O",
                    "one-server": "s.O",
                    "several-servers": "s.s",
                    "silent-blocks": "..s",
                    "asked-again": "..s",
                    "foreign-requests": "r..",
                    "impatient-requests": "..r",
                    "asked-out-of-turn": "..r",
                    "long-silences": "..r",
                    "head-hurt": "..r",
                },
                at=("client", "tap"),
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
                    "silent-blocks": "..s",
                    "asked-out-of-turn": "..r",
                    "long-silences": "..r",
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
