"""The columns of runs for people: label, unit and meaning, and cells as text and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from urllib.parse import quote, urlencode

import pyarrow as pa

from optimizer.history.schema import declared_unit, fields_of
from optimizer.history.start_times import MISDATED
from optimizer.plant.run_columns import RUN_COLUMNS
from optimizer.plant.site import Site
from optimizer.plant.time_zone import TimeZone
from optimizer.service.answers.run_tables import WITHDRAWN
from optimizer.service.exchange.typed_numbers import fraction, measured, number, whole
from optimizer.text.figures import level
from optimizer.text.setting_names import gate_number, setting_words
from optimizer.text.visible_text import fits_in_a_page

Kind = Literal["text", "time", "share", "count", "number", "material", "yes or no"]
SHARE_PLACES = 9
"""Decimals of a share in per cent: more than anybody measures, and fewer than rounding spoils."""
LABELS = {
    "run_id": "Run",
    "started_at": "Started",
    "grade_se": "Error of grade",
    "recovery_se": "Error of recovery",
    "feed_grade_se": "Error of feed grade",
    "grade_count": "Particles counted",
    "middlings_share_se": "Error of middlings share",
    "middlings_grade_se": "Error of middlings grade",
    "feed_grade_count": "Particles counted, feed",
    "grade_recovery_correlation": "Correlation, grade and recovery",
    "grade_feed_correlation": "Correlation, grade and feed grade",
    "recovery_feed_correlation": "Correlation, recovery and feed grade",
    "deck_state": "Deck",
    "source": "Log",
    "source_row": "Row of the log",
}
"""What columns are called for people; a column without an entry is called by its name."""
MEANINGS = {
    "run_id": "which run of its line it is",
    "line": "the line that ran it",
    "started_at": "when it started, by the clock of the plant",
    "material": "name of the material",
    "grade": "share of wanted material in the product",
    "recovery": "share of the wanted material of the feed that went to the product",
    "grade_se": "standard error of the grade",
    "recovery_se": "standard error of the recovery",
    "grade_count": "particles counted for the grade",
    "grade_recovery_correlation": "correlation of the errors of grade and recovery",
    "feed_grade": "share of wanted material in the feed",
    "feed_grade_se": "standard error of the feed grade",
    "feed_grade_count": "particles counted for the feed grade",
    "grade_feed_correlation": "correlation of the errors of grade and feed grade",
    "recovery_feed_correlation": "correlation of the errors of recovery and feed grade",
    "middlings_share": "share of the feed that went to the middlings, kept as a product",
    "middlings_share_se": "standard error of the share of the middlings",
    "middlings_grade": "share of wanted material in the middlings",
    "middlings_grade_se": "standard error of the grade of the middlings",
    "deck_state": "how the bed lay on the deck",
    "note": "what somebody wrote with it",
    "samples": "number of readings from which it was averaged",
    "settled": "whether the deck had become steady",
    "source": "log from which it was loaded",
    "source_row": "row of that log",
}
_KINDS: dict[str, Kind] = {
    "text": "text", "time": "time", "fraction": "share", "count": "count", "correlation": "number",
}  # fmt: skip
_OF_COLUMN: dict[str, Kind] = {
    **{column.name: _KINDS[column.kind.value] for column in RUN_COLUMNS},
    "samples": "count", "settled": "yes or no", "source": "text", "source_row": "count",
}  # fmt: skip


@dataclass(frozen=True)
class RunField:
    """One column of a run.

    Attributes:
        name, label: its name in logs, and for people.
        unit: its unit; empty for none.
        meaning: what it says.
        kind: kind of its cells.
    """

    name: str
    label: str
    unit: str
    meaning: str
    kind: Kind

    @property
    def heading(self) -> str:
        """Label and unit."""
        return f"{self.label}, {self.unit}" if self.unit else self.label

    @property
    def is_number(self) -> bool:
        """Whether its cells are numbers."""
        return self.kind in ("share", "count", "number", "material")

    def text(self, value: Any, zone: TimeZone) -> str:
        """A cell as text that ``value`` reads; empty for an empty cell."""
        if value is None:
            return ""
        if self.kind == "share":
            return level(round(100.0 * value, SHARE_PLACES))
        if isinstance(value, datetime):
            return zone.clock(value).isoformat(" ")
        if isinstance(value, bool):
            return "yes" if value else "no"
        return level(value) if isinstance(value, float) else str(value)

    def value(self, text: str) -> Any:
        """The value that a person typed, as a cell of a log; None where the field is empty.

        Raises:
            Problem: when the text is not of the kind of the column.
        """
        written = text.strip()
        if not written:
            return None
        if self.name in ("grade", "recovery"):
            return fraction(written, self.label)
        if self.kind == "share":
            return round(number(written.removesuffix("%"), self.label) / 100.0, 11)
        if self.kind == "count":
            return whole(written, self.label)
        if self.kind == "number":
            return number(written, self.label)
        return measured(written, self.label) if self.kind == "material" else written


def run_field(name: str, site: Site, line: str | None) -> RunField:
    """A column of the runs of a line; for several lines, None."""
    label = LABELS.get(name) or name.replace("_", " ").capitalize()
    if name in site.setting_names:
        label = setting_words(name).capitalize()
        meaning = "setting, counted from the feed end" if gate_number(name) else "setting"
        return RunField(name, label, declared_unit(site, name, line), meaning, "number")
    if name in site.material_names and name not in MEANINGS:
        unit = declared_unit(site, name, line)
        return RunField(name, label, unit, "property of the material", "material")
    kind = _OF_COLUMN.get(name, "material" if name in site.material_names else "text")
    unit = "%" if kind == "share" else ""
    if name in ("feed_grade", "feed_grade_se"):
        unit, kind = declared_unit(site, name, line), "material"
    said = MEANINGS.get(name, "a column that the site file does not declare; it is not used")
    return RunField(name, label, unit, said, kind)


def listed_columns(runs: pa.Table, site: Site) -> list[str]:
    """Names of the columns of a list of runs: the usual ones, and properties of the material that
    some run has."""
    known = [name for name in site.material_names if runs[name].null_count < len(runs)]
    return ["run_id", "line", "started_at", "material", *site.set_names, "grade", "recovery",
            "deck_state", *known, "note"]  # fmt: skip


def listed_fields(runs: pa.Table, site: Site, lines: Sequence[str]) -> list[RunField]:
    """The columns of a list; a setting whose unit differs between lines is told without it."""
    found = []
    for name in listed_columns(runs, site):
        each = {run_field(name, site, line) for line in lines} or {run_field(name, site, None)}
        first = run_field(name, site, lines[0] if lines else None)
        found.append(first if len(each) == 1 else run_field(name, site, None))
        if len(each) > 1:
            found[-1] = RunField(name, first.label, "", first.meaning, first.kind)
    return found


def all_fields(runs: pa.Table, site: Site, line: str) -> list[RunField]:
    """Every column of a run of a line."""
    own = (MISDATED, WITHDRAWN)
    return [run_field(name, site, line) for name in runs.column_names if name not in own]


def correctable(site: Site, line: str) -> list[RunField]:
    """The columns of a run of a line that can be corrected; the note, the longest, comes last."""
    names = [name for name in fields_of(site) if name not in ("run_id", "line", "note")]
    return [run_field(name, site, line) for name in (*names, "note")]


def run_address(line: str, run_id: str, as_of: int | None = None) -> str:
    """The address of the page of a run.

    Browsers drop a path that consists of dots; such an id stands in the query. A line whose name no
    address can hold is left out: its run is found where no other line has the id.
    """
    query: dict[str, str] = {"line": line} if fits_in_a_page(line) else {}
    path = f"/runs/{quote(run_id, safe='')}"
    if run_id in (".", ".."):
        path, query = "/runs/", {"run_id": run_id, **query}
    if as_of is not None:
        query["as_of"] = str(as_of)
    return f"{path}?{urlencode(query)}" if query else path
