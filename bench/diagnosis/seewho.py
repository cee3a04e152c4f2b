"""Observations of whom it strikes: one server, one direction, one talker, everybody."""

from __future__ import annotations

from collections import Counter
from math import log

from kerfbus.bench.diagnosis.episodes import Episode
from kerfbus.bench.diagnosis.evidence import Finding, above, bounded, present, worse
from kerfbus.bench.diagnosis.observation import PLAIN, observation
from kerfbus.bench.diagnosis.scene import FEW, Scene, frames_of

ONE_WAY = 0.8
"""Share of one direction where noise strikes all characters alike (chosen: replies are longer)."""


@observation("one-server", "one server is struck, the others are not")
def one_server(scene: Scene) -> Finding:
    """Ask whether one server goes wrong more often than all others together."""
    groups = {s: e for s, e in scene.servers.items() if s not in scene.absent}
    if len(groups) < 2:
        return Finding("one-server", 0.0, note="only one server talks")
    hurt = {server: [e for e in each if e.hurt] for server, each in groups.items()}
    worst = max(groups, key=lambda s: (len(hurt[s]) + 1) / (len(groups[s]) + 4))
    others = [e for server, each in groups.items() if server != worst for e in each]
    bad = [e for e in others if e.hurt]
    factor = worse(len(hurt[worst]), len(groups[worst]), len(bad), len(others))
    return Finding(
        "one-server",
        bounded(factor - log(len(groups))),
        len(hurt[worst]),
        len(groups[worst]),
        len(bad) / len(others) * len(groups[worst]),
        tuple(e.index for e in hurt[worst]),
        frames_of(hurt[worst]),
        f"server {worst}; with all others {len(bad)} of {len(others)}",
    )


@observation("several-servers", "more than one server is struck")
def several_servers(scene: Scene) -> Finding:
    """Ask whether all but the worst server go wrong, too."""
    groups = {s: e for s, e in scene.servers.items() if s not in scene.absent}
    if len(groups) < 2:
        return Finding("several-servers", 0.0, note="only one server talks")
    worst = max(groups, key=lambda s: sum(e.hurt for e in groups[s]) / (len(groups[s]) + 4))
    others = [e for server, each in groups.items() if server != worst for e in each]
    bad = [e for e in others if e.hurt]
    return Finding(
        "several-servers",
        present(len(bad), len(others)),
        len(bad),
        len(others),
        None,
        tuple(e.index for e in bad),
        frames_of(bad),
    )


@observation("one-address-silent", "one address never answers, others do", PLAIN)
def one_address_silent(scene: Scene) -> Finding:
    """Ask for an address with no sign of life while others answer."""
    answering = scene.answering
    found = [e for s in scene.absent for e in scene.servers[s]]
    silent = [e for e in found if e.silent]
    asked = len(found)
    if not answering or scene.info.vantage == "server":
        return Finding("one-address-silent", 0.0 if not scene.absent else -1.0, len(silent), asked)
    factor = bounded(asked * 0.5) if asked and len(silent) > 0.8 * asked else -4.0
    names = ", ".join(map(str, sorted(scene.absent)))
    return Finding(
        "one-address-silent",
        factor,
        len(silent),
        asked,
        None,
        tuple(e.index for e in silent),
        frames_of(silent[:20]),
        f"address {names}" if names else "every address answers",
    )


@observation("nobody-answers", "no server ever answers", PLAIN)
def nobody_answers(scene: Scene) -> Finding:
    """Ask whether there is no sign of life from anybody."""
    asked = [e for e in scene.episodes if e.request is not None]
    silent = [e for e in asked if e.silent]
    if scene.info.vantage == "server" or not asked or scene.answering:
        return Finding("nobody-answers", -4.0 if scene.answering else 0.0, 0, len(asked))
    nearly = len(silent) >= 0.95 * len(asked)
    return Finding(
        "nobody-answers",
        bounded(len(silent) * 0.5) if nearly else -2.0,
        len(silent),
        len(asked),
        None,
        tuple(e.index for e in silent),
        frames_of(silent[:20]),
    )


def _directions(scene: Scene) -> tuple[list[Episode], list[Episode]]:
    """Return exchanges of which the request, and of which the reply, was lost or damaged."""
    there = [e for e in scene.judged if e.asking is not None or e.unheard]
    back = [
        e
        for e in scene.judged
        if e.asking is None and not e.unheard and (e.answering is not None or e.silent)
    ]
    return there, back


@observation("both-ways", "requests and replies are struck alike")
def both_ways(scene: Scene) -> Finding:
    """Ask whether requests and replies are both struck."""
    if scene.client:
        return Finding("both-ways", 0.0, note="a client does not hear what becomes of its requests")
    there = [e for e in scene.judged if e.asking is not None]
    back = [e for e in scene.judged if e.answering is not None]
    fewer, more = sorted((len(there), len(back)))
    if scene.info.vantage == "server" and not any(
        e.answer is not None and not e.answer.outbound for e in scene.judged
    ):
        return Finding("both-ways", 0.0, note="no replies but the station's own are heard")
    return Finding(
        "both-ways",
        present(fewer, max(len(scene.judged), 1)) if more else 0.0,
        fewer,
        more,
        None,
        frames=frames_of((there if len(there) < len(back) else back)[:50]),
    )


@observation("mostly-one-way", "what is struck is nearly always of one direction")
def mostly_one_way(scene: Scene) -> Finding:
    """Ask a tap whether damage is of requests alone, or of replies alone, a few cases aside."""
    if scene.info.vantage != "tap":
        return Finding("mostly-one-way", 0.0, note="a station hears one direction")
    there = [e for e in scene.judged if e.asking is not None]
    back = [e for e in scene.judged if e.answering is not None]
    more = max(there, back, key=len)
    of = len(there) + len(back)
    return Finding(
        "mostly-one-way",
        above(len(more), of, ONE_WAY),
        len(more),
        of,
        ONE_WAY * of,
        tuple(e.index for e in more),
        frames_of(more[:50]),
    )


@observation("one-talker", "it strikes what one station says more than what others say")
def one_talker(scene: Scene) -> Finding:
    """Ask whether damage, character by character, depends on who talks."""
    said: Counter[object] = Counter()
    hurt: Counter[object] = Counter()
    for e in scene.judged:
        if e.asked_piece is not None and not e.asked_piece.outbound:
            said["client"] += 1
            hurt["client"] += e.asking is not None and not e.asking.before
        heard = e.answer or e.torn
        if heard is not None and not heard.outbound and e.server is not None:
            said[e.server] += 1
            hurt[e.server] += e.answering is not None and e.answering.likeness < 1
    groups = [who for who in said if said[who] >= FEW]
    if len(groups) < 2:
        return Finding("one-talker", 0.0, note="only one other station is heard")
    worst = max(groups, key=lambda who: (hurt[who] + 1) / (said[who] + 4))
    rest = sum(said[who] for who in groups if who != worst)
    bad = sum(hurt[who] for who in groups if who != worst)
    factor = worse(hurt[worst], said[worst], bad, rest) - log(len(groups))
    return Finding(
        "one-talker",
        bounded(factor),
        hurt[worst],
        said[worst],
        bad / rest * said[worst] if rest else None,
        note=f"{worst if worst == 'client' else f'server {worst}'}; all others {bad} of {rest}",
    )


@observation("some-requests-spared", "some requests are never struck, others often")
def some_requests_spared(scene: Scene) -> Finding:
    """Ask whether losses depend on what is asked, within one server."""
    best = Finding("some-requests-spared", 0.0)
    for server, episodes in scene.servers.items():
        if server in scene.absent:
            continue
        of: Counter[object] = Counter(e.request for e in episodes)
        bad: Counter[object] = Counter(e.request for e in episodes if e.hurt)
        kinds = [kind for kind in of if of[kind] >= FEW]
        if len(kinds) < 2:
            continue
        worst = max(kinds, key=lambda kind: (bad[kind] + 1) / (of[kind] + 4))
        rest = sum(of[kind] for kind in kinds if kind != worst)
        lost = sum(bad[kind] for kind in kinds if kind != worst)
        factor = bounded(worse(bad[worst], of[worst], lost, rest) - log(len(kinds)))
        if factor > best.factor or not best.of:
            best = Finding(
                "some-requests-spared",
                factor,
                bad[worst],
                of[worst],
                lost / rest * of[worst] if rest else None,
                note=f"server {server}; its other requests {lost} of {rest}",
            )
    return best


@observation("server-unlike-itself", "replies of one address differ as if two units gave them")
def server_unlike_itself(scene: Scene) -> Finding:
    """Ask whether two good replies answer one request."""
    found = [
        e
        for e in scene.judged
        if any(p.data[:1] == (e.request or b"")[:1] for p in e.strange) and e.answer is not None
    ]
    return Finding(
        "server-unlike-itself",
        above(len(found), max(len(found), 1), 0.05) if found else -0.3,
        len(found),
        len(scene.judged),
        None,
        tuple(e.index for e in found),
        frames_of(found),
    )
