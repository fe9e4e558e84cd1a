"""A report put together from session records: which sections, in which order, in which words. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from console import __version__
from console.bringup.fold import BringupState
from console.causes.rank import NextCheck
from console.errors import Outcome
from console.report.batch import fixed, name_of, overview
from console.report.model import Block, Column, Facts, Paragraph, Part, Point, Points, Report, Section, Table, timeline
from console.report.plan import plan_sections
from console.report.reading import SessionRecord
from console.session.exchange import TraceRow
from console.snapshot import Snapshot
from console.summary import clash_text, cost_text, loader_text, product_text
from console.text import column, hex_bytes
from console.words import count_of, moment, outcome_words, percent, reason, setting

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_KIND_WORDS: Final = {"out": "sent ▶", "in": "◀ received", "line": "! line", "mark": "# mark"}
_STATE_WORDS: Final = {"proven": "✓ proven", "suspect": "? suspect", "unknown": "· unknown"}
_SILENT: Final = frozenset({Outcome.NO_ANSWER, Outcome.REFUSED})
_ORDERS_ONLY: Final = (
    "The percentages put the suspects in order. They come from reasoned weights in the tool's catalogue, not from "
    "measured failure rates; two causes can be there together, so they need not add up to 100 %."
)


def session_report(record: SessionRecord, *, title: str = "", photos: Sequence[str] = ()) -> Report:
    """The report of one session. A board's plan comes first, because the rest happened within it."""
    plan = record.snapshot.bringup
    part = Part(
        record.capture.name,
        (
            *(() if plan is None else plan_sections(plan)),
            *_told(record),
            *_trace(record),
            *_photos(photos),
            _record(record),
            _limits(record.snapshot),
        ),
    )
    lead = (verdict(record), _facts(record))
    return Report(title or f"Bring-up report: {record.capture.name}", lead, (part,), _foot())


def batch_report(
    records: Sequence[SessionRecord],
    unread: Sequence[tuple[str, str]] = (),
    *,
    title: str = "",
    photos: Sequence[str] = (),
) -> Report:
    """The report of several captures. `unread` are names of files with the reason why they could not be read."""
    limits = _limits(*(record.snapshot for record in records))
    first = Part("The batch", (*overview(records, unread), *_photos(photos), limits))
    parts = [Part(f"{number}. {name_of(record)}", _short(record)) for number, record in enumerate(records, 1)]
    name = title or f"Bring-up report: {count_of(len(records) + len(unread), 'capture')}"
    return Report(name, (), (first, *parts), _foot())


def _short(record: SessionRecord) -> tuple[Section, ...]:
    """A board's story on a page of a batch: of one with a plan its stages, stops and repairs, else the session's."""
    plan, result = record.snapshot.bringup, Section("Result", (verdict(record), _facts(record)))
    if plan is None:
        return (result, *_told(record), _record(record))
    silent = any(run.outcome in _SILENT for run in plan.history.ran)
    rest = [_story(record), *_causes(record.snapshot), *_next(record.snapshot)] if silent else []
    return (result, *plan_sections(plan, short=True), *rest, *_readings(record), _record(record))


def verdict(record: SessionRecord) -> Paragraph:
    """How the session ended, in one sentence or two."""
    snapshot = record.snapshot
    if snapshot.bringup is not None:
        return _of_plan(snapshot.bringup, record)
    if snapshot.outcome is Outcome.OK:
        tries = f" at attempt {snapshot.attempt}" if snapshot.attempt > 1 else ""
        named = snapshot.identity is not None and snapshot.identity.product_id is not None
        what = f": product id {product_text(snapshot.identity)}" if named and snapshot.identity else ""
        cause = f". What it was: {_likeliest(snapshot)}" if snapshot.causes else ""
        return Paragraph(f"✓ The board answered{tries}{what}{cause}.", "good")
    why = f": {snapshot.problem.message}" if snapshot.problem else ""
    cause = f". Most likely: {_likeliest(snapshot)}" if snapshot.causes else ""
    return Paragraph(f"{outcome_words(snapshot.outcome)}{why}{cause}.", "bad")


def _of_plan(plan: BringupState, record: SessionRecord) -> Paragraph:
    snapshot, found = record.snapshot, fixed(record)
    number = f", number {plan.serial}" if plan.serial else ""
    name = f"{plan.board}, revision {plan.revision}{number}"
    mended = f" {'What was put right' if plan.repairs else 'What it was'}: {found}." if found else ""
    if snapshot.outcome is Outcome.OK:
        return Paragraph(f"✓ {name}: every stage of the plan passed.{mended}", "good")
    why = f": {snapshot.problem.message}" if snapshot.problem else ""
    left = next((one for one in plan.suspects if not one.cleared), None)
    first = "" if left is None else f" To look at first: {left.title} ({percent(left.probability)})."
    return Paragraph(f"{outcome_words(snapshot.outcome)}: {name}{why}.{mended}{first}", "bad")


def started(record: SessionRecord) -> str:
    """When the session began, to the second, in UTC."""
    if record.started_ns is None:
        return "the capture holds no event"
    return (_EPOCH + timedelta(microseconds=record.started_ns // 1000)).strftime("%Y-%m-%d %H:%M:%S UTC")


def _likeliest(snapshot: Snapshot) -> str:
    first = snapshot.causes[0]
    return f"{first.title} ({percent(first.probability)})"


def _facts(record: SessionRecord) -> Facts:
    snapshot = record.snapshot
    settings = dict(snapshot.settings)
    line = f"{snapshot.port or 'not said'}, {settings.get('baud', '?')} baud, {settings.get('frame', '?')}"
    rows = [("begun", started(record)), ("port", line), ("attempts", str(snapshot.attempt))]
    if snapshot.simulated is not None:
        rows.append(("board", "simulated" if snapshot.simulated else "real"))
    if snapshot.identity is not None:
        rows.append(("target", f"product id {product_text(snapshot.identity)}"))
        if snapshot.identity.loader_version:
            rows.append(("boot loader", loader_text(snapshot.identity)))
        if snapshot.unique_id:
            rows.append(("unique id", snapshot.unique_id))
        if snapshot.identity.readout_protected:
            rows.append(("protection", "readout protection is set: removing it erases the chip"))
    if snapshot.next_check is not None and snapshot.outcome is not Outcome.OK:
        rows.append(("next step", snapshot.next_check.title))
    return Facts(tuple(rows))


def _told(record: SessionRecord) -> list[Section]:
    """What both kinds of report tell of a session."""
    snapshot = record.snapshot
    out = [_story(record)]
    if snapshot.stages:
        drawn = timeline(snapshot.stages)
        note = "Every bar begins where its stage began and is as long as it took, attempt by attempt."
        if drawn.left_out:
            note += f" {count_of(drawn.left_out, 'attempt')} in the middle of the session are not drawn."
        out.append(Section("Where the time went", (Paragraph(note), drawn)))
    return [*out, _wires(snapshot), *_causes(snapshot), *_readings(record), *_next(snapshot)]


def _story(record: SessionRecord) -> Section:
    heard = f"{count_of(record.bytes_out, 'byte')} sent, {record.bytes_in} received in all."
    if not record.story:
        words = "The capture holds no marks of attempts, stages or the operator: only bytes and line events. "
        return Section("What happened", (Paragraph(words + heard),))
    return Section("What happened", (Points(record.story, ordered=True), Paragraph(heard)))


def _wires(snapshot: Snapshot) -> Section:
    columns = (Column("adapter", "word"), Column("board", "word"), Column("state", "word"), Column("evidence"))
    rows = tuple((w.adapter_end, w.board_end, _STATE_WORDS[w.state], w.why) for w in snapshot.wires)
    swapped = "As last tried, TX and RX were swapped by the operator." if snapshot.wires_swapped else ""
    caption = "What the evidence says about each wire between adapter and board"
    blocks: tuple[Block, ...] = (Table(caption, columns, rows),)
    return Section("Wires", (Paragraph(swapped), *blocks) if swapped else blocks)


def _causes(snapshot: Snapshot) -> list[Section]:
    out = []
    if snapshot.observations:
        seen = (f"{one.text} ({one.count} times)" if one.count > 1 else one.text for one in snapshot.observations)
        out.append(Section("What the last attempt showed", (Points(tuple(map(Point, seen))),)))
    if snapshot.causes:
        points = tuple(
            Point(f"{cause.title} [{cause.id}]", percent(cause.probability), tuple(map(reason, cause.why)))
            for cause in snapshot.causes
        )
        name = "What it was" if snapshot.outcome is Outcome.OK else "Likely causes"
        out.append(Section(name, (Points(points, ordered=True), Paragraph(_ORDERS_ONLY))))
    if snapshot.contradictions:
        clashes = tuple(Point(clash_text(clash)) for clash in snapshot.contradictions)
        intro = Paragraph("These answers hardly go together under any known cause:")
        out.append(Section("Contradictions", (intro, Points(clashes))))
    return out


def _readings(record: SessionRecord) -> list[Section]:
    if not record.readings:
        return []
    columns = (
        *(Column("time", "number"), Column("step"), Column("what was looked at")),
        *(Column("reading", "number"), Column("outcome"), Column("fate")),
    )
    rows = tuple((moment(r.at_s), r.step, r.title, r.value or "-", r.outcome or "-", r.fate) for r in record.readings)
    caption = "What the operator found, as typed; times since the beginning of the session"
    return [Section("Readings", (Table(caption, columns, rows),))]


def _next(snapshot: Snapshot) -> list[Section]:
    if snapshot.next_check is not None:
        return [_check(snapshot.next_check)]
    return [Section("Next step", (Paragraph(snapshot.problem.help),))] if snapshot.problem is not None else []


def _check(check: NextCheck) -> Section:
    blocks: list[Block] = [Paragraph(f"{check.id}: {check.title} ({cost_text(check)}).")]
    if check.caution:
        blocks.append(Paragraph(f"Caution: {check.caution}", "caution"))
    if check.why:
        blocks.append(Paragraph(f"Why: {check.why}."))
    if check.answers:
        rows = tuple(check.answers)
        blocks.append(Table("What each outcome would mean", (Column("outcome", "word"), Column("meaning")), rows))
    return Section(f"Next {'repair' if check.repair else 'check'}", tuple(blocks))


def _trace(record: SessionRecord) -> list[Section]:
    found = record.excerpt
    if not found.runs:
        return []
    columns = (
        *(Column("s", "number"), Column("way", "word"), Column("bytes", "code"), Column("text", "code")),
        Column("meaning"),
    )
    rows: list[tuple[str, ...]] = []
    for run in found.runs:
        if run.left_out:
            rows.append(_gap(run.left_out))
        rows += [_row(row, record.started_ns or 0) for row in run.rows]
    if found.after:
        rows.append(_gap(found.after))
    shown = sum(len(run.rows) for run in found.runs)
    caption = (
        f"{shown} of {count_of(found.total, 'row')}: what came first, what surrounds a failure, the last exchange. "
        "Times in seconds since the beginning; unprintable bytes are shown as a middle dot"
    )
    return [Section("From the trace", (Table(caption, columns, tuple(rows)),))]


def _row(row: TraceRow, start_ns: int) -> tuple[str, ...]:
    meaning = f"{row.command}: {row.text}" if row.command and row.command not in row.text else row.text
    time = f"{(row.t_ns - start_ns) / 1e9:.6f}"
    return (time, _KIND_WORDS[row.kind], hex_bytes(row.data), column(row.data), meaning)


def _gap(count: int) -> tuple[str, ...]:
    return ("…", "", "", "", f"{count_of(count, 'row')} left out")


def _photos(photos: Sequence[str]) -> list[Section]:
    if not photos:
        return []
    note = Paragraph("Names only: the pictures are not part of this page.")
    return [Section("Photos", (Points(tuple(map(Point, photos))), note))]


def _record(record: SessionRecord) -> Section:
    told = "; ".join(f"{name.replace('_', ' ')} {setting(value)}" for name, value in record.snapshot.settings)
    rows = (("capture", record.capture.name), ("SHA-256", record.capture.sha256), ("settings", told or "not said"))
    blocks: list[Block] = [Facts(rows)]
    remarks = tuple(dict.fromkeys((*record.capture.warnings, *record.snapshot.notes)))
    if remarks:
        blocks.append(Points(tuple(map(Point, remarks))))
    return Section("Record and settings", tuple(blocks))


def _limits(*snapshots: Snapshot) -> Section:
    who: dict[frozenset[bool | None], str] = {
        frozenset({True}): "wakeline's simulated bench was at the port, no real board: nothing was measured on one.",
        frozenset({False}): "A real board was at the port.",
    }
    points = [
        who.get(
            frozenset(snapshot.simulated for snapshot in snapshots),
            "Not every record says whether a real board or wakeline's simulated bench was at the port: whoever made it "
            "knows.",
        ),
        "Measured by the computer that recorded: when bytes were handed to and taken from the port. Its own delays and "
        "the adapter's are in these times.",
        "Computed, not measured: the time of characters on the line (from rate and frame), and from it the shares of "
        "chip and waiting.",
        "Not measured: levels, edges, noise, currents. Readings are what the operator typed.",
        "A stage that passed and a wire called proven were so at that moment; a joint can come and go.",
        "General information, not a safety standard: local rules, the makers' instructions and qualified people come "
        "first.",
    ]
    if any(dict(snapshot.settings).get("line_errors") == "not available" for snapshot in snapshots):
        points.insert(4, "The port could not report framing or parity errors: that none are listed proves nothing.")
    return Section("How far this goes", (Points(tuple(map(Point, points))),))


def _foot() -> str:
    return (
        f"Made by wakeline {__version__} from the captures named above; their SHA-256 tells whether a file is the same."
    )
