"""The record of a run as one HTML page: no network, no scripts, for paper, screen and phone.

The one module where jinja2 is used. Everything that comes from a plan, a unit or a person is
escaped; a policy in the page lets a browser load nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from kerfbus.bench.acceptance.figures import figures_of
from kerfbus.bench.acceptance.form import KINDS, Manner
from kerfbus.bench.acceptance.result import Grade, Result, Verdict, counted, shown
from kerfbus.bench.acceptance.runner import Run

PAPERS = ("A4", "Letter")
TEMPLATE = "record.html.jinja"
MANNERS: Mapping[Manner, tuple[str, str]] = {
    Manner.AUTOMATIC: ("Checked by the program", "Read-only: nothing was written for these."),
    Manner.ARMED: (
        "Set, read back and put back",
        "Only when armed, and while the unit is idle; none of it can strike an arc.",
    ),
    Manner.ASKED: ("Measured or seen by a person", "As the person answered."),
}
SIGNS = {
    Grade.PASSED: "\N{CHECK MARK}",
    Grade.FAILED: "\N{BALLOT X}",
    Grade.SKIPPED: "\N{WHITE CIRCLE}",
}
VERDICTS = {
    Verdict.PASSED: "Pass: every check that the plan requires was done and passed.",
    Verdict.FAILED: "Fail: at least one check failed.",
    Verdict.OPEN: "Open points: nothing failed, but not all that the plan requires was done.",
}


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What a record says of a run besides its results.

    Attributes:
        version: of the software.
        link: port, settings and address, as text.
        map: name of the register map.
        ended: when, as text.
        simulated: the other end was a simulation.
        record: what the person gave for the head: machine, place, person.
        not_restored: a line for each register that was not put back.
        paper: one of `PAPERS`.
    """

    version: str
    link: str
    map: str
    ended: str
    simulated: bool
    record: Mapping[str, str]
    not_restored: Sequence[str] = ()
    paper: str = "A4"


def page(run: Run, about: Circumstances) -> str:
    """Return the record of a run."""
    text = resources.files("kerfbus.bench.acceptance").joinpath(TEMPLATE).read_text("utf-8")
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=clean,
    )
    results = run.results
    return environment.from_string(text).render(
        plan=run.plan.form.header,
        about=about,
        verdict=run.verdict,
        verdict_text=VERDICTS[run.verdict],
        counted=counted(results),
        groups=_groups(results),
        open_points=[each for each in results if each.open],
        earlier=[each for each in results if each.earlier],
        figures=[(each.caption, Markup(str(each.drawing))) for each in figures_of(results)],  # noqa: S704 (the writer of SVG escapes all text)
        hashes=_hashes(run, about),
        signs=SIGNS,
        shown=shown,
    )


def clean(value: object) -> object:
    """Return a value as a page can hold it: what cannot be printed becomes a replacement sign."""
    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return "".join(each if each.isprintable() or each in "\n\t" else "\ufffd" for each in value)


def _groups(results: Sequence[Result]) -> list[tuple[str, str, list[Result]]]:
    """Return the results by how they were found, in the order of the page."""
    found = []
    for manner, (title, note) in MANNERS.items():
        members = [each for each in results if KINDS[each.kind].manner is manner]
        if members:
            found.append((title, note, members))
    return found


def _hashes(run: Run, about: Circumstances) -> list[tuple[str, str]]:
    return [
        (f"Plan {run.plan.name}", run.plan.sha256),
        (f"Register map {about.map}", run.state.map_sha256),
        *((f"Capture {file}", sha) for file, sha in run.state.captures),
    ]
