"""Text for a person, JSON for a program."""

from __future__ import annotations

import enum
import io
import json

import pytest

from kerfbus.tui.output import Output, columns, may_colour, plain


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


class Colour(enum.IntEnum):
    RED = 1


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ((1, (2, 3)), [1, [2, 3]]),
        ({1: (True, None)}, {"1": [True, None]}),
        (float("nan"), None),
        (float("-inf"), None),
        (0.5, 0.5),
        (Colour.RED, 1),
        ("text", "text"),
    ],
)
def test_plain(value: object, expected: object) -> None:
    assert json.loads(json.dumps(plain(value), allow_nan=False)) == expected


def test_plain_refuses_what_has_no_form() -> None:
    with pytest.raises(TypeError, match="object"):
        plain(object())


def test_person_and_program_never_share_a_stream(capsys: pytest.CaptureFixture[str]) -> None:
    for as_json in (False, True):
        stream = io.StringIO()
        output = Output(as_json=as_json, stream=stream)
        output.text("for a person")
        output.answer({"for": "a program"})
        output.remark("aside")
        assert stream.getvalue() == ('{"for": "a program"}\n' if as_json else "for a person\n")
        assert capsys.readouterr().err == ("" if as_json else "kerfbus: aside\n")


@pytest.mark.parametrize(
    ("stream", "environment", "expected"),
    [
        (Terminal(), {"TERM": "xterm"}, True),
        (Terminal(), {"TERM": "xterm", "NO_COLOR": "1"}, False),
        (Terminal(), {"TERM": "xterm", "NO_COLOR": ""}, True),
        (Terminal(), {"TERM": "dumb"}, False),
        (io.StringIO(), {"TERM": "xterm"}, False),
    ],
)
def test_colour_only_where_it_is_wanted(
    stream: io.StringIO,
    environment: dict[str, str],
    expected: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert may_colour(stream) is expected
    assert ("\x1b" in Output(stream=stream).paint("text", "bad")) is expected


def test_columns_align_left_and_right_without_trailing_space() -> None:
    assert columns([["a", "1", "x"], ["bcd", "23", ""]], right=[1]) == ["a     1  x", "bcd  23"]
    assert columns([]) == []
