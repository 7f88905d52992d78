"""What the form of an upload shows of a check: headings, rows, and what is still to be chosen."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from optimizer.intake.reading.columns import IGNORE, MARK_COLUMN, REJECT_COLUMNS, SHAPE_COLUMN
from optimizer.intake.reading.time_headings import DATE
from optimizer.plant.run_columns import RUN_COLUMNS, Kind
from optimizer.plant.site import Site
from optimizer.service.pages.history.columns import run_field
from optimizer.service.recording.kept_files import Choices
from optimizer.text.headings import split_unit
from optimizer.text.sentences import sentence
from optimizer.text.visible_text import fits_in_a_page

EXAMPLES = 3
"""Number of first cells that are shown below a heading."""
_LINE_ENDS = re.compile(r"[\r\n]+")
_PLACES = (*REJECT_COLUMNS, SHAPE_COLUMN, MARK_COLUMN)
_WORDS = (
    ("load it with --samples to make", "choose ‘readings over time’ below to make"),
    ("Then load the log with --correct, which changes that run", "Then correct that run"),
    ("; --line", "; the line chosen below,"),
    ("'highside withdraw RUN_ID --undo' takes a run back", "Reinstate takes a run back"),
    ("give the line of the whole log with --line", "choose the line of the whole log below"),
)
"""Words of the library about options of the command, and those of the page."""


def in_page_words(text: str) -> str:
    """A sentence of the library in the words of the page."""
    for ours, here in _WORDS:
        text = text.replace(ours, here)
    return text


@dataclass(frozen=True)
class Head:
    """One heading as the form shows it.

    Attributes:
        key: digest of the heading, for the names of its fields.
        heading: the heading as written.
        examples: first cells below it.
        field: what it is understood as: a field, or ``ignore``.
        unit: unit that heading or mapping names; empty where they name none.
        declared: unit of numbers without one; None for a field that takes no unit.
        problem: why it cannot be read so.
        mapped: whether a person chose the field.
    """

    key: str
    heading: str
    examples: tuple[str, ...]
    field: str
    unit: str
    declared: str | None
    problem: str
    mapped: bool

    @property
    def base(self) -> str:
        """The choice as it is shown, by which a change is seen."""
        return f"{self.field}|{self.unit}"

    @property
    def headed(self) -> str:
        """The unit in the heading; empty where it names none."""
        return split_unit(self.heading)[1] or ""


@dataclass(frozen=True)
class Cell:
    """One cell of a row that can be corrected: its column, heading, text, and whether it is the
    faulty one."""

    index: int
    heading: str
    text: str
    faulty: bool


@dataclass(frozen=True)
class FaultyRow:
    """One rejected or doubted row.

    Attributes:
        key: start of the names of its fields.
        place: the log and the number of the row, for people.
        faults: the field, the value and the reason of each fault or question.
        cells: its cells; empty where the row cannot be shown.
        beyond: cells beyond the headings.
        edited: whether a person corrected it.
        base: digest of the cells as they are shown, by which a change is seen.
    """

    key: str
    place: str
    faults: list[tuple[str, str, str]] = field(default_factory=list)
    cells: tuple[Cell, ...] = ()
    beyond: tuple[str, ...] = ()
    edited: bool = False
    base: str = ""


def key_of(text: str) -> str:
    """A digest of a text, short enough for the name of a field.

    >>> key_of("Feed rate [kg/h]")
    '1c42bbd38535'
    """
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:12]


# -- what the form shows ---------------------------------------------------------------------


def heads_of(checked: Mapping[str, Any], choices: Choices) -> list[Head]:
    """The headings of all logs, each once."""
    found: dict[str, Head] = {}
    for log in checked["logs"]:
        for index, meaning in enumerate(log["meanings"]):
            heading = meaning["heading"]
            if not heading.strip() or heading in found or _is_place(log, index):
                continue
            cells = (row["cells"][index].strip() for row in log["first"])
            found[heading] = Head(
                key_of(heading),
                heading,
                tuple(cell[:40] for cell in cells if cell)[:EXAMPLES],
                meaning["field"] or IGNORE,
                meaning["unit"] or "",
                meaning["declared"],
                meaning["problem"],
                heading in choices.mapping,
            )
    return list(found.values())


def _is_place(log: Mapping[str, Any], index: int) -> bool:
    """Whether a column of a file of rejected rows tells of a row rather than of a run."""
    return log["is_rejects_file"] and log["meanings"][index]["heading"] in _PLACES


def fields_by_kind(site: Site) -> dict[str, list[tuple[str, str]]]:
    """The fields that a column can be, by kind, each with its label."""
    errors = [c.name for c in RUN_COLUMNS if c.kind in (Kind.count, Kind.correlation)]
    errors += [c.name for c in RUN_COLUMNS if c.name.endswith("_se")]
    groups: dict[str, Sequence[str]] = {
        "kind_settings": site.setting_names,
        "kind_results": ("grade", "recovery", "middlings_share", "middlings_grade", "deck_state"),
        "kind_run": ("line", "started_at", DATE, "run_id", "material", "note"),
        "column_material": site.material_names,
        "kind_errors": errors,
    }
    return {
        sentence(kind): [(name, _label(name, site)) for name in names]
        for kind, names in groups.items()
    }


def _label(name: str, site: Site) -> str:
    return sentence("column_date") if name == DATE else run_field(name, site, None).label


def faulty_rows(
    checked: Mapping[str, Any], choices: Choices, what: str, start: str
) -> list[FaultyRow]:
    """The rejected rows (``what`` is ``rejects``), or those with a question (``questions``).

    Args:
        checked: the check of the upload.
        choices: how it is to be read.
        what: which rows.
        start: start of the keys of the rows.
    """
    cells = {}
    for log in checked["logs"]:
        for row in log["asked"]:
            cells[tuple(row["place"])] = cells[log["log"], row["number"]] = log, row
    found: dict[tuple[str, int], FaultyRow] = {}
    for entry in checked["report"][what]:
        place = entry["file"], entry["row"]
        if not entry["row"]:
            continue
        if place not in found:
            found[place] = _faulty_row(place, f"{start}{len(found)}", cells.get(place), choices)
        reason = in_page_words(entry.get("reason") or entry["why"])
        found[place].faults.append((entry["field"], entry["value"], reason))
    return [_marked(row, cells.get(place)) for place, row in found.items()]


def _faulty_row(place: tuple[str, int], key: str, known: Any, choices: Choices) -> FaultyRow:
    shown = sentence("row_of_log", log=place[0], row=place[1])
    if known is None:
        return FaultyRow(key, shown)
    log, row = known
    texts = [one_line(cell) for cell in row["cells"]]
    cells = tuple(
        Cell(index, meaning["heading"].strip() or f"column {index + 1}", text, False)
        for index, (meaning, text) in enumerate(zip(log["meanings"], texts, strict=True))
        if not _is_place(log, index) and (meaning["heading"].strip() or text)
    )
    own = f"{key_of(log['log'])}.{row['number']}"
    edited = (log["log"], row["number"]) in choices.edits
    return FaultyRow(own, shown, [], cells, tuple(row["beyond"]), edited, base_of(texts))


def _marked(row: FaultyRow, known: Any) -> FaultyRow:
    """A row whose faulty cells are marked."""
    if known is None:
        return row
    wrong = {name for name, _, _ in row.faults}
    at = {k for k, meaning in enumerate(known[0]["meanings"]) if meaning["field"] in wrong}
    return replace(row, cells=tuple(replace(c, faulty=c.index in at) for c in row.cells))


def one_line(cell: str) -> str:
    """A cell as the field of a form can hold it: on one line, without control characters."""
    text = _LINE_ENDS.sub(" ", cell)
    return "".join(c for c in text if fits_in_a_page(c))


def base_of(texts: Sequence[str]) -> str:
    """A digest of the cells of a row as they are shown."""
    return key_of("\x1f".join(texts))


def corrected_rows(checked: Mapping[str, Any], choices: Choices) -> list[tuple[str, str]]:
    """Key and place of each corrected row."""
    known = {log["log"] for log in checked["logs"]}
    return [
        (f"{key_of(log)}.{row}", sentence("row_of_log", log=log, row=row))
        for log, row in sorted(choices.edits)
        if log in known
    ]


def obstacles(checked: Mapping[str, Any], choices: Choices, site: Site) -> list[str]:
    """Sentences about what must be chosen before any row can be read."""
    found = []
    for log in checked["logs"]:
        name = log["log"]
        if log["problem"] or not choices.options.reads(name):
            continue
        for what, headings in log["doubled"]:
            quoted = [f"‘{heading}’" for heading in headings]
            found.append(sentence("columns_doubled", log=name, headings=quoted, name=what))
        if log["missing"]:
            labels = [_label(each, site) for each in log["missing"]]
            missing = [sentence("lowered", label=label) for label in labels]
            found.append(sentence("columns_missing", log=name, names=missing))
        if not log["names_lines"] and choices.line is None and len(site.file.lines) != 1:
            found.append(sentence("line_missing", log=name))
    return list(dict.fromkeys(found))


def unread(checked: Mapping[str, Any], choices: Choices, site: Site) -> list[str]:
    """Why whole logs could not be read, as far as ``obstacles`` does not say it."""
    if obstacles(checked, choices, site):
        return []
    return [entry["reason"] for entry in checked["report"]["rejects"] if not entry["row"]]
