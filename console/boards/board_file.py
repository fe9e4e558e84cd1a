"""The board file: TOML of our own that describes a board and the plan to bring it up. Text in, `Plan` out.

The packaged example `examples/tern_b/tern-b.toml` explains every table and key. Whatever is wrong is told with file,
line, key, what was found and what would be right.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

import protocols
from console.boards.board_stages import Known, read_stages
from console.boards.circuit import Circuit
from console.boards.examples import BOARDS, example_file
from console.boards.file_checks import known, read_limits
from console.boards.netlist import MOST_BYTES, Netlist, parse_netlist
from console.boards.plan import ImageOf, Plan, Port, Rail, Wire
from console.boards.stagerun import RAILS, ROLES, Board, PartClass, guessed_class
from console.errors import InputTrouble, UsageTrouble
from console.images.layout import Severity, check_layout
from console.images.load import FORMATS, MAX_FILE_BYTES, parse_image
from console.inputs import read_input
from console.programming.chip_file import find_chip
from console.programming.chips import Chip
from console.text import clean
from console.tomlfile import Table, parse_toml
from protocols.uart import Frame

CODE: Final = "board-file"
MOST_TEXT: Final = 4 << 20
_TOP: Final = ("board", "serial", "wire", "package", "part", "rail", "image", "stage")
_LINES: Final = ("dtr", "rts")
_ENDS: Final = ("TX", "RX", "GND", "VCC", "DTR", "RTS", "CTS", "DSR")
Reader = Callable[[str, int], bytes]
"""Gives the bytes of a file that the board file names, at most so many. Raises InputTrouble."""


def load_board(name: str) -> Plan:
    """The plan in a board file, or the packaged example of that name. Raises InputTrouble, UsageTrouble."""
    path = Path(name)
    if name in BOARDS and not path.exists():
        folder, file = BOARDS[name].rsplit("/", 1)
        return parse_board(_text(example_file(f"{folder}/{file}"), file), file, lambda one, _: _packaged(folder, one))
    data = read_input(path, MOST_TEXT, CODE, f"a board file, or the name of an example: {', '.join(BOARDS)}")

    def beside(file: str, most: int) -> bytes:
        return read_input(path.parent / file, most, CODE, "the file that the board file names")

    return parse_board(_text(data, clean(str(path))), clean(str(path)), beside)


def parse_board(text: str, file: str, read: Reader) -> Plan:
    """The plan in the text of a board file; `read` gives the files it names. Raises InputTrouble."""
    top = parse_toml(text, file, CODE)
    top.only(*_TOP)
    head = top.table("board")
    head.only("name", "revision", "netlist", "cell")
    netlist = _netlist(head, read)
    board = Board(netlist.circuit, _classes(top, netlist.circuit), _power(top, netlist.circuit))
    family, loader, application = _serial(top)
    rails = tuple(_rail(entry, board) for entry in top.tables("rail", 0))
    _unique(top, "rail", [rail.net for rail in rails])
    images = {image.role: image for image in _images(top, netlist.circuit, read)}
    wires = tuple(_wire(entry, netlist.circuit) for entry in top.tables("wire", 0))
    stages = read_stages(top, Known(board, {rail.net: rail for rail in rails}, images))
    return Plan(
        file=file,
        name=head.plain("name"),
        revision=head.plain("revision"),
        netlist=netlist,
        board=board,
        loader=loader,
        application=application,
        family=family,
        wires=wires,
        rails=rails,
        images=images,
        stages=stages,
        has_cell=head.flag("cell"),
        notes=(*map(str, netlist.notices), *_notes(images)),
        digest=hashlib.sha256(text.encode()).hexdigest()[:16],
    )


def _text(data: bytes, file: str) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputTrouble(
            CODE, "the file is not UTF-8 text", where=f"{file}, line {line}", help="save it as UTF-8"
        ) from error


def _packaged(folder: str, file: str) -> bytes:
    try:
        return example_file(f"{folder}/{file}")
    except OSError as error:
        raise InputTrouble(CODE, "no such file in the example", where=clean(file), help="install anew") from error


def _file(entry: Table, key: str, read: Reader, most: int) -> tuple[str, bytes]:
    """Name and content of a file that `entry` names; what is wrong with it is told at that line too."""
    name = entry.plain(key)
    try:
        return name, read(name, most)
    except InputTrouble as trouble:
        trouble.note = f"named in {entry.file}, line {entry.line(key)}, {entry.path}.{key}"
        raise


def _netlist(head: Table, read: Reader) -> Netlist:
    name, data = _file(head, "netlist", read, MOST_BYTES)
    return parse_netlist(data, name)


def _classes(top: Table, circuit: Circuit) -> dict[str, PartClass]:
    packages = {}
    for entry in top.tables("package", 0):
        entry.only("name", "leads", "inspect_min", "reflow_min")
        if entry.plain("name") in packages:
            entry.wrong("name", entry.plain("name"), "each package once")
        packages[entry.plain("name")] = entry
        _look_costs(entry, PartClass("U0"))
    out: dict[str, PartClass] = {}
    for entry in top.tables("part", 0):
        entry.only("refs", "role", "package", "leads", "inspect_min", "reflow_min", "clock", "makes")
        refs = entry.texts("refs")
        if not refs:
            entry.wrong("refs", [], "at least one designator")
        for ref in refs:
            known(entry, "refs", ref, circuit.parts, "a part of the netlist")
            if ref in out:
                entry.wrong("refs", ref, "each part once")
            out[ref] = _class(entry, ref, packages, circuit)
    return out


def _class(entry: Table, ref: str, packages: Mapping[str, Table], circuit: Circuit) -> PartClass:
    guess = guessed_class(ref)
    role = entry.plain("role") if "role" in entry.data else guess.role
    if role not in ROLES:
        entry.wrong("role", role, f"one of {', '.join(sorted(ROLES))}")
    visible, inspect, reflow = guess.visible, guess.inspect_min, guess.reflow_min
    if "package" in entry.data:
        known(entry, "package", entry.plain("package"), packages, "the name of a [[package]]")
        visible, inspect, reflow = _look_costs(packages[entry.plain("package")], guess)
    visible, inspect, reflow = _look_costs(entry, PartClass(ref, role, visible, inspect, reflow))
    makes = entry.texts("makes", ())
    own = {pin.net for pin in circuit.parts[ref]}
    for net in makes:
        known(entry, "makes", net, own, f"a net that {ref} touches")
    supply = bool(makes) or role in ("regulator", "battery")
    clock = entry.flag("clock") if "clock" in entry.data else role == "clock"
    return PartClass(ref, role, visible, inspect, reflow, clock, supply, frozenset(makes))


def _look_costs(entry: Table, default: PartClass) -> tuple[bool, float, float]:
    leads = entry.plain("leads") if "leads" in entry.data else ("visible" if default.visible else "hidden")
    if leads not in ("visible", "hidden"):
        entry.wrong("leads", leads, "visible or hidden")
    return (
        leads == "visible",
        entry.number("inspect_min", 0, 60) if "inspect_min" in entry.data else default.inspect_min,
        entry.number("reflow_min", 0, 600) if "reflow_min" in entry.data else default.reflow_min,
    )


def _serial(top: Table) -> tuple[str, Port, Port]:
    table = top.table("serial")
    table.only("family", "baud", "frame", "reset_line", "strap_line", "application")
    family = table.plain("family")
    if family not in protocols.names():
        table.wrong("family", family, f"one of {', '.join(protocols.names())}")
    spoken = protocols.load(family)
    loader = _port(table, Port(spoken.baud, str(spoken.frame)))
    if loader.reset_line and loader.reset_line[-3:] == loader.strap_line[-3:]:
        table.wrong("strap_line", loader.strap_line, "the other control line: each can do one thing")
    if "application" not in table.data:
        return family, loader, Port(loader.baud, "8N1")
    inner = table.table("application")
    inner.only("baud", "frame")
    return family, loader, _port(inner, Port(loader.baud, "8N1"))


def _port(table: Table, default: Port) -> Port:
    frame = table.plain("frame") if "frame" in table.data else default.frame
    try:
        Frame.parse(frame)
    except ValueError:
        table.wrong("frame", frame, "a frame such as 8E1 or 8N1")
    lines = []
    for key in ("reset_line", "strap_line"):
        line = table.plain(key).lower() if key in table.data else ""
        if line and line.removeprefix("~") not in _LINES:
            table.wrong(key, line, "dtr or rts, with ~ in front where the line is inverted on the way")
        lines.append(line)
    return Port(table.integer("baud", 1, 20_000_000, default.baud), frame, *lines)


def _wire(entry: Table, circuit: Circuit) -> Wire:
    entry.only("adapter", "pin", "net")
    end = entry.plain("adapter")
    if end not in _ENDS:
        entry.wrong("adapter", end, f"one of {', '.join(_ENDS)}")
    ref = entry.plain("pin")
    pins = {pin.ref: pin for pin in circuit.pins}
    known(entry, "pin", ref, pins, "a pin of the netlist such as J2.1")
    net = entry.plain("net")
    if pins[ref].net != net:
        entry.wrong("net", net, f"{pins[ref].net!r}, which is the net of {ref}")
    return Wire(end, ref, net)


def _power(top: Table, circuit: Circuit) -> frozenset[str]:
    """Supply and ground nets: those whose names say so, and those that the file measures as a [[rail]]."""
    named = {entry.plain("net") for entry in top.tables("rail", 0)}
    return frozenset(net for net in circuit.nets if net in named or RAILS.fullmatch(net))


def _rail(entry: Table, board: Board) -> Rail:
    entry.only("net", "least", "most", "at", "source")
    net = entry.plain("net")
    known(entry, "net", net, board.circuit.nets, "a net of the netlist")
    if not board.is_supply_rail(net):
        entry.wrong("net", net, "a supply, not ground")
    at = entry.plain("at")
    known(entry, "at", at, {pin.ref for pin in board.circuit.nets[net]}, f"a pin on {net}")
    return Rail(net, read_limits(entry, "V"), at)


def _images(top: Table, circuit: Circuit, read: Reader) -> Iterable[ImageOf]:
    roles: list[str] = []
    for entry in top.tables("image", 0):
        entry.only("role", "file", "address", "format", "chip", "part")
        roles.append(entry.plain("role"))
        _unique(top, "image", roles)
        part = entry.plain("part")
        known(entry, "part", part, circuit.parts, "a part of the netlist")
        chip = _chip(entry)
        name, data = _file(entry, "file", read, MAX_FILE_BYTES)
        kind = entry.plain("format") if "format" in entry.data else None
        if kind is not None and kind not in FORMATS:
            entry.wrong("format", kind, f"one of {', '.join(FORMATS)}")
        address = entry.integer("address", 0, 0xFFFF_FFFF) if "address" in entry.data else None
        try:
            image = parse_image(data, name, address=address, format=kind)
        except UsageTrouble as trouble:
            entry.wrong("address", entry.data.get("address"), f"it so that {name} loads: {trouble.message}")
        except InputTrouble as trouble:
            trouble.note = f"named in {entry.file}, line {entry.line('file')}, {entry.path}.file"
            raise
        for finding in check_layout(image, chip):
            if finding.severity is Severity.STOPS:
                entry.wrong("file", name, f"an image that fits {chip.name}; this one has {finding.words}")
        yield ImageOf(roles[-1], image, chip, part)


def _chip(entry: Table) -> Chip:
    name = entry.plain("chip")
    try:
        return find_chip(name)
    except (UsageTrouble, InputTrouble) as trouble:
        entry.wrong("chip", name, f"the product id or name of a known chip: {trouble.message}")


def _notes(images: Mapping[str, ImageOf]) -> Iterable[str]:
    for one in images.values():
        for finding in check_layout(one.image, one.chip):
            if finding.severity is Severity.WARNS:
                yield f"image {one.role}: {finding.words}"


def _unique(top: Table, key: str, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for entry, name in zip(top.tables(key, 0), names, strict=False):
        if name in seen:
            entry.wrong("role" if key == "image" else "net", name, f"each [[{key}]] once")
        seen.add(name)
