"""Two programs on one TCP address: the second is told who has it, and the server never hears of it."""

from __future__ import annotations

import asyncio
import os
import stat
import sys
from pathlib import Path

import pytest

from console.errors import PortTrouble
from console.link.address_lock import AddressTaken, lock_addresses

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="this system has no advisory locks")
ROOT = Path(__file__).resolve().parents[3]
HOLD = """
import sys
from console.link.address_lock import lock_addresses
lock = lock_addresses([(sys.argv[1], int(sys.argv[2]))])
print(lock.held, flush=True)
sys.stdin.read()
"""


async def test_the_second_of_two_is_refused_before_it_connects(socket_peer, link_to, recorder):
    number = socket_peer.port.rpartition(":")[2]
    first, second = link_to(socket_peer.port), link_to(f"socket://localhost:{number}")
    report = await first.open(recorder())
    assert not any("nothing keeps" in note for note in report.notes)
    with pytest.raises(PortTrouble) as refused:
        await second.open(recorder())
    assert (refused.value.code, refused.value.where) == ("port-busy", f"socket://localhost:{number}")
    assert f"(pid {os.getpid()})" in refused.value.message
    assert f"(pid {os.getpid()})" in refused.value.help
    first.write(b"\x7f")
    assert await socket_peer.receive(1) == b"\x7f"
    with pytest.raises(BlockingIOError):  # nobody else waits for the server
        socket_peer.listening.accept()
    await first.close()
    await second.open(recorder())


async def test_a_connection_that_is_lost_or_never_made_holds_nothing(socket_peer, link_to, recorder):
    first, second, got = link_to(socket_peer.port), link_to(socket_peer.port), recorder()
    await first.open(got)
    socket_peer.hang_up()
    await got.until(lambda r: bool(r.losses))
    assert "no other program uses it" in got.losses[0].help
    await second.open(recorder())
    await second.close()
    socket_peer.shut()
    for link in (first, second, first):
        with pytest.raises(PortTrouble) as refused:
            await link.open(recorder())
        assert refused.value.code == "port-missing"


async def test_the_lock_of_another_program_ends_with_it():
    address = ("192.0.2.7", 4000)  # RFC 5737: an address for documents, nobody has it
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", HOLD, address[0], str(address[1])),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    assert await process.stdout.readline() == b"True\n"
    with pytest.raises(AddressTaken) as taken:
        lock_addresses([("192.0.2.6", 4000), address])
    if sys.platform.startswith("linux"):
        assert f"(pid {process.pid})" in str(taken.value.holder)
    others = lock_addresses([("192.0.2.6", 4000), (address[0], 4001), ("2001:db8::7", 4000)])  # RFC 3849: likewise
    assert others.held
    others.release()
    process.kill()
    await process.communicate()
    lock = lock_addresses([address])
    assert lock.held
    lock.release()
    lock.release()
    assert not lock.held


def test_its_files_are_private_and_not_cleaned_away(tmp_path: Path):
    lock = lock_addresses([("192.0.2.7", 4000)])
    (file,) = (tmp_path / "home").glob(f"wakeline-ports-{os.getuid()}/*")
    mode = file.stat().st_mode
    lock.release()
    # XDG Base Directory Specification 0.8: the sticky bit keeps a file from the periodic clean-up
    assert stat.S_IMODE(mode) & 0o777 == 0o600
    assert not sys.platform.startswith("linux") or mode & stat.S_ISVTX


async def test_without_a_folder_of_ones_own_the_port_opens_and_says_what_is_missing(
    socket_peer, link_to, recorder, tmp_path: Path
):
    (tmp_path / "home" / f"wakeline-ports-{os.getuid()}").mkdir(mode=0o755)
    report = await link_to(socket_peer.port).open(recorder())
    assert "nothing keeps another program off this address: see that none uses it" in report.notes
