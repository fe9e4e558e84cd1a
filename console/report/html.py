"""A report as one self-contained page: no script, no outside resource, and a policy that forbids both.

Markup is made by `element` alone, which puts every plain string through `console.text` and `html.escape`; only what it
made itself passes as it is. The standard library's escape is enough for that: a template engine would be a dependency
for one page, and its escaping can be switched off. Sources: HTML (WHATWG), SVG 2, Content Security Policy Level 3.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from functools import cache
from html import escape
from importlib.resources import files
from typing import Final

from console.report.model import (
    SHARES,
    Axis,
    Bar,
    Block,
    Cell,
    Facts,
    Paragraph,
    Part,
    Points,
    Report,
    Section,
    Table,
    Timeline,
)
from console.text import clean
from console.words import count_of, moment, seconds

_LONGEST: Final = 4000  # characters of one string; whatever needs more is no text for a page
_VOID: Final = frozenset({"meta"})
_INK: Final = "#16212b"
# told apart without colour: solid, hatched, dotted, empty
_FILLS: Final = {"wire": _INK, "chip": "url(#chip)", "host": "url(#host)", "waited": "#ffffff"}


class Html(str):
    """Markup made here; any other string is text."""

    __slots__ = ()


def page(report: Report) -> str:
    """The whole page, to be written as UTF-8."""
    style = _style()
    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="referrer", content="no-referrer"),
        element("title", report.title),
        Html(f"<style>{style}</style>"),
    )
    several = len(report.parts) > 1
    main = element(
        "main", *(_part(part, f"part-{number}", several) for number, part in enumerate(report.parts, 1)), class_="parts"
    )
    body = element(
        "body",
        _patterns(),
        element("header", element("h1", report.title), *map(_block, report.lead)),
        *((_contents(report.parts),) if several else ()),
        main,
        element("footer", element("p", report.foot)),
    )
    return f"<!DOCTYPE html>\n{element('html', head, body, lang='en')}\n"


def element(name: str, /, *inside: str, **attributes: str) -> Html:
    """One element. Strings inside and attribute values are text unless they are Html.

    In attribute names an underscore stands for a hyphen, and one at the end is dropped: ``class_``, ``http_equiv``.
    """
    told = "".join(f' {key.rstrip("_").replace("_", "-")}="{_text(value)}"' for key, value in attributes.items())
    if name in _VOID:
        return Html(f"<{name}{told}>")
    return Html(f"<{name}{told}>{''.join(one if isinstance(one, Html) else _text(one) for one in inside)}</{name}>")


def _text(text: str) -> str:
    return escape(clean(text, _LONGEST))


@cache
def _style() -> str:
    return files("console.report").joinpath("page.css").read_text(encoding="utf-8")


def _contents(parts: tuple[Part, ...]) -> Html:
    items = (element("li", element("a", part.title, href=f"#part-{number}")) for number, part in enumerate(parts, 1))
    return element("nav", element("ul", *items), aria_label="contents")


def _part(part: Part, anchor: str, several: bool) -> Html:
    if not several:
        return element("article", *(_section(section, "h2") for section in part.sections), aria_label=part.title)
    head = element("h2", part.title, id=f"{anchor}-title")
    sections = (_section(section, "h3") for section in part.sections)
    return element("article", head, *sections, id=anchor, aria_labelledby=f"{anchor}-title")


def _section(section: Section, heading: str) -> Html:
    return element("section", element(heading, section.title), *map(_block, section.blocks))


def _block(block: Block) -> Html:
    match block:
        case Paragraph():
            return element("p", block.text, class_=block.tone)
        case Points():
            return _points(block)
        case Facts():
            rows = (element("div", element("dt", name), element("dd", value)) for name, value in block.rows)
            return element("dl", *rows)
        case Table():
            return _table(block)
        case Timeline():
            return _timeline(block)


def _points(points: Points) -> Html:
    led = any(point.lead for point in points.items)
    items = []
    for point in points.items:
        more = element("ul", *(element("li", one) for one in point.more)) if point.more else Html()
        words = element("div", element("p", point.text), more)
        lead = element("span", point.lead, class_="lead") if led else Html()
        items.append(element("li", lead, words))
    return element("ol" if points.ordered else "ul", *items, class_="led" if led else "points")


def _table(table: Table) -> Html:
    """In a box of its own that scrolls, also by keyboard, where the window is narrower than the table."""
    kinds = [column.kind for column in table.columns]
    heads = (element("th", column.title, scope="col", class_=column.kind) for column in table.columns)
    rows = []
    for row in table.rows:
        first = element("th", _cell(row[0]), scope="row", class_=kinds[0])
        cells = (element("td", _cell(cell), class_=kind) for cell, kind in zip(row[1:], kinds[1:], strict=True))
        rows.append(element("tr", first, *cells))
    drawn = element(
        "table", element("caption", table.caption), element("thead", element("tr", *heads)), element("tbody", *rows)
    )
    return element("div", drawn, class_="wide", role="region", tabindex="0", aria_label=table.caption)


def _cell(cell: Cell) -> Html:
    if isinstance(cell, str):
        return Html(_text(cell))
    inside = [element("title", cell.words)]
    inside.append(element("line", x1="0", x2="100%", y1="10", y2="10", class_="tick"))
    for span in cell.spans:
        fill = _INK if span.good else "url(#chip)"
        inside.append(_rect(span.begin, span.end - span.begin, fill, stroke=_INK))
    if cell.between is not None:
        low, high = (_per(end) for end in cell.between)
        for x1, x2, y1, y2 in ((low, high, "20", "20"), (low, low, "18", "22"), (high, high, "18", "22")):
            inside.append(element("line", x1=x1, x2=x2, y1=y1, y2=y2, stroke=_INK))
    small = element("small", cell.words)
    return Html(element("svg", *inside, class_="strip", role="img", aria_label=cell.words) + small)


def _timeline(timeline: Timeline) -> Html:
    axes = (_axis(axis) for axis in timeline.axes)
    key = element(
        "ul", *(element("li", _swatch(name), f" {name}: {meaning}") for name, meaning in SHARES), class_="key"
    )
    return element("div", *axes, key)


def _axis(axis: Axis) -> Html:
    bars = (_bar(bar, axis.span_s) for bar in axis.bars)
    scale = element("p", *(element("span", moment(axis.span_s * part)) for part in (0.0, 0.5, 1.0)), class_="axis")
    when, shares = element("span", "when, on the attempt's time axis"), element("span", "shares of its own time")
    names = element("div", element("span"), when, shares, class_="bar names", aria_hidden="true")
    foot = element("div", element("span"), scale, element("span"), class_="bar", aria_hidden="true")
    head = element("figcaption", f"{axis.title}, {seconds(axis.span_s)} in all")
    return element("figure", head, names, *bars, foot)


def _bar(bar: Bar, span_s: float) -> Html:
    span = span_s or 1.0
    at, length = bar.start_s / span, bar.elapsed_s / span
    told = ", ".join(f"{name} {_tight(s)}" for (name, _), s in zip(SHARES, bar.spent_s, strict=True))
    end_s = bar.start_s + bar.elapsed_s
    when = f"{moment(bar.start_s)} to {moment(end_s)}"
    counts = f"{count_of(bar.bytes_out, 'byte')} sent, {bar.bytes_in} received"
    words = element(
        "div", element("strong", bar.name), f" {bar.result}", element("small", f"{_tight(bar.elapsed_s)}; {counts}")
    )
    strip = _strip(bar, at, length, f"{bar.name}: {when} of {moment(span_s)}", ticks=True)
    shares = _strip(bar, 0.0, 1.0, f"{bar.name}: {told}")
    return element(
        "div",
        words,
        element("div", strip, element("small", when)),
        element("div", shares, element("small", told)),
        class_="bar",
    )


def _tight(value: float) -> str:
    """A duration whose figure and unit stay on one line."""
    return seconds(value).replace(" ", "\xa0")


def _strip(bar: Bar, at: float, length: float, words: str, *, ticks: bool = False) -> Html:
    """A bar on a line that is as wide as the page allows; lengths in percent, so that patterns keep their size."""
    inside = [element("title", words)]
    if ticks:
        inside += [
            element("line", x1=_per(x), x2=_per(x), y1="0", y2="100%", class_="tick") for x in (0, 0.25, 0.5, 0.75, 1)
        ]
    begin = 0.0
    for (name, _), end in zip(SHARES, bar.ends(), strict=True):
        if end > begin:
            inside.append(_rect(at + begin * length, (end - begin) * length, _FILLS[name]))
        begin = end
    inside.append(_rect(at, length, "none", stroke=_INK))
    return element("svg", *inside, class_="strip", role="img", aria_label=words)


def _rect(at: float, length: float, fill: str, **more: str) -> Html:
    return element("rect", x=_per(at), y="3", width=_per(length), height="14", fill=fill, **more)


def _per(share: float) -> str:
    return f"{100 * min(1.0, max(0.0, share)):.3f}%"


def _swatch(name: str) -> Html:
    box = element("rect", x="0.5", y="0.5", width="22", height="12", fill=_FILLS[name], stroke=_INK)
    return element("svg", box, class_="swatch", width="23", height="13", aria_hidden="true")


def _patterns() -> Html:
    hatch = element("path", d="M-1 1L1 -1M0 6L6 0M5 7L7 5", stroke=_INK, stroke_width="1.5")
    dots = element("circle", cx="2", cy="2", r="1", fill=_INK)
    made = []
    for name, size, ink in (("chip", "6", hatch), ("host", "4", dots)):
        paper = element("rect", width=size, height=size, fill="#ffffff")
        made.append(element("pattern", paper, ink, id=name, width=size, height=size, patternUnits="userSpaceOnUse"))
    return element("svg", element("defs", *made), class_="patterns", width="0", height="0", aria_hidden="true")
