"""A value that is wrong is told with its line, however the file is laid out."""

from __future__ import annotations

import pytest

from console.errors import InputTrouble
from console.tomlfile import parse_toml

TEXT = """# a comment
top = 1

[settings]
inner.deep = 2

[[row]]
name = "one"
cells = [
    { size = 1 },
    { size = "x" },
]

[row.more]
key = 3

[[row]]
name = "two\\u001b"
key = 4
"""


def told(call: object) -> InputTrouble:
    with pytest.raises(InputTrouble) as refused:
        call()  # type: ignore[operator]
    assert "\x1b" not in "\n".join(refused.value.lines())
    assert refused.value.code == "plan"
    return refused.value


def test_lines_of_values() -> None:
    top = parse_toml(TEXT, "f.toml", "plan")
    first, second = top.tables("row")
    settings = top.table("settings")
    for call, where in (
        (lambda: top.text("top"), "f.toml, line 2, top"),
        (lambda: top.only("top", "settings"), "f.toml, line 7, row"),
        (lambda: top.only("top", "row"), "f.toml, line 4, settings"),
        (lambda: settings.table("inner").integer("deep", 3, 4), "f.toml, line 5, settings.inner.deep"),
        (lambda: first.rows("cells")[1].integer("size", 0, 9), "f.toml, line 9, row one.cells 2.size"),
        (lambda: first.table("more").flag("key"), "f.toml, line 15, row one.more.key"),
        (lambda: second.plain("name"), "f.toml, line 18, row two\\x1b.name"),
        (lambda: second.number("key", 4, 9), "f.toml, line 19, row two\\x1b.key"),
        (lambda: second.texts("key"), "f.toml, line 19, row two\\x1b.key"),
        (lambda: second.table("key"), "f.toml, line 19, row two\\x1b.key"),
        (lambda: second.rows("none"), "f.toml, line 17, row two\\x1b.none"),
        (lambda: top.tables("none"), "f.toml, line 1, none"),
    ):
        assert told(call).where == where
    assert top.tables("none", least=0) == second.rows("none", least=0) == []
    assert second.integer("other", 0, 9, 5) == 5


def test_a_file_that_begins_with_an_entry() -> None:
    top = parse_toml('[[row]]\nname = "one"\n[[row]]\nname = 2\n[other]\nname = 3', "f.toml", "plan")
    assert told(lambda: top.text("name")).where == "f.toml, line 1, name"
    assert told(lambda: top.tables("row")[1].text("name")).where == "f.toml, line 4, row 2.name"


@pytest.mark.parametrize("text", ["a = ", "a = 1\na = 2", "[" * 3000, "\x00"])
def test_what_is_no_toml_is_our_error(text: str) -> None:
    assert told(lambda: parse_toml(text, "f.toml", "plan")).message.startswith("not TOML")


def test_what_is_missing_is_said_to_be_missing() -> None:
    table = parse_toml("top = 1\n", "tern.toml", "plan")
    for call, right in (
        (lambda: table.text("name"), "write a text that is not empty"),
        (lambda: table.integer("product_id", 0, 0xFFF), "write a whole number from 0 to 4095"),
        (lambda: table.table("settings"), "write a table"),
        (lambda: table.tables("row"), "write at least one [[row]]"),
    ):
        trouble = told(call)
        assert trouble.message.endswith(" is missing"), trouble.message
        assert "None" not in "\n".join(trouble.lines())
        assert trouble.help == right
    assert told(lambda: table.text("top")).message == "top: found 1"
    assert told(lambda: parse_toml("top = true", "f.toml", "plan").text("top")).message == "top: found true"
