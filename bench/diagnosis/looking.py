"""From records to findings: decode, sort, ask all questions.

Job: put the steps together, in one place and in order. It must not know any cause.
"""

from __future__ import annotations

from collections.abc import Iterable

from kerfbus.bench.capturerecords import CaptureInfo, Record
from kerfbus.bench.diagnosis import seealien, seefit, seeflow, seetiming, seewhat, seewhen, seewho
from kerfbus.bench.diagnosis.arcwatch import ArcWatch, arc_marks
from kerfbus.bench.diagnosis.evidence import Finding
from kerfbus.bench.diagnosis.expected import Book
from kerfbus.bench.diagnosis.observation import OBSERVATIONS
from kerfbus.bench.diagnosis.pieces import Reading, read_pieces
from kerfbus.bench.diagnosis.scene import ArcTimes, Scene, mark_arc
from kerfbus.bench.diagnosis.sorting import Sorter
from kerfbus.bench.regmap import RegisterMap

SOURCES = (seewhat, seewhen, seewho, seetiming, seealien, seeflow, seefit)
"""The modules that hold observations, in the order in which they are listed."""
WITHOUT_FRAMES = frozenset(
    ("nothing-readable", "inverted-fits", "format-fits", "rate-fits", "nothing-fits")
)
"""Questions that can be asked where hardly any frame is good."""


def scene_of(info: CaptureInfo, reading: Reading, arc: ArcTimes | None = None) -> Scene:
    """Return a capture laid out."""
    book = Book()
    book.learn(reading.pieces)
    exchanges = Sorter(info.vantage, info.settings, book).sort(reading.pieces)
    arc = arc_marks(reading.events) or arc
    mark_arc(exchanges.episodes, arc)
    return Scene(info, exchanges, arc, reading.reports, reading.quality)


def read_scene(
    info: CaptureInfo, records: Iterable[Record], register_map: RegisterMap | None = None
) -> Scene:
    """Return records laid out.

    Args:
        info: what the capture says about itself.
        records: what was recorded.
        register_map: in which to look for a status register where no mark says when the arc burns.
    """
    watch = None if register_map is None else ArcWatch(register_map)
    reading = read_pieces(info, records, None if watch is None else watch.take)
    return scene_of(info, reading, None if watch is None else watch.times())


def findings_of(scene: Scene) -> dict[str, Finding]:
    """Return the answer to each question.

    Where nothing is readable, only those questions are asked that need no frames.
    """
    blind = scene.unreadable
    return {
        name: Finding(name, 0.0) if blind and name not in WITHOUT_FRAMES else each.look(scene)
        for name, each in OBSERVATIONS.items()
    }


__all__ = ["OBSERVATIONS", "SOURCES", "findings_of", "read_scene", "scene_of"]
