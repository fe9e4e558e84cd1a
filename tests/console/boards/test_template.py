"""Reply templates: every kind of field, every way to write a wrong one, and hostile answers."""

from __future__ import annotations

import contextlib
import re
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.template import BYTE_KINDS, Mismatch, Template, byte_template, text_template, value_words


@pytest.mark.parametrize(
    ("source", "reply", "fields"),
    [
        ("fpga: {id:hex}", b"fpga: 7E 12 0B 31", {"id": bytes.fromhex("7E120B31")}),
        ("fpga: {id:hex}", b"fpga: 7e120b31", {"id": bytes.fromhex("7E120B31")}),
        ("level {mm:int} mm", b"level -12 mm", {"mm": -12}),
        ("cell {volts:number} V", b"cell 3.71 V", {"volts": 3.71}),
        ("t {whole:hexint} {part:hexint}", b"t 15 40", {"whole": 0x15, "part": 0x40}),
        (
            "{name:word}: {rest:text}",
            b"tern: no uplink, kept in log",
            {"name": "tern", "rest": "no uplink, kept in log"},
        ),
        ("{{{n:int}}}", b"{7}", {"n": 7}),
        ("ready", b"ready", {}),
    ],
)
def test_a_line_gives_its_fields(source: str, reply: bytes, fields: dict[str, object]) -> None:
    assert text_template(source).parse(reply) == fields


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("", "plain ASCII"),
        ("a\x1b[2J", "plain ASCII"),
        ("höhe {mm:int}", "plain ASCII"),
        ("{id:float}", "one of the kinds int, number"),
        ("{id}", "a field such as"),
        ("{id:hex", "a field such as"),
        ("{Id:hex}", "a field such as"),
        ("{a:int}{b:int}", "something between {a}"),
        ("{a:int} {a:int}", "once only"),
        ("{a:hex} rev {b:int}", "no blank behind {a:hex}"),
    ],
)
def test_a_wrong_line_template_says_what_is_wrong(source: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        text_template(source)


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (b"fpga: no answer", "at {id:hex}"),
        (b"fpga: ", "at {id:hex}"),
        (b"memory: 00", "does not fit"),
        (b"fpga: 7E\x1b[2J", "\\x1b[2J"),
        (b"", "does not fit"),
        (b"fpga: " + b"00 " * 200, "longer than any answer"),
    ],
)
def test_a_reply_that_does_not_fit_says_where(reply: bytes, words: str) -> None:
    with pytest.raises(Mismatch) as caught:
        text_template("fpga: {id:hex}").parse(reply)
    assert words in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_a_line_may_not_go_on_behind_the_template() -> None:
    with pytest.raises(Mismatch):
        text_template("ready").parse(b"ready or not")


@given(st.binary(max_size=300), st.sampled_from(["a {x:int} b", "{x:hex}", "{x:word} {y:text}", "{x:number}!"]))
def test_no_reply_raises_anything_but_a_mismatch(reply: bytes, source: str) -> None:
    template = text_template(source)
    with contextlib.suppress(Mismatch):
        found = template.parse(reply)
        assert set(found) == set(template.kinds)
        assert all(value_words(value).isprintable() for value in found.values())


@given(st.text(max_size=60))
def test_no_template_raises_anything_but_a_value_error(source: str) -> None:
    for make in (text_template, byte_template):
        with contextlib.suppress(ValueError):
            assert isinstance(make(source), Template)


# what Python's own struct module (a general library) makes of the same bytes
STRUCT = {
    "u8": "B", "i8": "b", "u16be": ">H", "u16le": "<H", "i16be": ">h", "i16le": "<h", "u32be": ">I", "u32le": "<I",
    "i32be": ">i", "i32le": "<i", "f32be": ">f", "f32le": "<f",
}  # fmt: skip


@given(st.binary(min_size=4, max_size=4), st.sampled_from(sorted(STRUCT)))
def test_numbers_read_as_struct_reads_them(data: bytes, kind: str) -> None:
    code = STRUCT[kind]
    raw = data[: struct.calcsize(code)]
    found = byte_template(f"A5 {{x:{kind}}}").parse(b"\xa5" + raw)["x"]
    expected = struct.unpack(code, raw)[0]
    assert found == expected or (found != found and expected != expected)  # both no number


@given(st.integers(0, 0xFF_FFFF))
def test_three_byte_numbers_both_ways(value: int) -> None:
    template = byte_template("{big:u24be} {little:u24le} {signed:i24be}")
    raw = value.to_bytes(3, "big")
    found = template.parse(raw + value.to_bytes(3, "little") + raw)
    assert (found["big"], found["little"]) == (value, value)
    assert found["signed"] == int.from_bytes(raw, "big", signed=True)


def test_bytes_have_a_size_and_a_head() -> None:
    template = byte_template("A5 {raw:bytes4} 0A")
    assert (template.size, template.head) == (6, b"\xa5")
    assert template.parse(bytes.fromhex("A5 01 02 03 04 0A")) == {"raw": bytes((1, 2, 3, 4))}
    with pytest.raises(Mismatch):
        template.parse(bytes.fromhex("A5 01 02 03 04 0B"))
    with pytest.raises(Mismatch):
        template.parse(b"\xa5")


@pytest.mark.parametrize(
    "source", ["", "A", "GG", "{x:u64be}", "{x:bytes0}", "{x:bytes999}", "{x:u8} {x:u8}", "{x:hex}"]
)
def test_a_wrong_template_of_bytes_is_refused(source: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        byte_template(source)


def test_every_kind_that_is_named_can_be_used() -> None:
    for kind in BYTE_KINDS:
        assert byte_template(f"{{x:{kind.replace('N', '2')}}}").size
