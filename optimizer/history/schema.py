"""The canonical run table: which columns a run has, their types, and the units they are kept in.

One table shape serves intake (which fills it), history (which stores it) and everybody who reads
it. Settings are stored in t/h, deg (mm where a line reads a height) and rpm, air in the unit its
line declares; grade, recovery, their errors and ``feed_grade`` as fractions; other material
variables in the unit the site declares. The conversion between what a site writes and what is
stored is here and nowhere else: ``stored_factor`` on the way in, ``in_site_units`` on the way out.
"""

from __future__ import annotations

from collections.abc import Sequence

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.plant.run_columns import AFTER_SETTINGS, BEFORE_SETTINGS, Kind, names_of
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.units import as_typed, scaled, stored_unit_of, unit_factor

FRACTIONS = names_of(Kind.fraction)
READINGS = ("samples", "settled")
"""Of a run made of readings over time: how many they were, and whether the deck was steady."""
PROVENANCE = ("source", "source_row")
TIMESTAMP = pa.timestamp("us", "UTC")

_TYPES = {
    Kind.text: pa.string(),
    Kind.time: TIMESTAMP,
    Kind.fraction: pa.float64(),
    Kind.count: pa.int64(),
}
_BEFORE = [pa.field(column.name, _TYPES[column.kind]) for column in BEFORE_SETTINGS]
_AFTER = [
    *(pa.field(column.name, _TYPES[column.kind]) for column in AFTER_SETTINGS),
    pa.field("samples", pa.int64()),
    pa.field("settled", pa.bool_()),
]
_SOURCE = [pa.field("source", pa.string()), pa.field("source_row", pa.int64())]


def run_schema(settings: Sequence[str], material: Sequence[str]) -> pa.Schema:
    """Schema of the run table for the named settings and material variables, in column order."""
    return pa.schema(
        [
            *_BEFORE,
            *(pa.field(name, pa.float64()) for name in settings),
            *_AFTER,
            *(pa.field(name, pa.float64()) for name in material),
            *_SOURCE,
        ]
    )


def schema_of(site: Site) -> pa.Schema:
    """Schema of the run table of a site."""
    return run_schema(site.space.names, site.material_names)


def fields_of(site: Site) -> tuple[str, ...]:
    """Every field that a column of a log can fill, in canonical order."""
    own = (*READINGS, *PROVENANCE)
    return tuple(name for name in schema_of(site).names if name not in own)


def declared_unit(site: Site, name: str, line: str | None) -> str:
    """The unit in which a site writes a bare number of ``name``; a fraction has none."""
    if name in site.space.names:
        return site.space_of(line)[name].unit
    return site.material[name].unit if name in site.material else ""


def stored_unit(site: Site, name: str, line: str | None) -> str:
    """The unit in which the history keeps ``name``.

    Air is a knob: its turns or per cent of opening convert to nothing, so a line keeps its own.
    """
    if name == FEED_GRADE:
        return ""
    declared = declared_unit(site, name, line)
    return stored_unit_of(name, declared) if name in site.space.names else declared


def stored_factor(site: Site, name: str, line: str | None, unit: str | None = None) -> float:
    """Factor from ``unit`` (default: the unit the site declares) to the stored unit of ``name``.

    Raises:
        InputError: when the unit cannot be turned into the stored one.
    """
    given = declared_unit(site, name, line) if unit is None else unit
    return unit_factor(given, stored_unit(site, name, line))


def in_site_units(table: pa.Table, site: Site) -> pa.Table:
    """A table of stored runs with settings and feed grade in the units its lines declare."""
    for name in (*site.space.names, FEED_GRADE):
        if name not in table.column_names:
            continue
        lines = pc.unique(table["line"]).to_pylist()
        by_line = {line: stored_factor(site, name, line) for line in lines}
        if all(by == 1.0 for by in by_line.values()):
            continue
        values = table[name].to_numpy().astype(float)
        at = pc.index_in(table["line"], pa.array(lines, pa.string())).to_numpy()
        for k, line in enumerate(lines):
            values[at == k] = as_typed(scaled(values[at == k], 1.0 / by_line[line]))
        column = pa.array(values, pa.float64(), from_pandas=True)
        table = table.set_column(table.column_names.index(name), name, column)
    return table


def in_schema(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """The table with the columns of a schema first and in its order, missing ones empty."""
    arrays = [
        table[f.name].cast(f.type)
        if f.name in table.column_names
        else pa.chunked_array([pa.nulls(table.num_rows, f.type)])
        for f in schema
    ]
    further = [n for n in table.column_names if n not in schema.names]
    return pa.table([*arrays, *(table[n] for n in further)], names=[*schema.names, *further])
