"""MODBUS over Serial Line V1.02: characters, silent intervals, addresses, limits of the wire."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbus.bench.errors import SettingsError
from kerfbus.bench.line import MAX_ADU, LineSettings, check_server_address

# 2.5.1: start, 8 data, parity, stop = 11 bits; without parity 2 stop bits. 2.5.1.1: t1.5 and t3.5,
# fixed above 19200 bits/s. The figures follow from the text by arithmetic.
TIMING = [
    (1200, 9_166_667, 13_750_000, 32_083_333),
    (9600, 1_145_833, 1_718_750, 4_010_417),
    (19200, 572_917, 859_375, 2_005_208),
    (38400, 286_458, 750_000, 1_750_000),
    (115200, 95_486, 750_000, 1_750_000),
]


@pytest.mark.parametrize(("baud", "character", "t15", "t35"), TIMING)
@pytest.mark.parametrize("form", ["8E1", "8O1", "8N2"])
def test_timing_table(baud: int, character: int, t15: int, t35: int, form: str) -> None:
    settings = LineSettings.parse(baud, form)
    assert settings.character_bits == 11
    assert settings.characters_ns(1) == character
    assert (settings.t15_ns, settings.t35_ns) == (t15, t35)


def test_silence_at_38400_is_not_computed_from_characters() -> None:
    """2.5.1.1: 1.750 ms, where 3.5 characters would be 1.0026 ms."""
    assert LineSettings(38400).t35_ns == 1_750_000 != round(3.5 * 11 / 38400 * 1e9)


def test_fixed_intervals_are_those_of_22000_bits_a_second() -> None:
    """By arithmetic: 1.5 and 3.5 characters of 11 bits at 22,000 bits/s."""
    assert 1.5 * 11 / 22000 * 1e9 == 750_000
    assert 3.5 * 11 / 22000 * 1e9 == 1_750_000


@pytest.mark.parametrize(
    ("form", "bits"),
    [("8N1", 10), ("8E1", 11), ("8N2", 11), ("8E2", 12), ("7E1", 10), ("7N1", 9), ("5N1", 7)],
)
def test_bits_of_a_character_in_any_format(form: str, bits: int) -> None:
    assert LineSettings.parse(9600, form).character_bits == bits


@pytest.mark.parametrize(
    ("baud", "low", "high"), [(9600, 21, 23), (19200, 43, 45), (115200, 150, 204)]
)
def test_transactions_a_second_of_a_ten_register_read(baud: int, low: int, high: int) -> None:
    """By arithmetic from 2.5.1.1: request 8, reply 25 characters, 8E1, t3.5 twice."""
    rate = 1e9 / LineSettings(baud).transaction_ns(8, 25)
    assert low <= rate <= high


def test_transaction_on_the_wire_adds_up() -> None:
    settings = LineSettings(9600)
    wanted = settings.characters_ns(33) + 20_000_000 + settings.t35_ns
    assert settings.transaction_ns(8, 25, turnaround_ns=20_000_000) == wanted
    # 2.1: a broadcast has no reply; 2.4.1: the turnaround delay follows it.
    assert settings.transaction_ns(8, 0, 100_000_000) == settings.characters_ns(8) + 100_000_000


@given(
    st.integers(1, 4_000_000), st.sampled_from(["8E1", "8N1", "8N2", "7O1"]), st.integers(0, 256)
)
def test_spans_are_rounded_once(baud: int, form: str, count: int) -> None:
    settings = LineSettings.parse(baud, form)
    exact = count * settings.character_bits * 10**9 / baud
    assert abs(settings.characters_ns(count) - exact) <= 0.5 + 1e-9 * exact


@pytest.mark.parametrize("address", [1, 17, 247])
def test_individual_addresses(address: int) -> None:
    """2.2: 1 to 247."""
    assert check_server_address(address) == address


@pytest.mark.parametrize("address", [-1, 0, 248, 255, 256])
def test_other_addresses_are_refused(address: int) -> None:
    """2.2: 0 is broadcast, 248 to 255 are reserved."""
    with pytest.raises(SettingsError, match=f"server address {address}: .*1 to 247"):
        check_server_address(address)


def test_broadcast_address_where_it_is_allowed() -> None:
    assert check_server_address(0, broadcast=True) == 0


def test_longest_frame() -> None:
    """2.5.1, figure 12: 1 address, 1 function, 0 to 252 data, 2 CRC."""
    assert MAX_ADU == 1 + 1 + 252 + 2


@pytest.mark.parametrize(
    ("baud", "form", "said"),
    [
        (0, "8E1", "baud 0: not a bit rate"),
        (-9600, "8E1", "baud -9600"),
        (9600, "8X1", "parity is one of"),
        (9600, "9N1", "5-8 data bits"),
        (9600, "8N3", "1 or 2 stop bits"),
        (9600, "even", "give data bits, parity and stop bits"),
        (9600, "", "give data bits"),
        (9600, "²E1", "give data bits"),  # a digit to str.isdigit, none to int
        (9600, "8\n1", "give data bits"),
    ],
)
def test_settings_that_cannot_be_say_what_to_give(baud: int, form: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        LineSettings.parse(baud, form)


@pytest.mark.parametrize("form", ["8e1", " 8E1 ", "8N2"])
def test_formats_as_people_write_them(form: str) -> None:
    settings = LineSettings.parse(19200, form)
    assert settings.format == form.strip().upper()
    assert str(settings) == f"19200 {form.strip().upper()}"
