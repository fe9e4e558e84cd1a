"""The kernel's log: its record format, and reading it from the end on without ever blocking."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.link import kernel_log
from console.link.kernel_log import KernelLog, parse, unescape, why_not
from console.text import clean

# the example of the kernel's Documentation/ABI/testing/dev-kmsg, word for word
EXAMPLE = b"""\
7,160,424069,-;pci_root PNP0A03:00: host bridge window [io  0x0000-0x0cf7] (ignored)
 SUBSYSTEM=acpi
 DEVICE=+acpi:PNP0A03:00
6,339,5140900,-;NET: Registered protocol family 10
30,340,5690716,-;udevd[80]: starting version 181
"""
WORDS = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters="\\"), max_size=80)


def test_the_example_of_the_documentation():
    first, second = parse(EXAMPLE)  # the third is a program's: 30 = facility 3 (daemon), level 6
    assert (first.level, first.sequence, first.t_s) == (7, 160, 0.424069)
    assert first.text == "pci_root PNP0A03:00: host bridge window [io  0x0000-0x0cf7] (ignored)"
    assert (second.level, second.sequence, second.t_s) == (6, 339, 5.1409)
    assert second.text == "NET: Registered protocol family 10"


def test_more_fields_than_today_are_ignored():
    # dev-kmsg: "Future extensions might add more comma separated values before the terminating ';'"
    (line,) = parse(b"4,7,1000000,c,caller=T1,more=x;words; with; semicolons\n")
    assert (line.level, line.t_s, line.text) == (4, 1.0, "words; with; semicolons")


def test_escapes_become_characters_and_then_safe_text():
    # dev-kmsg: non-printable characters and the backslash are escaped "\x00" C-style
    assert unescape(rb"a\x5cb") == "a\\b"
    assert unescape(rb"\xc3\xa9") == "é"
    (line,) = parse(rb"6,1,1,-;usb 1-2: Product: \x1b]0;owned\x07" + b"\n")
    assert line.text == r"usb 1-2: Product: \x1b]0;owned\x07"
    assert "\x1b" not in line.text


@given(level=st.integers(0, 7), sequence=st.integers(0, 2**63), micro=st.integers(0, 2**53), text=WORDS)
def test_what_the_kernel_writes_is_read_back(level, sequence, micro, text):
    record = f"{level},{sequence},{micro},-;{text}\n SUBSYSTEM=usb\n DEVICE=c189:3\n".encode()
    (line,) = parse(record)
    assert (line.level, line.sequence, line.text) == (level, sequence, text)
    assert line.t_s == pytest.approx(micro / 1e6)
    assert parse(record + record) == [line, line]
    assert parse(b"garbage\n" + record + b"6,x,1,-;no\n") == [line]


@given(st.binary(max_size=200) | st.text(max_size=80).map(lambda text: f"6,1,2,-;{text}".encode()))
def test_any_bytes_give_records_that_are_safe_to_show(data):
    for line in parse(data):
        assert clean(line.text, 2000) == line.text
        assert len(line.text) < 1000


@given(st.binary(max_size=60), st.integers(0, 60))
def test_a_record_cut_anywhere_ends_in_nothing_worse_than_a_shorter_text(text, cut):
    whole = b"6,1,2,-;" + text.replace(b"\n", b" ") + b"\n"
    assert len(parse(whole[:cut])) <= 1


def test_only_what_comes_after_opening_is_read(tmp_path):
    path = tmp_path / "kmsg"
    path.write_bytes(EXAMPLE)
    log = KernelLog(path)
    assert log.read() == ([], False)
    with path.open("ab") as stream:
        stream.write(b"6,341,1,-;one\n6,342,2,-;two\n")
    lines, lost = log.read()
    assert ([line.text for line in lines], lost) == (["one", "two"], False)
    assert log.read() == ([], False)
    log.close()
    log.close()


def test_one_record_per_read_and_an_empty_log_never_block():
    # a packet pipe keeps what one write wrote apart, as /dev/kmsg does (pipe(2), O_DIRECT)
    reader, writer = os.pipe2(os.O_NONBLOCK | os.O_DIRECT)
    log = KernelLog(Path(f"/proc/self/fd/{reader}"))  # a pipe cannot seek: ESPIPE is no hindrance
    os.close(reader)
    assert log.read() == ([], False)
    os.write(writer, b"6,1,1,-;one")  # without its line end: the next record still begins anew
    os.write(writer, b"6,2,2,-;two\n")
    assert [line.text for line in log.read()[0]] == ["one", "two"]
    os.close(writer)
    assert log.read() == ([], False)
    log.close()


def test_overwritten_records_are_told_and_reading_goes_on(tmp_path, monkeypatch):
    # dev-kmsg: "the next read() will return -EPIPE, and the seek position be updated to the next available record"
    path = tmp_path / "kmsg"
    path.touch()
    log = KernelLog(path)
    reads = [b"6,1,1,-;one\n", OSError(errno.EPIPE, ""), b"6,9,1,-;nine\n", OSError(errno.EAGAIN, "")]

    def read(fd, size):
        answer = reads.pop(0)
        if isinstance(answer, OSError):
            raise answer
        return answer

    with monkeypatch.context() as patch:
        patch.setattr(kernel_log.os, "read", read)
        lines, lost = log.read()
    assert ([line.text for line in lines], lost) == (["one", "nine"], True)
    log.close()


def test_a_log_that_may_not_be_read_is_told_in_words(tmp_path):
    with pytest.raises(OSError) as missing:
        KernelLog(tmp_path / "none")
    assert "shows no kernel log" in why_not(missing.value)
    # dmesg_restrict: opening gives EPERM (kernel 6.1, kernel/printk/printk.c, check_syslog_permissions)
    assert "may not be read by this user" in why_not(PermissionError(errno.EPERM, ""))
