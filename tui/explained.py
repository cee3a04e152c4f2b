"""What `kerfbus explain` says to a person: verdict, causes, evidence, next check, quality."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from kerfbus.bench.diagnosis.explaining import Evidence, Explanation, Suspect
from kerfbus.tui.output import BAD, FAINT, GOOD, HEADING, Output
from kerfbus.tui.traffic import quality_lines

WIDTH = 80
FULL = 3
"""Causes that are shown with their evidence."""
BRIEF = 8
"""Frames that are named for a piece of evidence."""
_VERDICTS = {
    "healthy": "Healthy: nothing is wrong with this link as far as this capture shows.",
    "fault": "Fault: this link is hurt. Probable causes, the likeliest first:",
    "insufficient": "Insufficient: this capture is not enough to say what is so.",
}


def explanation_lines(name: str, found: Explanation, output: Output) -> Iterator[str]:
    """Yield an explanation as lines of text.

    Args:
        name: of the capture.
        found: the explanation.
        output: knows whether it may paint.
    """
    scene = found.scene
    exchanges = f"{len(scene.episodes)} exchanges, {len(scene.hurt)} of them hurt"
    yield output.paint(f"{name}: heard as {scene.info.vantage}, {exchanges}", HEADING)
    styles = {"healthy": GOOD, "fault": BAD}
    yield output.paint(_VERDICTS[found.verdict], styles.get(found.verdict, ""))
    if found.verdict == "fault":
        for number, suspect in enumerate(found.suspects[:FULL]):
            if suspect.ranked.probability >= 0.05 or number == 0:
                yield from _suspect(suspect, output)
        rest = [
            f"{each.ranked.cause.slug} {each.ranked.probability:.0%}"
            for each in found.suspects[FULL:]
        ]
        if rest:
            yield from _wrapped("Less likely: " + ", ".join(rest), "")
    yield ""
    for note in found.notes:
        for line in _wrapped(note, ""):
            yield output.paint(line, FAINT)
    yield from quality_lines(found.quality)


def _suspect(suspect: Suspect, output: Output) -> Iterator[str]:
    ranked = suspect.ranked
    yield ""
    yield output.paint(f"{ranked.probability:4.0%}  {ranked.cause.slug}", HEADING)
    form = f" ({ranked.form.says})" if ranked.form.says else ""
    yield from _wrapped(f"{ranked.cause.says}{form}", "      ")
    if ranked.together:
        yield from _wrapped(f"probably together with {ranked.together}", "      ")
    for each in suspect.evidence:
        yield from _wrapped("+ " + _said(each), "      ", "        ")
    for each in suspect.against[:3]:
        yield from _wrapped("- " + _said(each), "      ", "        ")
    if suspect.alike is not None:
        others = ", ".join(s for s in suspect.alike.causes if s != ranked.cause.slug)
        yield from _wrapped(f"Cannot be told apart from here: {others}.", "      ")
    yield from _wrapped("Next: " + suspect.next_check, "      ", "        ")


def _said(evidence: Evidence) -> str:
    """Return a piece of evidence in a line: what, how often, how often by chance, which frames."""
    text = f"{evidence.what}: {evidence.value:g}"
    if evidence.of:
        text += f" of {evidence.of:g}"
    if evidence.expected is not None:
        text += f", by chance {evidence.expected:.2g}"
    if evidence.frames:
        shown = ", ".join(map(str, evidence.frames[:BRIEF]))
        more = ", ..." if len(evidence.frames) > BRIEF else ""
        text += f"; frames {shown}{more}"
    return text


def _wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=first if rest is None else rest,
        break_on_hyphens=False,
    )
