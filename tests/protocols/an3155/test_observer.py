"""The passive observer: worked bytes in every cut, noise, echo, and any bytes at all."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.an3155.frames import Opcode
from protocols.an3155.observer import An3155Observer
from protocols.family import Identity, Role

LOGON = (
    ("out", "7F"),
    ("in", "79"),
    ("out", "00 FF"),
    ("in", "79 0B 31 00 01 02 11 21 31 43 63 73 82 92 79"),
    ("out", "01 FE"),
    ("in", "79 31 00 00 79"),
    ("out", "02 FD"),
    ("in", "79 01 04 10 79"),
)  # AN3155 Rev 20 s.1, s.3.1 to s.3.3


def play(turns, size=None, observer=None):
    """Feed the turns in pieces of `size` bytes; checks that nothing is lost or moved."""
    observer = observer or An3155Observer()
    spans = []
    for direction, text in turns:
        data = bytes.fromhex(text) if isinstance(text, str) else text
        size_now = size or len(data) or 1
        for at in range(0, len(data), size_now):
            piece = data[at : at + size_now]
            new = observer.feed(direction, piece)
            assert b"".join(span.data for span in new) == piece
            assert all(span.direction == direction and span.data for span in new)
            spans.extend(new)
    for direction in ("out", "in"):
        offset = 0
        for span in spans:
            if span.direction == direction:
                assert span.offset == offset
                offset += len(span.data)
    return observer, spans


def meaning(spans):
    """What each single byte was said to be, whatever the cut."""
    return [(span.direction, span.role, span.command, byte) for span in spans for byte in span.data]


def texts(turns, **how):
    return [span.text for span in play(turns, **how)[1]]


def turns_of(vector):
    opening = (("out", "7F"), ("in", "79")) if vector.synchronised else ()
    return (*opening, *((way, text) for turn in vector.turns for way, text in zip(("out", "in"), turn, strict=True)))


@pytest.mark.parametrize("size", [None, 1, 2, 3, 7])
def test_worked_bytes(vector, size):
    _, spans = play(turns_of(vector), size)
    assert not [span for span in spans if span.role is Role.STRAY], vector.source
    assert meaning(spans) == meaning(play(turns_of(vector))[1])


@pytest.mark.parametrize("noise", [b"\x00", b"\x55\xaa\x00", bytes(range(0x20, 0x70))])
def test_garbage_before_and_after(vector, noise):
    turns = turns_of(vector)
    clean = meaning(play(turns)[1])
    _, spans = play((("in", noise), *turns, ("in", noise)))
    named = meaning(spans)
    assert [role for _, role, _, _ in named[: len(noise)]] == [Role.STRAY] * len(noise)
    assert named[len(noise) : len(noise) + len(clean)] == clean


def test_garbage_from_the_host_between_commands():
    clean = meaning(play(LOGON)[1])
    _, spans = play((("out", "55 56 57 58"), *LOGON))
    assert meaning(spans)[4:] == clean


def test_twice_is_the_same_twice(vector):
    turns = turns_of(vector)
    observer, first = play(turns)
    observer.restart()
    again = [span for way, text in turns for span in observer.feed(way, bytes.fromhex(text))]
    assert meaning(again) == meaning(first)


def test_identity():
    observer, _ = play(LOGON[:4])
    assert observer.identity.loader_version == "3.1"
    assert observer.identity.product_id is None
    observer, _ = play(LOGON)
    assert observer.identity == Identity(
        0x410,  # AN2606 Rev 70 Table 226
        ("F10x medium density",),
        "3.1",
        (
            "Get",
            "Get Version",
            "Get ID",
            "Read Memory",
            "Go",
            "Write Memory",
            "Erase",
            "Write Protect",
            "Write Unprotect",
            "Readout Protect",
            "Readout Unprotect",
        ),
        None,
    )


def test_identity_is_the_same_byte_by_byte():
    assert play(LOGON, 1)[0].identity == play(LOGON)[0].identity


def test_an_answer_cut_short_says_nothing():
    observer, _ = play((*LOGON[:2], ("out", "02 FD"), ("in", "79 01 04 10")))
    assert observer.identity == Identity()


READ = (("out", "11 EE"), ("in", "79"), ("out", "08 00 00 00 08"), ("in", "79"), ("out", "03 FC"))


def test_readout_protection():
    # AN3155 Rev 20 s.3.4
    assert play((*LOGON, ("out", "11 EE"), ("in", "1F")))[0].identity.readout_protected is True
    assert play((*LOGON, *READ, ("in", "79 01 02 03 04")))[0].identity.readout_protected is False
    assert play((*LOGON, *READ, ("in", "79 01 02 03")))[0].identity.readout_protected is None
    assert (
        play((*LOGON, ("out", "11 EE"), ("in", "79"), ("out", "60 00 00 00 60"), ("in", "1F")))[
            0
        ].identity.readout_protected
        is None
    )
    assert play((*LOGON, ("out", "11 EF"), ("in", "1F")))[0].identity.readout_protected is None
    # without the list of commands a refusal may mean that the command does not exist
    assert play((("out", "11 EE"), ("in", "1F")))[0].identity.readout_protected is None


def test_restart_keeps_identity_and_offsets():
    observer, _ = play(LOGON)
    observer.feed("out", b"\x31\xce")
    known = observer.identity
    observer.restart()
    assert observer.identity == known
    (span,) = observer.feed("out", b"\x7f")
    assert (span.role, span.offset) == (Role.SYNC, 9)


# --- words


def test_words():
    assert texts(LOGON) == [
        "sync",
        "acknowledge (ACK)",
        "Get: opcode",
        "complement",
        "acknowledge (ACK)",
        "number of commands: 11",
        "protocol version 3.1",
        "commands",
        "acknowledge (ACK)",
        "Get Version: opcode",
        "complement",
        "acknowledge (ACK)",
        "protocol version 3.1",
        "option bytes",
        "acknowledge (ACK)",
        "Get ID: opcode",
        "complement",
        "acknowledge (ACK)",
        "length of the id: 2",
        "product id 0x410 (F10x medium density)",
        "acknowledge (ACK)",
    ]
    assert texts((*READ, ("in", "79 01 02 03 04")))[3:] == [
        "address 0x08000000",
        "checksum",
        "acknowledge (ACK)",
        "bytes to read: 4",
        "complement",
        "acknowledge (ACK)",
        "memory",
    ]
    assert texts((("out", "44 BB"), ("in", "79"), ("out", "FF FE 01"), ("in", "79")))[3:5] == [
        "special erase: bank 1",
        "checksum",
    ]
    assert texts((("out", "43 BC"), ("in", "79"), ("out", "FF 00")))[3:] == ["erase everything", "complement"]


def test_the_piece_that_completes_a_field_carries_the_value():
    spans = play((("out", "11 EE"), ("in", "79"), ("out", "08 00"), ("out", "00 00 08")))[1]
    assert [span.text for span in spans[3:]] == ["address", "address 0x08000000", "checksum"]


@pytest.mark.parametrize(
    ("turns", "text"),
    [
        ((("out", "11 EE"), ("in", "79"), ("out", "08 00 00 00 09")), "checksum that does not fit"),
        ((("out", "00 00"),), "complement that does not fit"),
        ((("out", "43 BC"), ("in", "79"), ("out", "FF 01")), "complement that does not fit"),
    ],
)
def test_checks_that_do_not_fit(turns, text):
    assert texts(turns)[-1] == text


def test_unknown():
    # AN3155 Rev 20 Table 2 has no 0x55; Table 226 of AN2606 Rev 70 no 0x4FE
    assert texts((("out", "55 AA"), ("in", "1F"))) == ["unknown opcode 0x55", "complement", "refused (NACK)"]
    assert "product id 0x4FE (not in AN2606 Rev 70)" in texts((("out", "02 FD"), ("in", "79 01 04 FE 79")))


# --- off the note


def roles(turns):
    return [span.role for span in play(turns)[1]]


def test_zero_before_the_ack():
    spans = play((("out", "7F"), ("in", "00 79")))[1]
    assert [span.text for span in spans[1:]] == [
        "stray 00, common before the ACK when nothing drives the line",
        "acknowledge (ACK)",
    ]


@pytest.mark.parametrize("size", [None, 1])
def test_only_a_leading_zero_is_the_common_one(size):
    said = texts((("out", "7F"), ("in", "55 00 00 79")), size=size)
    assert set(said[1:-1]) == {"stray: neither ACK nor NACK"}


def test_a_second_ack_or_nack():
    # AN2606 Rev 70 Table 163 (two ACKs), Tables 30, 34, 54, 74 (two NACKs)
    assert roles((("out", "7F"), ("in", "79 79 79"))) == [Role.SYNC, Role.ACK, Role.ACK, Role.STRAY]
    assert roles((("out", "11 EE"), ("in", "1F 1F 1F")))[2:] == [Role.NACK, Role.NACK, Role.STRAY]


def test_host_goes_on_without_an_answer():
    assert roles((("out", "7F"), ("out", "7F"), ("in", "1F"), ("out", "00 FF"), ("in", "79"))) == [
        Role.SYNC,
        Role.SYNC,
        Role.NACK,
        Role.COMMAND,
        Role.CHECK,
        Role.ACK,
    ]
    assert roles((("out", "11 EE"), ("out", "02 FD"), ("in", "79 01 04 10 79")))[-1] is Role.ACK


def test_refusal_ends_the_command():
    for turns in (READ[:1], READ[:3], READ):
        assert roles((*turns, ("in", "1F"), ("out", "02 FD"), ("in", "79")))[-3:] == [
            Role.COMMAND,
            Role.CHECK,
            Role.ACK,
        ]


def test_echo():
    # our own bytes come back, and the chip's answer with them
    turns = (("out", "7F"), ("in", "7F 79"), ("out", "00 FF"), ("in", "00 FF 79 00 31 79"))
    for size in (None, 1):
        spans = play(turns, size)[1]
        assert {span.text for span in spans if span.role is Role.STRAY} == {"echo of the byte just sent"}
        assert spans[-1].role is Role.ACK
        assert sum(len(span.data) for span in spans if span.role is Role.STRAY) == 3


def test_echo_of_bytes_that_look_like_answers():
    # 1F FF F7 E0 holds a NACK's value, but it follows an echo that has begun
    turns = (("out", "11 EE"), ("in", "11 EE 79"), ("out", "08 1F 79 00 6E"), ("in", "08 1F 79 00 6E 79"))
    spans = play(turns)[1]
    assert [span.role for span in spans if span.direction == "in"] == [Role.STRAY, Role.ACK, Role.STRAY, Role.ACK]
    assert meaning(play(turns, 1)[1]) == meaning(spans)


def test_what_is_like_the_sent_byte_but_late_is_no_echo():
    assert texts((("out", "7F"), ("in", "79 7F")))[-1] == "stray: nothing was asked"


# --- floods: few spans, whatever comes


@pytest.mark.parametrize("opening", [b"", b"\x7f", b"\x00\xff"])
@pytest.mark.parametrize("byte", [0x00, 0x79, 0x1F, 0xFF, 0x7F])
def test_floods_stay_in_slices(opening, byte):
    observer = An3155Observer()
    observer.feed("out", opening)
    spans = [span for _ in range(64) for span in observer.feed("in", bytes((byte,)) * 1024)]
    assert len(spans) < 64 + 8
    assert len({span.text for span in spans}) < 10
    assert sum(len(span.data) for span in spans) == 64 * 1024


def test_long_data_is_one_span_per_chunk():
    turns = (("out", "11 EE"), ("in", "79"), ("out", "08 00 00 00 08"), ("in", "79"), ("out", "FF 00"), ("in", "79"))
    observer, _ = play(turns)
    assert len(observer.feed("in", bytes(256))) == 1
    observer, _ = play((*turns[:2], ("out", "20 00 10 00 30")))
    assert observer.feed("in", b"") == []


# --- anything at all

ways = st.sampled_from(["out", "in"])
sensible = st.one_of(
    st.sampled_from([bytes((code, code ^ 0xFF)) for code in Opcode]),
    st.sampled_from([b"\x7f", b"\x79", b"\x1f", b"\x00", b"\xff\x00", b"\xff\xff\x00", b"\x00\x00\x07\x07"]),
    st.sampled_from([bytes.fromhex("0800000008"), bytes.fromhex("0301020304 07"), bytes.fromhex("79010410 79")]),
    st.binary(max_size=40),
)


@given(st.lists(st.tuples(ways, sensible), max_size=40), st.integers(1, 9))
def test_any_bytes_in_any_cut(turns, size):
    whole_observer, whole = play(turns)
    cut_observer, cut = play(turns, size)
    assert meaning(cut) == meaning(whole)
    assert cut_observer.identity == whole_observer.identity
    assert all(span.text.isprintable() and span.text.isascii() for span in whole)


@given(st.lists(st.tuples(ways, sensible), max_size=20))
def test_after_any_bytes_a_restart_reads_cleanly(turns):
    observer, _ = play(turns)
    observer.restart()
    spans = [span for way, text in LOGON for span in observer.feed(way, bytes.fromhex(text))]
    assert meaning(spans) == meaning(play(LOGON)[1])
    assert observer.identity.product_id == 0x410


def test_after_a_broken_pair_only_a_sync_or_the_chip_begins_anew() -> None:
    # AN3155 Rev 20 Table 2 note 1: any error during a command is a NACK and back to command wait; without a word from
    # the chip nobody knows where it stands, and noise must not be read as a row of commands
    noisy = An3155Observer()
    assert [span.role for span in noisy.feed("out", b"\x00\x00" + b"\x11\xee\x02\xfd" * 3)] == [
        Role.COMMAND,
        Role.CHECK,
        Role.STRAY,
    ]
    assert [span.role for span in noisy.feed("out", b"\x7f")] == [Role.SYNC]
    told = An3155Observer()
    told.feed("out", b"\x00\x00")
    told.feed("in", b"\x1f")
    assert told.feed("out", b"\x02\xfd")[0].command == "Get ID"


def test_a_filler_after_a_sync_without_answer_begins_no_command():
    turns = (("out", "7F"), ("out", "FC"), ("in", "1F"), *LOGON[2:])
    observer, spans = play(turns)
    assert [span.role for span in spans[:3]] == [Role.SYNC, Role.SYNC, Role.NACK]
    assert observer.identity == play(LOGON)[0].identity
