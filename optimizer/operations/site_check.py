"""The command ``site``: what the site file and the history say, and where they differ.

In come a history and a site; out come the units of each column as the site file declares and as the
history stores them, the lines and the headings of both, and their differences. Only one kind of
difference prevents work: a stored unit that cannot be converted to the declared one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError
from optimizer.history.description import SETTING, meanings_of, not_used, undeclared
from optimizer.history.schema import declared_unit
from optimizer.history.stored_units import StoredUnits
from optimizer.history.summary import iso
from optimizer.plant.site import FEED_GRADE, Site

if TYPE_CHECKING:
    from optimizer.history.description import Description
    from optimizer.history.history import History
    from optimizer.history.snapshot import Snapshot


@dataclass(frozen=True)
class ColumnUnits:
    """The units of a setting on one line, or of a material variable.

    Attributes:
        column, line: name of the column, and of the line; None for a material variable, and for a
            setting on lines without runs.
        meaning: ``setting`` or ``material``.
        declared, stored: unit in the site file and in the history; an empty text where none is
            said. ``stored`` is None where the history has no such column.
        relation: ``same``, ``converted``, ``mixed`` (no conversion is known) or ``new`` (no run).
    """

    column: str
    line: str | None
    meaning: str
    declared: str
    stored: str | None
    relation: str

    def as_dict(self) -> dict[str, Any]:
        """JSON form, an entry of ``columns`` in ``highside.site/1``."""
        return dict(vars(self))


@dataclass(frozen=True)
class SiteDifference:
    """A difference between a site file and a history.

    Attributes:
        what: ``unit``, ``gates``, ``column``, ``line``, ``heading``, ``file`` or ``description``.
        text: the difference as a sentence.
        mixes: whether commands would mix two units because of it.
    """

    what: str
    text: str
    mixes: bool = False

    def as_dict(self) -> dict[str, Any]:
        """JSON form, an entry of ``differences`` in ``highside.site/1``."""
        return dict(vars(self))


@dataclass(frozen=True)
class SiteCheck:
    """A site file beside a history.

    Attributes:
        site: the plant.
        version: version of the history; None for an empty history.
        description: what the history says of itself.
        lines: names of the lines that have runs.
        columns: units of settings and material variables.
        differences: what differs, the differences that prevent work first.
    """

    site: Site
    version: int | None
    description: Description
    lines: tuple[str, ...]
    columns: tuple[ColumnUnits, ...]
    differences: tuple[SiteDifference, ...]

    @property
    def mixes(self) -> bool:
        """Whether a command would mix two units."""
        return any(difference.mixes for difference in self.differences)

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.site/1`` document."""
        event = self.description.event
        return {
            "schema": "highside.site/1",
            "site": {
                "file": self.site.source,
                "name": self.site.name,
                "fingerprint": self.site.fingerprint,
                "time_zone": self.site.time_zone.name,
                "lines": sorted(self.site.file.lines),
                "headings": dict(self.site.columns),
            },
            "history": {
                "version": self.version,
                "described": event is not None,
                "described_at": None if event is None else iso(event.at),
                "described_by": None if event is None else event.by,
                "described_in_version": None if event is None else event.version,
                "fingerprint": self.description.fingerprint,
                "lines": list(self.lines),
                "headings": dict(self.description.headings),
            },
            "columns": [column.as_dict() for column in self.columns],
            "differences": [difference.as_dict() for difference in self.differences],
            "mixes": self.mixes,
        }


def check_site(history: History, site: Site, version: int | None = None) -> SiteCheck:
    """Compares what a site file and a history say.

    Args:
        history: the run history, which may be empty.
        site: the plant.
        version: the version of the history; the latest when None.

    Raises:
        InputError: when there is no such version.
        HistoryError: when the history cannot be read.
    """
    snapshot = history.at(version)
    description = snapshot.description
    columns = tuple(_columns(snapshot, site, description))
    found = [
        *_units_that_differ(columns, site, description),
        *_gates_that_differ(snapshot, StoredUnits(site, description)),
        *_columns_that_differ(snapshot, site),
        *_other_differences(snapshot, site, description),
    ]
    found.sort(key=lambda difference: not difference.mixes)
    return SiteCheck(site, snapshot.version, description, snapshot.lines, columns, tuple(found))


def _columns(snapshot: Snapshot, site: Site, description: Description) -> Iterator[ColumnUnits]:
    """The units of each setting, line by line, and of each material variable."""
    units = StoredUnits(site, description)
    for name, meaning in meanings_of(site).items():
        if name not in (*site.set_names, *site.material_names):
            continue
        lines = [each for each in snapshot.lines if name in site.space_of(each).names]
        for line in (lines or (None,)) if meaning == SETTING else (None,):
            declared = declared_unit(site, name, line)
            if snapshot.version is None or name not in snapshot.columns:
                yield ColumnUnits(name, line, meaning, declared, None, "new")
                continue
            stored, relation = units.unit(name, line), "same"
            try:
                if not units.conversion(name, line).is_identity:
                    relation = "converted"
            except InputError:
                relation = "mixed"
            yield ColumnUnits(name, line, meaning, declared, stored, relation)


def _gates_that_differ(snapshot: Snapshot, units: StoredUnits) -> Iterator[SiteDifference]:
    """Lines whose runs were stored with other gates than the site file declares."""
    for line in snapshot.lines:
        try:
            units.refuse_other_gates(line)
        except InputError as error:
            yield SiteDifference("gates", str(error), mixes=True)


def _units_that_differ(
    columns: tuple[ColumnUnits, ...], site: Site, description: Description
) -> Iterator[SiteDifference]:
    """Units that changed since the history was last described, or that cannot be converted."""
    units = StoredUnits(site, description)
    for column in columns:
        whose = "" if column.line is None else f" of line '{column.line}'"
        if column.relation == "mixed":
            try:
                units.conversion(column.column, column.line)
            except InputError as error:
                yield SiteDifference("unit", str(error), mixes=True)
        known = description.units(column.column, column.line)
        if (
            column.relation == "converted"
            and known is not None
            and known.declared != column.declared
        ):
            stored = "as a fraction" if column.column == FEED_GRADE else f"in '{known.stored}'"
            yield SiteDifference(
                "unit",
                f"{column.column}{whose} was declared in '{known.declared}' and is now declared in "
                f"'{column.declared}': its runs are stored {stored} and converted.",
            )


def _columns_that_differ(snapshot: Snapshot, site: Site) -> Iterator[SiteDifference]:
    """Variables that only the history has, or only the site file."""
    if snapshot.version is None:
        return
    for name in undeclared(snapshot.columns, site):
        yield SiteDifference("column", f"{not_used(name)}.")
    for name in (*site.set_names, *site.material_names):
        if name not in snapshot.columns:
            yield SiteDifference(
                "column", f"the site file declares '{name}', which the history does not have yet."
            )


def _other_differences(
    snapshot: Snapshot, site: Site, description: Description
) -> Iterator[SiteDifference]:
    """Lines, headings and the site file itself, where they differ."""
    if snapshot.version is None:
        return
    declared = set(site.file.lines)
    for line in snapshot.lines if declared else ():
        if line not in declared:
            yield SiteDifference(
                "line", f"the history has line '{line}', which the site file does not declare."
            )
    for line in sorted(declared - set(snapshot.lines)):
        yield SiteDifference("line", f"the site file declares line '{line}', which has no runs.")
    if description.event is None:
        yield SiteDifference(
            "description",
            "the history does not describe itself yet: it is taken as described by this site file, "
            "and the next load stores that.",
        )
        return
    before, now = description.headings, site.columns
    for heading in sorted({*before, *now}):
        if before.get(heading) != now.get(heading):
            was, is_now = (_target(each.get(heading)) for each in (before, now))
            yield SiteDifference(
                "heading", f"the heading '{heading}' meant {was} and now means {is_now}."
            )
    if description.fingerprint != site.fingerprint:
        yield SiteDifference(
            "file",
            "the site file has changed since the history was last described (version "
            f"{description.event.version}).",
        )


def _target(field: str | None) -> str:
    return "what it says" if field is None else f"'{field}'"
