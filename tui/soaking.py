"""A soak as a person follows it: progress, typed marks, and what it shows in the end."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from typing import TYPE_CHECKING, Any

from kerfbus.bench.account import AccountingTransport
from kerfbus.bench.confidence import clopper_pearson
from kerfbus.bench.quality import Quality
from kerfbus.bench.recorder import RecordingTransport
from kerfbus.bench.soak import Soak, Verdict
from kerfbus.tui.durations import spoken
from kerfbus.tui.liveline import LiveLine
from kerfbus.tui.output import BAD, GOOD, HEADING, Output, columns
from kerfbus.tui.rates import per_cent
from kerfbus.tui.traffic import quality_lines
from kerfbus.tui.typedmarks import typed_marks

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from kerfbus.bench.transport import Transport

TICK_SECONDS = 0.5
SLOW_TICKS = 20
"""Without a terminal progress is said this many ticks apart."""


class Marker:
    """Puts marks into the account and into the recording, if there is one.

    Args:
        quality: the account.
        recorder: the transport that passes what is counted.
    """

    def __init__(self, quality: Quality, recorder: Transport) -> None:
        self._quality = quality
        self._clock = recorder.clock
        self._recorder = recorder if isinstance(recorder, RecordingTransport) else None
        self._observed: dict[str, str] = {}

    def typed(self, key: str, value: str) -> None:
        """Take a mark that holds from now on."""
        self._quality.mark(key, value)
        self.record(key, value, self._clock.now())

    def observed(self, key: str, value: str, at: int) -> None:
        """Take what a register showed; only a change is recorded."""
        self._quality.observe(key, value)
        if self._observed.get(key) != value:
            self._observed[key] = value
            self.record(key, value, at)

    def record(self, key: str, value: str, at: int) -> None:
        """Record a mark that the account knows of already."""
        if self._recorder is not None:
            self._recorder.mark(key, value, at)


@asynccontextmanager
async def followed(
    soak: Soak, account: AccountingTransport, marker: Marker, *, marks: bool
) -> AsyncIterator[None]:
    """Show how far a soak is, and take marks that are typed, while the context lasts."""
    with typed_marks(marker.typed, always=marks) as able, LiveLine(sys.stderr) as line:
        if able and sys.stderr.isatty():
            line.say("type on or off when the arc strikes or ends, or a note; then Enter")
        task = asyncio.create_task(_tell(soak, account, line))
        try:
            yield
        finally:
            task.cancel()
            await asyncio.wait({task})


async def _tell(soak: Soak, account: AccountingTransport, line: LiveLine) -> None:
    ticks = 0
    while True:
        await asyncio.sleep(TICK_SECONDS)
        ticks += 1
        if line.live or ticks % SLOW_TICKS == 0:
            line.show(progress(soak, account))


def progress(soak: Soak, account: AccountingTransport) -> str:
    """Return in a line how far a soak is and what it shows by now."""
    total = account.quality.total
    parts = [f"{total.trials} transactions", f"{total.wrong} wrong"]
    if total.trials:
        high = clopper_pearson(total.wrong, total.trials)[1]
        parts.append(f"below {per_cent(high)} (95 % sure)")
    left = soak.left
    if left is not None:
        parts.append(f"{left} to go")
    if soak.plan.duration_ns is not None and soak.began is not None:
        gone = account.clock.now() - soak.began
        parts.append(f"{spoken(max(soak.plan.duration_ns - gone, 0) / 1e9)} to go")
    return ", ".join(parts)


def tell(output: Output, soak: Soak, port: str) -> None:
    """Give out what a soak has shown."""
    answer = soak.to_json()
    output.answer({"port": port, **answer})
    verdict = soak.verdict
    output.text(sentence(verdict, soak, answer), GOOD if verdict.good else BAD)
    output.texts(quality_lines(answer["quality"]))
    output.texts(condition_lines(answer["quality"]["conditions"]))
    for each in answer["comparisons"]:
        output.text(comparison_line(each))
    if answer["direction"] is not None:
        output.text(direction_line(answer["direction"]))
    elif answer["direction_note"]:
        output.text(f"Which way errors go: unknown, {answer['direction_note']}.")


def sentence(verdict: Verdict, soak: Soak, answer: Mapping[str, Any]) -> str:
    """Return what a soak has shown, in a sentence."""
    claim, done, wrong = soak.plan.claim, answer["transactions"], answer["wrong"]
    counted = f"{done} transactions in {spoken(answer['seconds'])}, {wrong or 'none'} wrong."
    low, high = answer["quality"]["interval"]
    if verdict is Verdict.DEAD:
        return f"No answer: server {answer['server']} was silent to all {done} requests."
    if claim is None:
        if not wrong:
            return f"No errors: {counted} The rate is below {per_cent(high)} (95 % sure)."
        return f"Errors: {counted}"
    said = f"fewer than {per_cent(claim.rate)} go wrong ({100 * claim.confidence:g} % sure)"
    if verdict is Verdict.SHOWN:
        return f"Shown: {said}. {counted}"
    if verdict is Verdict.REFUSED:
        more = f"more than {per_cent(claim.rate)} go wrong, {per_cent(low)} at least"
        return f"Refused: {more}. {counted}"
    left = answer["claim"]["left"]
    return f"Not shown: that {said} needs {left} more without an error. {counted}"


def condition_lines(conditions: list[Mapping[str, Any]]) -> list[str]:
    """Return the accounts of several conditions as a table."""
    if not conditions:
        return []
    rows = [("condition", "transactions", "wrong", "rate", "95 % sure")]
    for each in conditions:
        low, high = each["interval"]
        rate = each["transaction_error_rate"]
        rows.append(
            (
                each["condition"],
                str(each["transactions"]),
                str(each["wrong"]),
                per_cent(rate),
                f"{per_cent(low)} to {per_cent(high)}",
            )
        )
    return columns(rows, right=(1, 2, 3))


def comparison_line(found: Mapping[str, Any]) -> str:
    """Return a comparison of two conditions in a sentence."""
    low, high = found["interval"]
    chance = found["p_value"]
    if low is None and high is None:
        return f"{found['first']} and {found['second']}: no errors in either, nothing to compare."
    ratio = found["rate_ratio"]
    times = "wrong only in the first" if ratio is None else f"{ratio:.3g} times as often"
    ends = f"{low or 0:.3g} to {'any' if high is None else f'{high:.3g}'} times"
    sure = "no more than chance" if chance > 0.05 else f"by chance in {chance:.2g} of cases"
    return f"{found['first']} against {found['second']}: {times} ({ends}); {sure}."


def direction_line(found: Mapping[str, Any]) -> str:
    """Return on which way errors happened, in a sentence."""
    return (
        f"On the way there: {found['wrong_there']} of {found['requests_sent']} requests never "
        f"reached the server whole; on the way back: {found['wrong_back']} (server's counters)."
    )


@contextmanager
def summing_up(output: Output, soak: Soak, port: str) -> Iterator[None]:
    """Give out what a soak has shown, however it ends once it has begun."""
    output.text(f"Soaking server {soak.plan.server} on {port}; it is only read", HEADING)
    try:
        yield
    finally:
        if soak.began is not None:
            tell(output, soak, port)
