"""Numbers and settings as a person reads them; the same words on the screens, in text and in records."""

from __future__ import annotations

import math
from typing import Final

from console.errors import Outcome

LEAST_SHOWN: Final = 0.01
# how reasons begin that speak against it, or tell what is known of the place (console.boards.reasons)
_NO_CAUSE: Final = ("although ", "against: ", "known: ", "failed with it: ", "passed with it: ", "follow ")
MOST_SHOWN: Final = 0.99
_LEAST_PLAIN: Final = 1e-6
_MOST_PLAIN: Final = 1e9
_ROUNDS_UP: Final = 0.9999995  # what six digits show as the next thousand belongs to it


def percent(probability: float) -> str:
    """A probability (0..1) in whole percent; never 100 % and never 0 %, because no evidence is that good."""
    if probability >= MOST_SHOWN:
        return "99 %"
    if probability < LEAST_SHOWN:
        return "<1 %"
    return f"{probability * 100:.0f} %"


def seconds(value: float) -> str:
    """A duration of 0 s to some minutes in at most nine characters."""
    return f"{value * 1000:.2f} ms" if value < 1 else f"{value:.2f} s"


def measure(value: float, unit: str = "") -> str:
    """A measured value with its unit, as it is spoken and as it can be typed: ``3.3 V``, ``1 Mohm``, ``open``.

    Ohms take k and M from a thousand on; other units stand as they are. Up to six digits.
    """
    if math.isinf(value) and unit == "ohm" and value > 0:
        return "open"
    if unit == "ohm":
        for factor, prefix in ((1e6, "M"), (1e3, "k")):
            if abs(value) >= factor * _ROUNDS_UP:
                return f"{_digits(value / factor)} {prefix}{unit}"
    return f"{_digits(value)} {unit}".rstrip()


def _digits(value: float) -> str:
    """Six digits, without an exponent between a millionth and a thousand million."""
    if not math.isfinite(value) or not _LEAST_PLAIN <= abs(value) < _MOST_PLAIN:
        return f"{value:.6g}"
    places = max(0, 5 - math.floor(math.log10(abs(value))))
    shown = f"{value:.{places}f}"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


def setting(value: object) -> str:
    """A setting's value: yes, no, or "not available" for what a port does not have."""
    if value is None:
        return "not available"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(str(item) for item in value)
    return str(value)


def duration(value: float) -> str:
    """How long something takes, as a person says it: 0.4 s, 12 s, 3 min 20 s."""
    if value < 10:
        return f"{value:.1f} s"
    whole = round(value)
    return f"{whole} s" if whole < 120 else f"{whole // 60} min {whole % 60} s"


def count_of(number: float | str, noun: str, plural: str = "") -> str:
    """``1 page``, ``3 pages``: a number, or one in words already, with its noun; `plural` where it takes more than an
    s."""
    told = f"{number:g}" if isinstance(number, float) else str(number)
    return f"{told} {noun if told == '1' else plural or f'{noun}s'}"


def differing(number: int, places: int) -> str:
    """``2041 bytes in 8 places differ``, ``1 byte in 1 place differs``."""
    return f"{count_of(number, 'byte')} in {count_of(places, 'place')} {'differs' if number == 1 else 'differ'}"


def size(number: int) -> str:
    """A number of bytes; whole KiB where it is one."""
    return f"{number >> 10} KiB" if number and not number & 0x3FF else count_of(number, "byte")


def outcome_words(outcome: Outcome | None) -> str:
    """``✓ done``, ``✗ no answer``, ``■ stopped``, ``… running``: never a sign or a colour alone."""
    if outcome is None:
        return "… running"
    if outcome is Outcome.OK:
        return "✓ done"
    return f"{'■' if outcome is Outcome.STOPPED else '✗'} {outcome.value.replace('-', ' ')}"


def moment(value: float) -> str:
    """A time since a beginning, in seconds: ``0.251 s``, ``4 min 12 s``, ``2 h 05 min``."""
    if value < 59.9995:  # what rounds to a minute is one
        return f"{value:.3f} s"
    minutes, rest = divmod(round(value), 60)
    return f"{minutes} min {rest:02d} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def reason(why: str) -> str:
    """A reason for a suspect as it is told: what speaks for it after "because", all else as it is."""
    return why if why.startswith(_NO_CAUSE) else f"because {why}"
