"""What a search for rate, format and addresses has found, and how it came to it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from kerfbus.bench.line import LineSettings


class Found(NamedTuple):
    """Settings with which servers were heard.

    Attributes:
        settings: rate and format.
        servers: addresses, in order.
        confidence: that these are the settings.
    """

    settings: LineSettings
    servers: tuple[int, ...]
    confidence: float


@dataclass(slots=True)
class Findings:
    """What a search found.

    Attributes:
        found: settings, the surest first; several where they understand each other.
        shared: addresses at which two servers seem to answer.
        damaged: settings and addresses at which something answered, but never whole.
        traffic: whether others talk on the line; then nothing was sent.
        tried: settings that were tried.
        requests: requests that were sent.
        seconds: on the line's clock.
        reasoning: how it came to that, a line each.
        refused: settings that the port does not take.
    """

    found: list[Found] = field(default_factory=list)
    shared: list[int] = field(default_factory=list)
    damaged: list[tuple[LineSettings, int]] = field(default_factory=list)
    traffic: bool = False
    tried: int = 0
    requests: int = 0
    seconds: float = 0.0
    reasoning: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def to_json(self) -> dict[str, Any]:
        """Return the answer of ``find --json``."""
        return {
            "settings": [
                {
                    "baud": each.settings.baud,
                    "format": each.settings.format,
                    "servers": list(each.servers),
                    "confidence": each.confidence,
                }
                for each in self.found
            ],
            "tried": self.tried,
            "seconds": self.seconds,
            "requests": self.requests,
            "traffic": self.traffic,
            "shared_addresses": list(self.shared),
            "damaged_answers": [
                {"baud": each.baud, "format": each.format, "server": address}
                for each, address in self.damaged
            ],
            "refused": list(self.refused),
            "reasoning": list(self.reasoning),
        }
