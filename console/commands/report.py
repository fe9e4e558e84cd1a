"""`wakeline report FILE... -o OUT.html`: captures as one page that a reader who was not there can follow and print."""

from __future__ import annotations

import io
import json
import sys
from argparse import Namespace
from pathlib import Path
from typing import TextIO

from console.commands.output import write_file
from console.errors import InputTrouble, Outcome
from console.inputs import sha256_of
from console.record.pcapng import CaptureFile
from console.report.compose import batch_report, session_report
from console.report.html import page
from console.report.model import Report
from console.report.reading import CaptureInfo, SessionReader, SessionRecord
from console.report.text import lines
from console.text import clean


def run(options: Namespace) -> int:
    """Run the command; returns the exit code: 7 when a file of a batch could not be read, else 0."""
    report, unread = _report(options)
    for name, why in unread:
        print(f"note: {clean(name)} is not read: {clean(why)}", file=sys.stderr)

    def save(stream: TextIO) -> None:
        if options.text:
            stream.writelines(f"{line}\n" for line in lines(report))
        else:
            stream.write(page(report))

    outcome = Outcome.INPUT if unread else Outcome.OK
    words = {"outcome": outcome.value, "file": None, "not_read": [name for name, _ in unread], "error": None}
    if options.output == "-":
        text = io.StringIO()
        save(text if options.json else sys.stdout)
        if options.json:
            print(json.dumps(words | {"report": text.getvalue()}))
        return outcome.exit_code
    out = Path(options.output)
    write_file(out, options.overwrite, save)
    print(json.dumps(words | {"file": str(out)}) if options.json else f"report written to {clean(str(out))}")
    return outcome.exit_code


def _report(options: Namespace) -> tuple[Report, list[tuple[str, str]]]:
    title, photos = options.title or "", [Path(photo).name for photo in options.photo or ()]
    if len(options.file) == 1:
        record = read(Path(options.file[0]))
        return session_report(record, title=title, photos=photos), []
    records: list[SessionRecord] = []
    unread: list[tuple[str, str]] = []
    for file in options.file:
        try:
            records.append(read(Path(file)))
        except InputTrouble as trouble:
            unread.append((Path(file).name, trouble.message))
            worst = trouble
    if not records:
        raise worst
    return batch_report(records, unread, title=title, photos=photos), unread


def read(path: Path) -> SessionRecord:
    """One capture as its report needs it. Raises InputTrouble."""
    capture = CaptureFile(path)
    reader = SessionReader()
    for event in capture.events():
        reader.add(event)
    try:
        digest = sha256_of(path)
    except OSError as error:
        message = f"the file cannot be read: {error.strerror or error}"
        raise InputTrouble("capture-unreadable", message, where=str(path), help="copy it to a local disk") from error
    return reader.record(CaptureInfo(path.name, digest, capture.warnings))
