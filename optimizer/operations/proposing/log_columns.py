"""The first rows of logs, by columns, with headings that are recognized by the words in them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError
from optimizer.history.arrow import one_array
from optimizer.intake.reading.columns import UNITLESS, Headings
from optimizer.intake.reading.source import Source
from optimizer.intake.reading.values import ABSENT, numbers
from optimizer.intake.settling.log_files import files_at
from optimizer.operations.proposing.words import field_of, name_and_unit
from optimizer.plant.site import Site

MOST_ROWS = 200_000
"""Number of rows of a log that tell how its columns are written; ranges are those of all rows."""


class GuessedHeadings(Headings):
    """Headings that are recognized by their words, so that the row of headings is found."""

    def count(self, cells: Iterable[str]) -> int:
        """Number of fields that the cells could name if they were headings."""
        kept = [cell for cell in cells if len(cell) < 80]
        guessed = {field_of(cell) for cell in kept if any(map(str.isalpha, cell))} - {None}
        return max(super().count(kept), len(guessed))

    def takes_unit(self, heading: str) -> str | None:
        """The field of a heading that could name a unit but does not; None for other headings."""
        found = super().takes_unit(heading)
        if found is None and name_and_unit(heading)[1] is None:
            found = field_of(heading)
        return None if found in UNITLESS else found


@dataclass(frozen=True)
class LogColumn:
    """A column of a log.

    Attributes:
        log: name of the log.
        heading: the heading as written.
        unit: unit that the heading, or a row of units below it, states.
        cells: the first cells as text, shape (n,); null where they are empty.
        source: the opened log.
    """

    log: str
    heading: str
    unit: str | None
    cells: pa.Array
    source: Source

    def numbers(self) -> tuple[np.ndarray, Counter[str]]:
        """The cells as numbers, NaN where they are none, and how often cells state a unit."""
        column = pa.chunked_array([self.cells])
        proof = numbers(column, self.source.decimal, None, units=True).proof
        read = numbers(column, self.source.decimal, proof, units=True)
        said = [] if read.units is None else read.units.drop_null().to_pylist()
        return read.values, Counter(said)

    @property
    def is_numeric(self) -> bool:
        """Whether nearly all filled cells are numbers."""
        text = pc.utf8_lower(pc.utf8_trim_whitespace(self.cells))
        absent = pc.fill_null(pc.is_in(text, pa.array(ABSENT)), True)
        filled = int(pc.sum(pc.and_(self.cells.is_valid(), pc.invert(absent))).as_py() or 0)
        return filled > 0 and int(np.isfinite(self.numbers()[0]).sum()) >= 0.8 * filled

    @property
    def some(self) -> str:
        """The first few different cells, for a question."""
        found = pc.unique(self.cells.drop_null()[:1000]).to_pylist()[:3]
        return ", ".join(cell[:30] for cell in found) or "no cells"


def columns_of(
    paths: str | Path | Iterable[str | Path], mapping: Mapping[str, str]
) -> list[list[LogColumn]]:
    """The columns of each log.

    Raises:
        InputError: when no path leads to a file, or none of the logs can be read.
    """
    known = GuessedHeadings(Site(), mapping, every_sheet=True)
    found, problems = [], []
    for file in files_at(paths):
        try:
            for member in file.logs(known, lambda _: None):
                try:
                    found.append(list(_columns(member.open())))
                except InputError as error:
                    problems.append(error)
        except InputError as error:
            problems.append(error)
    if not found:
        raise problems[0]
    return found


def _columns(source: Source) -> Iterator[LogColumn]:
    texts: list[pa.Table] = []
    rows = 0
    for part in source.parts(frozenset()):
        texts.append(part().text)
        rows += texts[-1].num_rows
        if rows >= MOST_ROWS:
            break
    written = source.repeats[0] if source.repeats else source.headings
    for index, full in enumerate(source.headings):
        heading = written[index] if index < len(written) else full
        cells = [one_array(t.column(index)).cast(pa.string()) for t in texts]
        if heading.strip():
            joined = pa.concat_arrays(cells) if cells else pa.nulls(0, pa.string())
            yield LogColumn(source.name, heading, name_and_unit(full)[1], joined, source)
