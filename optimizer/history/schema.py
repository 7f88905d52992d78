"""The canonical run table: the columns of a run, their types and their stored units.

Intake fills this table, the history stores it, and every other room reads it. Settings are stored
in t/h, deg (mm where a line reads a height) and rpm; air is stored in the unit that its line
declares when its first run is stored. Grade, recovery, ``feed_grade`` and their errors are stored
as fractions, and other material variables in the unit that the site declares at their first run.
``description`` says which units a history has; ``stored_units`` converts between these and
the units of a site.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
import pyarrow as pa

from optimizer.plant.run_columns import (
    AFTER_SETTINGS,
    BEFORE_SETTINGS,
    FEED_GRADE_SE,
    Kind,
    names_of,
)
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.units import stored_unit_of

FRACTIONS = names_of(Kind.fraction)
CORRELATIONS = names_of(Kind.correlation)
READINGS = ("samples", "settled")
"""Columns of a run that was averaged from readings: their number, and whether the deck was
steady."""
PROVENANCE = ("source", "source_row")
NO_GATES: Mapping[str, Sequence[str]] = MappingProxyType({})
SAME_GATE = 1e-6
"""Largest relative difference of gates that count as alike; ids have six digits too."""
TIMESTAMP = pa.timestamp("us", "UTC")

_TYPES = {
    Kind.text: pa.string(),
    Kind.time: TIMESTAMP,
    Kind.fraction: pa.float64(),
    Kind.count: pa.int64(),
    Kind.correlation: pa.float64(),
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
    """Schema of the run table of a site, with the settings that any line needs."""
    return run_schema(site.setting_names, site.material_names)


def fields_of(site: Site) -> tuple[str, ...]:
    """Names of the fields that a column of a log can fill, in the order of the run table."""
    own = (*READINGS, *PROVENANCE)
    return tuple(name for name in schema_of(site).names if name not in own)


def declared_unit(site: Site, name: str, line: str | None) -> str:
    """The unit of a number without a unit in the column ``name``, as the site declares it.

    The unit of a fraction is an empty text.
    """
    if name in site.setting_names:
        return site.setting(name, line).unit
    if name == FEED_GRADE_SE:
        return site.material[FEED_GRADE].unit
    return site.material[name].unit if name in site.material else ""


def first_stored_unit(site: Site, name: str, line: str | None) -> str:
    """The unit in which a history without runs of a line would store the column ``name``.

    Air is set with a knob. Its turns or per cent of opening cannot be converted to another unit, so
    the unit of the line is kept. Once a history has runs, their unit stays (see ``description``).
    """
    if name in (FEED_GRADE, FEED_GRADE_SE):
        return ""
    declared = declared_unit(site, name, line)
    if name not in site.setting_names:
        return declared
    return stored_unit_of(site.settings_of(line).whole_name(name), declared)


def in_schema(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Puts the columns of a schema first, in its order and with its types.

    Columns that the table lacks are added and hold nulls; further columns of the table come last.
    """
    arrays = [
        table[f.name].cast(f.type)
        if f.name in table.column_names
        else pa.chunked_array([pa.nulls(table.num_rows, f.type)])
        for f in schema
    ]
    further = [n for n in table.column_names if n not in schema.names]
    return pa.table([*arrays, *(table[n] for n in further)], names=[*schema.names, *further])


def alike_gates_as_one(
    runs: pa.RecordBatch, gates: Mapping[str, Sequence[str]] = NO_GATES
) -> pa.RecordBatch:
    """Runs in which equal numbers at all gates of a setting stand as one number for all.

    Args:
        runs: n runs.
        gates: for each setting that has gates on some line, the columns of these, as far as the
            runs have them.
    """
    for whole, columns in gates.items():
        found = [name for name in columns if name in runs.schema.names]
        if all(runs.column(name).null_count == len(runs) for name in found):
            continue
        values = np.column_stack([runs.column(n).to_numpy(zero_copy_only=False) for n in found])
        filled = ~np.isnan(values)
        first = values[np.arange(len(values)), filled.argmax(axis=1)]
        alike = (np.isclose(values, first[:, None], rtol=SAME_GATE, atol=0.0) | ~filled).all(axis=1)
        if whole not in runs.schema.names:
            runs = runs.append_column(whole, pa.nulls(len(runs), pa.float64()))
        before = runs.column(whole).to_numpy(zero_copy_only=False)
        one = np.where(filled.any(axis=1), np.where(alike, first, np.nan), before)
        numbers = {n: np.where(alike, np.nan, values[:, k]) for k, n in enumerate(found)}
        for name, column in {**numbers, whole: one}.items():
            place = runs.schema.get_field_index(name)
            cells = pa.array(column, pa.float64(), from_pandas=True)
            runs = runs.set_column(place, runs.schema.field(place), cells)
    return runs
