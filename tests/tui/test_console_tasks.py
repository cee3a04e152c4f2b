"""The console, task by task, as a person does them: on real ptys and on simulated lines."""

from __future__ import annotations

import os
import resource
import signal
from collections.abc import Iterator
from pathlib import Path

import console as programs
import pytest
from consoles import (
    KEYS,
    drawn,
    opened,
    polled,
    real_console,
    screen_text,
    typed,
    until,
    until_shown,
    virtual_console,
)

from kerfbus.bench.capture import CaptureReader, LineEvent
from kerfbus.bench.errors import NotArmedError
from kerfbus.bench.regmap import parse_target, plan_write
from kerfbus.sim.hand import LINE_TROUBLES
from kerfbus.tui.console.manner import Manner
from kerfbus.tui.console.verdict import Door
from kerfbus.tui.console.wording import said


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Give the pty of a supply that all tests of a process share."""
    with programs.supply_on_pty(tmp_path_factory.mktemp("supply")) as path:
        yield path


async def test_it_polls_a_real_pty_and_says_so(port: str) -> None:
    async with real_console(port) as (_, pilot):
        await until_shown(pilot, "✔ YES  server 1 answers")
        await until_shown(pilot, "6.50 bar")


async def test_a_set_point_is_armed_limited_written_and_read_back(port: str) -> None:
    async with real_console(port) as (app, pilot):
        await until_shown(pilot, "server 1 answers")
        assert app.live is not None
        await pilot.press("s")
        await until_shown(pilot, "Set which value?")
        assert "that can strike an arc are not offered" in screen_text(pilot)
        await pilot.press("escape")
        registers = [r.name for s in app.live.board.shown for r in s.registers]
        await pilot.press(*["down"] * registers.index("current_setpoint"), "enter")
        await until_shown(pilot, "Limits of the map: 20 to 125 A")
        await typed(pilot, "450")
        await until_shown(pilot, "outside the limits")
        await typed(pilot, "45")
        await until_shown(pilot, "Arm this port?")
        await typed(pilot, "yes")
        await until_shown(pilot, "type arm, or Esc")
        await typed(pilot, "arm")
        await until_shown(pilot, "A -> 45.0 A, read back")
        assert "ARMED" in await drawn(pilot)
        await pilot.press("A")
        await until_shown(pilot, "Disarmed")
        assert not app.live.link.armed


async def test_without_arming_nothing_is_sent(port: str) -> None:
    async with real_console(port) as (app, pilot):
        await until_shown(pilot, "server 1 answers")
        await pilot.press("s")
        await until_shown(pilot, "Set which value?")
        await pilot.press("enter")
        await until_shown(pilot, "Now ")
        await typed(pilot, "20")
        await until_shown(pilot, "Arm this port?")
        await pilot.press("escape")
        await until_shown(pilot, "nothing was sent")
        assert app.live is not None
        assert not any("set " in said(e, app.live.map) for e in app.live.log.entries())


async def test_what_can_strike_an_arc_is_offered_only_by_an_act_of_its_own(port: str) -> None:
    async with real_console(port) as (app, pilot):
        await until_shown(pilot, "server 1 answers")
        app.action_allow_strike()
        await until_shown(pilot, "Arm this port?")
        await typed(pilot, "arm")
        await until_shown(pilot, "Nobody may be near the torch")
        await typed(pilot, "arc")
        await until_shown(pilot, "ARMED, ARC")
        await pilot.press("s")
        await until_shown(pilot, "Set which value?")
        assert app.live is not None
        offered = app.live.board.settable(strike=True)
        assert any(each.can_strike_arc for each in offered)
        assert "are not offered" not in screen_text(pilot)


async def test_marks_and_a_recording_come_out_in_the_capture(port: str, tmp_path: Path) -> None:
    file = tmp_path / "site.pcapng"
    async with real_console(port) as (app, pilot):
        await until_shown(pilot, "server 1 answers")
        assert "not recording" in screen_text(pilot)
        await pilot.press("r")
        await until_shown(pilot, "Record to")
        await typed(pilot, str(file))
        await until_shown(pilot, "● REC")
        assert app.live is not None
        app.live.arc_register = None  # as on a unit that does not tell: a person does
        await pilot.press("a")
        await until_shown(pilot, "marked: arc on")
        await pilot.press("m")
        await until_shown(pilot, "Mark this moment")
        await typed(pilot, "moved the cable")
        await until_shown(pilot, "marked: moved the cable")
        before = len(app.live.log)
        await until(pilot, lambda: len(app.live.log) > before + 10)  # type: ignore[union-attr]
        await pilot.press("r")
        await until_shown(pilot, "recorded to")
    with CaptureReader(file) as reader:
        comments = [each.comment for each in reader if isinstance(each, LineEvent)]
        assert reader.info.vantage == "client"
    assert "arc=on" in comments
    assert "note=moved the cable" in comments
    assert programs.call("decode", file).code == 0


async def test_pause_search_and_filter_lose_nothing() -> None:
    async with virtual_console() as (app, pilot):
        model = app.live
        assert model is not None
        await polled(app.engine, 30)
        await pilot.press("2", "p")
        before = await drawn(pilot)
        assert "PAUSED" in before
        entries = len(model.log)
        await polled(app.engine, 30)
        after = await drawn(pilot)
        assert before.splitlines()[9:22] == after.splitlines()[9:22]
        assert f"{len(model.log) - entries} newer below" in after
        await pilot.press("p")
        assert "PAUSED" not in await drawn(pilot)
        await pilot.press("slash")
        await until_shown(pilot, "Search the line for")
        await typed(pilot, "Shield_Wear")
        await until(pilot, lambda: not model.log.unsearched)
        found = await drawn(pilot)
        rows = [line for line in found.splitlines()[9:22] if line.strip()]
        assert rows
        assert all("shield_wear" in line for line in rows)
        await pilot.press("escape")
        assert "mode" in await drawn(pilot)
        await pilot.press("f")
        assert "only damaged or odd" in await drawn(pilot)


async def test_another_port_and_settings_are_chosen_with_find(port: str) -> None:
    async with virtual_console() as (app, pilot):
        app.manner = type(app.manner)()
        await pilot.press("c")
        await until_shown(pilot, "Port and settings")
        await pilot.press("ctrl+u", *[KEYS.get(each, each) for each in port])
        await pilot.press("ctrl+f")
        await until_shown(pilot, "Enter connects")
        await until(pilot, lambda: "found 19200" in screen_text(pilot))
        await pilot.press("enter")
        await until(pilot, lambda: app.link.port == port and opened(app))
        await until_shown(pilot, "server 1 answers")


async def test_what_is_asked_for_is_chosen_by_groups() -> None:
    async with virtual_console() as (app, pilot):
        model = app.live
        assert model is not None
        await pilot.press("g")
        await until_shown(pilot, "[x] Arc")
        assert "[ ] Arc and current" in screen_text(pilot)
        await pilot.press("space", "down", "space")
        assert "[ ] Arc" in screen_text(pilot)
        await pilot.press("enter")
        await until(pilot, lambda: "arc" not in model.board.polled)
        await polled(app.engine, 8)
        assert "output_current" not in await drawn(pilot)
        assert "electrode_wear" in await drawn(pilot)


async def test_a_wrong_answer_in_the_port_dialog_is_said() -> None:
    async with virtual_console() as (_, pilot):
        await pilot.press("c")
        await until_shown(pilot, "Port and settings")
        await pilot.press("tab")
        await typed(pilot, "fast")
        await until_shown(pilot, "baud 'fast': is no whole number")


async def test_an_unknown_port_leaves_the_console_up() -> None:
    async with virtual_console("/dev/no-such-port") as (app, pilot):
        assert app.live is not None
        assert app.live.link.door is Door.FAILED
        assert "✖ NO" in await drawn(pilot)
        assert "no-such-port" in screen_text(pilot)


async def test_a_killed_supply_is_said_and_one_that_comes_back_is_heard(tmp_path: Path) -> None:
    path = tmp_path / "supply"
    with programs.start("supply", "--pty", path) as first:
        assert first.stdout is not None
        assert "ready" in first.stdout.readline()
        async with real_console(str(path)) as (app, pilot):
            await until_shown(pilot, "server 1 answers")
            os.kill(first.pid, signal.SIGKILL)
            await until_shown(pilot, "the port is gone")
            path.unlink(missing_ok=True)
            with programs.start("supply", "--pty", path) as second:
                assert second.stdout is not None
                assert "ready" in second.stdout.readline()
                await until_shown(pilot, "✔ YES  server 1 answers")
                second.terminate()
            assert app.is_running


async def test_a_wrong_map_is_said(tmp_path: Path) -> None:
    file = tmp_path / "other.toml"
    file.write_text(
        '[map]\nname = "other"\n\n[[register]]\nname = "pressure"\ntable = "input"\n'
        'address = 60000\ntype = "u16"\n\n[[register]]\nname = "flow"\ntable = "input"\n'
        'address = 60001\ntype = "u16"\n'
    )
    async with virtual_console() as (app, pilot):
        from dataclasses import replace

        await app.open_link(replace(app.link, map=str(file)))
        await polled(app.engine, 3)
        text = await drawn(pilot)
        assert "2 values cannot be read: is the map right?" in text


async def test_the_simulated_supply_is_struck_worn_and_broken() -> None:
    async with virtual_console() as (app, pilot):
        hand = app.engine.hand
        assert hand is not None
        await pilot.press("i")
        await until_shown(pilot, "Strike the arc")
        await pilot.press("enter")
        await until_shown(pilot, "arc ordered")
        await polled(app.engine, 60)
        assert hand.mode == "cutting"
        assert "cutting" in await drawn(pilot)
        await pilot.press("i")
        await until_shown(pilot, "Stop the arc")
        await pilot.press("down", "down", "enter")
        await until_shown(pilot, "0 to 50 mm")
        await typed(pilot, "99")
        await until_shown(pilot, "stand_off 99: give 0 to 50 mm")
        await pilot.press("i")
        await until_shown(pilot, "Stop the arc")
        await pilot.press("escape")
        hand.inject("stop-chain-open")
        await polled(app.engine, 20)
        assert "✖ FAULT  the supply says stop-chain-open" in await drawn(pilot)


async def test_noise_on_the_simulated_line_is_laid_on_seen_and_explained() -> None:
    async with virtual_console("sim:healthy?cause=random-noise&severity=0.7") as (app, pilot):
        await polled(app.engine, 60)
        text = await drawn(pilot)
        assert "Healthy? ✖ NO" in text
        assert "in the last minute" in text
        await pilot.press("2", "f")
        assert app.live is not None
        await until(pilot, lambda: not app.live.log.unsearched)  # type: ignore[union-attr]
        assert "DAMAGED reply" in await drawn(pilot)
        assert "damaged: " in screen_text(pilot)
        await pilot.press("x")
        await until_shown(pilot, "exchanges")


@pytest.mark.parametrize("keys", ["question_mark", "ctrl+p"])
async def test_help_and_palette_know_every_key(keys: str) -> None:
    async with virtual_console(size=(140, 60)) as (app, pilot):
        await pilot.press(keys)
        await until_shown(pilot, "Explain what has just been seen")
        assert app.is_running


async def test_a_capture_is_opened_and_moved_through(tmp_path: Path) -> None:
    async with virtual_console() as (app, pilot):
        await pilot.press("o")
        await until_shown(pilot, "Open which capture?")
        capture = Path(__file__).parents[2] / "captures" / "one-cut.pcapng"
        await typed(pilot, str(capture))
        await until(pilot, lambda: app.review is not None)
        review = app.review
        assert review is not None
        await until(pilot, lambda: review.overview is not None and review.overview.done == 1.0)
        first = review.at
        await pilot.press("right", "right", "pagedown")
        assert review.at > first
        text = await drawn(pilot)
        assert "254 frames, 0 damaged" in text
        assert "one-cut.pcapng" in text
        await pilot.press("end")
        assert review.at - review.first_at == review.span_ns
        await pilot.press("right_square_bracket")
        await until_shown(pilot, "No more damage that way")
        await pilot.press("home")
        assert review.at == first
        await pilot.press("escape")
        assert app.review is None


async def test_a_resized_terminal_is_filled() -> None:
    async with virtual_console() as (app, pilot):
        await polled(app.engine, 20)
        assert "Tab: next pane" in await drawn(pilot)
        await pilot.resize_terminal(140, 45)
        wide = await drawn(pilot)
        assert "Turnaround" in wide
        assert "Consumables" in wide
        await pilot.resize_terminal(40, 10)
        await pilot.resize_terminal(80, 24)
        assert "Tab: next pane" in await drawn(pilot)


async def test_a_full_disk_is_said_and_the_link_goes_on(tmp_path: Path) -> None:
    file = tmp_path / "full.pcapng"
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    async with real_console("sim:", spool=False) as (app, pilot):
        await until_shown(pilot, "server 1 answers")
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, before[1]))
        try:
            await app.engine.start_recording(str(file))
            await until_shown(pilot, "✖ NOT RECORDING")
            assert "Wrong?   ✖ RECORDING  the recording stopped" in await drawn(pilot)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        live = app.live
        assert live is not None
        heard = len(live.log)
        await until(pilot, lambda: len(live.log) > heard + 4)
        await app.engine.stop_recording()
    with CaptureReader(file) as reader:
        assert len(list(reader)) > 10


async def test_a_tap_hears_others_and_sends_nothing() -> None:
    async with virtual_console("sim:", manner=Manner(virtual=True, listen=True)) as (app, pilot):
        for _ in range(60):
            await app.engine.turn()
        text = await drawn(pilot)
        assert "✔ YES  somebody talks" in text
        assert "listening" in text
        with pytest.raises(NotArmedError, match="a tap sends nothing"):
            await app.engine.write(plan_write(app.live.map, parse_target("current_setpoint=45")))  # type: ignore[union-attr]
        quality = app.live.quality  # type: ignore[union-attr]
        assert quality is not None
        assert quality.total.trials > 20


async def test_a_trouble_of_the_line_is_laid_on_by_a_key() -> None:
    async with virtual_console() as (app, pilot):
        await pilot.press("i")
        await until_shown(pilot, "Simulate")
        await pilot.press("end", *["up"] * 3, "enter")
        await until_shown(pilot, "severity, 0 (barely visible) to 1 (dead)")
        await typed(pilot, "0.25")
        await until(pilot, lambda: "severity=0.25" in app.link.port and opened(app))
        cause = app.link.port.partition("cause=")[2].partition("&")[0]
        assert cause in LINE_TROUBLES
        await polled(app.engine, 3)
        assert "server 1" in await drawn(pilot)
