"""What the logs of a file are understood as before any row is checked: the meaning of each heading,
and some rows as they stand in the file."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

import pyarrow as pa

from optimizer.errors import InputError
from optimizer.history.schema import declared_unit
from optimizer.intake.formats.logs import NO_SHEET, Member
from optimizer.intake.reading.columns import UNITLESS, Binding, Headings, is_rejects_file
from optimizer.intake.reading.edited_rows import Edits, with_edits
from optimizer.intake.reading.source import Chunk, Source
from optimizer.plant.site import Site

FIRST_ROWS = 5
"""Number of first rows of a log that tell what its columns hold."""
LONGEST_CELL = 4000
"""Number of characters that are shown of a cell."""


@dataclass(frozen=True)
class Meaning:
    """What one column of a log is understood as.

    Attributes:
        heading: the heading as written, with the unit of a row of units below it.
        field: the field that the column fills; None for a column that is not read.
        unit: the unit that heading or mapping names; None where they name none.
        declared: the unit of a number without one, as the site declares it (empty for a fraction);
            None for a field that takes no unit.
        problem: why the column cannot be read so; empty when it can.
    """

    heading: str
    field: str | None
    unit: str | None = None
    declared: str | None = None
    problem: str = ""


@dataclass(frozen=True)
class LogRow:
    """One row of a log as text.

    Attributes:
        number: number of the row in the log.
        cells: one cell for each heading.
        beyond: cells beyond the headings.
        place: the log and the number by which a report tells of the row; those of another log for a
            row of a file of rejected rows.
    """

    number: int
    cells: tuple[str, ...]
    beyond: tuple[str, ...]
    place: tuple[str, int]


@dataclass(frozen=True)
class Understood:
    """What one log is understood as.

    Attributes:
        log: name of the log.
        meanings: the meaning of each heading, in the order of the columns.
        first: the first rows, without rows whose cells do not fit the headings.
        asked: the rows that were asked for.
        missing: fields that the log needs and has no column for.
        doubled: headings that mean the same field, for each such field.
        names_lines: whether a column says which line a row is from.
        is_rejects_file: whether the log is a file of rejected rows.
        problem: why the log cannot be opened; empty when it can.
    """

    log: str
    meanings: tuple[Meaning, ...] = ()
    first: tuple[LogRow, ...] = ()
    asked: tuple[LogRow, ...] = ()
    missing: tuple[str, ...] = ()
    doubled: tuple[tuple[str, tuple[str, ...]], ...] = ()
    names_lines: bool = False
    is_rejects_file: bool = False
    problem: str = ""


def understood_logs(
    logs: Callable[[Headings, Callable[[str], None]], Iterator[Member]],
    site: Site,
    mapping: Mapping[str, str] | None = None,
    edits: Edits | None = None,
    asked: Collection[tuple[str, int]] = (),
) -> tuple[Understood, ...]:
    """What the logs of a file are understood as.

    Where no sheet of a workbook has known headings, each sheet is taken for a log, so that a person
    can say what its headings mean.

    Args:
        logs: iterates over the logs of the file as ``logs_in`` does.
        site: units, material columns and mapped headings.
        mapping: mapping from heading to ``field``, ``field [unit]`` or ``ignore``.
        edits: cells that stand in place of those of a row (see ``LoadOptions``).
        asked: rows to return, by the log and the number by which a report tells of them.

    Raises:
        InputError: when the file is damaged or holds no log, or a heading is mapped to an unknown
            field.
    """

    def of(known: Headings) -> tuple[Understood, ...]:
        members = logs(known, lambda _: None)
        return tuple(_of_log(member, known, edits or {}, frozenset(asked)) for member in members)

    try:
        return of(Headings(site, mapping))
    except InputError as error:
        if error.code != NO_SHEET:
            raise
        return of(Headings(site, mapping, every_sheet=True))


def _of_log(
    member: Member, known: Headings, edits: Edits, asked: frozenset[tuple[str, int]]
) -> Understood:
    try:
        source = with_edits(member.open(), edits)
        first, found = _rows(source, asked)
    except InputError as error:
        return Understood(member.name, problem=f"{error.message} {error.hint}".strip())
    # With a line given, a binding tells what is wrong with the columns alone.
    binding = known.bind(source.headings, "")
    fields = binding.columns
    return Understood(
        member.name,
        tuple(_meanings(binding, known)),
        first,
        found,
        known.missing(fields),
        ()
        if binding.is_rejects_file
        else tuple(
            (field, tuple(c.heading for c in columns))
            for field, columns in fields.items()
            if len(columns) > 1
        ),
        "line" in fields,
        binding.is_rejects_file,
    )


def _meanings(binding: Binding, known: Headings) -> Iterator[Meaning]:
    found = {c.index: (field, c) for field, columns in binding.columns.items() for c in columns}
    for index, heading in enumerate(binding.headings):
        if index not in found:
            yield Meaning(heading, None)
            continue
        field, column = found[index]
        if field in UNITLESS:
            yield Meaning(heading, field)
            continue
        problem = known.unit_problem(field, column.unit, heading)
        declared = declared_unit(known.site, field, None)
        yield Meaning(heading, field, column.unit, declared, problem)


def _rows(
    source: Source, asked: frozenset[tuple[str, int]]
) -> tuple[tuple[LogRow, ...], tuple[LogRow, ...]]:
    """The first rows of a log, and the rows that were asked for."""
    first: list[LogRow] = []
    found: list[LogRow] = []
    rejects = is_rejects_file(source.headings)
    own = {row for log, row in asked if log == source.name}
    last = max(own, default=0)
    for part in source.parts(frozenset()):
        chunk = part()
        if len(first) < FIRST_ROWS:
            first += _taken(source, chunk, range(min(len(chunk.rows), FIRST_ROWS - len(first))))
        if asked:
            found += [r for r in _candidates(source, chunk, own) if _is_asked(r, source, asked)]
        if len(first) >= FIRST_ROWS and not rejects and _end(chunk) >= last:
            break
    return tuple(first), tuple(found)


def _end(chunk: Chunk) -> int:
    """The number of the last row of a chunk."""
    return max([0, *(int(rows.max()) for rows in (chunk.rows, chunk.ragged.rows) if len(rows))])


def _is_asked(row: LogRow, source: Source, asked: frozenset[tuple[str, int]]) -> bool:
    return row.place in asked or (source.name, row.number) in asked


def _candidates(source: Source, chunk: Chunk, own: set[int]) -> Iterator[LogRow]:
    """The rows of a chunk that may have been asked for: all in a file of rejected rows."""
    if is_rejects_file(source.headings):
        at: Sequence[int] = range(len(chunk.rows))
    else:
        at = [k for k, row in enumerate(chunk.rows.tolist()) if row in own]
    yield from _taken(source, chunk, at)
    for odd in chunk.ragged if len(chunk.ragged) else ():
        if odd.row in own:
            width = len(source.headings)
            cells = [*odd.cells, *[""] * width]
            beyond = tuple(cell[:LONGEST_CELL] for cell in odd.cells[width:])
            yield LogRow(odd.row, tuple(cells[:width]), beyond, (source.name, odd.row))


def _taken(source: Source, chunk: Chunk, at: Sequence[int]) -> Iterator[LogRow]:
    """Rows of a chunk by their positions."""
    numbers = chunk.rows[list(at)].tolist()
    table = chunk.text.take(pa.array(at, pa.int64()))
    rows = zip(*(column.to_pylist() for column in table.columns), strict=True)
    for number, row in zip(numbers, chain(rows), strict=True):
        cells = tuple("" if cell is None else str(cell)[:LONGEST_CELL] for cell in row)
        place = source.name, number
        if is_rejects_file(source.headings):
            text = cells[1].strip()
            place = cells[0] or source.name, int(text) if text[:18].isdecimal() else number
        yield LogRow(number, cells, (), place)
