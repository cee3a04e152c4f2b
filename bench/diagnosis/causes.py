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
    "tail-hurt": "s..",
    "hurt-without-arc": "rr.",
    "lone": ".s.",
    "strays-outnumber": "s..",
    "late-replies": ".r.",
    "slow-answers": "r..",
    "unanswered": ".r.",
    "breaks": "r..",
    "several-servers": "r..",
    "server-unlike-itself": ".r.",
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
                    "long-bursts": "AOO",
                    "unanswered": "Ass",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "lone": "sss",
                    "strays-outnumber": "sss",
                    "impatient-requests": ".ss",
                    "silent-blocks": ".ss",
                    "asked-again": ".ss",
                    "one-talker": ".ss",
                    "some-requests-spared": "srr",
                    "slow-answers": ".rs",
                    "asked-out-of-turn": ".rs",
                    "long-silences": ".sr",
                    "heads-lose-one-way": ".s.",
                    "in-blocks": "..s",
                    "late-replies": "..r",
                    "missing-requests": "..r",
                    "after-edges": "..r",
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
                    "single-bits": "AAA",
                    "hurt-without-arc": "AAA",
                    "lone": "AAA",
                    "several-servers": "AAA",
                    "unanswered": "AOO",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "rubble-behind-reply": "sss",
                    "long-bursts": "sss",
                    "strays": "sss",
                    "strays-outnumber": "ssr",
                    "some-requests-spared": "rss",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                    "one-server": "rsr",
                    "late-replies": ".rs",
                    "impatient-requests": ".rs",
                    "asked-again": ".sr",
                    "one-talker": "s.r",
                    "slow-answers": ".rr",
                    "heads-lose-one-way": ".s.",
                    "head-hurt": "rr.",
                    "server-unlike-itself": ".s.",
                    "asked-out-of-turn": ".r.",
                    "unheard-requests": ".r.",
                    "tail-hurt": ".r.",
                    "overlong": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "asked-out-of-turn": ".s.",
                    "silent-blocks": ".s.",
                    "lone": ".s.",
                    "server-unlike-itself": ".s.",
                    "long-silences": ".r.",
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
                    "inside-hurt": "AOA",
                    "hurt-without-arc": "OAA",
                    "single-bits": "AOO",
                    "lone": "OOA",
                    "one-talker": "OAO",
                    "after-edges": "OOO",
                    "replies-hurt": "Ass",
                    "one-server": "OOs",
                    "requests-hurt": ".OO",
                    "same-bits": "sss",
                    "unanswered": "rss",
                    "late-replies": ".ss",
                    "heads-lose-one-way": ".ss",
                    "impatient-requests": ".ss",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                    "several-servers": ".ss",
                    "head-hurt": "rs.",
                    "long-bursts": "rrr",
                    "some-requests-spared": "r.s",
                    "slow-answers": "..s",
                    "tail-hurt": ".rr",
                    "garbled": "rr.",
                    "strays-outnumber": "..s",
                    "wide-turnaround": "..r",
                    "asked-out-of-turn": "..r",
                    "asked-again": "..r",
                    "cut": ".r.",
                    "in-blocks": "r..",
                    "both-ways": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "silent-blocks": ".ss",
                    "hurt-without-arc": "O..",
                    "lone": "O..",
                    "unanswered": "s..",
                    "one-server": "s..",
                    "several-servers": "s..",
                    "some-requests-spared": "s..",
                    "late-replies": "r..",
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
                    "hurt-without-arc": "AAA",
                    "strays": "AAA",
                    "strays-outnumber": "AAA",
                    "breaks": "AAA",
                    "several-servers": "AAA",
                    "replies-hurt": "AOA",
                    "lone": "AAO",
                    "requests-hurt": ".AA",
                    "both-ways": ".OA",
                    "unanswered": "sss",
                    "head-hurt": "sss",
                    "tail-hurt": "sss",
                    "inside-hurt": "sss",
                    "impatient-requests": ".ss",
                    "long-silences": ".ss",
                    "strays-with-arc": ".ss",
                    "slow-answers": ".sr",
                    "heads-lose-one-way": ".sr",
                    "asked-again": ".sr",
                    "garbled": "rrr",
                    "long-bursts": ".rs",
                    "one-talker": "rs.",
                    "some-requests-spared": "sr.",
                    "late-replies": "..s",
                    "wide-turnaround": ".s.",
                    "asked-out-of-turn": ".s.",
                    "second-replies": ".s.",
                    "same-bits": "..s",
                    "one-server": "rr.",
                    "server-unlike-itself": ".s.",
                    "heads-when-quick": "..r",
                    "silent-blocks": "..r",
                    "in-blocks": "r..",
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
                    "lone": "OAA",
                    "hurt-without-arc": "OOA",
                    "one-talker": "sAs",
                    "replies-hurt": "A.O",
                    "requests-hurt": ".As",
                    "single-bits": "sss",
                    "after-edges": "sss",
                    "one-server": "srs",
                    "silent-blocks": ".ss",
                    "several-servers": ".ss",
                    "some-requests-spared": "rs.",
                    "asked-out-of-turn": "..s",
                    "long-silences": ".s.",
                    "unanswered": ".rr",
                    "wide-turnaround": "..r",
                    "impatient-requests": "..r",
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
                    "lone": "AAA",
                    "hurt-without-arc": "AAO",
                    "cut": "AOO",
                    "garbled": "AOO",
                    "several-servers": "AOs",
                    "heads-lose-one-way": ".AA",
                    "replies-hurt": "A.O",
                    "silent-blocks": ".OO",
                    "inside-hurt": "sss",
                    "requests-hurt": ".As",
                    "one-talker": ".OO",
                    "strays": "rss",
                    "long-bursts": "s.s",
                    "one-server": ".ss",
                    "rubble-behind-reply": "s.r",
                    "unanswered": "r.s",
                    "head-hurt": "r.r",
                    "some-requests-spared": ".s.",
                    "heads-when-quick": "r..",
                    "request-heads-when-quick": "..r",
                    "asked-out-of-turn": ".r.",
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
                    "asked-out-of-turn": ".s.",
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
                    "own-echo": "AO.",
                    "unanswered": "sr.",
                    "silent-blocks": ".s.",
                    "lone": ".s.",
                    "some-requests-spared": "s..",
                    "server-unlike-itself": ".s.",
                    "slow-answers": ".r.",
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
                    "split-frames": "OAA",
                    "inside-hurt": "sss",
                    "cut": "sss",
                    "replies-hurt": "sss",
                    "hurt-without-arc": "sss",
                    "strays": "sss",
                    "several-servers": "sss",
                    "overlong": "rss",
                    "slow-answers": ".ss",
                    "impatient-requests": ".ss",
                    "long-silences": ".ss",
                    "unanswered": ".ss",
                    "garbled": "rrs",
                    "requests-hurt": ".ss",
                    "strays-outnumber": "ss.",
                    "both-ways": ".ss",
                    "in-runs": ".rs",
                    "lone": "sr.",
                    "late-replies": ".rr",
                    "wide-turnaround": "..s",
                    "request-heads-when-quick": "..s",
                    "heads-lose-one-way": ".s.",
                    "asked-out-of-turn": "..s",
                    "second-replies": ".s.",
                    "rubble-behind-reply": ".s.",
                    "silent-blocks": "..s",
                    "asked-again": ".s.",
                    "head-hurt": "..s",
                    "same-bits": ".s.",
                    "breaks": "s..",
                    "one-server": ".rr",
                    "one-talker": ".s.",
                    "some-requests-spared": "..s",
                    "server-unlike-itself": ".s.",
                    "unheard-requests": ".r.",
                    "long-bursts": ".r.",
                    "in-blocks": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "frames come in parts, and nothing else",
                {
                    "split-frames": "AOO",
                    "silent-blocks": ".ss",
                    "lone": ".ss",
                    "late-replies": ".s.",
                    "unanswered": ".s.",
                    "in-runs": "..s",
                    "some-requests-spared": ".s.",
                    "server-unlike-itself": ".s.",
                    "asked-out-of-turn": ".r.",
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
                    "rubble-behind-reply": "AOA",
                    "replies-hurt": "AOA",
                    "lone": "AAO",
                    "one-server": "AOA",
                    "hurt-without-arc": "AsO",
                    "server-unlike-itself": "OOO",
                    "tail-hurt": "OOs",
                    "inside-hurt": "O.A",
                    "second-replies": "sss",
                    "garbled": "srO",
                    "long-bursts": "s.A",
                    "silent-blocks": ".ss",
                    "requests-hurt": ".ss",
                    "same-bits": "s.s",
                    "overlong": "s.s",
                    "strays": "rsr",
                    "one-talker": "s.s",
                    "late-replies": "r.s",
                    "slow-answers": ".rs",
                    "unanswered": ".rs",
                    "breaks": "sr.",
                    "both-ways": ".rs",
                    "some-requests-spared": "rrr",
                    "heads-lose-one-way": "..s",
                    "impatient-requests": "..s",
                    "after-edges": "s..",
                    "strays-outnumber": ".s.",
                    "foreign-requests": "r..",
                    "unheard-requests": ".r.",
                    "long-silences": "..r",
                    "asked-again": ".r.",
                    "cut": ".r.",
                    "in-blocks": "..r",
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
                    "asked-out-of-turn": ".r.",
                    "second-replies": ".r.",
                    "unheard-requests": ".r.",
                    "unanswered": ".r.",
                    "breaks": ".r.",
                    "one-server": ".r.",
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
                    "inside-hurt": "AOA",
                    "rubble-behind-reply": "AsA",
                    "overlong": "OOA",
                    "garbled": "OsA",
                    "lone": "AOs",
                    "impatient-requests": ".AA",
                    "requests-hurt": ".AA",
                    "both-ways": ".AA",
                    "server-unlike-itself": "AO.",
                    "slow-answers": "sss",
                    "long-bursts": "sss",
                    "some-requests-spared": "rss",
                    "late-replies": ".ss",
                    "heads-lose-one-way": ".ss",
                    "foreign-requests": "A..",
                    "asked-out-of-turn": ".ss",
                    "long-silences": ".ss",
                    "silent-blocks": ".ss",
                    "in-runs": ".ss",
                    "strays": "ss.",
                    "second-replies": "rs.",
                    "one-server": ".sr",
                    "unheard-requests": ".s.",
                    "cut": ".s.",
                    "missing-requests": "..r",
                    "asked-again": ".r.",
                    "head-hurt": "..r",
                    "breaks": "r..",
                    "one-talker": ".r.",
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
                    "replies-hurt": "AsA",
                    "several-servers": "OOA",
                    "hurt-without-arc": "OOO",
                    "garbled": "ssA",
                    "in-runs": "OsO",
                    "in-blocks": "OsO",
                    "requests-hurt": ".AO",
                    "unanswered": "A.s",
                    "cut": "A.s",
                    "long-silences": ".Os",
                    "silent-blocks": ".Os",
                    "inside-hurt": "rss",
                    "lone": "ssr",
                    "strays": "rss",
                    "both-ways": ".sO",
                    "rubble-behind-reply": ".ss",
                    "missing-requests": ".ss",
                    "overlong": ".ss",
                    "breaks": ".ss",
                    "impatient-requests": ".rs",
                    "unheard-requests": ".s.",
                    "worse-with-arc": "r.r",
                    "strays-outnumber": "..s",
                    "some-requests-spared": ".s.",
                    "asked-again": ".r.",
                    "long-bursts": ".r.",
                    "one-server": "..r",
                    "one-talker": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "silent-blocks": ".AO",
                    "unanswered": "A.O",
                    "in-runs": "A.s",
                    "hurt-without-arc": "O.s",
                    "several-servers": "O.s",
                    "long-silences": ".Or",
                    "in-blocks": "s.s",
                    "missing-requests": ".O.",
                    "asked-again": ".rr",
                    "single-bits": "s..",
                    "lone": "..s",
                    "late-replies": "..r",
                    "impatient-requests": "..r",
                    "asked-out-of-turn": "..r",
                    "tail-hurt": "r..",
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
                    "several-servers": "AOO",
                    "hurt-without-arc": "OsO",
                    "in-runs": "ArO",
                    "in-blocks": "Ass",
                    "silent-blocks": ".AO",
                    "unanswered": "Oss",
                    "garbled": "Oss",
                    "rubble-behind-reply": "sss",
                    "strays": "sss",
                    "breaks": "sss",
                    "inside-hurt": "ssr",
                    "requests-hurt": ".Os",
                    "worse-with-arc": ".sO",
                    "long-silences": ".Or",
                    "cut": "s.s",
                    "long-bursts": "srr",
                    "strays-outnumber": "ss.",
                    "one-talker": ".ss",
                    "missing-requests": ".sr",
                    "asked-again": ".sr",
                    "impatient-requests": ".rr",
                    "tail-hurt": ".s.",
                    "lone": ".s.",
                    "both-ways": "..s",
                    "late-replies": "..r",
                    "slow-answers": "..r",
                    "wide-turnaround": "..r",
                    "overlong": "..r",
                },
                at=("client", "server", "tap"),
            ),
            Form(
                "what it strikes is not heard at all",
                {
                    "silent-blocks": ".AO",
                    "unanswered": "A.O",
                    "hurt-without-arc": "ssO",
                    "in-runs": "A.s",
                    "in-blocks": "O.O",
                    "several-servers": "O.r",
                    "unheard-requests": ".O.",
                    "lone": ".sr",
                    "long-silences": ".s.",
                    "worse-with-arc": "s..",
                    "breaks": "..s",
                    "one-server": "..s",
                    "some-requests-spared": "..s",
                    "late-replies": "..r",
                    "impatient-requests": "..r",
                    "missing-requests": ".r.",
                    "asked-again": ".r.",
                    "strays": "..r",
                    "server-unlike-itself": ".r.",
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
                    "inverted-fits": "..A",
                    "nothing-readable": "..O",
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
                    "nothing-fits": "..O",
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
                    "late-replies": "A.O",
                    "hurt-without-arc": "A.O",
                    "wide-turnaround": "O.O",
                    "lone": "O.O",
                    "one-server": "O.O",
                    "rubble-behind-reply": "s.s",
                    "inside-hurt": "s.s",
                    "garbled": "s.s",
                    "replies-hurt": "s.s",
                    "long-bursts": "s.s",
                    "overlong": "s.s",
                    "several-servers": "s.s",
                    "impatient-requests": "..s",
                    "missing-requests": "..s",
                    "silent-blocks": "..s",
                    "asked-again": "..s",
                    "cut": "s..",
                    "requests-hurt": "..s",
                    "in-runs": "r.r",
                    "strays": "s..",
                    "both-ways": "..s",
                    "worse-with-arc": "..r",
                    "one-talker": "r..",
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
                    "several-servers": "s.s",
                    "foreign-requests": "s..",
                    "asked-out-of-turn": "..s",
                    "silent-blocks": "..s",
                    "asked-again": "..s",
                    "impatient-requests": "..r",
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
