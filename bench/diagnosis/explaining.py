"""A capture in, ranked causes out, each with its evidence and the next thing to check.

Job: put what was observed and what follows from it into the words and keys of the answer. It must
not know how a file is read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from kerfbus.bench.capturerecords import CaptureInfo, Record
from kerfbus.bench.diagnosis.causes import ALIKE, Alike
from kerfbus.bench.diagnosis.evidence import Finding
from kerfbus.bench.diagnosis.inference import Belief, Network, Ranked
from kerfbus.bench.diagnosis.looking import OBSERVATIONS, findings_of, read_scene
from kerfbus.bench.diagnosis.scene import Scene
from kerfbus.bench.regmap import RegisterMap

HEALTHY_FROM = 50
"""Exchanges without a fault that it takes to call a link healthy: then less than 6 % go wrong, 95 %
sure (Clopper-Pearson, one side)."""
FAULT_FROM = 20
"""Exchanges below which only what cannot be mistaken is called a fault (chosen)."""
SURE = 0.8
"""Probability that this takes (chosen)."""
NAMED = 0.01
"""Causes less likely than this are left out (chosen)."""
SHOWN = 6
"""Evidence that is given for a cause, at most, and against it (chosen)."""
FRAMES = 100
"""Frames that are listed for a piece of evidence, at most (chosen)."""
SPEAKS = 0.4
"""Pull from which an observation is named as evidence (chosen)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Something that speaks for a cause, or against it.

    Attributes:
        what: in words.
        value: in how many cases it was so.
        of: of how many.
        expected: in how many by chance; None where that has no meaning.
        frames: printed frames, by number, that show it; at most `FRAMES`.
    """

    what: str
    value: float
    of: float
    expected: float | None
    frames: tuple[int, ...]

    def to_json(self) -> dict[str, Any]:
        """Return it in the stable keys."""
        return {
            "what": self.what,
            "value": _number(self.value),
            "of": _number(self.of),
            "expected": None if self.expected is None else _number(self.expected),
            "frames": list(self.frames),
        }


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cause with what speaks for it.

    Attributes:
        ranked: the cause and its probability.
        evidence: for it, the strongest first.
        against: what it mostly shows and this capture does not.
        alike: causes that cannot be told from it here; None when there are none.
    """

    ranked: Ranked
    evidence: tuple[Evidence, ...]
    against: tuple[Evidence, ...]
    alike: Alike | None

    @property
    def next_check(self) -> str:
        """Return what to look at next, and what to mind."""
        cause = self.ranked.cause
        tell = "" if self.alike is None else f"{self.alike.tell} "
        return f"{tell}{cause.check} {cause.caution}"

    def to_json(self) -> dict[str, Any]:
        """Return it in the stable keys, with more words."""
        cause = self.ranked.cause
        return {
            "cause": cause.slug,
            "probability": round(self.ranked.probability, 4),
            "says": cause.says,
            "form": self.ranked.form.says,
            "together_with": self.ranked.together or None,
            "evidence": [each.to_json() for each in self.evidence],
            "against": [each.to_json() for each in self.against],
            "cannot_be_told_from": [
                slug for slug in (self.alike.causes if self.alike else ()) if slug != cause.slug
            ],
            "next_check": self.next_check,
        }


@dataclass(frozen=True)
class Explanation:
    """What a capture comes to.

    Attributes:
        verdict: healthy, fault or insufficient.
        suspects: in falling order of probability.
        belief: all probabilities.
        scene: the capture laid out.
        findings: every answer, by observation.
        notes: what a person must know to read this, one line each.
        quality: the account of the link, in its stable keys.
    """

    verdict: str
    suspects: tuple[Suspect, ...]
    belief: Belief
    scene: Scene
    findings: Mapping[str, Finding]
    notes: tuple[str, ...]
    quality: Mapping[str, Any]

    def to_json(self) -> dict[str, Any]:
        """Return the object of ``explain --json``."""
        causes = [each.to_json() for each in self.suspects]
        if self.belief.healthy >= NAMED:
            causes.append(_healthy(self.belief.healthy, self.scene, self.quality))
        causes.sort(key=lambda each: -each["probability"])
        if self.verdict == "insufficient" and not self.scene.exchanges.heard:
            causes = []
        return {
            "verdict": self.verdict,
            "causes": causes,
            "quality": self.quality,
            "exchanges": len(self.scene.episodes),
            "hurt": len(self.scene.hurt),
            "arc": None if self.scene.arc is None else self.scene.arc.source,
            "notes": list(self.notes),
        }


def explain(
    info: CaptureInfo, records: Iterable[Record], register_map: RegisterMap | None = None
) -> Explanation:
    """Return what the records of one station come to.

    Args:
        info: what the capture says about itself.
        records: what was recorded.
        register_map: in which to look for a status register where no mark says when the arc burns.
    """
    return explained(read_scene(info, records, register_map))


def explained(
    scene: Scene, notes: tuple[str, ...] = (), quality: Mapping[str, Any] | None = None
) -> Explanation:
    """Return what a capture that is laid out comes to.

    Args:
        scene: the capture.
        notes: what a person must know first.
        quality: the account of the whole capture, where the scene holds a part of it.
    """
    findings = findings_of(scene)
    network = Network(scene.info.vantage)
    belief = network.believe(findings)
    suspects = tuple(
        _suspect(network, ranked, findings, scene)
        for ranked in belief.ranked
        if ranked.probability >= NAMED
    )
    return Explanation(
        verdict_of(scene, belief),
        suspects,
        belief,
        scene,
        findings,
        notes + _notes(scene),
        scene.quality.to_json() if quality is None else quality,
    )


def verdict_of(scene: Scene, belief: Belief) -> str:
    """Return whether there is a fault, none, or too little to say."""
    count = len(scene.episodes)
    if not scene.exchanges.heard and not count:
        return "insufficient"
    if belief.healthy > 0.5:
        return "healthy" if count >= HEALTHY_FROM else "insufficient"
    enough = count >= FAULT_FROM or 1 - belief.healthy >= SURE + 0.15
    return "fault" if enough else "insufficient"


def _suspect(
    network: Network, ranked: Ranked, findings: Mapping[str, Finding], scene: Scene
) -> Suspect:
    pulls = network.pull(ranked.form, findings)
    speaks = [name for name, pull in pulls if pull > SPEAKS and findings[name].factor > 0.5]
    against = [name for name, pull in reversed(pulls) if pull < -SPEAKS]
    alike = next(
        (
            each
            for each in ALIKE
            if ranked.cause.slug in each.causes
            and each.vantage == scene.info.vantage
            and findings[each.when].factor > 1
        ),
        None,
    )
    return Suspect(
        ranked,
        tuple(_evidence(findings[name]) for name in speaks[:SHOWN]),
        tuple(_missing(findings[name]) for name in against[:SHOWN]),
        alike,
    )


def _evidence(finding: Finding) -> Evidence:
    what = OBSERVATIONS[finding.name].what
    return Evidence(
        f"{what} ({finding.note})" if finding.note else what,
        finding.count,
        finding.of,
        finding.expected,
        finding.frames[:FRAMES],
    )


def _missing(finding: Finding) -> Evidence:
    """Return an observation that speaks against a cause."""
    what = OBSERVATIONS[finding.name].what
    word = "it is not so that " if finding.factor < 0 else "not explained by it: "
    return Evidence(
        f"{word}{what}", finding.count, finding.of, finding.expected, finding.frames[:FRAMES]
    )


def _healthy(probability: float, scene: Scene, quality: Mapping[str, Any]) -> dict[str, Any]:
    """Return the entry of a link with which nothing is wrong."""
    count = len(scene.episodes)
    low, high = quality["interval"]
    return {
        "cause": "healthy",
        "probability": round(probability, 4),
        "says": "nothing is wrong",
        "form": "",
        "together_with": None,
        "evidence": [
            {
                "what": f"exchanges that went wrong (95 % sure: {low:.2%} to {high:.2%} do)",
                "value": len(scene.hurt),
                "of": count,
                "expected": 0,
                "frames": [],
            }
        ],
        "against": [],
        "cannot_be_told_from": [],
        "next_check": "Count more transactions, with the arc on as well as off, to be surer.",
    }


def _notes(scene: Scene) -> tuple[str, ...]:
    """Return what a person must know to read the answer."""
    notes = []
    if scene.arc is None or not scene.arc.telling:
        notes.append(
            "Nothing tells when the arc was on: noise of the arc cannot be told from other noise."
        )
    if not scene.reports:
        notes.append("No line errors were reported; a driver may keep them to itself.")
    if not scene.exact:
        notes.append(
            f"Times are the host's, late by up to {scene.info.uncertainty_ns / 1e6:g} ms: gaps "
            "and turnaround shorter than that say little."
        )
    if scene.client:
        notes.append("A client does not hear what becomes of its requests on their way.")
    return tuple(notes)


def _number(value: float) -> float:
    return int(value) if float(value).is_integer() else round(value, 3)
