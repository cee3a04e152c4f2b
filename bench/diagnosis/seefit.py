"""Observations where next to nothing that is heard makes frames: under which settings it would."""

from __future__ import annotations

from kerfbus.bench.diagnosis.evidence import Finding, bounded
from kerfbus.bench.diagnosis.observation import PLAIN, observation
from kerfbus.bench.diagnosis.scene import Scene

NAMES = {"E": "even", "N": "no", "O": "odd"}


@observation("nothing-readable", "characters are heard and hardly any makes a frame", PLAIN)
def nothing_readable(scene: Scene) -> Finding:
    """Ask whether what is heard makes no frames."""
    heard, good = scene.exchanges.heard, scene.exchanges.good_characters
    if heard < 30:
        return Finding("nothing-readable", 0.0, 0, heard)
    factor = 7.0 if scene.unreadable else -7.0
    return Finding("nothing-readable", factor, heard - good, heard, None)


def _fit(scene: Scene, name: str, kind: str) -> Finding:
    if not (scene.unreadable or scene.partly_unreadable):
        return Finding(name, 0.0)
    fit = scene.fit
    if fit.kind != kind or fit.guess is None:
        return Finding(name, -0.7 * min(fit.tried, 5), 0, fit.tried)
    how = f"{NAMES[fit.guess.parity]} parity, stop bits {fit.guess.stop_bits}"
    if kind == "rate":
        how = f"{scene.info.settings.baud / fit.guess.ratio:.0f} bit/s, {how}"
    return Finding(
        name,
        bounded(3.5 * fit.fitting),
        fit.fitting,
        fit.tried,
        0,
        note=f"with {how}; e.g. {fit.example.hex(' ')}",
    )


@observation(
    "inverted-fits", "read with the pair exchanged, the same characters make frames", PLAIN
)
def inverted_fits(scene: Scene) -> Finding:
    """Ask whether the characters are those of an inverted line."""
    return _fit(scene, "inverted-fits", "inverted")


@observation("format-fits", "read in another format, the same characters make frames", PLAIN)
def format_fits(scene: Scene) -> Finding:
    """Ask whether the characters, or those that the search finds, make frames."""
    flagged = scene.flagged
    if scene.unreadable and flagged > 0.5:
        return Finding(
            "format-fits", 7.0, round(flagged * 100), 100, 0, note="the data is right as it stands"
        )
    return _fit(scene, "format-fits", "format")


@observation("rate-fits", "read at another rate, the same characters make frames", PLAIN)
def rate_fits(scene: Scene) -> Finding:
    """Ask whether the characters are those of a line at another rate."""
    return _fit(scene, "rate-fits", "rate")


@observation("nothing-fits", "no other reading of the characters makes frames either")
def nothing_fits(scene: Scene) -> Finding:
    """Ask whether the search came to nothing."""
    if not scene.unreadable or scene.flagged > 0.5 or not scene.fit.tried:
        return Finding("nothing-fits", 0.0)
    fit = scene.fit
    return Finding("nothing-fits", 3.0 if not fit.fitting else -4.0, fit.tried, fit.tried)
