"""Questions to a board's program: answers whole and in pieces, other lines around them, silence, and endless talk."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.plan import Query
from console.boards.template import byte_template, text_template
from console.bringup.ask_board import Answer, ask_board, heard_words, is_text
from protocols.conversation import Send, Stray, Want
from protocols.errors import NoReply

LINE = Query(b"id fpga?\r\n", text_template("fpga: {id:hex}"), {}, 0.5)
BYTES = Query(b"\x05", byte_template("A5 {level:u16be}"), {}, 0.5)


def hold(query: Query, incoming: Iterable[int]) -> tuple[Answer, bytes, list[bytes]]:
    """The conversation against bytes that wait; the end of them is silence."""
    talk, waiting = ask_board(query), iter(incoming)
    sent, strays = b"", []
    ask = next(talk)
    try:
        while True:
            match ask:
                case Send(data):
                    sent += data
                    ask = talk.send(b"")
                case Stray(data, _):
                    strays.append(data)
                    ask = talk.send(b"")
                case Want(count, within_s, what, optional):
                    assert within_s == 0.5
                    got = bytes(byte for _, byte in zip(range(count), waiting, strict=False))
                    ask = talk.send(got) if len(got) == count or optional else talk.throw(NoReply(what, got))
    except StopIteration as end:
        return end.value, sent, strays


@pytest.mark.parametrize("ending", [b"\r\n", b"\n", b"\r\r\n"])
def test_an_answer(ending: bytes) -> None:
    answer, sent, strays = hold(LINE, b"fpga: 7E 12 0B 31" + ending)
    assert answer.fields == {"id": bytes.fromhex("7E120B31")}
    assert str(answer) == "id 7E 12 0B 31"
    assert (sent, strays) == (b"id fpga?\r\n", [])


def test_lines_of_others_are_passed_over_and_noted() -> None:
    answer, _, strays = hold(LINE, b"\r\ntern: level 1.482 m\r\nfpga: 7E 12 0B 31\r\n")
    assert answer.fields is not None
    assert strays == [b"tern: level 1.482 m\r\n"]


def test_an_answer_that_does_not_fit_is_an_answer() -> None:
    answer, _, _ = hold(LINE, b"fpga: no answer\r\n")
    assert answer.fields is None
    assert "no answer" in answer.misfit


def test_a_template_without_a_head_takes_the_first_line() -> None:
    query = Query(b"?\n", text_template("{n:int}"), {}, 0.5)
    assert hold(query, b"17\n")[0].fields == {"n": 17}
    assert hold(query, b"many\n")[0].fields is None


def test_what_was_heard_instead_is_shown_counted_and_escaped() -> None:
    chatter = b"water 1.48 m\r\n" * 48 + b"\x1b[2Jwarm\r\n" + b"cold\n" + b"half a li"
    assert heard_words(chatter) == r"heard water 1.48 m (48 times), \x1b[2Jwarm, cold and 1 other line"
    assert heard_words(b"fpga: 7E") == "heard fpga: 7E"
    assert heard_words(b"") == heard_words(b"\r\n\r\n") == ""


def test_text_is_told_from_noise() -> None:
    assert is_text(b"water 1.48 m\r\n")
    assert not is_text(b"\x00" * 40)
    assert not is_text(bytes(range(0x80, 0xC0)))
    assert not is_text(b"ok\r\n"), "a few bytes come by chance"


def test_many_lines_of_others_are_one_stray() -> None:
    _, _, strays = hold(LINE, b"tern: level 1.482 m\r\n" * 20 + b"fpga: 7E 12 0B 31\r\n")
    assert strays == [b"tern: level 1.482 m\r\n" * 20]


@pytest.mark.parametrize("incoming", [b"", b"fpga: 7E", b"tern: level\r\n", b"x" * 5000, b"x\n" * 2000])
def test_silence_and_endless_talk_end_in_no_reply(incoming: bytes) -> None:
    with pytest.raises(NoReply):
        hold(LINE, incoming)


def test_an_answer_of_bytes() -> None:
    answer, sent, _ = hold(BYTES, bytes.fromhex("A5 05 CA"))
    assert (answer.fields, sent) == ({"level": 1482}, b"\x05")
    assert hold(BYTES, bytes.fromhex("A4 05 CA"))[0].fields is None
    with pytest.raises(NoReply):
        hold(BYTES, b"\xa5\x05")


@given(st.binary(max_size=400), st.sampled_from([LINE, BYTES]))
def test_nothing_that_comes_raises_anything_else(incoming: bytes, query: Query) -> None:
    try:
        answer, _, _ = hold(query, incoming)
    except NoReply:
        return
    assert str(answer).isprintable()
