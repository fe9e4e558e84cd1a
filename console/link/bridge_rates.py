"""What rate a USB bridge really makes of the rate it is asked for, from the divisors its document or driver prints.

Light to import, no I/O. Drivers may report the rate that was asked for instead of the one in use (Linux 6.1
ftdi_sio.c, ftdi_set_termios), so it is computed. Several kinds of bridge can share one USB id: then every rate that
may be in use is given. An id that is not in the table is unknown and nothing is claimed about it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from protocols.uart import Frame

Divisor = Callable[[int], float | None]


class LineRate(NamedTuple):
    """The rate asked for and what may be in use, in baud: one per kind of bridge that has this id, lowest first."""

    asked: int
    actual: tuple[float, ...]
    source: str

    @property
    def errors(self) -> tuple[float, ...]:
        """Deviation of each actual rate from the one asked for, as a ratio (0.0016 is +0.16 %)."""
        return tuple(actual / self.asked - 1 for actual in self.actual)

    @property
    def worst(self) -> float:
        """The largest deviation, as a ratio without sign."""
        return max(map(abs, self.errors))


def line_rate(vid: int | None, pid: int | None, asked: int) -> LineRate | None:
    """What the bridge with these USB ids makes of `asked` baud (> 0); None where it is not known."""
    kinds = _KINDS.get((vid, pid)) if vid is not None and pid is not None else None
    if kinds is None or asked <= 0:
        return None
    found = [kind.divisor(asked) for kind in kinds]
    rates = [rate for rate in found if rate is not None]
    if len(rates) != len(found):  # outside the range of one of them: what it does then is not known
        return None
    sources = dict.fromkeys(kind.source for kind in kinds)
    return LineRate(asked, tuple(sorted(set(rates))), "; ".join(sources))


def too_far(rate: LineRate, frame: Frame) -> bool:
    """Whether the adapter alone may use up more than its half of what two ends together may deviate."""
    from protocols.uart import end_tolerance  # listing ports must not wait for it where no bridge is known

    return rate.worst > end_tolerance(frame)


def rate_words(rate: LineRate) -> str:
    """For a person: the actual rate and its error; several where the bridges with this id differ."""
    found = " or ".join(
        f"{actual:.7g} ({100 * error:+.2f} %)" for actual, error in zip(rate.actual, rate.errors, strict=True)
    )
    return f"asked for {rate.asked} baud it uses {found}"


# ------------------------------------------------------------------------------------------------- divisors


def eighths_of_3_mhz(asked: int) -> float | None:
    """3 MHz over n + f, f in eighths, n from 2; 1.5 and 1 beside (AN232B-05). 183 Bd is the slowest (n = 16384)."""
    return _eighths(asked, 3_000_000)


def eighths_of_12_mhz(asked: int) -> float | None:
    """12 MHz over n + f from 1200 Bd on, below as the 3 MHz kind (AN_120 s.4.4, Linux 6.1 ftdi_sio.c)."""
    return _eighths(asked, 12_000_000) if asked >= 1200 else eighths_of_3_mhz(asked)


def _eighths(asked: int, base: int) -> float | None:
    eighths = (8 * base + asked // 2) // asked
    if asked > base or eighths > 8 * 16384 + 7:
        return None
    if eighths < 16:  # between 1 and 2 there is only 1.5
        eighths = min((8, 12, 16), key=lambda n: (abs(n - 8 * base / asked), n))
    return 8 * base / eighths


def listed(asked: int) -> float | None:
    """The fixed list: each request is mapped to the rate whose range contains it (AN205 Rev 0.3, Table 1)."""
    return next((float(rate) for upto, rate in _LISTED if asked <= upto), None)


def halves_of_48_mhz(asked: int) -> float | None:
    """48 MHz / (2 * prescale * n), prescale 4 up to 365 Bd, else 1; up to 2 MBd (2104 data sheet Rev 1.1 s.6.1)."""
    if not 300 <= asked <= 2_000_000:
        return None
    prescale = 4 if asked <= 365 else 1
    step = 2 * prescale * asked
    return 48_000_000 / (2 * prescale * ((48_000_000 + step // 2) // step))


def prescaled_48_mhz(asked: int) -> float | None:
    """48 MHz / (2^(12 - 3 ps - fact) * div) as the driver chooses it (Linux 6.1 ch341.c, ch341_get_divisor)."""
    return _prescaled(asked, limited=False)


def limited_48_mhz(asked: int) -> float | None:
    """As `prescaled_48_mhz`, on bridges whose finer step exists at the fastest prescaler only (same source)."""
    return _prescaled(asked, limited=True)


def _prescaled(asked: int, *, limited: bool) -> float | None:
    if not 46 <= asked <= 3_000_000:
        return None
    clock, fact = 48_000_000, 1
    ps = next((ps for ps in (3, 2, 1, 0) if asked > clock // ((1 << (12 - 3 * ps - 1)) * 512)), 0)
    shift = 12 - 3 * ps - fact
    div = clock // ((1 << shift) * asked)
    if div < 9 or div > 255 or (limited and ps < 3):
        div //= 2
        shift += 1
        fact = 0
    unit = clock / (1 << shift)
    # the driver takes the next divisor where that one is nearer (it compares in sixteenths of a baud)
    if 16 * clock // ((1 << shift) * div) - 16 * asked >= 16 * asked - 16 * clock // ((1 << shift) * (div + 1)):
        div += 1
    return unit / div


class _Kind(NamedTuple):
    divisor: Divisor
    source: str


# request up to -> programmed; above 1053257 the document defines nothing
_LISTED: Final = (
    (300, 300), (600, 600), (1200, 1200), (1800, 1800), (2400, 2400), (4000, 4000), (4803, 4800), (7207, 7200),
    (9612, 9600), (14428, 14400), (16062, 16000), (19250, 19200), (28912, 28800), (38601, 38400), (51558, 51200),
    (56280, 56000), (58053, 57600), (64111, 64000), (77608, 76800), (117028, 115200), (129347, 128000),
    (156868, 153600), (237832, 230400), (254234, 250000), (273066, 256000), (491520, 460800), (567138, 500000),
    (670254, 576000), (1053257, 921600),
)  # fmt: skip

_E3: Final = _Kind(eighths_of_3_mhz, "AN232B-05")
_E12: Final = _Kind(eighths_of_12_mhz, "AN_120 s.4.4")
_LIST: Final = _Kind(listed, "AN205 Rev 0.3 Table 1")
_H48: Final = _Kind(halves_of_48_mhz, "2104 data sheet Rev 1.1 s.6.1")
_P48: Final = _Kind(prescaled_48_mhz, "Linux 6.1 ch341.c")
_L48: Final = _Kind(limited_48_mhz, "Linux 6.1 ch341.c")
# USB ids: id tables of Linux 6.1 drivers/usb/serial (from memory), by which these drivers take the device
_KINDS: Final[dict[tuple[int, int], tuple[_Kind, ...]]] = {
    (0x0403, 0x6001): (_E3,),
    (0x0403, 0x6010): (_E3, _E12),  # two generations share this id
    (0x0403, 0x6011): (_E12,),
    (0x0403, 0x6014): (_E12,),
    (0x0403, 0x6015): (_E3,),
    (0x10C4, 0xEA60): (_LIST, _H48),  # the maker's default id of both generations
    (0x10C4, 0xEA70): (_LIST, _H48),  # one of its two ports has the divisor; which one is not told by the id
    (0x10C4, 0xEA71): (_H48,),
    # two generations share these ids
    (0x1A86, 0x5523): (_P48, _L48),
    (0x1A86, 0x7522): (_P48, _L48),
    (0x1A86, 0x7523): (_P48, _L48),
}
