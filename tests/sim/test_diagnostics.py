"""Function 08 and the event counter and log: every sub-function, every counter rule.

Sources: MODBUS Application Protocol V1.1b3, 6.8.1 (sub-functions), 6.9, 6.10 (event bytes); MODBUS
over Serial Line V1.02, appendix A (what each counter counts).
"""

from __future__ import annotations

import pytest
from supplies import KEY, MS, Bench, S

from kerfbus.bench import wire
from kerfbus.bench.framing import FrameError
from kerfbus.sim.diagnostics import Count
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.sequence import Mode

READ = wire.ReadInputRegisters(0, 1)
REFUSED = wire.ReadInputRegisters(60000, 1)


@pytest.fixture
def bench() -> Bench:
    return Bench()


def ask(bench: Bench, sub: int, data: str = "0000", address: int | None = None) -> str | None:
    """Send function 08 and return the reply's data field in hex, None for silence."""
    pdu = bench.pdu(bytes((8,)) + sub.to_bytes(2, "big") + bytes.fromhex(data), address)
    if pdu is None:
        return None
    if pdu[0] == 0x88:
        return f"exception {pdu[1]}"
    assert pdu[:3] == bytes((8,)) + sub.to_bytes(2, "big")
    return pdu[3:].hex()


def count(bench: Bench, counter: Count) -> int:
    """Return a counter as function 08 gives it."""
    answer = ask(bench, int(counter))
    assert answer is not None
    return int(answer, 16)


def events(bench: Bench) -> tuple[int, int, int, bytes]:
    """Return status, event count, message count and event log of function 0C."""
    pdu = bench.pdu(b"\x0c")
    assert pdu is not None
    assert pdu[1] == len(pdu) - 2 == 6 + len(pdu[8:])
    status, happened, messages = (int.from_bytes(pdu[i : i + 2], "big") for i in (2, 4, 6))
    return status, happened, messages, pdu[8:]


# --- sub-functions -------------------------------------------------------------------------------


@pytest.mark.parametrize("data", ["a537", "0000", "ffff00010203"])
def test_00_returns_the_query(bench: Bench, data: str) -> None:
    assert ask(bench, 0x00, data) == data


def test_01_restarts_and_keeps_or_clears_the_log(bench: Bench) -> None:
    bench.ask(READ)
    bench.ask(REFUSED)
    assert ask(bench, 0x01, "0000") == "0000"
    _, happened, messages, log = events(bench)
    assert (happened, messages) == (0, 1)  # this very request
    # Newest first: 0C received, restart done, restarted, restart received, what was before.
    assert log[:4] == bytes((0x80, 0x40, 0x00, 0x80))
    assert len(log) == 8
    assert ask(bench, 0x01, "ff00") == "ff00"
    assert events(bench)[3] == bytes((0x80, 0x40, 0x00))
    assert ask(bench, 0x01, "1234") == "exception 3"


def test_02_latches_what_has_happened(bench: Bench) -> None:
    assert ask(bench, 0x02) == "0000"
    bench.ask(REFUSED)
    bench.server.damaged()
    bench.server.damaged(FrameError.OVERRUN)
    assert ask(bench, 0x02) == "0007"
    assert ask(bench, 0x0A) == "0000"
    assert ask(bench, 0x02) == "0000"


def test_03_takes_a_character_and_00(bench: Bench) -> None:
    assert ask(bench, 0x03, "3b00") == "3b00"
    assert bench.server.diagnostics.delimiter == 0x3B
    assert ask(bench, 0x03, "3b01") == "exception 3"


def test_04_listens_only_until_it_is_restarted(bench: Bench) -> None:
    assert ask(bench, 0x04) is None
    assert bench.ask(READ) is None
    assert ask(bench, 0x00, "1234") is None
    assert ask(bench, 0x0A) is None
    assert bench.ask(wire.WriteSingleRegister(0, 700)) is None
    assert bench.ask(wire.WriteSingleRegister(0, 700), address=0) is None
    assert ask(bench, 0x01, "1234") is None  # a wrong restart is refused in silence
    assert bench.ask(READ) is None
    assert ask(bench, 0x01) is None  # silent, and back
    assert set(bench.server.diagnostics.counts) == {0}
    assert bench.words(0) == (600,)


def test_04_lets_the_watchdog_expire(bench: Bench) -> None:
    # 6.8.1, 04: the active controls are switched off by the watchdog that nobody feeds.
    bench.make_startable()
    bench.done(bench.start())
    bench.keep_alive(2 * S)
    assert ask(bench, 0x04) is None
    for _ in range(20):
        bench.wait(100 * MS)
        bench.ask(READ)
    assert bench.supply.mode is Mode.FAULT


def test_0a_clears_all_counters(bench: Bench) -> None:
    bench.ask(READ)
    bench.ask(REFUSED)
    bench.server.damaged(FrameError.OVERRUN)
    bench.ask(READ, address=0)
    assert ask(bench, 0x0A) == "0000"
    assert set(bench.server.diagnostics.counts) == {0}
    assert bench.pdu(b"\x0b") == b"\x0b\x00\x00\x00\x00"


def test_14_clears_the_overruns_only(bench: Bench) -> None:
    bench.server.damaged(FrameError.OVERRUN)
    assert count(bench, Count.OVERRUNS) == 1
    assert ask(bench, 0x14) == "0000"
    assert count(bench, Count.OVERRUNS) == 0
    assert count(bench, Count.BUS_ERRORS) == 1


@pytest.mark.parametrize("sub", [0x05, 0x09, 0x13, 0x15, 0x16, 0xFFFF])
def test_reserved_sub_functions_are_refused_with_01(bench: Bench, sub: int) -> None:
    assert ask(bench, sub) == "exception 1"


@pytest.mark.parametrize("sub", [0x02, 0x04, 0x0A, *Count, 0x14])
def test_the_data_field_must_be_0000(bench: Bench, sub: int) -> None:
    assert ask(bench, sub, "0001") == "exception 3"
    assert not bench.server.diagnostics.listen_only


# --- counters ------------------------------------------------------------------------------------


def test_0b_counts_good_frames_to_whomever_but_not_damaged_ones(bench: Bench) -> None:
    bench.ask(READ)
    bench.ask(READ, address=9)
    bench.ask(READ, address=0)
    bench.server.handle(b"\x01\x04\x00\x00\x00\x01\x00\x00", 0)
    bench.server.overhear()
    assert count(bench, Count.BUS_MESSAGES) == 5


def test_0c_counts_damage_of_every_kind(bench: Bench) -> None:
    frame = wire.adu(1, READ)
    bench.server.handle(frame[:-1] + b"\x00", 0)  # CRC
    bench.server.handle(frame, 0, FrameError.PARITY)
    bench.server.handle(frame, 0, FrameError.OVERRUN)
    bench.server.handle(frame[:2], 0)  # fewer than three characters
    bench.server.overhear(FrameError.CRC)
    assert count(bench, Count.BUS_ERRORS) == 5
    assert count(bench, Count.OVERRUNS) == 1


def test_0d_counts_exceptions_and_errors_in_broadcasts(bench: Bench) -> None:
    bench.ask(REFUSED)
    bench.ask(wire.WriteSingleRegister(60000, 1), address=0)
    bench.ask(wire.WriteSingleRegister(0, 1), address=0)
    assert count(bench, Count.EXCEPTIONS) == 3


def test_0e_counts_messages_to_this_server_and_broadcasts(bench: Bench) -> None:
    bench.ask(READ)
    bench.ask(READ, address=9)
    bench.ask(wire.WriteSingleRegister(0, 610), address=0)
    assert count(bench, Count.SERVER_MESSAGES) == 3


def test_0f_counts_what_got_no_answer(bench: Bench) -> None:
    bench.ask(wire.WriteSingleRegister(0, 610), address=0)
    bench.ask(READ, address=0)
    assert count(bench, Count.NO_RESPONSES) == 2
    assert ask(bench, 0x04) is None
    bench.ask(READ)
    assert bench.server.diagnostics.counts[Count.NO_RESPONSES] == 4


def test_10_stays_at_zero_and_11_counts_busy(bench: Bench) -> None:
    bench.make_startable()
    bench.done(bench.start())
    bench.ask(wire.WriteMultipleRegisters(KEY, (COMMAND_KEY, Order.SELF_TEST)))
    assert count(bench, Count.BUSY) == 1
    assert count(bench, Count.NAKS) == 0


def test_counters_wrap(bench: Bench) -> None:
    bench.server.diagnostics.counts[Count.BUS_MESSAGES] = 0xFFFF
    assert count(bench, Count.BUS_MESSAGES) == 0


def test_the_map_shows_the_same_counters(bench: Bench) -> None:
    bench.ask(REFUSED)
    bench.server.damaged(FrameError.OVERRUN)
    for name, counter in (
        ("bus_errors", Count.BUS_ERRORS),
        ("bus_exceptions", Count.EXCEPTIONS),
        ("bus_overruns", Count.OVERRUNS),
    ):
        register = default_map().by_name(name)
        assert bench.words(register.address, table="input") == (count(bench, counter),)


# --- events --------------------------------------------------------------------------------------


def test_0b_function_counts_successes_only(bench: Bench) -> None:
    bench.ask(READ)
    bench.ask(READ)
    bench.ask(REFUSED)
    bench.ask(READ, address=9)
    assert bench.pdu(b"\x0b") == b"\x0b\x00\x00\x00\x02"


def test_the_log_tells_what_was_received_and_sent(bench: Bench) -> None:
    bench.ask(READ)
    bench.ask(REFUSED)
    bench.ask(wire.WriteSingleRegister(0, 9999))
    bench.ask(wire.WriteSingleRegister(0, 610), address=0)
    bench.server.damaged()
    bench.server.damaged(FrameError.OVERRUN)
    bench.ask(READ, address=9)
    status, happened, messages, log = events(bench)
    assert status == 0
    assert happened == 2  # the read and the broadcast
    assert messages == 6
    assert log == bytes(
        (
            0x80,  # this request
            0x92,  # communication error and overrun
            0x82,  # communication error
            0x40,  # broadcast done
            0xC0,  # broadcast received
            0x42,  # exception 4 sent
            0x80,
            0x41,  # exception 1 to 3 sent
            0x80,
            0x40,
            0x80,
        )
    )


def test_the_log_tells_listen_only_mode(bench: Bench) -> None:
    ask(bench, 0x04)
    bench.ask(READ)
    log = bench.server.diagnostics.log
    # Newest first: silence, received while listening, silence, entered, received.
    assert log == bytes((0x60, 0xA0, 0x60, 0x04, 0x80))


def test_the_log_keeps_64_events(bench: Bench) -> None:
    for _ in range(40):
        bench.ask(READ)
    log = events(bench)[3]
    assert len(log) == 64
    assert log[:3] == bytes((0x80, 0x40, 0x80))


def test_busy_is_an_event_of_its_own(bench: Bench) -> None:
    bench.make_startable()
    bench.done(bench.start())
    bench.ask(bench.coil("gas_test", True))
    assert bench.server.diagnostics.log[:2] == bytes((0x44, 0x80))


def test_diagnostics_that_change_something_are_obeyed_as_broadcast(bench: Bench) -> None:
    assert ask(bench, 0x04, address=0) is None
    assert bench.server.diagnostics.listen_only
    assert ask(bench, 0x01, address=0) is None
    assert not bench.server.diagnostics.listen_only
    assert ask(bench, 0x00, address=0) is None
