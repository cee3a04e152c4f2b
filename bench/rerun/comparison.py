"""Two transactions that asked the same: whether what came is what was to come.

Replies are compared by meaning, register by register under the rules; refusals by their code;
silence and damage as the recording has them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from kerfbus.bench.access import exception_text
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.rerun.rules import Damage, Measure, RegisterRule, Rules
from kerfbus.bench.rerun.values import Valued, meaning, request_text, values_of
from kerfbus.bench.transactions import Ending, Transaction
from kerfbus.bench.transport import Chunk

_Key = tuple[int, str]
_SPOILT = (Ending.DAMAGED, Ending.SILENCE)


@dataclass(frozen=True, slots=True)
class OffValue:
    """A register that is not as it was to be.

    Attributes:
        expected: as recorded.
        got: what came.
        rule: by which it was judged.
        wanted: what the rule would have taken, for a person.
    """

    expected: Valued
    got: Valued
    rule: RegisterRule
    wanted: str

    def to_json(self) -> dict[str, Any]:
        """Return it with stable keys."""
        register = self.expected.register
        return {
            "name": self.expected.name,
            "unit": register.unit if register else None,
            "expected": self.expected.value,
            "got": self.got.value,
            "rule": str(self.rule),
        }


@dataclass(frozen=True, slots=True)
class Difference:
    """What came instead of what was to come.

    Attributes:
        index: of the transaction in the recording; None for what concerns all of them.
        request: what was asked, in words.
        expected: in words, with names and units.
        got: in words.
        why: ``value``, ``exception``, ``ending``, ``damage``, ``strays``, ``content``,
            ``turnaround``, ``unexpected`` or ``missing``.
        request_hex: the request itself.
        values: the registers that differ.
    """

    index: int | None
    request: str | None
    expected: str
    got: str
    why: str
    request_hex: str | None = None
    values: tuple[OffValue, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return it with stable keys."""
        return {
            "index": self.index,
            "request": self.request,
            "expected": self.expected,
            "got": self.got,
            "why": self.why,
            "request_hex": self.request_hex,
            "values": [each.to_json() for each in self.values],
        }


@dataclass
class _Seen:
    """The values that a recording shows of one register."""

    raw: set[tuple[int, ...]] = field(default_factory=set)
    lowest: float | None = None
    highest: float | None = None
    example: Valued | None = None

    def add(self, each: Valued) -> None:
        self.raw.add(each.raw)
        self.example = each
        value = each.value
        if isinstance(value, int | float) and not isinstance(value, bool):
            self.lowest = value if self.lowest is None else min(self.lowest, value)
            self.highest = value if self.highest is None else max(self.highest, value)


class Comparison:
    """Compares what comes with a recording.

    Args:
        register_map: what the registers are.
        rules: by what it is judged.
        recorded: all transactions of the recording, for `Measure.SEEN`.
        strays: whether characters that are no reply are compared; only where all pauses are those
            of the recording.
    """

    def __init__(
        self,
        register_map: RegisterMap,
        rules: Rules,
        recorded: Iterable[Transaction] = (),
        *,
        strays: bool = False,
    ) -> None:
        self._map = register_map
        self._rules = rules
        self._strays = strays
        self._seen: dict[_Key, _Seen] = {}
        own = rules.registers.values()
        # Replies that are equal to the letter need no look at their values but for such a rule.
        self._lists = any(rule.any_of for rule in own)
        if Measure.SEEN in (rules.default, *(rule.measure for rule in own)):
            self._look_at(recorded)

    def _look_at(self, recorded: Iterable[Transaction]) -> None:
        for each in recorded:
            for valued in values_of(each, self._map) or ():
                key = (each.request[0], valued.name)
                self._seen.setdefault(key, _Seen()).add(valued)

    def compare(self, expected: Transaction, got: Transaction) -> Difference | None:
        """Return how a transaction differs from the recorded one, None where it does not."""
        if expected.ending is got.ending:
            return self._same_ending(expected, got)
        forgiven = self._rules.damage is Damage.FORGIVEN
        if forgiven and expected.ending in _SPOILT and got.reply is not None:
            return None
        return _difference(expected, ending_text(expected), ending_text(got), "ending")

    def _same_ending(self, expected: Transaction, got: Transaction) -> Difference | None:
        exact = self._rules.damage is Damage.EXACT
        if expected.ending is Ending.DAMAGED:
            if exact and _characters(expected.heard) != _characters(got.heard):
                return _difference(expected, *_damage_texts(expected, got), "damage")
            return None
        found = None
        if expected.ending is Ending.REPLY:
            found = self._replies(expected, got)
        elif expected.ending is Ending.EXCEPTION and _code(expected) != _code(got):
            found = _difference(expected, ending_text(expected), ending_text(got), "exception")
        if found is None and exact and self._strays and expected.rest != got.rest:
            return _difference(
                expected, _strays_text(expected.rest), _strays_text(got.rest), "strays"
            )
        return found

    def _replies(self, expected: Transaction, got: Transaction) -> Difference | None:
        assert expected.reply is not None
        assert got.reply is not None
        if expected.reply.data == got.reply.data and not self._lists:
            return None
        want, have = values_of(expected, self._map), values_of(got, self._map)
        if want is None or have is None or len(want) != len(have):
            return self._contents(expected, got)
        server = expected.request[0]
        off = [
            found
            for one, other in zip(want, have, strict=True)
            if (found := self._off(server, one, other)) is not None
        ]
        if not off:
            return None
        return _difference(
            expected,
            ", ".join(f"{each.expected.name} {each.wanted}" for each in off),
            ", ".join(f"{each.got.name} {each.got.text}" for each in off),
            "value",
            tuple(off),
        )

    def _contents(self, expected: Transaction, got: Transaction) -> Difference | None:
        """Compare replies that hold no registers."""
        assert expected.reply is not None
        assert got.reply is not None
        one, other = expected.reply.data, got.reply.data
        measure = self._rules.functions.get(expected.request[1], Measure.EXACT)
        if measure is Measure.IGNORE or one == other:
            return None
        texts = meaning(one, asks=False), meaning(other, asks=False)
        if texts[0] == texts[1]:
            texts = one.hex(), other.hex()
        return _difference(expected, *texts, "content")

    def _off(self, server: int, expected: Valued, got: Valued) -> OffValue | None:
        """Return a register that is not as the rules want it, None where it is."""
        rule = self._rules.of(expected.name)
        if rule.any_of:
            if got.raw in rule.any_of:
                return None
            known = [expected._replace(raw=raw).text for raw in rule.any_of]
            return OffValue(expected, got, rule, "one of " + ", ".join(known))
        if rule.tolerance is not None:
            if _near(expected, got, rule.tolerance):
                return None
            return OffValue(expected, got, rule, f"{expected.text} +- {rule.tolerance:g}")
        if rule.measure is Measure.IGNORE or got.raw == expected.raw:
            return None
        if rule.measure is Measure.SEEN and (seen := self._seen.get((server, expected.name))):
            return None if _within(seen, got) else OffValue(expected, got, rule, _seen_text(seen))
        return OffValue(expected, got, rule, expected.text)


def _near(expected: Valued, got: Valued, tolerance: float) -> bool:
    one, other = expected.value, got.value
    if not isinstance(one, int | float) or not isinstance(other, int | float):
        return got.raw == expected.raw  # no reading: only the same is near
    # Steps of a scale such as 0.1 have no exact form, and a tolerance of one step means one step.
    return abs(one - other) <= tolerance * (1 + 1e-9) + 1e-12


def _within(seen: _Seen, got: Valued) -> bool:
    value = got.value
    if got.raw in seen.raw:
        return True
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    if seen.lowest is None or seen.highest is None:
        return False
    return seen.lowest <= value <= seen.highest


def _seen_text(seen: _Seen) -> str:
    """Return what a recording shows of a register, for a person."""
    example = seen.example
    assert example is not None
    texts = sorted({example._replace(raw=raw).text for raw in seen.raw})
    if len(texts) == 1:
        return texts[0]
    if seen.lowest is not None:
        ordered = sorted(seen.raw, key=lambda raw: _number(example._replace(raw=raw)))
        lowest, highest = (example._replace(raw=raw).text for raw in (ordered[0], ordered[-1]))
        return f"{lowest} to {highest}"
    return "one of " + ", ".join(texts)


def _number(each: Valued) -> float:
    value = each.value
    return float(value) if isinstance(value, int | float) else float("-inf")


def _code(each: Transaction) -> int | None:
    return each.reply.data[2] if each.reply is not None else None


def _characters(heard: Iterable[Chunk]) -> tuple[bytes, list[tuple[int, int]]]:
    """Return characters and the places of their line errors, whatever the chunks are."""
    data, errors = b"", []
    for chunk in heard:
        errors += [(len(data) + error.position, int(error.kind)) for error in chunk.errors]
        data += chunk.data
    return data, errors


def ending_text(each: Transaction) -> str:
    """Return what came of a request, in words."""
    match each.ending:
        case Ending.REPLY:
            assert each.reply is not None
            return meaning(each.reply.data, asks=False)
        case Ending.EXCEPTION:
            return f"refused: {exception_text(_code(each))}"
        case Ending.DAMAGED:
            return "damaged: " + " ".join(chunk.data.hex() for chunk in each.heard)
    return "nothing (broadcast)" if each.ending is Ending.BROADCAST else "no reply"


def _damage_texts(expected: Transaction, got: Transaction) -> tuple[str, str]:
    one, other = ending_text(expected), ending_text(got)
    if one != other:
        return one, other
    errors = (_characters(each.heard)[1] for each in (expected, got))
    one, other = (f"line errors at {[place for place, _ in found]}" for found in errors)
    return one, other


def _strays_text(rest: bytes) -> str:
    return f"characters besides the reply: {rest.hex()}" if rest else "the reply alone"


def _difference(
    asked: Transaction, expected: str, got: str, why: str, values: tuple[OffValue, ...] = ()
) -> Difference:
    text = request_text(asked.request)
    return Difference(asked.index, text, expected, got, why, asked.request.hex(), values)
