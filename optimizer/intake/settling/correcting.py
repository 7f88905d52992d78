"""Corrections of known runs: by the rows of a log, or by new values of a single run.

A corrected value goes through the checks of a loaded row. A log that corrects runs may lack
columns; the values that its runs have in the history then fill these columns before the checks.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError, ValueRefused, nearest
from optimizer.history.schema import fields_of, run_schema
from optimizer.history.start_times import without_impossible_times
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.checking.checks import check
from optimizer.intake.checking.fields import Fields, Log
from optimizer.intake.formats.logs import table_of_rows
from optimizer.intake.formats.parquet import open_table
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.long_texts import with_texts_cut
from optimizer.intake.reading.source import Chunk, Source
from optimizer.intake.reading.values import as_text
from optimizer.intake.settling.conflicts import corrected, places_of_runs
from optimizer.text.headings import name_key, split_unit, with_unit

if TYPE_CHECKING:
    from optimizer.history.history import History

FIXED = ("run_id", "line")
"""Fields that say which run it is, and are never corrected."""


# -- by the rows of a log --------------------------------------------------------------------


def stored_runs(history: History, places: pa.Array) -> pa.Table:
    """The stored runs with some lines and ids, with all stored columns."""
    found = [run_schema((), ()).empty_table()]
    for batch in history.at().batches():
        chosen = batch.filter(pc.is_in(places_of_runs(batch), places))
        found += [pa.Table.from_batches([chosen])] if len(chosen) else []
    return pa.concat_tables(found, promote_options="default").combine_chunks()


def completed(source: Source, log: Log, history: History) -> tuple[Source, frozenset[str]]:
    """A log with the columns that it lacks, filled with the values of its runs in the history.

    Args:
        source: the opened log; without run ids or lines it is returned as it is.
        log: its properties.
        history: the history.

    Returns:
        The log, and the names of the filled fields.
    """
    own = log.binding.columns
    # One column for all gates says what each gate has; the history must not say otherwise.
    alike = {g for whole, gates in log.site.setting_columns.gates.items() if whole in own
             for g in gates}  # fmt: skip
    lacking = [n for n in fields_of(log.site) if n not in (*own, *FIXED, *alike)]
    named = "run_id" in own and ("line" in own or log.line is not None)
    if not lacking or not named or log.binding.is_rejects_file:
        return source, frozenset()
    width = len(source.headings)

    def parts(numeric: frozenset[int]) -> Iterator[Callable[[], Chunk]]:
        for part in source.parts(frozenset(k for k in numeric if k < width)):
            # Filled here, one after another: only the load's own thread reads the history.
            yield partial(_itself, _filled(part(), log, lacking, history))

    wider = replace(source, headings=(*source.headings, *lacking), parts=parts)
    return wider, frozenset(lacking)


def _itself(chunk: Chunk) -> Chunk:
    return chunk


def _filled(chunk: Chunk, log: Log, lacking: Collection[str], history: History) -> Chunk:
    """A part of a log with further columns, which hold the values of its runs in the history."""
    fields = Fields(chunk, log)
    rows = pa.table({"line": fields.line, "run_id": fields.text("run_id")})
    places = places_of_runs(rows)
    known = stored_runs(history, pc.unique(places.drop_null()))
    shown = log.units.in_site_units(without_impossible_times(known, log.latest))
    at = pc.index_in(places, places_of_runs(shown))
    columns = [
        shown[name].take(at) if name in shown.column_names else _empty(len(rows))
        for name in lacking
    ]
    text = chunk.text
    ragged = chunk.ragged
    return replace(
        chunk,
        table=_wider(chunk.table, columns),
        read_text=lambda: _wider(text, [as_text(column) for column in columns]),
        ragged=replace(ragged, table=_wider(ragged.table, [_empty(len(ragged))] * len(columns))),
    )


def _empty(n: int) -> pa.ChunkedArray:
    return pa.chunked_array([pa.nulls(n, pa.string())])


def _wider(table: pa.Table, columns: list[pa.ChunkedArray]) -> pa.Table:
    """A table with further columns, named by their number."""
    for column in columns:
        table = table.append_column(str(table.num_columns), column)
    return table


# -- by new values of one run ----------------------------------------------------------------


def corrected_run(
    run: pa.Table, values: Mapping[str, object], units: StoredUnits, latest: int
) -> pa.Table:
    """A stored run with new values, which go through the checks of a loaded row.

    Args:
        run: the run, one row with all stored columns.
        values: new values by heading of a log, such as ``grade`` or ``feed_rate [kg/h]``; None or
            an empty text empties a field.
        units: units of the history and of the plant, in which values are given.
        latest: the latest possible start, see ``latest_start``.

    Returns:
        The run with the values that differ; it equals the given run when none does.

    Raises:
        ValueRefused: when a value fails a check.
        InputError: when a heading is not a field that can be corrected.
    """
    site = units.site
    known = Headings(site).fields
    named = {_field(heading, known): heading for heading in values}
    shown = units.in_site_units(without_impossible_times(run, latest)).to_pylist()[0]
    gates = site.setting_columns.gates
    alike = {gate for whole in gates if whole in named for gate in gates[whole]}
    row = {n: shown.get(n) for n in fields_of(site) if n not in named and n not in alike}
    row |= {heading: values[heading] for heading in named.values()}
    # The site file may give these headings another meaning in logs.
    own = {heading: with_unit(f, split_unit(heading)[1] or "") for f, heading in named.items()}
    headings = Headings(site, {name: name for name in row} | own)
    checked = _checked(row, headings, units, latest)
    changed = [each for name in named for each in site.setting_columns.family(name)]
    return corrected(run, checked, np.zeros(1, np.int64), list(dict.fromkeys(changed)))[0]


def _field(heading: str, known: Mapping[str, str]) -> str:
    """The field that a heading names.

    Raises:
        InputError: when it names none, or one that says which run it is.
    """
    found = known.get(name_key(split_unit(heading)[0]))
    if found is None or found in FIXED:
        said = "cannot be corrected" if found else "is not a field of a run"
        others = [name for name in known.values() if name not in FIXED]
        raise InputError(f"'{heading}' {said}.", hint=nearest(heading, others))
    return found


def _checked(
    row: Mapping[str, object], headings: Headings, units: StoredUnits, latest: int
) -> pa.Table:
    """A run that is given as one row of a log, in stored units.

    Raises:
        ValueRefused: when a value fails a check.
    """
    source = open_table(table_of_rows([row]), "run")
    binding = headings.bind(source.headings, None)
    if binding.problem:
        raise InputError(f"{binding.problem}.")
    log = Log("run", "", units, binding, source.decimal, latest, None, proof={})
    (part,) = source.parts(frozenset())
    checked = check(with_texts_cut(part()), log)
    if len(checked.rejected):
        found = checked.faults.by_field(int(checked.rejected[0]))
        raise ValueRefused(f"run '{row['run_id']}': {'; '.join(found.values())}.", found)
    return pa.Table.from_batches([checked.runs])
