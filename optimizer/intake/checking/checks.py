"""From the rows of a log to runs in stored units and faulty rows with their reasons.

Each function checks one field of a chunk and returns its column for the run table, or None when all
its cells are empty. A fault does not stop the checks, so a row gets all its reasons at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import nearest
from optimizer.history.arrow import as_mask, one_array
from optimizer.history.schema import CORRELATIONS, FRACTIONS, schema_of
from optimizer.intake.checking.faults import Faults
from optimizer.intake.checking.fields import COUNTS, NEEDED, Fields, Log, highest_fraction
from optimizer.intake.checking.halves import halves
from optimizer.intake.checking.line_names import line_names
from optimizer.intake.checking.settings import as_column, in_range, settings_of, shown
from optimizer.intake.checking.starts import started_at
from optimizer.intake.checking.totals import totals_rows
from optimizer.intake.reading.columns import REJECT_COLUMNS, SHAPE_COLUMN
from optimizer.intake.reading.long_texts import TOO_LONG, too_long
from optimizer.intake.reading.source import Chunk
from optimizer.measurement.joint_errors import excess_correlation
from optimizer.plant.run_columns import DECK_STATES, EVEN, EXPECTED, Kind, names_of
from optimizer.plant.site import FEED_GRADE
from optimizer.plant.time_zone import UTC_ZONE, TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Rows = NDArray[np.int64]

# Rounding may put a computed recovery of exactly 1 slightly above 1.
ROUNDING = 1e-9
# Correlations that no three errors can have together are accepted as rounded to two decimals up to
# this excess: each is then off by at most 0.005, and the excess changes by at most 2 per unit of
# each.
ROUNDED_CORRELATIONS = 3 * 2 * 0.005
# Whole numbers up to this one are exact in floating point, and no sample has more particles.
MOST_COUNTED = 2.0**53
TEXTS_AND_TIMES = tuple(n for n in names_of(Kind.text, Kind.time) if n != "deck_state")
_YES_OR_NO = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


@dataclass
class Checked:
    """Outcome of the checks for one chunk.

    Args:
        runs: rows without fault, in the schema of the run table, with run ids where given.
        index: position of each run in the chunk, shape (len(runs),).
        faults: faults of all rows of the chunk.
        rejected: positions of the faulty rows in the chunk.
        unsure: positions of rows whose meaning other rows of the log may decide.
        proof, settled, highest: values by column, see ``Fields``.
        skipped: clock times that no clock showed, as written.
        twice: numbers of the rows whose clock time came twice, with the zone of their clocks.
        back: numbers of the rows of a sheet whose time is before that of the row above, shape (k,).
        of_sheet: number of times of day that have the date of their sheet.
        zone: time zone of the clock times.
    """

    runs: pa.RecordBatch
    index: Rows
    faults: Faults
    rejected: Rows
    unsure: Rows
    proof: dict[int, int] = field(default_factory=dict)
    settled: dict[int, int] = field(default_factory=dict)
    highest: dict[int, float] = field(default_factory=dict)
    skipped: list[str] = field(default_factory=list)
    twice: dict[int, TimeZone] = field(default_factory=dict)
    back: Rows = field(default_factory=lambda: np.zeros(0, np.int64))
    of_sheet: int = 0
    zone: TimeZone = UTC_ZONE


def check(chunk: Chunk, log: Log) -> Checked:
    """Check a chunk of a log."""
    fields = Fields(chunk, log)
    runs = _runs(fields)
    _refuse_moved(fields)
    _refuse_totals(fields, runs)
    unsure = fields.unsure & ~fields.faults.stand_alone
    rejected = fields.faults.bad & ~unsure
    good = ~(rejected | unsure)
    return Checked(
        runs if good.all() else runs.filter(pa.array(good)),
        np.flatnonzero(good),
        fields.faults,
        np.flatnonzero(rejected),
        np.flatnonzero(unsure),
        fields.proof,
        fields.settled,
        fields.highest,
        [cell for cells in fields.skipped for cell in cells.to_pylist()],
        dict.fromkeys(chunk.rows[fields.twice].tolist(), fields.zone),
        chunk.rows[fields.back],
        fields.of_sheet,
        fields.zone,
    )


def _runs(fields: Fields) -> pa.RecordBatch:
    """A run table with one row for each row of the chunk, including faulty rows."""
    log = fields.log
    columns: dict[str, pa.Array | None] = {
        **{name: OWN_CHECKS.get(name, _text)(fields, name) for name in TEXTS_AND_TIMES},
        "source": _repeated(log.source, fields.n),
        "source_row": pa.array(fields.chunk.rows),
    }
    settings_alone, results_alone = halves(fields)
    columns |= settings_of(fields, ~results_alone)
    columns["deck_state"] = _deck_state(fields)
    measured = as_mask(pc.equal(columns["deck_state"], EVEN)) & ~settings_alone
    for name in FRACTIONS:
        columns[name] = _fraction(fields, name, measured)
    for name in COUNTS:
        columns[name] = _count(fields, name)
    columns |= _correlations(fields)
    columns["settled"] = _settled(fields)
    for name in log.site.material_names:
        columns[name] = _material(fields, name)
    schema = schema_of(log.site)
    filled = {f.name: columns[f.name] for f in schema}
    arrays = [
        pa.nulls(fields.n, f.type) if filled[f.name] is None else filled[f.name] for f in schema
    ]
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _text(fields: Fields, name: str) -> pa.Array:
    text = fields.text(name)
    fields.fault(name, too_long(text), TOO_LONG)
    return text


def _deck_state(fields: Fields) -> pa.Array:
    """The state of the deck of each row; an empty cell means even."""
    given = fields.text("deck_state")
    if given.null_count == fields.n:
        return _repeated(EVEN, fields.n)
    state = pc.fill_null(pc.utf8_lower(given), EVEN)

    def likely(rows: Rows) -> pa.Array:
        coded = state.take(pa.array(rows)).dictionary_encode()
        hints = [nearest(text, DECK_STATES) for text in coded.dictionary.to_pylist()]
        return pa.array(hints, pa.string()).take(coded.indices)

    fields.fault(
        "deck_state",
        ~as_mask(pc.is_in(state, pa.array(DECK_STATES))),
        f"'{{value}}' is not known: {EXPECTED}. {{likely}}",
        likely=likely,
    )
    return state


OWN_CHECKS = {"line": line_names, "started_at": started_at}
"""Checks of columns by kind, for kinds other than text."""


def _material(fields: Fields, name: str) -> pa.Array | None:
    if not fields.has(name):
        return None
    values, unread = fields.number(name)
    if name == FEED_GRADE and fields.site.feed_grade_scale == 1.0:
        unread = unread | _could_be_percent(fields, name, values, unread, 1.0)
    in_range(fields, name, values, unread)
    return as_column(values)


def _fraction(fields: Fields, name: str, measured: Mask) -> pa.Array | None:
    """A fraction of each row, and faults where a row with a result, shape (n,), lacks it."""
    needed = name in NEEDED
    if not fields.has(name) and not needed:
        return None
    values, unread = fields.number(name)
    if needed:
        missing = np.isnan(values) & ~unread & measured
        reason = "is missing and the deck ran even: fill it in, or name the deck_state"
        fields.fault(name, missing, reason)
    top = highest_fraction(name)
    outside = ((values < 0) | (values > top)) & ~unread
    if not outside.any():
        return as_column(values)
    values = np.where((values > 1) & (values <= 1 + ROUNDING), 1.0, values)
    unread = unread | _could_be_percent(fields, name, values, unread, top)
    outside = ((values < 0) | (values > top)) & ~unread
    said = outside & fields.says_unit(name)
    per_cent = f"{{value}} is outside its range: expected from 0 to {100 * top:g} %"
    fields.fault(name, said, per_cent)
    fields.fault(name, outside & ~said, "{value} is outside its range: expected {expected}")
    return as_column(values)


def _could_be_percent(fields: Fields, name: str, values: Floats, unread: Mask, top: float) -> Mask:
    """Record faults of numbers without a unit that are possible only as per cent; returns their
    mask, (n,)."""
    could: Mask = (values > top) & (values <= 100.0 * top) & ~unread & ~fields.says_unit(name)
    if fields.in_per_cent(name) or not could.any():
        return np.zeros(fields.n, bool)
    fields.fault(
        name,
        could,
        f"{{value}} could be per cent: write the heading as '{name} [%]' "
        "or the number as {hundredth}",
        hundredth=lambda rows: shown(values[rows] / 100.0),
    )
    return could


def _count(fields: Fields, name: str) -> pa.Array | None:
    if not fields.has(name):
        return None
    values, unread = fields.number(name)
    whole = (values >= 1) & (values <= MOST_COUNTED) & (np.floor(values) == values)
    wrong = ~np.isnan(values) & ~whole & ~unread
    fields.fault(name, wrong, "{value} is not a count of particles: expected {expected}")
    return pa.array(np.where(whole, values, 0).astype(np.int64), mask=~whole)


def _correlations(fields: Fields) -> dict[str, pa.Array | None]:
    """The columns of correlations, by name; each is -1 to 1, and all of a row fit together."""
    read = {name: np.full(fields.n, np.nan) for name in CORRELATIONS}
    for name in filter(fields.has, CORRELATIONS):
        values, unread = fields.number(name)
        outside = (np.abs(values) > 1 + ROUNDING) & ~unread
        fields.fault(name, outside, "{value} is outside its range: expected {expected}")
        read[name] = np.where(outside, np.nan, np.clip(values, -1, 1))
    apart = excess_correlation(*read.values()) > ROUNDED_CORRELATIONS
    others = " and ".join(CORRELATIONS[:2])
    reason = f"{{value}} cannot be true together with {others}: no three errors have these three"
    fields.fault(CORRELATIONS[2], apart, reason)
    return {name: as_column(values) for name, values in read.items()}


def _settled(fields: Fields) -> pa.Array | None:
    if not fields.has("settled"):
        return None
    given = pc.utf8_lower(fields.text("settled"))
    place = pc.index_in(given, pa.array(list(_YES_OR_NO)))
    fields.fault("settled", as_mask(given.is_valid()) & as_mask(place.is_null()), "is yes or no")
    return pa.array(list(_YES_OR_NO.values())).take(place)


def _refuse_moved(fields: Fields) -> None:
    """Record faults of rows of a rejects file that are still marked as having moved cells."""
    binding, text = (
        fields.log.binding,
        fields.chunk.text if fields.log.binding.is_rejects_file else None,
    )
    if text is None or SHAPE_COLUMN not in binding.headings:
        return
    shape = text.column(binding.headings.index(SHAPE_COLUMN))
    reason = text.column(REJECT_COLUMNS.index("reason"))
    reasons = one_array(pc.fill_null(reason, f"'{SHAPE_COLUMN}' is not empty"))
    moved = np.flatnonzero(np.asarray(shape.is_valid()))
    fields.faults.whole(moved, "{said}", {"said": lambda rows: reasons.take(pa.array(rows))})


def _refuse_totals(fields: Fields, runs: pa.RecordBatch) -> None:
    """Record faults of rows that are totals of other rows."""
    table, binding = fields.chunk.table, fields.log.binding
    start = len(REJECT_COLUMNS) if binding.is_rejects_file else 0
    named = {c.index: name for name, found in binding.columns.items() for c in found}
    gates = fields.site.setting_columns.gates
    settings = [
        pc.coalesce(*(runs.column(each) for each in (s.name, *gates.get(s.name, ()))))
        for s in fields.site.wholes
    ]
    own = range(start, table.num_columns)
    rows, words = totals_rows(table, own, named, settings, fields.faults.bad)
    if len(rows):
        reason = "a totals row, not a run ('{word}'): leave it out"
        fields.faults.whole(rows, reason, {"word": lambda at: words.take(pa.array(at))})


def _repeated(text: str, n: int) -> pa.Array:
    return pa.repeat(pa.scalar(text, pa.string()), n)
