"""The record: complete, escaped, well-formed, without network or scripts."""

from __future__ import annotations

import asyncio
import re
from html.parser import HTMLParser

import acceptanceplans as plans
import pytest

from kerfbus.bench.acceptance.answers import Answers
from kerfbus.bench.acceptance.asked import Answer
from kerfbus.bench.acceptance.figures import figures_of, histogram, margins, pairs, timeline
from kerfbus.bench.acceptance.page import PAPERS, Circumstances, page
from kerfbus.bench.acceptance.result import Finding, Grade, Limit, Result
from kerfbus.bench.acceptance.runner import Run
from kerfbus.bench.acceptance.svg import Axis, Drawing

VOID = {"meta", "br", "hr", "img", "link", "input"}
NASTY = "<script>alert('x')</script> & \"quoted\" \x1b[31m \u202e \ud800"


class Reader(HTMLParser):
    """Checks that every tag is closed where it should be, and collects what matters."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert not self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def about(**changed: object) -> Circumstances:
    """Return the circumstances of a run, some of them changed."""
    known: dict[str, object] = {
        "version": "1.2.3",
        "link": "sim:, 19200 8E1, server 1",
        "map": "supply",
        "ended": "2031-05-06 07:08:09+00:00",
        "simulated": True,
        "record": {"machine": "table 3"},
    }
    return Circumstances(**(known | changed))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def finished() -> Run:
    """Return a run with a result of every sort."""
    steps = (
        plans.step("measure", "question = '?'\nunit = 'm'\nmin = 0.25\nsource = 'practice'", "gap"),
        plans.step("measure", "question = '?'\nunit = 'bar'\nmin = 5\nmax = 8", "gas"),
        plans.step("confirm", "question = '?'\nmethod = 'by looking'", "stop"),
        plans.step("confirm", "question = '?'\nrequired = false", "extra"),
        plans.step("error-rate", "claim = '5%@90%'", "rate"),
        plans.step("turnaround", "max = 50", "turn"),
        plans.SET_POINT,
    )
    answers = Answers({}, {"gap": Answer(0.2, note=NASTY), "gas": Answer(6.0)})
    run = plans.run_of(plans.plan_of(*steps), answers=answers)
    run.state.captures.append(("site.pcapng", "c" * 64))
    asyncio.run(done(run))
    return run


async def done(run: Run) -> None:
    async with plans.session_on(await plans.simulated(), run.state) as session:
        await run.run(session)


def test_everything_that_a_record_must_say_is_there(finished: Run) -> None:
    reader = Reader(page(finished, about(not_restored=["NOT RESTORED: x was 1 A"])))
    text = " ".join(" ".join(reader.texts).split())
    for said in (
        *("1.2.3", "table 3", "2031-05-06", "NOT RESTORED: x was 1 A", "simulated supply"),
        *("at least 0.25 m", "0.2 m", "Source: practice", "by looking", "5 to 8 bar"),
        *(finished.plan.sha256, finished.state.map_sha256, "c" * 64, "site.pcapng"),
        *("Open points", "Signature", "never a safety function", "not required"),
        "0 of 59 transactions went wrong",
    ):
        assert said in text, said
    for result in finished.results:
        assert result.title in text
        assert f"{result.finding.grade}" in text


def test_a_page_loads_nothing_and_runs_nothing(finished: Run) -> None:
    text = page(finished, about())
    reader = Reader(text)
    tags = {tag for tag, _ in reader.tags}
    assert not tags & {"script", "link", "img", "iframe", "object", "form", "base"}
    attributes = {name for _, found in reader.tags for name in found}
    assert not {name for name in attributes if name.startswith("on")} | attributes & {"src", "href"}
    assert "url(" not in text
    assert "@import" not in text
    assert "default-src 'none'" in text


def test_what_a_person_or_a_unit_says_stays_text(finished: Run) -> None:
    text = page(finished, about(record={"machine": NASTY}, not_restored=[NASTY]))
    assert "<script" not in text
    assert "\x1b" not in text
    assert "\u202e" not in text
    text.encode("utf-8")  # no lone surrogate is left
    assert "<script>alert('x')</script> &" in " ".join(Reader(text).texts)


def test_a_page_is_accessible(finished: Run) -> None:
    reader = Reader(page(finished, about()))
    assert reader.named("html")[0]["lang"] == "en"
    levels = [tag for tag, _ in reader.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == "h1"
    assert set(levels[1:]) == {"h2"}
    assert all(each.get("scope") in ("col", "row") for each in reader.named("th"))
    assert len(reader.named("caption")) >= 3
    drawings = reader.named("svg")
    assert len(drawings) == 4
    assert all(each["role"] == "img" for each in drawings)
    ids = [each["id"] for _, each in reader.tags if "id" in each]
    assert len(ids) == len(set(ids))
    named = " ".join(
        str(each.get("aria-labelledby")) for _, each in reader.tags if "aria-labelledby" in each
    )
    assert set(named.split()) <= set(ids)


def test_grades_are_told_by_word_and_sign_not_by_colour(finished: Run) -> None:
    text = page(finished, about())
    for sign, grade in (("\u2713", "pass"), ("\u2717", "fail"), ("\u25cb", "skipped")):
        assert f"{sign} {grade}" in text
    colours = set(re.findall(r"#(?:[0-9a-f]{6}|[0-9a-f]{3})\b", text))
    assert "#111" in colours
    for each in colours:
        digits = each[1:] if len(each) == 7 else "".join(2 * letter for letter in each[1:])
        assert digits[:2] == digits[2:4] == digits[4:], f"{each} is no grey"


@pytest.mark.parametrize("paper", PAPERS)
def test_paper(finished: Run, paper: str) -> None:
    assert f"@page {{ size: {paper};" in page(finished, about(paper=paper))


def test_an_axis_keeps_what_is_beyond_it_at_its_end() -> None:
    axis = Axis(10, 20, 0, 100)
    assert [axis.at(value) for value in (10, 15, 20, 5, 99)] == [0, 50, 100, 0, 100]
    assert Axis(1, 1, 0, 100).at(1) == 50


def test_text_in_a_drawing_is_escaped() -> None:
    drawing = Drawing("<t>", "a & b", 10, "k")
    drawing.text(0, 0, "<script>")
    Reader(str(drawing))
    assert "<script>" not in str(drawing)
    assert "<t>" not in str(drawing)


def test_a_timeline_marks_every_span_with_an_error() -> None:
    data = {"bin_seconds": 0.5, "transactions": [10, 10, 0, 1000], "wrong": [0, 1, 0, 1]}
    figure = timeline("Rate", data, "k")
    svg = str(figure.drawing)
    assert svg.count("<path") == 2  # a cross above each
    assert svg.count('fill="#111"/>') == 2  # a black column for each, however small
    assert "2 of 1020 transactions went wrong" in figure.caption
    assert "from 0.5 s to 2 s" in svg
    empty = timeline("Rate", {"bin_seconds": 0.5, "transactions": [], "wrong": []}, "k")
    assert "at no time" in str(empty.drawing)


@pytest.mark.parametrize(("limit", "said"), [(5, "is the broken line"), (50, "lies outside")])
def test_a_histogram_says_where_its_limit_is(limit: float, said: str) -> None:
    data = {"unit": "ms", "width": 1.0, "values": [[4.0, 9], [5.0, 2]], "limit": limit}
    figure = histogram("Turnaround", data, "k")
    assert said in figure.caption
    assert ("stroke-dasharray" in str(figure.drawing)) == (limit == 5)


def test_pairs_show_each_value_once() -> None:
    figure = pairs("Current", {"unit": "A", "pairs": [[20, 20], [60, 61]], "tolerance": 1}, "k")
    assert str(figure.drawing).count("<path") == 2
    assert "largest difference 1 A" in figure.caption


def numeric(value: float, limit: Limit, grade: Grade = Grade.PASSED) -> Result:
    return Result("a", "A", "measure", "", "", required=True, finding=Finding(grade, value, limit))


def test_margins_mark_what_failed_by_shape() -> None:
    rows = [
        numeric(1.0, Limit(0, 2)),
        numeric(3.0, Limit(0, 2), Grade.FAILED),
        numeric(0.0, Limit(high=0)),
    ]
    (figure,) = margins(rows)
    svg = str(figure.drawing)
    assert svg.count('fill="#111" stroke="#111"') == 2
    assert svg.count('fill="#fff" stroke="#111" stroke-width="1.5"') == 1


def test_many_margins_make_several_charts() -> None:
    assert len(margins([numeric(1.0, Limit(0, 2))] * 40)) == 3
    assert figures_of([numeric(1.0, Limit(text="yes"))]) == []
