"""Causes on captures made by hand: each is named first, and the table keeps its rules."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from linetalk import MS, PATIENCE, HandMade, flipped, nothing, reply, request

from kerfbus.bench.crc import with_crc
from kerfbus.bench.diagnosis.causes import ALIKE, CAUSES, HEALTHY
from kerfbus.bench.diagnosis.explaining import Explanation, explain
from kerfbus.bench.diagnosis.looking import OBSERVATIONS, findings_of, read_scene
from kerfbus.bench.transport import LineEventKind

SLUGS = [
    "arc-noise",
    "random-noise",
    "missing-termination",
    "missing-bias",
    "early-release",
    "late-release",
    "echo",
    "adapter-gaps",
    "duplicate-address",
    "second-client",
    "intermittent-contact",
    "ground-offset",
    "swapped-pair",
    "wrong-baud",
    "wrong-format",
    "slow-server",
    "no-server",
]
Script = Callable[[HandMade], None]


def explained(line: HandMade) -> Explanation:
    return explain(line.info, line.records)


def first(found: Explanation) -> str:
    return found.to_json()["causes"][0]["cause"]


def scattered(line: HandMade, data: bytes) -> bytes:
    """Return a frame with one bit turned, anywhere."""
    return flipped(line.random.randrange(len(data)), line.random.randrange(8))(data)


def arc_noise(line: HandMade) -> None:
    for _ in range(6):
        line.arc(on=False)
        line.polls(30)
        line.now += 1000 * MS
        line.arc(on=True)
        for at in range(20):
            if at % 4 == 1:
                line.exchange(back=lambda d: d[:3] + bytes(line.random.randbytes(4)) + d[7:])
            elif at % 4 == 3:
                line.exchange(there=lambda d: d[:2] + bytes(line.random.randbytes(3)) + d[5:])
                line.say(line.random.randbytes(2), wait=9 * MS)
            else:
                line.exchange()
        line.arc(on=False)
        line.now += 1000 * MS


def random_noise(line: HandMade) -> None:
    for at in range(240):
        if at % 13 == 5:
            line.exchange(back=lambda d: scattered(line, d))
        elif at % 17 == 6:
            line.exchange(there=lambda d: scattered(line, d))
        else:
            line.exchange()
        if at % 11 == 0:
            line.say(b"\xff", wait=7 * MS)


def missing_bias(line: HandMade) -> None:
    for at in range(240):
        if at % 14 == 3:
            line.exchange(back=lambda d: b"\x00" + d)
        elif at % 15 == 6:
            line.exchange(there=lambda d: b"\xfe" + d)
        else:
            line.exchange()
        if at % 3 == 0:
            line.say(b"\x00", wait=6 * MS, errors={0: LineEventKind.BREAK})


def early_release(line: HandMade) -> None:
    for at in range(240):
        cut = 0xC0 if at % 2 else 0xE0
        line.exchange(
            back=(lambda d, cut=cut: d[:-1] + bytes((d[-1] | cut,))) if at % 6 == 1 else None
        )


def late_release(line: HandMade) -> None:
    for at in range(240):
        soon = at % 5 == 2
        lost = 1 + at % 2
        line.exchange(
            back=(lambda d, lost=lost: d[lost:]) if soon else None,
            turnaround=(2 if soon else 6) * MS,
        )


def echo(line: HandMade) -> None:
    for _ in range(60):
        server = 3
        line.say(request(server), sent=True, wait=20 * MS)
        line.records.append(line.records[-1]._replace(outbound=False))
        line.say(reply(server, line.turn), wait=4 * MS)
        line.turn += 1


def adapter_gaps(line: HandMade) -> None:
    for at in range(120):
        server = 3
        line.say(request(server), wait=20 * MS)
        answer = reply(server, at)
        if at % 5:
            line.say(answer, wait=4 * MS)
        else:
            line.say(answer[:6], wait=4 * MS)
            line.say(answer[6:], wait=8 * MS)


def duplicate_address(line: HandMade) -> None:
    for at in range(240):
        twin = at % 4 == 0  # the first of the two servers
        if not twin:
            line.exchange()
        elif at % 8 == 0:
            line.exchange(back=lambda d: d[:5] + line.random.randbytes(len(d) - 4))
        else:
            line.exchange(back=lambda d: d + line.random.randbytes(3))


def second_client(line: HandMade) -> None:
    for at in range(240):
        line.exchange()
        if at % 9 == 4:
            line.say(with_crc(bytes.fromhex("110300200002")), wait=9 * MS)
            line.say(with_crc(bytes.fromhex("11030400010002")), wait=4 * MS)


def intermittent_contact(line: HandMade) -> None:
    for at in range(260):
        burst = at % 40
        if burst in (20, 22):
            line.exchange(back=lambda d: d[: 3 + line.random.randrange(6)])
        elif burst == 21:
            line.exchange(there=lambda d: d[:4])
        elif burst in (23, 24):
            line.exchange(back=nothing)
        else:
            line.exchange()


def ground_offset(line: HandMade) -> None:
    for at in range(260):
        line.exchange(back=nothing if at % 100 > 80 else None)


def slow_server(line: HandMade) -> None:
    for at in range(240):
        if at % 8 == 1:
            line.say(request(9), sent=True, wait=20 * MS)
            line.now += PATIENCE
            line.say(request(3), sent=True)
            line.say(reply(9, at), wait=6 * MS)
            line.say(reply(3, at), wait=6 * MS)
        elif at % 2:
            line.exchange(9, turnaround=60 * MS + line.random.randrange(30) * MS)
        else:
            line.exchange(3)


def no_server(line: HandMade) -> None:
    for at in range(120):
        line.exchange(back=nothing if at % 2 else None)


CASES: dict[str, tuple[Script, tuple[str, ...]]] = {
    "arc-noise": (arc_noise, ("tap",)),
    "random-noise": (random_noise, ("tap",)),
    "missing-bias": (missing_bias, ("tap", "client")),
    "early-release": (early_release, ("tap", "client")),
    "late-release": (late_release, ("tap", "client")),
    "echo": (echo, ("client",)),
    "adapter-gaps": (adapter_gaps, ("tap",)),
    "duplicate-address": (duplicate_address, ("tap", "client")),
    "second-client": (second_client, ("client",)),
    "intermittent-contact": (intermittent_contact, ("tap",)),
    "ground-offset": (ground_offset, ("client",)),
    "slow-server": (slow_server, ("client",)),
    "no-server": (no_server, ("client", "tap")),
}


@pytest.mark.parametrize(
    ("cause", "vantage"), [(cause, v) for cause, (_, at) in CASES.items() for v in at]
)
def test_cause_is_named(cause: str, vantage: str) -> None:
    line = HandMade(vantage, "host" if cause == "adapter-gaps" else "exact")  # type: ignore[arg-type]
    CASES[cause][0](line)
    found = explained(line)
    assert found.verdict == "fault"
    assert first(found) == cause
    assert found.suspects[0].evidence


@pytest.mark.parametrize("vantage", ["client", "server", "tap"])
@pytest.mark.parametrize("timing", ["exact", "host"])
def test_clean_link_is_healthy(vantage: str, timing: str) -> None:
    line = HandMade(vantage, timing)  # type: ignore[arg-type]
    line.polls(200)
    found = explained(line)
    assert found.verdict == "healthy"
    assert not found.scene.hurt
    assert first(found) == "healthy"


def test_table_holds_every_cause_once() -> None:
    assert [cause.slug for cause in CAUSES] == SLUGS


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.slug)
def test_entry_keeps_the_rules(cause: object) -> None:
    for form in cause.forms:  # type: ignore[attr-defined]
        assert form.shows
        assert set(form.shows) <= set(OBSERVATIONS)
        assert all(re.fullmatch(r"[AOsr.]{3}", levels) for levels in form.shows.values())
        assert set(form.at) <= set(cause.seen_by)  # type: ignore[attr-defined]
    words = cause.check + cause.caution  # type: ignore[attr-defined]
    assert "locked out" in words
    assert "manuals" in words
    assert "local codes" in words
    assert not re.search(r"MEMORY|IEC|NFPA|CFR|clause", words)


def test_healthy_is_of_known_observations() -> None:
    assert set(HEALTHY) <= set(OBSERVATIONS)


def test_indistinguishable_causes_are_in_the_table() -> None:
    for alike in ALIKE:
        assert set(alike.causes) <= set(SLUGS)
        assert alike.when in OBSERVATIONS


def test_every_observation_is_answered_for_nothing_at_all() -> None:
    findings = findings_of(read_scene(HandMade().info, []))
    assert set(findings) == set(OBSERVATIONS)
    assert all(abs(each.factor) <= 7 for each in findings.values())
