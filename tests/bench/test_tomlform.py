"""Forms in TOML files: what is wrong is named by file, line and key."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest

from kerfbus.bench.errors import FormError
from kerfbus.bench.tomlform import MAX_BYTES, Field, Form, Source, first_of, read_text


class Part(Form):
    name: str = ""
    length: float = Field(default=1.0, gt=0, le=9)
    shape: Literal["round", "flat"] = "round"
    hole: Part | None = None


class Whole(Form):
    title: str = Field(max_length=10)
    on: bool = False
    parts: list[Part] = Field(default=[], alias="part", max_length=3)
    extra: dict[str, float] = Field(default={})


GOOD = """\
title = "a form"
[[part]]
length = 2
[[part]]
name = "lid"
hole = { length = 3 }
[extra]
weight = 1.5
"""


def mistakes(text: str) -> list[str]:
    source = Source.parse(text, "f.toml", FormError)
    form, wrong = source.fill(Whole)
    assert (form is None) == bool(wrong)
    return [str(each) for each in wrong]


def test_a_good_form() -> None:
    form, wrong = Source.parse(GOOD, "f.toml", FormError).fill(Whole)
    assert not wrong
    assert form is not None
    assert [part.length for part in form.parts] == [2, 1]
    assert form.parts[1].hole == Part(length=3)
    assert form.extra == {"weight": 1.5}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('title = "a form"', "", "f.toml: line 1: title: is missing"),
        ("length = 2", 'length = "2"', "f.toml: line 3: part 1.length: needs a number, got '2'"),
        ("length = 2", "length = 0", "f.toml: line 3: part 1.length: 0 is not above 0.0"),
        ("length = 2", "length = 10", "f.toml: line 3: part 1.length: 10 is above 9.0"),
        ("length = 2", "length = inf", "f.toml: line 3: part 1.length: needs a finite number"),
        ("length = 2", "lenght = 2", "line 3: part 1.lenght: is not a known key; did you mean 'l"),
        ("length = 2", 'shape = "flad"', "line 3: part 1.shape: 'flad' is not one of round, flat;"),
        ("length = 3", "lengt = 3", "f.toml: line 6: part lid.hole.lengt: is not a known key; did"),
        ("length = 3", "length = true", "f.toml: line 6: part lid.hole.length: needs a number"),
        ("[[part]]\nname", "[[prat]]\nname", "f.toml: line 4: prat: is not a known key; did you"),
        ("1.5", "'x'", "f.toml: line 8: extra.weight: needs a number, got 'x'"),
        ('"a form"', '"much too long"', "f.toml: line 1: title: is longer than 10 characters"),
        ('"a form"', '"a form"\non = 1', "f.toml: line 2: on: needs true or false, got 1"),
        ("[[part]]\nl", "[part]\nl", "is not TOML"),
        ("[extra]", "[[part]]\n[[part]]\n[extra]", "f.toml: line 2: part: has more than 3 elem"),
    ],
)
def test_a_mistake_is_named_by_line_and_key(old: str, new: str, said: str) -> None:
    assert GOOD.count(old) == 1
    text = GOOD.replace(old, new)
    if said == "is not TOML":
        with pytest.raises(FormError, match=r"^f\.toml: line 4: "):
            Source.parse(text, "f.toml", FormError)
        return
    found = mistakes(text)
    assert found
    assert said in found[0]


def test_all_mistakes_are_found_and_the_first_says_how_many() -> None:
    text = GOOD.replace("length = 2", "length = -2").replace("1.5", "true")
    source = Source.parse(text, "f.toml", FormError)
    _, wrong = source.fill(Whole)
    assert [each.line for each in wrong] == [3, 8]
    assert str(first_of(wrong)).endswith("-2 is not above 0.0 (and 1 more)")
    assert first_of(wrong).key == "part 1.length"
    assert first_of(wrong[1:]) is wrong[1]


@pytest.mark.parametrize(
    ("text", "line"), [("a = ", 1), ("\n\nb = {", 3), ("a = 1\na = 2\n", 2), ("a\n", 1)]
)
def test_what_is_not_toml_is_named_by_line(text: str, line: int) -> None:
    with pytest.raises(FormError) as caught:
        Source.parse(text, "f.toml", FormError)
    assert caught.value.line == line
    assert str(caught.value).startswith(f"f.toml: line {line}: ")


def test_deep_nesting_is_refused() -> None:
    with pytest.raises(FormError, match="nested too deeply"):
        Source.parse("a = " + "[" * 10_000 + "]" * 10_000, "f.toml", FormError)


def test_whoever_has_the_form_names_places_too() -> None:
    source = Source.parse(GOOD, "f.toml", FormError)
    assert str(source.wrong(("part", 1, "hole", "length"), "is odd")) == (
        "f.toml: line 6: part lid.hole.length: is odd"
    )
    assert source.wrong(("part", 0, "shape"), "").line == 2


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"a = 1\nb = '\xff'\n")
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * (MAX_BYTES + 1))
    for path, words in (
        (tmp_path / "none.toml", "there is no such file"),
        (tmp_path, "cannot be read"),
        (bad, "line 2: is not UTF-8"),
        (large, "is larger than 4 MiB"),
        ("a\0b", "is no path"),
    ):
        with pytest.raises(FormError, match=words):
            read_text(path, FormError)
    (tmp_path / "bom.toml").write_bytes(b"\xef\xbb\xbfa = 1\r\n")
    assert Source.parse(read_text(tmp_path / "bom.toml", FormError), "x", FormError).raw == {"a": 1}
