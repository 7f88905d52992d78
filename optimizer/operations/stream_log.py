"""A file of weighed and assayed streams becomes balanced tests, and a log that ``load`` takes.

One row a stream: ``test_id, stream`` (feed, product, reject or any further name), ``mass`` or
``mass_rate`` and ``assay``, with ``mass_se``, ``assay_se`` or ``count`` as far as known. Further
columns (settings, line, started_at, material) are carried into the log.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from optimizer.errors import InputError
from optimizer.files import write_whole
from optimizer.formulas import harmless
from optimizer.headings import fields_of, name_key, split_unit
from optimizer.history.started import Clock, latest_start, utc_now
from optimizer.intake.checking.times import impossible
from optimizer.intake.formats.files import read_whole
from optimizer.intake.reading.long_texts import TOO_LONG, too_long
from optimizer.intake.reading.source import ZERO
from optimizer.intake.reading.values import Numbers, numbers
from optimizer.measurement import BalanceResult, balance_tests
from optimizer.plant.units import factor

if TYPE_CHECKING:
    from numpy.typing import NDArray

TEXTS = ("test_id", "stream")
FRACTIONS = ("assay", "assay_se")
NUMBERS = ("mass", "mass_rate", "mass_se", "count")
FIELDS = (*TEXTS, *FRACTIONS, *NUMBERS)
NEEDED = ("test_id", "stream", "assay")
STARTED = "started_at"
_DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d+\s*\D*$")
# Columns of the log that the balance fills; a column of that name in the file would clash.
FILLED = ("run_id", "grade", "grade_se", "recovery", "recovery_se", "grade_count")


@dataclass(frozen=True)
class StreamLog:
    """What a file of streams says.

    Attributes:
        results: one a test, in the order of the file; faulty ones say why.
        carried: columns of the log besides what the balance fills, by test.
    """

    results: tuple[BalanceResult, ...]
    carried: Mapping[str, Mapping[str, str]]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.balance/1`` document."""
        return {"schema": "highside.balance/1", "tests": [r.as_dict() for r in self.results]}

    def rows(self) -> list[dict[str, Any]]:
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
            }
            for r in self.results
            if not (math.isnan(r.grade) or math.isnan(r.recovery))
        ]

    def write(self, path: Path) -> int:
        """Write the run log as CSV; how many runs it holds.

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


def _known(value: float) -> float | str:
    """Ten decimals: below any error, and a figure that a person can read back."""
    return "" if math.isnan(value) else round(value, 10)


def balance_file(
    path: str | Path,
    *,
    returned: Collection[str] = (),
    clock: Clock = utc_now,
    **options: Any,
) -> StreamLog:
    """Balance every test of a file of streams.

    Args:
        path: CSV or Parquet, as ``load`` reads them.
        returned: streams led back to the feed.
        clock: tells the time; no test can have started much later.
        options: as in ``balance_tests``.

    Raises:
        InputError: naming the file and what its columns lack.
    """
    source, chunks = read_whole(Path(path))
    names, units = _columns(source.headings, str(path))
    for ragged in (r for c in chunks for r in c.ragged):
        if any(ZERO in cell for cell in ragged.cells):
            raise InputError(
                f"{path} row {ragged.row}: zero bytes, as a logger leaves where it lost power.",
                hint="Write the row anew or delete it.",
            )
        raise InputError(
            f"{path} row {ragged.row}: {len(ragged.cells)} cells under {len(names)} headings.",
            hint="A decimal comma in a comma-separated file splits a number in two.",
        )
    if not sum(len(c.rows) for c in chunks):
        raise InputError(f"{path}: the file has headings and no rows.")
    text = pa.concat_tables([c.text for c in chunks])
    columns = {n: text.column(j) for j, n in enumerate(names)}
    rows = np.concatenate([c.rows for c in chunks])
    ids = [str(v or "").strip() for v in columns["test_id"].to_pylist()]
    table: dict[str, Any] = {"test_id": ids, "stream": columns["stream"].to_pylist()}
    wrong: dict[str, str] = {}
    for name in (n for n in (*FRACTIONS, *NUMBERS) if n in columns):
        values, faults = _read(name, numbers(columns[name], source.decimal), units[name])
        table[name] = values
        for mask, reason in faults:
            for k in map(int, np.flatnonzero(mask)):
                cell = columns[name][k].as_py()
                place = f"{path} row {rows[k]}, {name} '{cell}'"
                wrong.setdefault(ids[k], f"{place}: {reason.format(value=cell)}")
    for name, mask, reason in _not_to_carry(columns, latest_start(clock())):
        for k in map(int, np.flatnonzero(mask)):
            said = reason.format(value=columns[name][k].as_py())
            wrong.setdefault(ids[k], f"{path} row {rows[k]}, {name} {said}")
    extra = {n: columns[n].to_pylist() for n in names if n not in FIELDS}
    return StreamLog(
        tuple(_balanced(table, ids, wrong, returned, options)),
        _carried(extra, ids, source.decimal == "comma"),
    )


def _not_to_carry(
    columns: Mapping[str, pa.ChunkedArray], latest: int
) -> Iterator[tuple[str, NDArray[np.bool_], str]]:
    """Cells that no log may hold; what a log only cannot read is told when it is loaded."""
    for name, column in columns.items():
        yield name, too_long(column.combine_chunks()), TOO_LONG
        if name_key(split_unit(name)[0]) == name_key(STARTED):
            for mask, reason in impossible(column, latest):
                yield name, mask, reason


def _columns(headings: Sequence[str], path: str) -> tuple[list[str], dict[str, str]]:
    """Name of each column, fields in canonical form and the rest as written, and field units."""
    names, units = fields_of(headings, FIELDS, NEEDED, path)
    filled = {name_key(name) for name in FILLED}
    clash = sorted(name for name in names if name_key(split_unit(name)[0]) in filled)
    if clash:
        raise InputError(f"{path}: '{clash[0]}' is what the balance works out; rename that column.")
    weighed = {units.get("mass", ""), units.get("mass_rate", ""), ""}
    if units.get("mass_se", "") not in weighed:
        raise InputError(f"{path}: mass_se is in '{units['mass_se']}', the mass is not.")
    return names, units


def _read(
    name: str, cells: Numbers, unit: str
) -> tuple[NDArray[np.float64], list[tuple[NDArray[np.bool_], str]]]:
    """Numbers of one column, assays as fractions, and what cannot stand: masks with reasons."""
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


def _balanced(
    table: dict[str, Any],
    ids: list[str],
    wrong: Mapping[str, str],
    returned: Collection[str],
    options: Mapping[str, Any],
) -> list[BalanceResult]:
    """Results in the order of the file; a test with a cell that cannot stand is not computed."""
    keep = [k for k, test in enumerate(ids) if test not in wrong]
    sound = {name: [column[k] for k in keep] for name, column in table.items()}
    found = {}
    if keep:
        found = {r.test_id: r for r in balance_tests(sound, returned=returned, **options)}
    for test, reason in wrong.items():
        found[test] = BalanceResult(test, "impossible", warnings=(reason,))
    return [found[test] for test in dict.fromkeys(ids)]


def _carried(
    columns: Mapping[str, list[Any]], ids: list[str], decimal_comma: bool
) -> dict[str, dict[str, str]]:
    """First filled cell of each further column in each test, as it stood.

    The log is written with points; a decimal comma would be refused there.
    """
    carried: dict[str, dict[str, str]] = {}
    for name, cells in columns.items():
        for test, cell in zip(ids, cells, strict=True):
            shown = "" if cell is None else str(cell).strip()
            if decimal_comma and _DECIMAL_COMMA.match(shown):
                shown = shown.replace(",", ".")
            if shown:
                carried.setdefault(test, {}).setdefault(name, shown)
    return carried
