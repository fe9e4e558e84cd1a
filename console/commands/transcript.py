"""`wakeline transcript FILE -o OUT`: a capture as a record that a reader who was not there can follow."""

from __future__ import annotations

import io
import json
import sys
from argparse import Namespace
from pathlib import Path
from typing import TextIO

from console.commands.output import write_file
from console.commands.replay import fold_file
from console.record.transcript import TranscriptRow, write_transcript
from console.snapshot import Fold
from console.summary import as_object


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    fold = fold_file(Path(options.file))
    if options.output == "-":
        text = io.StringIO()
        save(fold, text if options.json else sys.stdout)
        if options.json:
            print(json.dumps({"outcome": "ok", "file": None, "transcript": text.getvalue(), "error": None}))
        return 0
    out = Path(options.output)
    write_file(out, options.overwrite, lambda stream: save(fold, stream))
    words = {"outcome": "ok", "file": str(out), "error": None}
    print(json.dumps(words) if options.json else f"transcript written to {out}")
    return 0


def save(fold: Fold, stream: TextIO) -> None:
    """Write the transcript of everything `fold` took in."""
    rows = (TranscriptRow(row.t_ns, row.kind, row.data, row.text) for row in fold.trace.rows())
    write_transcript(stream, as_object(fold.snapshot()), rows, fold.trace.start_ns or 0)
