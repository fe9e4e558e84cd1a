"""The page: well formed, self-contained, accessible, drawn to scale, and closed to whatever a capture may hold."""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.resources import files
from itertools import pairwise
from typing import Any
from xml.etree.ElementTree import Element

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from console.events import Event, LineEvent, LineKind, MarkKind
from console.report.compose import batch_report, session_report
from console.report.html import element, page
from console.report.model import Column, Drawn, Facts, Paragraph, Part, Point, Points, Report, Section, Span, Table
from console.report.text import WIDTH, lines
from console.text import clean
from tests.console.report.made import HOSTILE, T0, attempt, check, chunk, mark, parsed, record, unsafe

STORY = record(
    [
        mark(0, MarkKind.SETTINGS, port="/dev/ttyUSB0", baud=115200, frame="8E1", family="an3155"),
        *attempt(0, 1),
        check(1, "K08", "in-range", value=3.3, unit="V"),
        *attempt(2, 2),
    ]
)
anything = st.one_of(st.sampled_from(HOSTILE), st.text(max_size=60))


def words(tree: Element) -> str:
    """All text of the page's body."""
    body = tree.find("body")
    assert body is not None
    return "\n".join(body.itertext())


def everything(word: str, data: bytes) -> list[Event]:
    """A session in which every field of every mark is `word` and every byte is `data`."""
    fields: dict[str, Any] = dict.fromkeys(
        ("port", "frame", "family", "name", "message", "help", "code", "text", "check", "title", "unit", "hint"), word
    )
    actions = ("asked", "check", "skip", "remark", "at-hand", "repair-done", word)
    return [
        mark(0, MarkKind.SETTINGS, baud=9600, line_errors=word, **fields),
        mark(0, MarkKind.ATTEMPT, n=word, wires=word),
        mark(0, MarkKind.STAGE_BEGIN, **fields),
        chunk(0.1, "out", data),
        chunk(0.2, "in", data),
        LineEvent(T0, LineKind.PARITY, data),
        mark(0.3, MarkKind.STAGE_END, outcome="no-answer", **fields),
        *(mark(0.4, MarkKind.OPERATOR, action=action, outcome=word, item=word, **fields) for action in actions),
        mark(0.5, MarkKind.NOTE, **fields),
        mark(0.6, MarkKind.LINK_LOST, **fields),
        mark(0.7, MarkKind.ERROR, outcome=word, **fields),
    ]


@settings(max_examples=12)  # html5lib takes a tenth of a second for a page
@given(anything, st.binary(max_size=40))
@example(" ".join(HOSTILE), " ".join(HOSTILE).encode("utf-8", "surrogatepass"))
def test_nothing_in_a_capture_becomes_markup(word: str, data: bytes) -> None:
    found = record(everything(word, data), name=word)
    for report in (
        session_report(found, title=word, photos=(word,)),
        batch_report([found], [(word, word)], title=word),
    ):
        text = page(report)
        assert not unsafe(text)
        text.encode("utf-8")
        tree = parsed(text)
        assert {one.tag for one in tree.iter() if isinstance(one.tag, str)} <= ALLOWED
        assert not [key for one in tree.iter() for key in one.attrib if key.startswith("on") or key == "style"]
        plain = "\n".join(lines(report))
        assert not unsafe(plain)
        assert max(map(len, plain.splitlines())) <= WIDTH


ALLOWED = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "article", "section", "footer", "nav"),
    *("h1", "h2", "h3", "p", "ul", "ol", "li", "div", "span", "small", "strong", "dl", "dt", "dd", "a"),
    *("table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "figcaption"),
    *(f"{{http://www.w3.org/2000/svg}}{name}" for name in ("svg", "rect", "line", "title", "defs", "pattern")),
    *(f"{{http://www.w3.org/2000/svg}}{name}" for name in ("path", "circle")),
}


@given(anything)
def test_text_comes_back_as_the_door_made_it(word: str) -> None:
    cells = (word, word, word)
    table = Table(word, (Column(word), Column(word, "number"), Column(word, "code")), (cells,))
    points = Points((Point(word, word, (word,)),))
    blocks = (Paragraph(word), Facts(((word, word),)), points, table)
    tree = parsed(page(Report(word, (), (Part(word, (Section(word, blocks),)),), word)))
    safe = clean(word, 4000)
    for tag in ("title", "h1", "h2", "p", "dt", "dd", "th", "td", "caption"):
        found = ["".join(one.itertext()) for one in tree.iter(tag)]
        assert found
        assert set(found) == {safe}
    assert next(tree.iter("article")).attrib["aria-label"] == safe


@pytest.mark.parametrize("text", HOSTILE)
def test_an_attribute_is_closed_to_what_it_holds(text: str) -> None:
    made = element("p", "x", aria_label=text)
    tree = parsed(f"<!DOCTYPE html><html><head><title>t</title></head><body>{made}</body></html>")
    (found,) = tree.iter("p")
    assert found.attrib == {"aria-label": clean(text)}


def test_the_page_needs_nothing_and_forbids_everything() -> None:
    text = page(session_report(STORY))
    tree = parsed(text)
    (policy,) = (m.attrib["content"] for m in tree.iter("meta") if "http-equiv" in m.attrib)
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    # CSP Level 3: what no directive names falls to default-src; base-uri and form-action do not and are named
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    (style,) = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert rules["style-src"] == f"'sha256-{digest}'"
    assert set(rules) == {"default-src", "style-src", "base-uri", "form-action"}
    assert not {"src", "srcset", "data", "action"} & {key for one in tree.iter() for key in one.attrib}
    assert not re.findall(r"url\((?!#)|@import|https?:", text)


def test_headings_tables_and_drawings_can_be_heard() -> None:
    # outside source: WCAG 2.2, 1.1.1 (text for drawings), 1.3.1 (headings, table headers), 2.4.2 (title), 3.1.1 (lang)
    for report in (session_report(STORY), batch_report([STORY, STORY], [("x", "y")])):
        tree = parsed(page(report))
        assert tree.attrib["lang"] == "en"
        assert next(tree.iter("title")).text == report.title
        levels = [int(one.tag[1]) for one in tree.iter() if one.tag in ("h1", "h2", "h3", "h4")]
        assert levels.count(1) == 1
        assert levels[0] == 1
        assert all(after <= before + 1 for before, after in pairwise(levels))
        for table in tree.iter("table"):
            assert table.find("caption") is not None
            assert all(th.attrib["scope"] == "col" for th in table.find("thead").iter("th"))  # type: ignore[union-attr]
            rows = list(table.find("tbody").iter("tr"))  # type: ignore[union-attr]
            assert all([one.attrib.get("scope") for one in row][:1] == ["row"] for row in rows)
        svg = "{http://www.w3.org/2000/svg}"
        for drawing in tree.iter(f"{svg}svg"):
            hidden = drawing.attrib.get("aria-hidden") == "true"
            assert hidden or (drawing.attrib["role"] == "img" and drawing.attrib["aria-label"])
        ids = [one.attrib["id"] for one in tree.iter() if "id" in one.attrib]
        assert len(ids) == len(set(ids))
        assert {a.attrib["href"] for a in tree.iter("a")} <= {f"#{name}" for name in ids}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    full = colour if len(colour) == 6 else "".join(2 * c for c in colour)
    parts = [int(full[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_text_stands_out_from_the_paper() -> None:
    # outside source: WCAG 2.2, 1.4.3: 4.5 to 1 for text
    assert luminance("fff") == pytest.approx(1.0)
    css = files("console.report").joinpath("page.css").read_text(encoding="utf-8")
    inks = re.findall(r"(?<![-\w])color:\s*#([0-9a-f]{3,6})", css)
    assert len(inks) > 5
    assert min(1.05 / (luminance(ink) + 0.05) for ink in inks) >= 4.5
    assert re.findall(r"background(?:-color)?:\s*([^;]+);", css) == ["#fff"]


def rects(drawing: Element) -> list[tuple[float, float, str]]:
    """Begin and length in percent, and the fill, of each piece of a bar."""
    found = drawing.iter("{http://www.w3.org/2000/svg}rect")
    return [(float(r.attrib["x"][:-1]), float(r.attrib["width"][:-1]), r.attrib["fill"]) for r in found]


def test_bars_are_to_scale() -> None:
    # listen 1 s, then sync 3 s with 0.25 s from our last bit to the answer: 25 % and 75 % of the axis by hand
    found = record(
        [
            mark(0, MarkKind.ATTEMPT, n=1),
            mark(0, MarkKind.STAGE_BEGIN, name="listen"),
            mark(1, MarkKind.STAGE_END, name="listen", outcome="ok"),
            mark(1, MarkKind.STAGE_BEGIN, name="sync"),
            chunk(1.5, "out", b"\x7f"),
            chunk(1.75, "in", b"\x79"),
            mark(4, MarkKind.STAGE_END, name="sync", outcome="ok"),
        ]
    )
    tree = parsed(page(session_report(found)))
    strips = [one for one in tree.iter() if one.attrib.get("class") == "strip"]
    assert len(strips) == 4
    assert rects(strips[0])[-1] == (0.0, 25.0, "none")
    assert rects(strips[2])[-1] == (25.0, 75.0, "none")
    wire, chip, waited, frame = rects(strips[3])
    # two characters of 11 bits (8E1) at 115200 baud are 191 us of 3 s; the chip's share is what is left of 0.25 s
    assert wire[1] == pytest.approx(100 * 2 * 11 / 115200 / 3, abs=0.001)
    assert wire[1] + chip[1] == pytest.approx(100 * 0.25 / 3, abs=0.01)
    assert chip[2] == "url(#chip)"
    assert waited[0] + waited[1] == pytest.approx(100)
    assert frame[:2] == (0.0, 100.0)
    assert len({wire[2], chip[2], waited[2]}) == 3


def test_a_drawn_cell_is_to_scale_on_the_page_and_in_text() -> None:
    cell = Drawn("twice", (Span(0.25, 0.5), Span(0.5, 1.0, good=False)), (0.1, 0.9))
    table = Table("t", (Column("a"), Column("b", "drawn")), (("x", cell),))
    report = Report("r", (), (Part("p", (Section("s", (table,)),)),), "f")
    tree = parsed(page(report))
    (strip,) = (one for one in tree.iter() if one.attrib.get("class") == "strip")
    assert strip.attrib["aria-label"] == "twice"
    good, bad = rects(strip)
    assert good[:2] == (25.0, 25.0)
    assert bad[:2] == (50.0, 50.0)
    assert good[2] != bad[2]  # told apart without colour
    reach = [one.attrib for one in strip.iter("{http://www.w3.org/2000/svg}line")][1]
    assert (reach["x1"], reach["x2"]) == ("10.000%", "90.000%")
    assert "x  ·····█████▓▓▓▓▓▓▓▓▓▓" in list(lines(report))


def test_page_and_text_say_the_same() -> None:
    report = session_report(STORY, photos=("board-7 top.jpg",))
    on_page = " ".join(words(parsed(page(report))).split())
    in_text = " ".join(" ".join(lines(report)).split())
    for section in report.parts[0].sections:
        assert section.title in on_page
        assert section.title in in_text
        for block in section.blocks:
            match block:
                case Paragraph():
                    told = [block.text]
                case Points():
                    told = [one for point in block.items for one in (point.text, point.lead, *point.more)]
                case Facts():
                    told = [one for row in block.rows for one in row]
                case Table():
                    told = [block.caption, *(column.title for column in block.columns)]
                case _:
                    told = ["attempt 1, 500.00 ms in all"]
            for one in told:
                assert " ".join(one.split()) in on_page
                assert " ".join(one.split()).replace("- ", "") in in_text.replace("- ", "")
