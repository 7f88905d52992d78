"""What a history says of itself: unit and meaning of each column, and the site file behind it.

A load stores an event ``described`` in its own commit whenever what it would say differs from what
the earlier events say. Folding the events of a version gives the description at that version. Lines
and columns stay in the description for ever, since their runs stay in the history.

The stored unit of a column is decided when its first run is stored, and never changes. So a column
has one unit, whatever the site file declares later, and the numbers of later runs are converted to
it (see ``stored_units``).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from optimizer.history.schema import (
    PROVENANCE,
    READINGS,
    declared_unit,
    first_stored_unit,
    run_schema,
    schema_of,
)
from optimizer.history.storage.event_log import Event
from optimizer.plant.gates import gates_among
from optimizer.plant.run_columns import RUN_COLUMNS, Kind
from optimizer.plant.site import Site
from optimizer.text.sentences import sentence

DESCRIBED = "described"
"""Kind of the events that describe a history."""
SETTING, MATERIAL = "setting", "material"
_HAVE_UNITS = (MATERIAL, Kind.fraction.value)


@dataclass(frozen=True)
class Units:
    """The unit in which a column is stored, and the one in which the site file declared it."""

    stored: str
    declared: str

    @staticmethod
    def told(units: Mapping[str, Any]) -> Units:
        """The units that an event tells; what a later program may tell besides is passed over."""
        return Units(units["stored"], units["declared"])


@dataclass(frozen=True)
class Description:
    """What the events of a history say of its columns.

    Attributes:
        meanings: meaning of each column: ``setting``, ``material``, or the kind of its cells.
        columns: units of the columns that are no settings.
        lines: units of the settings of each line.
        headings: mapping of headings under ``[columns]`` of the site file.
        fingerprint: SHA-256 of the content of the site file; None without a description.
        event: the latest event; None without a description.
    """

    meanings: Mapping[str, str] = field(default_factory=dict)
    columns: Mapping[str, Units] = field(default_factory=dict)
    lines: Mapping[str, Mapping[str, Units]] = field(default_factory=dict)
    headings: Mapping[str, str] = field(default_factory=dict)
    fingerprint: str | None = None
    event: Event | None = None

    def units(self, name: str, line: str | None) -> Units | None:
        """The units of a column on a line; None where nothing was said of them."""
        if line is not None and name in self.lines.get(line, {}):
            return self.lines[line][name]
        return self.columns.get(name)

    def gates(self, whole: str, line: str | None) -> tuple[str, ...]:
        """The gates of a setting that runs of a line have been stored with, from the feed end;
        empty where it had none."""
        return gates_among(self.lines.get(line or "", {}), whole)

    def as_dict(self) -> dict[str, Any]:
        """The description as JSON, as an event tells it."""
        return {
            "meanings": dict(self.meanings),
            "columns": {name: vars(units) for name, units in self.columns.items()},
            "lines": {
                line: {name: vars(units) for name, units in settings.items()}
                for line, settings in self.lines.items()
            },
            "headings": dict(self.headings),
            "fingerprint": self.fingerprint,
        }


NOTHING = Description()
"""The description of a history that has none."""


def description_of(events: Iterable[Event]) -> Description:
    """The description that the events of a history give, oldest event first."""
    found = NOTHING
    for event in events:
        if event.what != DESCRIBED:
            continue
        about = event.about
        lines = {
            line: {name: Units.told(units) for name, units in settings.items()}
            for line, settings in about["lines"].items()
        }
        found = Description(
            {**found.meanings, **about["meanings"]},
            {**found.columns, **{k: Units.told(units) for k, units in about["columns"].items()}},
            {**found.lines, **lines},
            about["headings"],
            about["fingerprint"],
            event,
        )
    return found


def described_by(site: Site, lines: Iterable[str], before: Description = NOTHING) -> Description:
    """The description of a history whose next runs are loaded with a site file.

    Args:
        site: the plant.
        lines: names of the lines that will have runs.
        before: what the history says so far; its stored units stay.
    """

    def units(name: str, line: str | None) -> Units:
        known = before.units(name, line)
        stored = first_stored_unit(site, name, line) if known is None else known.stored
        return Units(stored, declared_unit(site, name, line))

    meanings = meanings_of(site)
    return Description(
        meanings,
        {name: units(name, None) for name, what in meanings.items() if what in _HAVE_UNITS},
        {
            # A setting that the site no longer has keeps its unit, for the runs that have it.
            line: {
                **before.lines.get(line, {}),
                **{n: units(n, line) for n in site.space_of(line).names},
            }
            for line in sorted(lines)
        },
        dict(site.columns),
        site.fingerprint,
    )


def news(
    before: Description, now: Description, at: datetime, by: str | None = None
) -> Sequence[Event]:
    """The event that tells what a description adds to an earlier one; none where nothing is new."""
    told = Description(
        _new(before.meanings, now.meanings),
        _new(before.columns, now.columns),
        _new(before.lines, now.lines),
        now.headings,
        now.fingerprint,
    )
    same = (before.headings, before.fingerprint) == (now.headings, now.fingerprint)
    if same and not (told.meanings or told.columns or told.lines):
        return ()
    return (Event(DESCRIBED, at, by, told.as_dict()),)


def meanings_of(site: Site) -> dict[str, str]:
    """The meaning of each column of the run table of a site."""
    kinds = {column.name: column.kind.value for column in RUN_COLUMNS}
    kinds |= dict.fromkeys(READINGS, "readings") | dict.fromkeys(PROVENANCE, "provenance")
    kinds |= dict.fromkeys(site.setting_names, SETTING)
    kinds |= dict.fromkeys(site.material_names, MATERIAL)
    return {name: kinds[name] for name in schema_of(site).names}


def undeclared(columns: Iterable[str], site: Site) -> tuple[str, ...]:
    """The stored columns of settings and material that the site file does not declare."""
    known = {*schema_of(site).names, *run_schema((), ()).names}
    return tuple(name for name in columns if name not in known)


def not_used(name: str) -> str:
    """The warning that the values of a column are not used, as commands tell it: the sentence of a
    plan as part of a line."""
    told = sentence("variable_not_used", name=name)
    return told[0].lower() + told[1:].removesuffix(".")


def _new(before: Mapping[str, Any], now: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in now.items() if before.get(name) != value}
