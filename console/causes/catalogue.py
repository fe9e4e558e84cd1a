"""The table of causes and checks, loaded from `catalogue.toml` and checked before anything relies on it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources
from typing import Final

from console.causes.evidence import EXTRA_CODES, LETTER_CODES, READABLE_TEXT, SETUP_NAMES, TABLE_CODES
from console.causes.reading import Band, Scale
from console.tomlfile import Table, parse_toml

FILE: Final = "catalogue.toml"
OTHER: Final = "something-else"
OTHER_TITLE: Final = "none of the known causes"
WORKS: Final = "works"
FAILS: Final = "still-fails"
# the chance that a board answers after work that had nothing to do with its fault: common practice, no source
LUCK: Final = 0.005


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that can be wrong. `likelihood` maps observation codes to P(code | cause)."""

    id: str
    number: str
    title: str
    prior: float
    likelihood: Mapping[str, float]
    reason: str
    provenance: str


@dataclass(frozen=True, slots=True)
class Check:
    """One thing a person can do: a reading, a trial, or a repair.

    `outcomes` maps an outcome to P(outcome | cause) by cause id, "default" for the rest; they stand in the order in
    which they hide each other where two causes are present, the one that hides all others last. `minutes` on one
    board; `risk` 0 none, 1 a slip of a probe, 2 can damage the board, 3 can hurt. `cures` is the chance per cause that
    doing it removes the cause; then the last outcome says that it was in vain, and all others that the board answers.
    `shows` pairs an outcome with the observation codes it repeats: seen both ways it counts once. `explains` pairs one
    with the codes that it makes plain: once it is known, they say nothing more.
    `reverts`: what was tried is put back when it did not help. `changes` names the parts of the configuration it
    changes, in the order of the outcomes that say which helped. `needs` names what must be at hand, `after` the checks
    that must have an answer before, `never_after` pairs of check and outcome that forbid it,
    `only_after` pairs of which one must have been found. `scale` judges a measured value, where one value decides.
    `stimulus` is the byte that the console sends without a pause while the person measures.
    """

    id: str
    title: str
    minutes: float
    risk: int
    caution_id: str
    caution: str | None
    why: str
    confirms: tuple[str, ...]
    rules_out: tuple[str, ...]
    implied_by: frozenset[str]
    after: tuple[str, ...]
    needs: tuple[str, ...]
    same_question: str
    action: str | None
    outcomes: Mapping[str, Mapping[str, float]]
    cures: Mapping[str, float] = field(default_factory=dict)
    reverts: bool = False
    changes: tuple[str, ...] = ()
    scale: Scale | None = None
    never_after: frozenset[tuple[str, str]] = frozenset()
    only_after: frozenset[tuple[str, str]] = frozenset()
    stimulus: int | None = None
    shows: Mapping[str, frozenset[str]] = field(default_factory=dict)
    explains: Mapping[str, frozenset[str]] = field(default_factory=dict)

    @property
    def in_vain(self) -> str | None:
        """The outcome of a trial or repair that did not help; None where nothing is tried that could cure."""
        return list(self.outcomes)[-1] if self.cures else None


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All causes, checks and repairs by id, in the file's order.

    `fault_rate` is the chance that a board has a fault at all, from which pairs get their prior. `dominance`
    orders the table's codes, the one that hides all others last. `differs` is P(identical attempts differ) by cause.
    `give_up_minutes` is what handing the board on costs; `at_hand` is what every bench is taken to have,
    `extras` what else a step may need, with words for it.
    """

    causes: Mapping[str, Cause]
    checks: Mapping[str, Check]
    other_prior: float
    other_answer: float
    repairs: Mapping[str, Check] = field(default_factory=dict)
    fault_rate: float = 0.2
    dominance: tuple[str, ...] = TABLE_CODES[::-1]
    differs: Mapping[str, float] = field(default_factory=lambda: {"default": 0.02})
    give_up_minutes: float = 480.0
    at_hand: frozenset[str] = frozenset()
    extras: Mapping[str, str] = field(default_factory=dict)

    def title(self, cause_id: str) -> str:
        """The words for a cause."""
        return OTHER_TITLE if cause_id == OTHER else self.causes[cause_id].title

    def step(self, step_id: str) -> Check | None:
        """The check or repair with this id."""
        return self.checks.get(step_id) or self.repairs.get(step_id)

    def priors(self, something_else: bool = True) -> dict[str, float]:
        """Prior weights; "something else" only where asked for."""
        out = {cause.id: cause.prior for cause in self.causes.values()}
        return out | {OTHER: self.other_prior} if something_else else out

    def likelihood(self, code: str) -> dict[str, float]:
        """P(code | cause) for every cause and "something else". Raises KeyError for an unknown code."""
        flat = 1 / len(LETTER_CODES) if code in TABLE_CODES else self.other_answer
        if code in ("garbage", READABLE_TEXT):
            flat /= 2  # nobody knows what the unknown cause's garbage looks like
        return {cause.id: cause.likelihood[code] for cause in self.causes.values()} | {OTHER: flat}

    def unsteady(self) -> dict[str, float]:
        """P(identical attempts give different results | cause)."""
        default = self.differs["default"]
        return {cause: self.differs.get(cause, default) for cause in self.causes} | {OTHER: 0.5}

    def outcome(self, step_id: str, outcome: str) -> dict[str, float] | None:
        """P(outcome | cause) of a check or repair, or None where the catalogue gives no numbers for it.

        "Something else" gives every outcome of a reading the same chance; a trial can not cure what nobody thought of.
        """
        step = self.step(step_id)
        table = step.outcomes.get(outcome) if step else None
        if table is None or step is None:
            return None
        flat = table["default"] if step.cures else 1 / len(step.outcomes)
        return {cause: table.get(cause, table["default"]) for cause in self.causes} | {OTHER: flat}


@cache
def catalogue() -> Catalogue:
    """The packaged catalogue, loaded once. Raises InputTrouble."""
    return parse(resources.files("console.causes").joinpath(FILE).read_text(encoding="utf-8"))


def parse(text: str, file: str = FILE) -> Catalogue:
    """A catalogue from TOML text. Raises InputTrouble that names file, key, what was found and what would be right."""
    top = parse_toml(text, file, "catalogue")
    if top.texts("columns") != LETTER_CODES:
        top.wrong("columns", top.data.get("columns"), f"exactly {list(LETTER_CODES)}")
    if top.texts("answer_columns") != EXTRA_CODES:
        top.wrong("answer_columns", top.data.get("answer_columns"), f"exactly {list(EXTRA_CODES)}")
    if sorted(top.texts("dominance")) != sorted(TABLE_CODES):
        top.wrong("dominance", top.data.get("dominance"), f"each of {list(TABLE_CODES)} once")
    raw_weights = top.table("weights")
    weights = {letter: raw_weights.number(letter, 0, 1) for letter in raw_weights.data}
    causes: dict[str, Cause] = {}
    text_share = _text_share(top)
    for entry in top.tables("cause"):
        cause = _cause(entry, weights, text_share)
        if cause.id in causes:
            entry.wrong("id", cause.id, "an id that is used once")
        causes[cause.id] = cause
    top.chances("readable", causes)
    checks = _steps(top.tables("check"), causes, _check)
    repairs = _steps(top.tables("repair"), causes, _repair)
    for kind, steps in (("check", checks), ("repair", repairs)):
        for entry in top.tables(kind):
            for earlier in steps[entry.text("id")].after:
                if earlier not in checks:
                    entry.wrong("after", earlier, "the id of a check")
            for key in ("never_after", "only_after"):
                for told in entry.texts(key, ()):
                    earlier, outcome = _pair(told)
                    if earlier not in checks or outcome not in checks[earlier].outcomes:
                        entry.wrong(key, told, "the id of a check, a colon, one of its outcomes")
    extras = {name: top.table("extras").text(name) for name in top.table("extras").data}
    for kind in ("check", "repair"):
        for entry in top.tables(kind):
            for need in entry.texts("needs", ()):
                if need not in (*extras, *top.texts("at_hand")):
                    entry.wrong("needs", need, f"something from at_hand or extras: {', '.join(extras)}")
    if not checks.keys().isdisjoint(repairs):
        top.wrong("repair", sorted(checks.keys() & repairs), "ids that no check has")
    letter = top.text("other_answer_letter")
    if letter not in weights:
        top.wrong("other_answer_letter", letter, f"one of {sorted(weights)}")
    fault_rate = top.number("fault_rate", 0, 1)
    if not fault_rate < 1:
        top.wrong("fault_rate", fault_rate, "a number above 0 and below 1")
    return Catalogue(
        causes,
        checks,
        top.number("other_prior", 0, 1),
        weights[letter],
        repairs,
        fault_rate,
        top.texts("dominance"),
        top.chances("differs", causes),
        top.number("give_up_minutes", 0, 100_000),
        frozenset(top.texts("at_hand")),
        extras,
    )


def _steps(
    entries: list[Table], causes: Mapping[str, Cause], make: Callable[[Table, Mapping[str, Cause]], Check]
) -> dict[str, Check]:
    out: dict[str, Check] = {}
    for entry in entries:
        step = make(entry, causes)
        if step.id in out:
            entry.wrong("id", step.id, "an id that is used once")
        out[step.id] = step
    return out


def _text_share(top: Table) -> Mapping[str, float]:
    """Which share of a cause's garbage reads as text, by cause id; checked once the causes are known."""
    table = top.table("readable")
    return {name: table.number(name, 0, 1) for name in table.data} | {"default": table.number("default", 0, 1)}


def _cause(entry: Table, weights: Mapping[str, float], text_share: Mapping[str, float]) -> Cause:
    row = _letters(entry, "row", len(LETTER_CODES), weights)
    answers = _letters(entry, "answers", len(EXTRA_CODES), weights)
    total = sum(row)
    likelihood = dict(zip(LETTER_CODES, (weight / total for weight in row), strict=True))
    text = likelihood["garbage"] * text_share.get(entry.text("id"), text_share["default"])
    likelihood |= {"garbage": likelihood["garbage"] - text, READABLE_TEXT: text}
    return Cause(
        id=entry.text("id"),
        number=entry.text("number"),
        title=entry.text("title"),
        prior=entry.number("prior", 0, 1),
        likelihood=likelihood | dict(zip(EXTRA_CODES, answers, strict=True)),
        reason=entry.text("reason"),
        provenance=entry.text("provenance"),
    )


def _check(entry: Table, causes: Mapping[str, Cause]) -> Check:
    for key in ("confirms", "rules_out"):
        for cause in entry.texts(key):
            if cause not in causes:
                entry.wrong(key, cause, "the id of a cause")
    for code in entry.texts("implied_by"):
        if code not in TABLE_CODES + EXTRA_CODES:
            entry.wrong("implied_by", code, "an observation code")
    named = entry.table("outcomes")
    if len(named.data) < 2:
        entry.wrong("outcomes", sorted(named.data), "at least two outcomes")
    outcomes = {name: named.chances(name, causes) for name in named.data}
    for cause in ("default", *causes):
        total = sum(table.get(cause, table["default"]) for table in outcomes.values())
        if abs(total - 1) > 0.005:
            entry.wrong("outcomes", f"{total:g} as the sum for {cause}", "chances that sum to 1 over the outcomes")
    cures = _cures(entry, causes) if "cures" in entry.data else {}
    return _step(entry, outcomes, cures)


def _repair(entry: Table, causes: Mapping[str, Cause]) -> Check:
    cures = _cures(entry, causes)
    works = {"default": LUCK} | cures
    return _step(entry, {WORKS: works, FAILS: {cause: 1 - chance for cause, chance in works.items()}}, cures)


def _cures(entry: Table, causes: Mapping[str, Cause]) -> dict[str, float]:
    table = entry.table("cures")
    for cause in table.data:
        if cause not in causes:
            table.wrong(cause, cause, "the id of a cause")
        if table.number(cause, 0, 1) == 1:
            table.wrong(cause, 1, "a number below 1: no repair is sure")
    if not table.data:
        entry.wrong("cures", {}, "at least one cause")
    return {cause: table.number(cause, 0, 1) for cause in table.data}


def _step(entry: Table, outcomes: Mapping[str, Mapping[str, float]], cures: Mapping[str, float]) -> Check:
    for name in entry.texts("changes", ()):
        if name not in SETUP_NAMES:
            entry.wrong("changes", name, f"one of {list(SETUP_NAMES)}")
    risk = entry.data.get("risk")
    if type(risk) is not int or not 0 <= risk <= 3:
        entry.wrong("risk", risk, "a whole number from 0 to 3")
    return Check(
        id=entry.text("id"),
        title=entry.text("title"),
        minutes=entry.number("minutes", 0, 600),
        risk=risk,
        caution_id=entry.text("caution_id") if "caution_id" in entry.data else "",
        caution=entry.text("caution") if "caution" in entry.data else None,
        why=entry.text("why"),
        confirms=entry.texts("confirms", tuple(cures)),
        rules_out=entry.texts("rules_out", ()),
        implied_by=frozenset(entry.texts("implied_by", ())),
        after=entry.texts("after", ()),
        needs=entry.texts("needs", ()),
        same_question=entry.text("same_question") if "same_question" in entry.data else "",
        action=entry.text("action") if "action" in entry.data else None,
        outcomes=outcomes,
        cures=cures,
        reverts=entry.flag("reverts"),
        changes=entry.texts("changes", ()),
        never_after=frozenset(_pair(text) for text in entry.texts("never_after", ())),
        only_after=frozenset(_pair(text) for text in entry.texts("only_after", ())),
        stimulus=_byte(entry, "stimulus") if "stimulus" in entry.data else None,
        scale=_scale(entry.table("reading"), outcomes) if "reading" in entry.data else None,
        shows=_codes(entry, "shows", outcomes),
        explains=_codes(entry, "explains", outcomes),
    )


def _byte(entry: Table, key: str) -> int:
    text = entry.text(key)
    if len(text) != 2 or not all(digit in "0123456789ABCDEF" for digit in text):
        entry.wrong(key, text, "a byte as two hex digits")
    return int(text, 16)


def _pair(text: str) -> tuple[str, str]:
    check, _, outcome = text.partition(":")
    return check.strip(), outcome.strip()


def _scale(entry: Table, outcomes: Mapping[str, object]) -> Scale:
    unit = entry.text("unit")
    if unit not in ("V", "A", "ohm"):
        entry.wrong("unit", unit, '"V", "A" or "ohm"')
    least = entry.number("least", -1e6, 1e6)
    most = math.inf if unit == "ohm" else entry.number("most", least, 1e6)
    return Scale(entry.text("quantity"), unit, least, most, tuple(_bands(entry, outcomes, least)), entry.text("source"))


def _bands(entry: Table, outcomes: Mapping[str, object], least: float) -> Iterator[Band]:
    raw = entry.data.get("bands")
    if not isinstance(raw, list) or len(raw) < 2 or not all(isinstance(one, dict) for one in raw):
        entry.wrong("bands", raw, "at least two bands, each a table with upto, outcome and means")
    last = least
    for number, one in enumerate(raw, 1):
        band = replace(entry, path=f"{entry.path}.bands {number}", data=one, keys=(*entry.keys, "bands"))
        top = math.inf if number == len(raw) and "upto" not in one else band.number("upto", last, math.inf)
        outcome = one.get("outcome", "")
        if outcome and outcome not in outcomes:
            band.wrong("outcome", outcome, f"one of {sorted(outcomes)}, or none where the value decides nothing")
        yield Band(top, outcome, band.text("means"))
        last = top
    if last != math.inf:
        entry.wrong("bands", last, "a last band without upto, for all that is above")


def _codes(entry: Table, key: str, outcomes: Mapping[str, object]) -> Mapping[str, frozenset[str]]:
    if key not in entry.data:
        return {}
    table = entry.table(key)
    for outcome in table.data:
        if outcome not in outcomes:
            table.wrong(outcome, outcome, "an outcome of this check")
        for code in table.texts(outcome):
            if code not in TABLE_CODES:
                table.wrong(outcome, code, "an observation code")
    return {outcome: frozenset(table.texts(outcome)) for outcome in table.data}


def _letters(entry: Table, key: str, count: int, weights: Mapping[str, float]) -> list[float]:
    letters = entry.text(key)
    if len(letters) != count or any(letter not in weights for letter in letters):
        entry.wrong(key, letters, f"{count} letters out of {''.join(weights)}")
    return [weights[letter] for letter in letters]
