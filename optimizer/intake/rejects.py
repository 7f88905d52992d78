"""The rejected rows, kept until they are mended.

Two files with the same content: ``rejected.parquet`` for machines, and ``rejected.csv`` for a
person, who corrects the rows in it and loads it again. Its first five columns say where each row
stood and what was wrong; then come the row's own cells under their own headings. Loading it again
takes out what is mended and keeps what is not.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, repeat
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from optimizer.errors import HistoryError, row_reject
from optimizer.intake.columns import REJECT_COLUMNS, SHAPE_COLUMN

SCHEMA = pa.schema(
    [
        ("file", pa.string()),
        ("row", pa.int64()),
        ("field", pa.string()),
        ("value", pa.string()),
        ("reason", pa.string()),
        ("record", pa.string()),
    ]
)

_NUMBER = re.compile(r"^[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?\s*%?$")
Place = tuple[str, int, str]
"""File, row and reason; the value is in the reason, and a spreadsheet may have rewritten it."""

# Cells that a spreadsheet would take for a formula; an apostrophe is in the list so that taking
# one away again is always right.
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "'")


@dataclass(frozen=True)
class Reject:
    """One rejected row: where it stood, what was wrong, and its cells by heading."""

    file: str
    row: int
    field: str
    value: str
    reason: str
    record: str

    @classmethod
    def of(
        cls, file: str, row: int, field: str, value: str, reason: str, cells: dict[str, str]
    ) -> Reject:
        """A reject with its cells as JSON."""
        base = row_reject(file, row, field, value, reason)
        return cls(**base, record=json.dumps(cells, ensure_ascii=False))

    def as_dict(self) -> dict[str, object]:
        """The reject as ``load`` answers with it."""
        return row_reject(self.file, self.row, self.field, self.value, self.reason)

    @property
    def leading(self) -> tuple[str, ...]:
        """The five leading cells of the row in the rejects file."""
        return self.file, str(self.row), self.field, self.value, self.reason

    @property
    def same(self) -> tuple[Place, frozenset[tuple[str, str]]]:
        """What two entries for one rejection have in common: the place and the filled cells."""
        cells = json.loads(self.record).items()
        return self.place, frozenset((heading, cell) for heading, cell in cells if cell)

    @property
    def place(self) -> Place:
        """What tells that a row of a rejects file is this reject."""
        return self.file, self.row, self.reason


def cells_of(headings: Sequence[str], cells: Iterable[str | None]) -> dict[str, str]:
    """Cells by heading, each heading once; equal or empty headings are told apart by a number."""
    named: dict[str, str] = {}
    seen: Counter[str] = Counter()
    for heading, cell in zip(headings, chain(cells, repeat(None)), strict=False):
        seen[heading] += 1
        key = heading if heading and seen[heading] == 1 else f"{heading} #{seen[heading]}".strip()
        if cell or heading:
            named[key] = cell or ""
    return named


def ragged_cells(headings: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    """Cells of a row that has more or fewer than the headings, and a cell that says so.

    While that cell is filled the row is rejected again: moved cells may look valid.
    """
    extra = cells[len(headings) :]
    shape = f"{len(cells)} cells for {len(headings)} headings"
    more = f", beyond them: {' | '.join(extra)}" if extra else ""
    return {**cells_of(headings, cells), SHAPE_COLUMN: f"{shape}{more}; empty this when mended"}


class RejectsStore:
    """The rejects files of one history.

    Args:
        folder: where they are.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.parquet = folder / "rejected.parquet"
        self.csv = folder / "rejected.csv"

    def read(self) -> list[Reject]:
        """All rejects, in the order they were made.

        Raises:
            HistoryError: when the file is damaged.
        """
        if not self.parquet.exists():
            return []
        try:
            table = pq.read_table(self.parquet, schema=SCHEMA)
        except (pa.ArrowInvalid, OSError) as error:
            raise HistoryError(
                f"the rejects file '{self.parquet}' is damaged: {error}.",
                hint="Move it away; rows still at fault are found again when their log is loaded.",
            ) from None
        return [Reject(**row) for row in table.to_pylist()]

    def update(self, new: Sequence[Reject], mended: Mapping[Place, int]) -> Path | None:
        """Adds rejects that are not there yet, and takes out mended ones.

        Args:
            new: rejects of a load.
            mended: places of the rows of a rejects file that was loaded, and how many of each;
                what of them is still at fault is among the new.

        Returns:
            The file for a person, or None when nothing is rejected.
        """
        before = self.read()
        left = Counter(mended)
        kept = []
        for reject in before:
            if left[reject.place] > 0:
                left[reject.place] -= 1
            else:
                kept.append(reject)
        known = {reject.same for reject in kept}
        fresh = {reject.same: reject for reject in new if reject.same not in known}
        after = [*kept, *fresh.values()]
        if after != before:
            self._write(after)
        return self.csv if after else None

    def _write(self, rejects: Sequence[Reject]) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        columns = {name: [getattr(r, name) for r in rejects] for name in SCHEMA.names}
        buffer = io.BytesIO()
        pq.write_table(pa.table(columns, schema=SCHEMA), buffer)
        write_atomically(self.parquet, [buffer.getvalue()])
        write_atomically(self.csv, _csv_lines(rejects))


def _csv_lines(rejects: Sequence[Reject]) -> Iterator[bytes]:
    records = [json.loads(r.record) for r in rejects]
    headings = list(dict.fromkeys(h for record in records for h in record))
    yield b"\xef\xbb\xbf"  # spreadsheets read UTF-8 only with a mark
    yield _line([*REJECT_COLUMNS, *headings])
    for reject, record in zip(rejects, records, strict=True):
        yield _line([*reject.leading, *(record.get(h, "") for h in headings)])


def _line(cells: Iterable[str]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow([harmless(cell) for cell in cells])
    return out.getvalue().encode()


def harmless(cell: str) -> str:
    """A cell that no spreadsheet runs: an apostrophe goes before what could be a formula.

    >>> harmless("=1+1"), harmless("-1.5"), harmless("'x")
    ("'=1+1", '-1.5', "''x")
    """
    return f"'{cell}" if cell.startswith(_DANGEROUS) and not _NUMBER.match(cell) else cell


def write_atomically(path: Path, parts: Iterable[bytes]) -> None:
    """Writes a file whole or not at all."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.writelines(parts)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
