"""Balances the tests in a file of weighed and assayed streams, and writes them as a run log.

Each row of the file is a stream. It has a ``test_id``, a ``stream`` (feed, product, reject or any
further name), a ``mass`` or ``mass_rate`` and an ``assay``; ``mass_se``, ``assay_se`` and ``count``
are optional. Further columns (settings, line, started_at, material) are copied into the log. A file
that has a column ``feed_grade`` keeps it; otherwise the log gets the feed grade of the balance.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from optimizer.errors import InputError
from optimizer.files import write_whole
from optimizer.history.start_times import Clock, latest_start, utc_now
from optimizer.intake.checking.times import impossible
from optimizer.intake.formats.files import read_whole
from optimizer.intake.reading.long_texts import TOO_LONG, too_long
from optimizer.intake.reading.source import ZERO, Chunk, Decimal
from optimizer.intake.reading.values import Numbers, numbers
from optimizer.measurement.balancing import BalanceResult, balance_tests
from optimizer.plant.run_columns import FEED_GRADE_SE, OF_MIDDLINGS
from optimizer.plant.site import FEED_GRADE
from optimizer.plant.units import factor
from optimizer.text.formulas import harmless
from optimizer.text.headings import bind_fields, name_key, split_unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

TEXTS = ("test_id", "stream")
FRACTIONS = ("assay", "assay_se")
NUMBERS = ("mass", "mass_rate", "mass_se", "count")
FIELDS = (*TEXTS, *FRACTIONS, *NUMBERS)
NEEDED = ("test_id", "stream", "assay")
STARTED = "started_at"
_DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d+\s*\D*$")
# Columns of the log that the balance fills; the file must not have columns of these names.
FILLED = (
    "run_id",
    "grade",
    "grade_se",
    "recovery",
    "recovery_se",
    "grade_count",
    "grade_recovery_correlation",
    *OF_MIDDLINGS,
)
# Columns that the balance fills where the file has no column of the feed grade.
FILLED_OF_FEED = (
    FEED_GRADE_SE,
    "feed_grade_count",
    "grade_feed_correlation",
    "recovery_feed_correlation",
)
# The site may declare per cent for numbers that name no unit.
FRACTION_HEADING = "{} [fraction]"


@dataclass(frozen=True)
class StreamLog:
    """The tests of a file of streams.

    Attributes:
        results: one result for each test, in the order of the file; that of a faulty test says what
            is wrong.
        carried: for each test, the further columns that are copied into the log.
        states_feed: whether the file has a column of the feed grade.
        not_filled_in: ids of the tests without any measurement, which have no result.
    """

    results: tuple[BalanceResult, ...]
    carried: Mapping[str, Mapping[str, str]]
    states_feed: bool = False
    not_filled_in: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, object]:
        """The ``highside.balance/1`` document."""
        return {
            "schema": "highside.balance/1",
            "tests": [r.as_dict() for r in self.results],
            "not_filled_in": list(self.not_filled_in),
        }

    def rows(self) -> list[dict[str, float | str]]:
        """Tests with a grade and a recovery, as rows of a run log."""
        return [
            {
                "run_id": r.test_id,
                **self.carried.get(r.test_id, {}),
                "grade": _known(r.grade),
                "grade_se": _known(r.grade_se),
                "recovery": _known(r.recovery),
                "recovery_se": _known(r.recovery_se),
                "grade_count": _known(r.grade_count),
                "grade_recovery_correlation": _known(r.grade_recovery_correlation),
                **({} if self.states_feed else _of_feed(r)),
                **{name: _known(value) for name, value in r.of_middlings.items()},
            }
            for r in self.results
            if not (math.isnan(r.grade) or math.isnan(r.recovery))
        ]

    def write(self, path: Path) -> int:
        """Writes the run log as CSV and returns the number of runs in it.

        Raises:
            InputError: when the file cannot be written.
        """
        rows = self.rows()
        names = list(dict.fromkeys(name for row in rows for name in row)) or list(FILLED)
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(map(harmless, names))
        writer.writerows([harmless(row.get(name, "")) for name in names] for row in rows)
        write_whole(path, text.getvalue().encode())
        return len(rows)


def _of_feed(result: BalanceResult) -> dict[str, float | str]:
    """The feed grade of a balance and its errors, as columns of a run log."""
    return {
        FRACTION_HEADING.format(FEED_GRADE): _known(result.feed_grade),
        FRACTION_HEADING.format(FEED_GRADE_SE): _known(result.feed_grade_se),
        "feed_grade_count": _known(result.feed_grade_count),
        "grade_feed_correlation": _known(result.grade_feed_correlation),
        "recovery_feed_correlation": _known(result.recovery_feed_correlation),
    }


def _known(value: float) -> float | str:
    """A value with ten decimals, which is finer than any error; an empty text for NaN."""
    return "" if math.isnan(value) else round(value, 10)


def balance_file(
    path: str | Path,
    *,
    returned: Collection[str] = (),
    sampled_after_return: bool = False,
    mass_error: float | None = None,
    assay_error: float | None = None,
    clock: Clock = utc_now,
) -> StreamLog:
    """Balances every test of a file of streams.

    Args:
        path: path of a CSV or Parquet file.
        returned: names of the streams that are led back to the feed.
        sampled_after_return: whether the feed was sampled after they had joined it.
        mass_error, assay_error: relative standard errors of weights and of assays that state none.
        clock: gives the current time; tests that start much later are faulty.

    Raises:
        InputError: when the file cannot be read or lacks a column; the message names the file and
            the column.
    """
    cells, empty = _without_empty(_read_cells(path))
    table, wrong = _measured(cells, latest_start(clock()))
    keep = [k for k, test in enumerate(cells.ids) if test not in wrong]
    sound = {name: [column[k] for k in keep] for name, column in table.items()}
    found: list[BalanceResult] = []
    if keep:
        found = balance_tests(
            sound,
            returned=returned,
            sampled_after_return=sampled_after_return,
            mass_relative_se=mass_error,
            assay_relative_se=assay_error,
        )
    results = tuple(_in_file_order(found, cells.ids, wrong))
    return StreamLog(results, _carried(cells), _states_feed(cells.columns), empty)


@dataclass(frozen=True)
class _Cells:
    """The cells of a file of streams with n rows.

    Attributes:
        path: path of the file.
        columns: texts of each column, by name, shape (n,).
        units: units of the columns that are fields of a stream, by name.
        rows: number of each row in the file, shape (n,).
        ids: test of each row, n texts.
        decimal: decimal mark of the file's numbers.
    """

    path: str
    columns: Mapping[str, pa.ChunkedArray]
    units: Mapping[str, str]
    rows: NDArray[np.int64]
    ids: tuple[str, ...]
    decimal: Decimal

    def place(self, k: int, name: str) -> str:
        """The file, row and column of a cell, for a message."""
        return f"{self.path} row {self.rows[k]}, {name}"


def _read_cells(path: str | Path) -> _Cells:
    """Reads the cells of a file and finds out what its headings mean.

    Raises:
        InputError: when the file cannot be read, or a column or cell is missing; the message names
            the file and the column or row.
    """
    source, chunks = read_whole(Path(path))
    names, units = _columns(source.headings, str(path))
    _refuse_ragged(chunks, len(names), path)
    if not sum(len(c.rows) for c in chunks):
        raise InputError(f"{path}: the file has headings and no rows.")
    text = pa.concat_tables([c.text for c in chunks])
    columns = {n: text.column(j) for j, n in enumerate(names)}
    ids = tuple(str(v or "").strip() for v in columns["test_id"].to_pylist())
    rows = np.concatenate([c.rows for c in chunks])
    return _Cells(str(path), columns, units, rows, ids, source.decimal)


def _without_empty(cells: _Cells) -> tuple[_Cells, tuple[str, ...]]:
    """The cells without the tests that have no measurement, and the ids of these tests: a sheet to
    fill in is read as often as somebody has filled in more of it.

    Raises:
        InputError: when no test has a measurement.
    """
    measured = [
        column.to_pylist()
        for name, column in cells.columns.items()
        if name in (*FRACTIONS, *NUMBERS)
    ]
    filled = [any(str(cell or "").strip() for cell in row) for row in zip(*measured, strict=True)]
    begun = {test for test, some in zip(cells.ids, filled, strict=True) if some}
    empty = tuple(dict.fromkeys(test for test in cells.ids if test not in begun))
    if not begun:
        raise InputError(
            f"{cells.path}: no row has a mass, an assay or a count.",
            hint="Fill in what was measured, such as 902 under mass and 98.7% under assay.",
        )
    keep = np.array([test in begun for test in cells.ids])
    return replace(
        cells,
        columns={name: column.filter(pa.array(keep)) for name, column in cells.columns.items()},
        rows=cells.rows[keep],
        ids=tuple(test for test in cells.ids if test in begun),
    ), empty


def _measured(
    cells: _Cells, latest: int
) -> tuple[dict[str, Sequence[object] | NDArray[np.float64]], dict[str, str]]:
    """The columns of the streams as numbers, and the first fault of each test that has one.

    Args:
        cells: cells of the file.
        latest: the latest possible start of a test, in microseconds since 1970.
    """
    columns = cells.columns
    table: dict[str, Sequence[object] | NDArray[np.float64]] = {
        "test_id": cells.ids,
        "stream": columns["stream"].to_pylist(),
    }
    wrong: dict[str, str] = {}
    for name in (n for n in (*FRACTIONS, *NUMBERS) if n in columns):
        read = numbers(columns[name], cells.decimal)
        table[name], faults = _read(name, read, cells.units[name])
        for mask, reason in faults:
            for k in map(int, np.flatnonzero(mask)):
                cell = columns[name][k].as_py()
                fault = f"{cells.place(k, name)} '{cell}': {reason.format(value=cell)}"
                wrong.setdefault(cells.ids[k], fault)
    for name, mask, reason in _not_to_carry(columns, latest):
        for k in map(int, np.flatnonzero(mask)):
            fault = f"{cells.place(k, name)} {reason.format(value=columns[name][k].as_py())}"
            wrong.setdefault(cells.ids[k], fault)
    return table, wrong


def _refuse_ragged(chunks: Sequence[Chunk], columns: int, path: str | Path) -> None:
    """Refuses a file with a row that has more or fewer cells than there are headings.

    Raises:
        InputError: for the first such row, which the message names.
    """
    for ragged in (r for c in chunks for r in c.ragged):
        if any(ZERO in cell for cell in ragged.cells):
            raise InputError(
                f"{path} row {ragged.row}: zero bytes, as a logger leaves where it lost power.",
                hint="Write the row again or delete it.",
            )
        raise InputError(
            f"{path} row {ragged.row}: {len(ragged.cells)} cells under {columns} headings.",
            hint="A decimal comma in a comma-separated file splits a number in two.",
        )


def _not_to_carry(
    columns: Mapping[str, pa.ChunkedArray], latest: int
) -> Iterator[tuple[str, NDArray[np.bool_], str]]:
    """Cells that must not be copied into a run log: column, mask of shape (n,) and reason.

    Other faults are found when the log is loaded.
    """
    for name, column in columns.items():
        yield name, too_long(column.combine_chunks()), TOO_LONG
        if name_key(split_unit(name)[0]) == name_key(STARTED):
            for mask, reason in impossible(column, latest):
                yield name, mask, reason


def _columns(headings: Sequence[str], path: str) -> tuple[list[str], dict[str, str]]:
    """Names of the columns, and units of the fields by name.

    The names of fields are canonical; those of other columns stay as they are written.

    Raises:
        InputError: when a column is missing, clashes with a column of the log, or has a wrong unit.
    """
    names, units = bind_fields(headings, FIELDS, NEEDED, path)
    computed = FILLED if _states_feed(names) else (*FILLED, *FILLED_OF_FEED)
    filled = {name_key(name) for name in computed}
    clash = sorted(name for name in names if name_key(split_unit(name)[0]) in filled)
    if clash:
        raise InputError(f"{path}: the balance computes '{clash[0]}' itself; rename that column.")
    weighed = {units.get("mass", ""), units.get("mass_rate", ""), ""}
    if units.get("mass_se", "") not in weighed:
        raise InputError(f"{path}: mass_se is in '{units['mass_se']}', the mass is not.")
    return names, units


def _states_feed(names: Iterable[str]) -> bool:
    """Whether one of the names of columns means the feed grade."""
    return name_key(FEED_GRADE) in {name_key(split_unit(name)[0]) for name in names}


def _read(
    name: str, cells: Numbers, unit: str
) -> tuple[NDArray[np.float64], list[tuple[NDArray[np.bool_], str]]]:
    """Numbers of one column, and its faulty cells as masks with reasons.

    Assays are converted to fractions.
    """
    values = np.array(cells.values, dtype=float)
    if name in FRACTIONS:
        scale = np.full(len(values), factor(unit, "fraction") if unit else 1.0)
        if cells.percent is not None:
            scale[cells.percent] = 0.01
        values = values * scale
        doubtful = (values > 1) & (values <= 100)
        remedy = f"could be per cent: write the heading as '{name} [%]' or the number as a fraction"
        outside = (values < 0) | (values > 100)
        return values, [
            *cells.faults,
            (doubtful, remedy),
            (outside, "is not a fraction from 0 to 1"),
        ]
    return values, [*cells.faults, (values < 0, "is below 0")]


def _in_file_order(
    found: Sequence[BalanceResult], ids: Sequence[str], wrong: Mapping[str, str]
) -> list[BalanceResult]:
    """Puts results in the order of the file, and adds results for tests with a faulty cell."""
    by_id = {result.test_id: result for result in found}
    for test, reason in wrong.items():
        by_id[test] = BalanceResult(test, "impossible", warnings=(reason,))
    return [by_id[test] for test in dict.fromkeys(ids)]


def _carried(cells: _Cells) -> dict[str, dict[str, str]]:
    """The first filled cell of each further column, by test and column.

    Decimal commas become points, since the log is written with decimal points.
    """
    carried: dict[str, dict[str, str]] = {}
    for name, column in cells.columns.items():
        if name in FIELDS:
            continue
        for test, cell in zip(cells.ids, column.to_pylist(), strict=True):
            shown = "" if cell is None else str(cell).strip()
            if cells.decimal == "comma" and _DECIMAL_COMMA.match(shown):
                shown = shown.replace(",", ".")
            if shown:
                carried.setdefault(test, {}).setdefault(name, shown)
    return carried
