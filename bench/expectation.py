"""What a capture is expected to be: a TOML file beside it, ``NAME.expect.toml``.

    reason = "an adapter that hears itself, from a field report"   # why the capture is kept
    map = "supply"            # names values in what is shown; a path is counted from this file
    decode = "NAME.txt"       # what `kerfbus decode` prints; without the key NAME.txt, if any

    [summary]                 # counts of `kerfbus decode --json`, exact
    frames = 180
    damaged = 0

    [causes]                  # of `kerfbus explain`
    verdict = "fault"
    first = ["echo"]          # one of these comes first
    among_three = ["echo"]    # each of these is among the first three
    not_yet = "why"           # what is said above is the truth, and explain does not see it yet

    [quality]                 # of `kerfbus explain`; bounds, both ends included
    timeouts = { max = 0 }
    turnaround_ms_p95 = { min = 1.5, max = 5.0 }

    [rerun]                   # its requests go to a simulated line, under NAME.rerun.toml, if any
    port = "sim:"
    seed = 1                  # without the key the recording's own

Every key but the reason may be left out. The form is ours. It must not open a capture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Literal

from kerfbus.bench.decode import Summary
from kerfbus.bench.diagnosis.causes import CAUSES
from kerfbus.bench.errors import ExpectationError, FormError
from kerfbus.bench.regmap.codec import close_match
from kerfbus.bench.tomlform import Field, Form, KeyPath, Source, first_of, read_text

SUFFIX = ".expect.toml"
CAPTURE_SUFFIX = ".pcapng"
COUNTS = tuple(each.name for each in fields(Summary))
"""What a summary counts."""
MEASURES = (
    "requests",
    "answered",
    "exceptions",
    "timeouts",
    "damaged_requests",
    "damaged_replies",
    "stray_characters",
    "transaction_error_rate",
    "framing",
    "parity",
    "break",
    "overrun",
    "turnaround_ms_p50",
    "turnaround_ms_p95",
    "turnaround_ms_p99",
    "turnaround_ms_max",
)
"""What the quality of a link is told in, by the keys of `kerfbus explain` and where they stand."""
HEALTHY = "healthy"
"""A cause as well, where nothing is wrong."""

Verdict = Literal["healthy", "fault", "insufficient"]


class BoundsForm(Form):
    """Bounds of a measure."""

    min: float | None = None
    max: float | None = None


class CausesForm(Form):
    """What `kerfbus explain` must say."""

    verdict: Verdict | None = None
    first: list[str] = Field(default_factory=list)
    among_three: list[str] = Field(default_factory=list, max_length=3)
    not_yet: str | None = Field(default=None, min_length=1)


class RerunForm(Form):
    """Where the recorded requests go."""

    port: str
    seed: int | None = Field(default=None, ge=0)


class ExpectationForm(Form):
    """The file."""

    reason: str = Field(min_length=1)
    map: str | None = None
    decode: str | None = None
    summary: dict[str, int] = Field(default_factory=dict)
    causes: CausesForm | None = None
    quality: dict[str, BoundsForm] = Field(default_factory=dict)
    rerun: RerunForm | None = None


@dataclass(frozen=True, slots=True)
class Bounds:
    """From where to where a measure may lie, both ends included; None is no bound."""

    least: float | None
    most: float | None

    def hold(self, value: float | None) -> bool:
        """Return whether a value is within; what is not known never is."""
        if value is None:
            return False
        return (self.least is None or value >= self.least) and (
            self.most is None or value <= self.most
        )

    def __str__(self) -> str:
        """Return e.g. ``1.5 to 5``, ``at most 0``."""
        if self.least is None:
            return f"at most {self.most:g}"
        if self.most is None:
            return f"at least {self.least:g}"
        if self.least == self.most:
            return f"{self.least:g}"
        return f"{self.least:g} to {self.most:g}"


@dataclass(frozen=True, slots=True)
class Causes:
    """What `kerfbus explain` must say.

    Attributes:
        verdict: None for any.
        first: slugs of which one comes first; empty for any.
        among_three: slugs that are all among the first three.
        not_yet: why all this is true and yet not said; None where it must be said.
    """

    verdict: Verdict | None
    first: tuple[str, ...]
    among_three: tuple[str, ...]
    not_yet: str | None = None


@dataclass(frozen=True, slots=True)
class RerunAt:
    """Where the recorded requests go, to be answered as they were.

    Attributes:
        port: a simulated line.
        seed: None for the recording's own.
    """

    port: str
    seed: int | None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a capture is expected to be.

    Attributes:
        file: where that is written.
        reason: why the capture is kept.
        map: name or path of the register map, None for none.
        decode: file with what `kerfbus decode` prints, None where there is none.
        summary: exact counts.
        causes: None where nothing is said of them.
        quality: bounds by measure.
        rerun: where its requests go; None for nowhere.
    """

    file: Path
    reason: str
    map: str | None
    decode: Path | None
    summary: Mapping[str, int]
    causes: Causes | None
    quality: Mapping[str, Bounds]
    rerun: RerunAt | None = None


def expectation_file(capture: Path) -> Path:
    """Return where the expectations of a capture stand."""
    return capture.with_name(capture.name.removesuffix(CAPTURE_SUFFIX) + SUFFIX)


def capture_file(expectation: Path) -> Path:
    """Return the capture that a file of expectations is about."""
    return expectation.with_name(expectation.name.removesuffix(SUFFIX) + CAPTURE_SUFFIX)


def load_expectation(path: Path) -> Expectation:
    """Return the expectations in a file.

    Raises:
        ExpectationError: it cannot be read, or is wrong. The first thing wrong is told, with line
            and key, and how many more there are.
    """
    source = Source.parse(read_text(path, ExpectationError), str(path), ExpectationError)
    form, mistakes = source.fill(ExpectationForm)
    if form is not None:
        mistakes = _mistakes(source, form)
    if form is None or mistakes:
        raise first_of(mistakes)
    text = path.with_name(path.name.removesuffix(SUFFIX) + ".txt")
    if form.decode is not None:
        text = path.parent / form.decode
    return Expectation(
        path,
        form.reason,
        _map(form.map, path),
        text if text.is_file() else None,
        form.summary,
        _causes(form.causes),
        {name: Bounds(each.min, each.max) for name, each in form.quality.items()},
        None if form.rerun is None else RerunAt(form.rerun.port, form.rerun.seed),
    )


def _map(given: str | None, beside: Path) -> str | None:
    """Return a map as it is to be opened: a path is counted from the file that names it."""
    if given is None or not given.endswith(".toml"):
        return given
    return str(beside.parent / given)


def _causes(form: CausesForm | None) -> Causes | None:
    if form is None:
        return None
    return Causes(form.verdict, tuple(form.first), tuple(form.among_three), form.not_yet)


def _mistakes(source: Source, form: ExpectationForm) -> list[FormError]:
    """Return what is wrong with the values of a well-formed file."""
    found = [
        source.wrong(("summary", name), _unknown("is not counted", name, COUNTS))
        for name in form.summary
        if name not in COUNTS
    ]
    for name, bounds in form.quality.items():
        path: KeyPath = ("quality", name)
        if name not in MEASURES:
            found.append(source.wrong(path, _unknown("is no measure", name, MEASURES)))
        elif bounds.min is None and bounds.max is None:
            found.append(source.wrong(path, "has no bound; give min, max or both"))
        elif bounds.min is not None and bounds.max is not None and bounds.min > bounds.max:
            found.append(source.wrong(path, f"min {bounds.min:g} is above max {bounds.max:g}"))
    known = (HEALTHY, *(each.slug for each in CAUSES))
    for key in ("first", "among_three") if form.causes is not None else ():
        for index, slug in enumerate(getattr(form.causes, key)):
            if slug not in known:
                path = ("causes", key, index)
                found.append(source.wrong(path, _unknown(f"{slug!r} is no cause", slug, known)))
    if form.rerun is not None and not form.rerun.port.startswith("sim:"):
        message = (
            f"{form.rerun.port!r} is no simulated line, and a test moves nothing real; give sim:"
        )
        found.append(source.wrong(("rerun", "port"), message))
    if form.decode is not None and not (Path(source.file).parent / form.decode).is_file():
        found.append(source.wrong(("decode",), f"there is no file {form.decode} beside this one"))
    return found


def _unknown(what: str, word: str, known: Sequence[str]) -> str:
    """Return that a word is none of those known, and which is meant or all that there are."""
    return what + (close_match(word, known) or f"; there is {', '.join(known)}")
