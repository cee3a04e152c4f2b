"""The console's model and views, without Textual: what comes in, what stands in the lines."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench import wire
from kerfbus.bench.capturerecords import Burst, CaptureInfo
from kerfbus.bench.crc import with_crc
from kerfbus.bench.decode import Decoder
from kerfbus.bench.framing import FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.quality import Quality
from kerfbus.bench.regmap import RegisterMap
from kerfbus.bench.transport import CharacterError, Chunk, LineEventKind
from kerfbus.sim.maps import default_map
from kerfbus.tui.console.choice import Choice
from kerfbus.tui.console.damage import damage_of, single_bit
from kerfbus.tui.console.layout import sections_of
from kerfbus.tui.console.linelog import KEPT, Filter, Kind, LineLog
from kerfbus.tui.console.lines import Role, Span, beside, cut, line, plain, texts, width
from kerfbus.tui.console.lineview import entry_lines, line_lines
from kerfbus.tui.console.model import Model
from kerfbus.tui.console.strip import Mark, Strip
from kerfbus.tui.console.tap import Marks
from kerfbus.tui.console.valueview import value_lines
from kerfbus.tui.console.verdict import Door, Seen, sentences
from kerfbus.tui.console.views import head_lines, strip_lines, title_line

S, MS = 1_000_000_000, 1_000_000
LINE = LineSettings()
READ = wire.adu(1, wire.ReadInputRegisters(8, 3))
REPLY = with_crc(bytes((1, 4, 6, 2, 88, 3, 232, 2, 88)))  # 600, 1000, 600


def said(records: list[Burst]) -> Model:
    """Return a model that has heard a client's records."""
    model = Model(default_map())
    model.quality = Quality(LINE)
    model.link = replace(model.link, port="sim:", door=Door.OPEN)
    decoder, marks = Decoder(CaptureInfo(LINE, "client", "exact", "virtual")), Marks()
    for record in records:
        if not record.outbound:
            marks.hear(Chunk(record.data, record.at, record.errors))
        for row in decoder.feed(record):
            model.take(row, marks.of(row))
    for row in decoder.finish():
        model.take(row, marks.of(row))
    return model


def transactions(count: int, damage: int | None = None) -> list[Burst]:
    """Return requests and replies, ten a second, the reply of one of them damaged."""
    records = []
    for number in range(count):
        at = (number + 1) * 100 * MS
        records.append(Burst(READ, at, True))
        reply = bytearray(REPLY)
        if number == damage:
            reply[4] ^= 0x10
        records.append(Burst(bytes(reply), at + 20 * MS))
    return records


def test_the_model_needs_no_textual() -> None:
    modules = "model linelog lineview valueview healthview views verdict engine review recordings"
    script = "import sys\n" + "".join(
        f"import kerfbus.tui.console.{name}\n" for name in modules.split()
    )
    script += "assert 'textual' not in sys.modules, 'textual'"
    subprocess.run([sys.executable, "-c", script], check=True)


def test_good_traffic_is_healthy_and_named_with_units() -> None:
    model = said(transactions(80))
    lines = texts(head_lines(model.seen(8 * S + 50 * MS), 80))
    assert lines[0].startswith(" Talking? ✔ YES  server 1 answers")
    assert lines[1].startswith(" Healthy? ✔ YES  no error in 80; fewer than 4.51 % go wrong")
    assert lines[2] == " Wrong?   ✔ NOTHING SEEN"
    shown = texts(line_lines(model, (100, 6), 0, raw=False))
    assert "output_current 60.0 A; demanded_current 100.0 A; arc_voltage 60.0 V" in shown[-2]
    assert "→ 1" in shown[-3]
    assert "read output_current, demanded_current and 1 more" in shown[-3]


def test_damage_is_counted_worded_and_marked_on_its_character() -> None:
    model = said(transactions(40, damage=39))
    seen = model.seen(4 * S)
    assert (seen.wrong, seen.trials) == (1, 40)
    assert list(seen.recent_kinds) == ["1 damaged back"]
    lines = texts(head_lines(seen, 100))
    assert "1 of 40 wrong: 2.5 %" in lines[1]
    assert "✖ LINE  1 of 40 in the last minute: 1 damaged back" in lines[2]
    block = texts(line_lines(model, (100, 8), 0, raw=False))
    assert any("✖ DAMAGED reply, 11 characters: crc" in each for each in block)
    assert any("02 [48] 03" in each for each in block)


def test_a_character_that_the_port_marked_is_marked_in_its_frame() -> None:
    records = transactions(2)
    torn = records[-1]
    errors = (CharacterError(5, LineEventKind.PARITY),)
    first, second = replace_data(torn, 0, 4, ()), replace_data(torn, 4, 11, errors[:0])
    spoilt = second._replace(errors=(CharacterError(1, LineEventKind.PARITY),))
    model = said([*records[:-1], first._replace(at=spoilt.at - LINE.characters_ns(7)), spoilt])
    newest = model.log.newest
    assert newest is not None
    assert newest.marked == (5,)
    assert "[03]" in "".join(texts(entry_lines(newest, model, 120, 0, raw=False)))


def replace_data(burst: Burst, begin: int, end: int, errors: tuple[CharacterError, ...]) -> Burst:
    return burst._replace(data=burst.data[begin:end], errors=errors)


@settings(max_examples=60)
@given(st.binary(min_size=2, max_size=200), st.integers(0, 10**6), st.integers(0, 7))
def test_a_single_wrong_bit_is_found(data: bytes, where: int, bit: int) -> None:
    frame = bytearray(with_crc(data))
    position = where % len(frame)
    frame[position] ^= 1 << bit
    assert single_bit(bytes(frame)) == position
    assert damage_of(bytes(frame), FrameError.CRC, (), b"").positions == (position,)


def test_the_request_is_a_witness_of_its_reply() -> None:
    found = damage_of(b"\x05\x04\x02\x00\x01\x00\x00", FrameError.CRC, (), READ)
    assert found.positions == (0,)
    assert "request" in found.why


@pytest.mark.parametrize(
    ("seen", "begin"),
    [
        (Seen(0, "p", 1, Door.SHUT), ("… NO PORT", "… NOT KNOWN", "✔ NOTHING SEEN")),
        (Seen(0, "p", 1, Door.OPENING), ("… OPENING", "… NOT KNOWN", "… NOTHING SEEN")),
        (Seen(0, "p", 1, Door.FAILED, "p: busy"), ("✖ NO  p: busy", "…", "✖ PORT  p: busy")),
        (Seen(0, "p", 1, Door.LOST, "gone"), ("✖ NO  the port is gone", "…", "✖ PORT  gone")),
        (Seen(0, "p", 1, Door.OPEN, unanswered=4), ("✖ NO  server 1 was silent", "…", "✔")),
        (Seen(9 * S, "p", 1, Door.OPEN, reply_at=S), ("✖ NOT NOW", "…", "✔")),
        (Seen(S, "p", None, Door.OPEN, reply_at=S), ("✔ YES  somebody talks", "…", "✔")),
        (Seen(S, "p", 1, Door.OPEN, reply_at=S, fault="no-gas"), ("✔", "…", "✖ FAULT")),
        (Seen(S, "p", 1, Door.OPEN, troubles=("disk full",)), ("…", "…", "✖ RECORDING  disk")),
        (
            Seen(S, "p", 1, Door.OPEN, problems={"server 1 refuses: exception 02": 3}),
            ("…", "…", "▲ MAP  3 values cannot be read"),
        ),
        (
            Seen(S, "p", 1, Door.OPEN, trials=10**6, wrong=3, interval=(1e-6, 9e-6)),
            ("…", "▲ NOT QUITE", "✔"),
        ),
    ],
)
def test_the_three_sentences_begin_with_the_answer(seen: Seen, begin: tuple[str, ...]) -> None:
    for sentence, expected in zip(sentences(seen), begin, strict=True):
        assert plain(sentence)[10:].startswith(expected)


def test_armed_and_recording_stay_on_view_whatever_the_port_is_called() -> None:
    model = Model(default_map())
    model.link = replace(model.link, port="/dev/" + "x" * 200, armed=True)
    text = plain(title_line(model, 0, 80))
    assert len(text) == 80
    assert "ARMED" in text
    assert text.endswith("not recording ")


def test_the_strip_shows_errors_arc_and_marks_at_their_time() -> None:
    model = Model(default_map())
    strip = model.strip
    for second in range(60):
        strip.count(second * S, 10, 2 if second == 30 else 0)
    strip.mark(Mark(20 * S, "arc", "on"))
    strip.mark(Mark(40 * S, "arc", "off"))
    traffic, errors, arc, marks = texts(strip_lines(model, 60 * S, 80))
    place = errors.index("2")
    assert 78 - place == pytest.approx(15, abs=2)
    assert traffic[place] == "█"
    assert set(marks[10:].replace("▼arc on", "").replace("▼arc off", "").strip()) <= {" ", "▼"}
    assert arc  # an arc that a person marked is drawn like one that a register shows


def test_the_strip_keeps_a_bounded_past() -> None:
    strip = Strip()
    for second in range(5000):
        strip.count(second * S, 1, 0)
    assert len(strip.slices) <= 900


def test_values_show_limits_trend_and_age() -> None:
    model = said(transactions(3))
    board = model.board
    register = board.map.by_name("current_setpoint")
    from kerfbus.bench.access import reading_of

    for raw in (400, 600, 1300):
        board.take([replace(reading_of(register), raw=(raw,), at=S)])
    rows = texts(value_lines(board, 10 * S, (80, 40), Choice()))
    row = next(each for each in rows if "current_setpoint" in each)
    assert "! 130.0 A" in row
    assert "20 to 125" in row
    assert row.endswith("9 s")


def test_a_foreign_map_is_shown_by_its_own_groups() -> None:
    own = default_map()
    few = RegisterMap("few", "few.toml", own.registers[:3] + own.registers[-2:])
    assert {each.name for s in sections_of(few) for each in s.registers} == {
        each.name for each in few.registers if each.readable
    }
    keys = [each.key for each in sections_of(own)]
    assert keys[:6] == ["arc", "gas", "process", "consumables", "faults", "link"]
    assert len(set(keys)) == len(keys)


def test_a_pause_keeps_what_is_on_view_and_counts_what_it_cannot_keep(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("kerfbus.tui.console.linelog.KEPT_IN_PAUSE", 200)
    model = said(transactions(50))
    model.log.pause(True)
    before = model.log.window(10).entries
    more = said(transactions(80)).log.entries()
    for entry in more:
        model.log.add(entry._replace(number=entry.number + 100))
    assert model.log.window(10).entries == before
    assert model.log.skipped == 60
    model.log.pause(False)
    assert model.log.window(1).entries[0].number == 199


def test_the_log_is_bounded_and_a_search_goes_on_in_steps() -> None:
    log = LineLog(default_map())
    entry = said(transactions(1)).log.entries()[0]
    for number in range(KEPT + 500):
        log.add(entry._replace(number=number))
    assert len(log) == KEPT
    log.choose(Filter(Kind.REQUESTS, "output_current"))
    steps = 0
    while log.unsearched:
        log.step()
        steps += 1
    assert steps > 10
    assert len(log.window(KEPT).entries) == KEPT


@given(st.text("abc ", max_size=30), st.text("xyz", max_size=30), st.integers(1, 40))
def test_lines_fit_where_they_must(left: str, right: str, room: int) -> None:
    assert width(cut(line(Span(left), Span(right, Role.BAD)), room)) <= room
    assert width(beside(line(left), line(right), room)) == room
