"""The form of a task on the chip: which file, where, how. What is typed is read by the command line's own rules."""

from __future__ import annotations

from argparse import ArgumentTypeError
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical, VerticalScroll
from textual.widgets import Input, OptionList, Static

from console.commands.options import values as options
from console.errors import WakelineError
from console.record.backup import beside
from console.screens.advice import here
from console.screens.chip_task import ChipTask
from console.screens.files import fresh_path
from console.screens.marked import Line, MarkedList, Tick
from console.screens.sized import SizedQuestion
from console.screens.text import line
from console.tasks.job import Job
from console.text import clean

_FIRMWARE: Final = frozenset(
    (".hex", ".ihx", ".ihex", ".s19", ".s28", ".s37", ".srec", ".mot", ".elf", ".axf", ".out", ".bin")
)
_MOST_FILES: Final = 50


@dataclass(frozen=True, slots=True)
class Field:
    """One line to type: the job's field, what advice calls it, words for it, and what reads it (raises
    ArgumentTypeError)."""

    name: str
    noun: str
    words: str
    read: Callable[[str], Any] = str


@dataclass(frozen=True, slots=True)
class Form:
    """What is asked for. `files` lists what can be chosen for the first field; `ticks` are switches, all off."""

    title: str
    fields: tuple[Field, ...]
    ticks: tuple[tuple[str, str], ...] = ()
    files: Callable[[], list[str]] | None = None
    may_lift: bool = False
    """Whether it may erase a protected chip, after the person was asked for its id."""


def firmware_here() -> list[str]:
    """Names of firmware files in the working folder, newest first; names that are no plain text are left out."""
    return _newest(lambda path: path.suffix.lower() in _FIRMWARE and not beside(path).exists())


def backups_here() -> list[str]:
    """Names of backups in the working folder: bytes with their description beside them."""
    return _newest(lambda path: beside(path).exists())


def _newest(fits: Callable[[Path], bool]) -> list[str]:
    try:
        found = [path for path in Path.cwd().iterdir() if path.is_file() and fits(path)]
        found.sort(key=lambda path: (-path.stat().st_mtime, path.name))
    except OSError:
        return []
    return [path.name for path in found if clean(path.name) == path.name][:_MOST_FILES]


_IMAGE: Final = Field("image", "the file", "file: Intel HEX, S-records, ELF, raw")
_ADDRESS: Final = Field("address", "the address", "only for raw data: its address, 0x0800_0000", options.address)
_SUPPLY: Final = Field(
    "supply_volts", "the supply", "F2, F4, F7 only: supply measured at the chip, as 3.3: faster", options.volts
)
RESUME: Final = ("resume", "a run was cut off: go on from there")
FORMS: Final[Mapping[str, Form]] = MappingProxyType(
    {
        "program": Form(
            "write a firmware file, read back every byte",
            (_IMAGE, _ADDRESS, _SUPPLY),
            (
                ("changed_only", "read first; write only what is not there yet"),
                ("keep_neighbours", "keep what else is on the pages"),
                ("erase_all", "erase everything first"),
                RESUME,
            ),
            firmware_here,
            may_lift=True,
        ),
        "update": Form(
            "save what is there, then write only what differs",
            (
                _IMAGE,
                _ADDRESS,
                Field("version_at", "the version's place", "version text at ADDRESS:LENGTH, if known", options.place),
                Field("version_pattern", "the version's look", r"or how it looks, as v[0-9.]+", options.pattern),
                _SUPPLY,
            ),
            (("write_anyway", "write also what the chip holds already"), RESUME),
            firmware_here,
        ),
        "compare": Form("does the chip hold this file? changes nothing", (_IMAGE, _ADDRESS), (RESUME,), firmware_here),
        "read": Form(
            "memory into a file; changes nothing",
            (
                Field("output", "the file", "file to write"),
                Field("address", "the address", "from here (start of flash where empty)", options.address),
                Field("length", "the length", "so many bytes (to its end where empty)", options.address),
            ),
            (("overwrite", "write over that file if it is there"), RESUME),
        ),
        "erase": Form(
            "pages or everything",
            (Field("pages", "the page numbers", "page numbers: 0-3,7", options.pages), _SUPPLY),
            (("everything", "everything on the chip"), RESUME),
            may_lift=True,
        ),
        "restore": Form(
            "put back what update saved",
            (Field("backup", "the backup", "backup file, its .toml beside it"), _SUPPLY),
            (("other_board", "it is from another board of the same kind"), RESUME),
            backups_here,
            may_lift=True,
        ),
    }
)


class JobScreen(SizedQuestion[ChipTask | None]):
    """Asks for what a task needs; a wrong answer is told here and costs nothing."""

    HELP: ClassVar[str] = (
        "Choose a file from the list with arrows and Enter, or type its path. Tab moves on, Space sets a tick, Enter "
        "in a line goes on: the chip is woken and the plan is shown, and nothing is changed before you agree. Escape "
        "goes back."
    )
    BINDINGS: ClassVar = [Binding("escape", "no", "back")]

    def __init__(self, name: str, port: str, listen_s: float) -> None:
        """`name`: one of FORMS; `port` names the file that memory is read into."""
        super().__init__()
        self._wanted = name
        self._form = FORMS[name]
        self._port = port
        self._listen_s = listen_s
        self._files = self._form.files() if self._form.files is not None else []

    def compose(self) -> ComposeResult:
        """Title, files, lines, ticks, keys."""
        form = self._form
        with Vertical(id="job"):
            yield Static(line((f"{self._wanted}: {form.title}", "bold")), markup=False)
            with VerticalScroll(id="form", can_focus=False):
                if self._files:
                    yield MarkedList(*self._files, id="files", markup=False)
                elif form.files is not None:
                    yield Static(line(("  no such file in this folder: type a path", "$secondary")), markup=False)
                for field in form.fields:
                    box = Line(field.words, self._first(field), field.name)
                    yield box.label
                    yield box
                for name, words in form.ticks:
                    yield Tick(words, id=name)
            yield Static("", id="wrong", markup=False)
            keys = line(("Enter", "bold"), " go on    ", ("Tab", "bold"), " next    ", ("Space", "bold"), " tick    ")
            yield Static(keys + line(("Esc", "bold"), " back"), markup=False)

    def on_mount(self) -> None:
        """The list takes the keys, or the first line."""
        (self.query_one(OptionList) if self._files else self.query(Input).first()).focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """A file was chosen; the line shows it."""
        box = self.query(Input).first()
        box.value = self._files[event.option_index]
        box.cursor_position = len(box.value)
        box.focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Go on, or say what is wrong."""
        try:
            task = self._read()
        except WakelineError as error:
            self._wrong(f"{error.message}; next: {here(error.help)}")
        except ArgumentTypeError as error:
            self._wrong(clean(str(error)))
        else:
            self.dismiss(task)

    def action_no(self) -> None:
        """Nothing."""
        self.dismiss(None)

    def _first(self, field: Field) -> str:
        if field.name == "output":
            return fresh_path("memory", self._port, ".bin").name
        return self._files[0] if self._files and field is self._form.fields[0] else ""

    def _read(self) -> ChipTask:
        wishes: dict[str, Any] = {"lift_protection": True if self._form.may_lift else None}
        for field in self._form.fields:
            box = self.query_one(f"#{field.name}", Input)
            if text := box.value.strip():
                box.focus()  # stays there if it cannot be read
                wishes[field.name] = field.read(text)
        for name, _ in self._form.ticks:
            wishes[name] = self.query_one(f"#{name}", Tick).value
        return ChipTask(self._wanted, Job(**wishes, listen=self._listen_s))

    def _wrong(self, words: str) -> None:
        self.query_one("#wrong", Static).update(line((f"✗ {words}", "$text-error")))
