"""`kerfbus read` and `kerfbus write`, on the simulated supply and on a pty."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import console
import pytest

KEYS = {"name", "value", "unit", "raw", "at_ns"}


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[str]:
    """Return a pty on which a supply answers, in another process."""
    if os.name != "posix":
        pytest.skip("other platform: ptys")
    path = tmp_path / "supply"
    with console.start("supply", "--pty", path) as supply:
        assert supply.stdout is not None
        assert "ready" in supply.stdout.readline()
        yield str(path)
        supply.terminate()


def test_read_json_has_the_stable_keys() -> None:
    run = console.call("read", "arc_voltage", "mode", "holding:7", "--json")
    assert (run.code, run.err) == (0, "")
    assert run.answer["server"] == 1
    voltage, mode, raw = run.answer["values"]
    assert all(each.keys() >= KEYS for each in (voltage, mode, raw))
    assert (voltage["name"], voltage["value"], voltage["unit"]) == ("arc_voltage", 0.0, "V")
    assert (mode["value"], mode["unit"], mode["raw"]) == ("off", None, [0])
    assert (raw["name"], raw["unit"], raw["value"], raw["raw"]) == (None, None, 0, [0])
    assert isinstance(voltage["at_ns"], int)


def test_read_for_a_person_stands_in_groups() -> None:
    run = console.call("read", "rated_current", "arc_voltage", "holding:7", "interlocks")
    lines = run.out.splitlines()
    assert run.code == 0
    assert lines[0] == "Server 1 on sim:  19200 8E1  map supply"
    assert max(map(len, lines)) <= 80
    text = run.out
    assert text.index("(status)") < text.index("(arc)") < text.index("(identity)")
    assert text.index("125.0 A") > text.index("(identity)")
    assert lines[-1].split()[:2] == ["holding:7", "0"]


def test_read_a_group_leaves_out_what_cannot_be_read() -> None:
    run = console.call("read", "--group", "control", "--json")
    names = [each["name"] for each in run.answer["values"]]
    assert run.code == 0
    assert "enable" in names
    assert "command" not in names


def test_nobody_there_is_a_bad_answer() -> None:
    run = console.call("read", "mode", "--server", "9", "--timeout", "0.1", "--json")
    assert (run.code, run.err) == (1, "")
    (value,) = run.answer["values"]
    assert (value["value"], value["raw"], value["at_ns"]) == (None, None, None)
    assert value["error"] == "server 9 does not answer after 3 tries"
    person = console.call("read", "mode", "--server", "9", "--timeout", "0.1", "--retries", "0")
    assert person.out.splitlines()[-1] == "Not read: mode: server 9 does not answer"


def test_line_settings_that_the_supply_has_not_get_no_answer() -> None:
    run = console.call("read", "mode", "--baud", "9600", "--format", "8N2", "--timeout", "0.1")
    assert run.code == 1
    assert run.out.startswith("Server 1 on sim:  9600 8N2")


@pytest.mark.parametrize(
    ("arguments", "kind", "word"),
    [
        (["read", "arc_voltag"], "usage", "arc_voltage"),
        (["read", "input:70000"], "usage", "65535"),
        (["read", "holding:0+200"], "usage", "125"),
        (["read", "current_setpoint=5"], "usage", "write"),
        (["read", "command"], "usage", "written only"),
        (["read", "mode", "--server", "0"], "settings", "1 to 247"),
        (["read", "mode", "--server", "248"], "settings", "1 to 247"),
        (["read", "mode", "--baud", "0"], "settings", "baud"),
        (["read", "mode", "--format", "8X1"], "settings", "parity"),
        (["read", "mode", "--format", ""], "settings", "format ''"),
        (["read", "mode", "--port", "nosuch://x"], "settings", "scheme"),
        (["read", "mode", "--port", "sim:nosuch"], "port-missing", "scenario"),
        (["read", "mode", "--port", "no-such-device"], "port-missing", "no-such-device"),
        (["read", "mode", "--port", __file__], "not-a-port", "test_read_write"),
        (["read", "mode", "--map", "nosuch.toml"], "map", "nosuch.toml"),
        (["write", "current_setpoint"], "usage", "NAME=VALUE"),
        (["write", "current_setpoint=450"], "limit", "20 to 125"),
        (["write", "current_setpoint=lots"], "limit", "lots"),
        (["write", "arc_voltage=100"], "limit", "read only"),
        (["write", "holding:6=0"], "limit", "voltage_trim"),
        (["write", "input:0=1"], "usage", "read"),
        (["write", "current_setpoint=45", "--port", "/dev/null"], "not-armed", "--arm"),
        (["write", "mode=1", "--port", "/dev/null", "--arm"], "limit", "read only"),
    ],
    ids=lambda each: " ".join(each) if isinstance(each, list) else "",
)
def test_what_cannot_be_done_is_one_line_and_one_object(
    arguments: list[str], kind: str, word: str
) -> None:
    run = console.call(*arguments, "--json")
    assert run.code == 2
    assert run.answer["error"]["kind"] == kind
    assert word in run.answer["error"]["message"]
    assert run.err.splitlines() == [f"kerfbus: {run.answer['error']['message']}"]


def test_write_json_has_previous_and_verified() -> None:
    run = console.call("write", "current_setpoint=45", "command_key=0x4B46", "--json")
    assert run.code == 0
    setpoint, key = run.answer["values"]
    assert (setpoint["previous"], setpoint["value"], setpoint["verified"]) == (60.0, 45.0, True)
    assert setpoint["raw"] == [450]
    assert (key["previous"], key["verified"]) == (None, None)


def test_a_number_between_two_steps_is_rounded_and_that_is_said() -> None:
    run = console.call("write", "current_setpoint=45.03", "postflow_time=10", "--json")
    rounded, exact = run.answer["values"]
    assert (rounded["value"], rounded["raw"]) == (45.0, [450])
    assert (rounded["rounded_from"], exact["rounded_from"]) == (45.03, None)
    person = console.call("write", "current_setpoint=45.03", "voltage_trim=1.00004")
    assert "60.0 A -> 45.0 A  verified; 45.03 rounded to steps of 0.1 A" in person.out
    assert person.out.count("rounded") == 1  # a float32 has no steps


def test_a_refused_write_is_a_bad_answer_and_ends_the_run() -> None:
    run = console.call("write", "start=on", "current_setpoint=45", "--json")
    assert run.code == 1
    (start,) = run.answer["values"]
    assert (start["value"], start["previous"], start["verified"]) == (None, False, None)
    assert start["error"].startswith("server 1 refuses: exception 04")
    person = console.call("write", "start=on")
    assert person.code == 1
    assert "start: not set: server 1 refuses" in person.out


def test_only_write_offers_broadcast() -> None:
    assert "1 to 247; 0: all at once" in " ".join(console.call("write", "--help").out.split())
    assert "0: all" not in console.call("read", "--help").out


def test_write_for_a_person() -> None:
    run = console.call("write", "current_setpoint=45", "command_key=0x4B46")
    assert "current_setpoint  60.0 A -> 45.0 A  verified" in run.out
    assert "sent; cannot be read back" in run.out
    assert "simulated supply ends with this run" in run.err


def test_a_real_port_is_written_only_when_armed(pty: str) -> None:
    refused = console.call("write", "current_setpoint=45", "--port", pty, "--json")
    assert (refused.code, refused.answer["error"]["kind"]) == (2, "not-armed")
    before = console.call("read", "current_setpoint", "server_messages", "--port", pty, "--json")
    assert before.answer["values"][0]["value"] == 60.0
    assert before.answer["values"][1]["value"] <= 2  # no byte of the refused write came through
    armed = console.call("write", "current_setpoint=45", "--port", pty, "--arm", "--json")
    assert armed.code == 0
    assert armed.answer["values"][0]["verified"] is True
    after = console.call("read", "current_setpoint", "--port", pty, "--json")
    assert after.answer["values"][0]["value"] == 45.0


def test_a_real_port_with_the_invented_map_is_told(pty: str) -> None:
    run = console.call("read", "mode", "--port", pty)
    assert run.code == 0
    assert "invented map" in run.err
    given = console.call("read", "mode", "--port", pty, "--map", "supply")
    assert given.err == ""


def test_a_port_that_is_not_there_is_one_line_without_a_remark() -> None:
    run = console.call("read", "mode", "--port", "/dev/nosuch")
    assert run.code == 2
    (line,) = run.err.splitlines()
    assert "/dev/nosuch" in line


def test_what_can_strike_an_arc_is_said_before(pty: str) -> None:
    run = console.call("write", "start=on", "--port", pty, "--map", "supply", "--arm")
    assert run.code == 1  # the link is not armed in the supply
    assert "can strike an arc" in run.err
    tame = console.call("write", "panel_lock=on", "--port", pty, "--map", "supply", "--arm")
    assert (tame.code, tame.err) == (0, "")
