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
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.time_zone import TimeZone
from optimizer.service.answers.run_tables import WITHDRAWN
from optimizer.service.exchange.typed_numbers import fraction, measured, number, whole
from optimizer.text.figures import level
from optimizer.text.sentences import sentence
from optimizer.text.setting_names import gate_number
from optimizer.text.visible_text import fits_in_a_page

Kind = Literal["text", "time", "share", "count", "number", "material", "state", "yes or no"]
SHARE_PLACES = 9
"""Decimals of a share in per cent: more than anybody measures, and fewer than rounding spoils."""
TOLD = (
    "run_id", "line", "started_at", "material", "grade", "recovery", "grade_se", "recovery_se",
    "grade_count", "grade_recovery_correlation", "feed_grade", "feed_grade_se", "feed_grade_count",
    "grade_feed_correlation", "recovery_feed_correlation", "middlings_share", "middlings_share_se",
    "middlings_grade", "middlings_grade_se", "deck_state", "note", "samples", "settled", "source",
    "source_row",
)  # fmt: skip
"""Columns whose meaning is the same at every plant (``meaning_grade`` of the texts)."""
_KINDS: dict[str, Kind] = {
    "text": "text", "time": "time", "fraction": "share", "count": "count", "correlation": "number",
}  # fmt: skip
_OF_COLUMN: dict[str, Kind] = {
    **{column.name: _KINDS[column.kind.value] for column in RUN_COLUMNS},
    "deck_state": "state", "samples": "count", "settled": "yes or no", "source": "text",
    "source_row": "count",
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
        if not self.unit:
            return self.label
        return sentence("column_heading", label=self.label, unit=self.unit)

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
    own = name == FEED_GRADE or name not in TOLD
    label = sentence("field_setting", name=name) if own else sentence(f"column_{name}")
    if name in site.setting_names:
        meaning = sentence("meaning_gate" if gate_number(name) else "meaning_setting")
        return RunField(name, label, declared_unit(site, name, line), meaning, "number")
    if name in site.material_names and name not in TOLD:
        unit = declared_unit(site, name, line)
        return RunField(name, label, unit, sentence("meaning_property"), "material")
    kind = _OF_COLUMN.get(name, "material" if name in site.material_names else "text")
    unit = "%" if kind == "share" else ""
    if name in ("feed_grade", "feed_grade_se"):
        unit, kind = declared_unit(site, name, line), "material"
    said = sentence(f"meaning_{name}" if name in TOLD else "meaning_none")
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
