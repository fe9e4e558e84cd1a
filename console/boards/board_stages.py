"""The stages of a board file: each [[stage]] checked against the board, its images and the stages above it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from console.boards.file_checks import known, read_limits
from console.boards.limits import Expected, Limits
from console.boards.misreads import Bus
from console.boards.plan import BY_HAND, CONTENT, MOST_STAGES, IdAnswer, ImageOf, Query, Rail, Stage, Work
from console.boards.stagerun import Board, Exercises
from console.boards.template import FieldValue, Template, byte_template, text_template
from console.tomlfile import Table
from console.words import count_of

_COMMON: Final = ("id", "kind", "title", "after", "look", "hot", "power", "parts", "nets", "pins")
_SEND_MOST: Final = 256
_QUERY_KEYS: Final = ("send", "send_hex", "ends", "reply", "reply_hex", "within_s", "expect", "reads")
_ROLES: Final = ("data-out", "clock", "select", "supply", "ground", "reset", "hold", "pull", "mode")
# the loader must be awake for these; what they wait for besides the stages named in `after`
_NEEDS: Final[Mapping[Work, tuple[Work, ...]]] = {
    Work.IDENTIFY: (Work.SYNC,),
    Work.ERASE: (Work.IDENTIFY,),
    Work.WRITE: (Work.IDENTIFY, Work.ERASE),
    Work.VERIFY: (Work.IDENTIFY, Work.WRITE),
    Work.START: (Work.IDENTIFY,),
    Work.QUERY: (Work.START,),
}


@dataclass(frozen=True, slots=True)
class Known:
    """What a stage may speak of."""

    board: Board
    rails: Mapping[str, Rail]
    images: Mapping[str, ImageOf]


def read_stages(top: Table, around: Known) -> tuple[Stage, ...]:
    """All stages in order. Raises InputTrouble."""
    stages: list[Stage] = []
    for entry in top.tables("stage"):
        if len(stages) == MOST_STAGES:
            entry.wrong("id", entry.data.get("id"), f"a plan of at most {MOST_STAGES} stages")
        stage = _stage(entry, around, stages)
        if any(stage.id == other.id for other in stages):
            entry.wrong("id", stage.id, "a name that no stage above has")
        stages.append(stage)
    return tuple(stages)


def _stage(entry: Table, around: Known, above: list[Stage]) -> Stage:
    kind = entry.plain("kind")
    if kind not in set(Work):
        entry.wrong("kind", kind, f"one of {', '.join(Work)}")
    work = Work(kind)
    keys, fill = _KINDS[work]
    entry.only(*_COMMON, *keys)
    stage = Stage(
        id=_name(entry),
        work=work,
        title=entry.plain("title"),
        exercises=_exercises(entry, around.board),
        after=_after(entry, work, above),
        look=entry.plain("look") if "look" in entry.data or work in (Work.INSPECT, Work.CONFIRM) else "",
        hot=entry.flag("hot"),
    )
    return _powered(entry, fill(entry, stage, around))


def _powered(entry: Table, stage: Stage) -> Stage:
    """Ohms and the iron need a dead board; to look at it either will do; all else needs power."""
    dead = stage.hot or (stage.limits is not None and stage.limits.unit == "ohm")
    usual = "off" if dead else "either" if stage.work is Work.INSPECT else "on"
    said = entry.plain("power") if "power" in entry.data else usual
    if said not in ("on", "off", "either") or (dead and said != "off") or (stage.work not in BY_HAND and said != "on"):
        fit = usual if dead or stage.work not in BY_HAND else "on, off or either"
        entry.wrong("power", said, f"{fit}, or leave it out")
    return replace(stage, power={"on": True, "off": False, "either": None}[said])


def _name(entry: Table) -> str:
    name = entry.plain("id")
    if not name.replace("-", "").isalnum() or not name.isascii() or name != name.lower() or len(name) > 30:
        entry.wrong("id", name, "a short name of small letters, digits and dashes")
    return name


def _exercises(entry: Table, board: Board) -> Exercises:
    out = Exercises(*(frozenset(entry.texts(key, ())) for key in ("parts", "nets", "pins")))
    for name in out.missing(board.circuit):
        key = next(key for key in ("parts", "nets", "pins") if name in getattr(out, key))
        names = {
            "parts": board.circuit.parts,
            "nets": board.circuit.nets,
            "pins": [pin.ref for pin in board.circuit.pins],
        }[key]
        known(entry, key, name, names, f"{key} of the netlist")
    return out


def _after(entry: Table, work: Work, above: list[Stage]) -> tuple[str, ...]:
    """The stage right above where nothing is said; always also what this kind of stage cannot do without."""
    named = entry.texts("after", tuple(stage.id for stage in above[-1:]))
    ids = [stage.id for stage in above]
    for name in named:
        known(entry, "after", name, ids, "a stage that stands above this one")
    out = list(named)
    for needed in _NEEDS.get(work, ()):
        nearest = next((stage for stage in reversed(above) if stage.work is needed), None)
        if nearest is not None:
            out.append(nearest.id)
        elif needed in (Work.SYNC, Work.IDENTIFY):
            entry.wrong("kind", work.value, f"a stage of the kind {needed} above it, so that the loader is awake")
    return tuple(dict.fromkeys(out))


# ------------------------------------------------------------------------------ what each kind has of its own

_Fill = Callable[[Table, Stage, Known], Stage]


def _by_eye(entry: Table, stage: Stage, around: Known) -> Stage:
    return stage


def _measure(entry: Table, stage: Stage, around: Known) -> Stage:
    if "rail" in entry.data:
        if "unit" in entry.data or "least" in entry.data or "most" in entry.data:
            entry.wrong("rail", entry.data["rail"], "either a rail, or unit with least and most")
        name = entry.plain("rail")
        known(entry, "rail", name, around.rails, "the net of a [[rail]]")
        rail = around.rails[name]
        look = stage.look or f"measure {rail.net} at {rail.at} against ground"
        return replace(stage, look=look, limits=rail.limits, nets=(rail.net,))
    unit = entry.plain("unit")
    if unit not in ("V", "A", "ohm"):
        entry.wrong("unit", unit, "V, A or ohm")
    if not stage.look:
        entry.text("look")
    return replace(stage, limits=read_limits(entry, unit))


def _continuity(entry: Table, stage: Stage, around: Known) -> Stage:
    places = entry.texts("between")
    if len(places) != 2 or places[0] == places[1]:
        entry.wrong("between", list(places), "two places, each a net or a pin")
    pins = {pin.ref: pin.net for pin in around.board.circuit.pins}
    nets = []
    for place in places:
        known(entry, "between", place, (*around.board.circuit.nets, *pins), "a net or a pin of the netlist")
        nets.append(pins.get(place, place))
    if "least" not in entry.data and "most" not in entry.data:
        entry.wrong(
            "most", None, "most where there should be a connection, or least where there should be none; in ohm"
        )
    limits = read_limits(entry, "ohm")
    if limits.most < 0:
        entry.wrong("most", entry.data["most"], "ohms: zero or more")
    limits = limits if math.isfinite(limits.least) else Limits(0, limits.most, "ohm", limits.source)
    if limits.least > 0 and len(set(nets)) == 2:
        stage = replace(stage, exercises=replace(stage.exercises, apart=frozenset(nets)))
    look = stage.look or f"measure ohms between {places[0]} and {places[1]}"
    return replace(
        stage, look=look, limits=limits, between=(places[0], places[1]), nets=tuple(net for net in nets if net)
    )


def _enumerate(entry: Table, stage: Stage, around: Known) -> Stage:
    seconds = entry.number("within_s", 0, 600) if "within_s" in entry.data else 30.0
    if "usb" not in entry.data:
        return replace(stage, seconds=seconds)
    ids = entry.plain("usb").split(":")
    try:
        vendor, product = (int(word, 16) for word in ids if re.fullmatch("[0-9a-fA-F]{1,4}", word))
    except ValueError:
        entry.wrong("usb", entry.data["usb"], "two hexadecimal ids such as 1209:0001")
    return replace(stage, seconds=seconds, usb=(vendor, product))


def _listen(entry: Table, stage: Stage, around: Known) -> Stage:
    seconds = entry.number("seconds", 0, 60) if "seconds" in entry.data else 0.5
    return replace(stage, seconds=seconds, hears=entry.flag("wants_bytes"))


def _identify(entry: Table, stage: Stage, around: Known) -> Stage:
    if "chip" not in entry.data:
        return stage
    role = entry.plain("chip")
    known(entry, "chip", role, around.images, "the role of an [[image]], whose chip it is")
    image = around.images[role]
    return replace(stage, products=image.chip.product_ids, exercises=_naming(stage, image.part))


def _naming(stage: Stage, part: str) -> Exercises:
    """What the stage uses, and that a part says in it which part it is."""
    return replace(stage.exercises, names=frozenset({part}))


def _content(entry: Table, stage: Stage, around: Known) -> Stage:
    role = entry.plain("image") if "image" in entry.data or len(around.images) != 1 else next(iter(around.images))
    known(entry, "image", role, around.images, "the role of an [[image]]")
    return replace(stage, image=role)


def _start(entry: Table, stage: Stage, around: Known) -> Stage:
    seconds = entry.number("listen_s", 0, 60) if "listen_s" in entry.data else 0.5
    if "address" in entry.data:
        return replace(stage, seconds=seconds, starts_at=entry.integer("address", 0, 0xFFFF_FFFF))
    stage = _content(entry, stage, around)
    return replace(stage, seconds=seconds, starts_at=around.images[stage.image].chip.flash_start)


def _query(entry: Table, stage: Stage, around: Known) -> Stage:
    template = _template(entry)
    expected = {}
    if "expect" in entry.data:
        table = entry.table("expect")
        for name in table.data:
            known(table, name, name, template.kinds, "a field of the reply")
            expected[name] = _expected(table, name, template.kinds[name])
    answer = _reads(entry.table("reads"), template, around.board) if "reads" in entry.data else None
    if answer is not None:
        expected.setdefault(answer.name, Expected((answer.expected,)))
    within_s = entry.number("within_s", 0, 60) if "within_s" in entry.data else 1.0
    if answer is not None:
        stage = replace(stage, exercises=_naming(stage, answer.part))
    return replace(stage, query=Query(_sent(entry), template, expected, within_s, answer))


def _sent(entry: Table) -> bytes:
    if ("send" in entry.data) == ("send_hex" in entry.data):
        entry.wrong("send", entry.data.get("send"), "either send (a line of text) or send_hex (bytes)")
    if "send" in entry.data:
        ends = entry.text("ends") if "ends" in entry.data else "\r\n"
        if ends not in ("\r\n", "\n", "\r"):
            entry.wrong("ends", ends, r'how the line ends: "\r\n", "\n" or "\r"')
        text = entry.plain("send") + ends
        if not text.isascii() or len(text) > _SEND_MOST:
            entry.wrong("send", text, f"at most {_SEND_MOST} characters of ASCII")
        return text.encode()
    data = _hex(entry, "send_hex", entry.plain("send_hex"))
    if not 0 < len(data) <= _SEND_MOST:
        entry.wrong("send_hex", entry.data["send_hex"], f"1 to {_SEND_MOST} bytes")
    return data


def _template(entry: Table) -> Template:
    if ("reply" in entry.data) == ("reply_hex" in entry.data):
        entry.wrong("reply", entry.data.get("reply"), "either reply (a line) or reply_hex (bytes), with {fields}")
    key, read = ("reply", text_template) if "reply" in entry.data else ("reply_hex", byte_template)
    try:
        return read(entry.plain(key))
    except ValueError as error:
        entry.wrong(key, entry.data[key], str(error))


def _expected(table: Table, name: str, kind: str) -> Expected:
    """A value, a list of values that are all right, or a table of least and most."""
    value = table.data[name]
    if isinstance(value, dict):
        inner = table.table(name)
        inner.only("least", "most")
        if kind in ("hex", "word", "text") or kind.startswith("bytes"):
            table.wrong(name, value, f"values: a field of the kind {kind} has no least and most")
        return Expected(limits=read_limits(inner, ""))
    values = value if isinstance(value, list) else [value]
    if not values:
        table.wrong(name, value, "at least one value")
    return Expected(tuple(_value(table, name, one, kind) for one in values))


def _value(table: Table, name: str, value: Any, kind: str) -> FieldValue:
    if kind == "hex" or kind.startswith("bytes"):
        if not isinstance(value, str):
            table.wrong(name, value, 'hex bytes such as "7E 12 0B 31"')
        return _hex(table, name, value)
    if kind in ("word", "text"):
        if not isinstance(value, str):
            table.wrong(name, value, "a text")
        return value
    real = kind == "number" or kind.startswith("f")
    if isinstance(value, bool) or not isinstance(value, int | float if real else int):
        table.wrong(name, value, "a number" if real else "a whole number")
    return float(value) if real else int(value)


def _hex(table: Table, name: str, text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError:
        table.wrong(name, text, 'hex bytes such as "7E 12 0B 31"')


def _reads(table: Table, template: Template, board: Board) -> IdAnswer:
    table.only("field", "id", "part", "bus", "lines", "revision_mask", "known", "locked")
    name = table.plain("field")
    known(table, "field", name, template.kinds, "a field of the reply")
    if template.kinds[name] != "hex" and not template.kinds[name].startswith("bytes"):
        table.wrong("field", name, "a field of the kind hex or bytesN, so that its width is known")
    expected = _hex(table, "id", table.plain("id"))
    if not 0 < len(expected) <= 16:
        table.wrong("id", table.data["id"], "1 to 16 bytes")
    bus = table.plain("bus")
    if bus not in set(Bus):
        table.wrong("bus", bus, f"one of {', '.join(Bus)}")
    part = table.plain("part")
    known(table, "part", part, board.circuit.parts, "a part of the netlist")
    width = len(expected) * 8
    lines: dict[str, str] = {}
    if "lines" in table.data:
        inner = table.table("lines")
        for role in inner.data:
            if role not in _ROLES and role not in {f"bit {bit}" for bit in range(width)}:
                inner.wrong(role, role, f'one of {", ".join(_ROLES)}, or "bit 3" for a line of a parallel bus')
            net = inner.plain(role)
            known(inner, role, net, board.circuit.nets, "a net of the netlist")
            lines[role] = net
    mask = table.integer("revision_mask", 0, (1 << width) - 1, 0)
    others = (_named_ids(table, key, len(expected)) for key in ("known", "locked"))
    return IdAnswer(name, expected, part, Bus(bus), lines, mask, *others)


def _named_ids(table: Table, key: str, size: int) -> dict[int, str]:
    if key not in table.data:
        return {}
    inner = table.table(key)
    out = {}
    for text in inner.data:
        data = _hex(inner, text, text)
        if len(data) != size:
            inner.wrong(text, text, f"{count_of(size, 'hex byte')}, as many as the id has")
        out[int.from_bytes(data)] = inner.plain(text)
    return out


_KINDS: Final[Mapping[Work, tuple[tuple[str, ...], _Fill]]] = {
    Work.INSPECT: ((), _by_eye),
    Work.MEASURE: (("rail", "unit", "least", "most", "source"), _measure),
    Work.CONTINUITY: (("between", "least", "most", "source"), _continuity),
    Work.ENUMERATE: (("usb", "within_s"), _enumerate),
    Work.LISTEN: (("seconds", "wants_bytes"), _listen),
    Work.SYNC: ((), _by_eye),
    Work.IDENTIFY: (("chip",), _identify),
    **dict.fromkeys(CONTENT, (("image",), _content)),
    Work.START: (("image", "address", "listen_s"), _start),
    Work.QUERY: (_QUERY_KEYS, _query),
    Work.CONFIRM: ((), _by_eye),
}
