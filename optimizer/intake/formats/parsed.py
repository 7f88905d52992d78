"""A file of logs that another process parsed, handed to the one that loads it.

A file of a stranger is parsed where little can happen: in a process with limits. What it hands over
is a folder with an index (JSON) and the chunks of each log as tables (Arrow's file format without
compression, whose buffers are checked and then used as they lie on the disk). Who reads the folder
gets the logs, warnings and errors that reading the file itself would give.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, cast

import numpy as np
import pyarrow as pa

from optimizer.errors import InputError
from optimizer.intake.formats.logs import NO_SHEET, Member
from optimizer.intake.formats.parquet import table_as_text
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.source import Chunk, Decimal, Ragged, Source

INDEX = "index.json"
ROW, COUNT, BEYOND = "row", "count", "beyond"
"""Names of the columns beside the cells, whose names are numbers."""
SPLIT = "Split it into several."

Logs = Callable[[Headings, Callable[[str], None]], Iterator[Member]]
"""A function that iterates over the logs of a file, as ``logs_in`` does."""
Entry = dict[str, Any]


@dataclass(frozen=True)
class MostParsed:
    """The limits of what is handed over of one file: rows, columns of a log, and bytes."""

    rows: int
    columns: int
    size: int


# -- writing -----------------------------------------------------------------------------------


class Writer:
    """Writes the logs of one file to a folder.

    Args:
        folder: an empty folder.
        name: what errors call the file.
        most: the limits.
    """

    def __init__(self, folder: Path, name: str, most: MostParsed) -> None:
        self._folder = folder
        self._name = name
        self._most = most
        self._rows = self._size = self._files = 0

    def write(self, logs: Logs, known: Headings) -> None:
        """Read all logs to their end, and write them.

        Where no sheet of a workbook has known headings, every sheet is written, since a person may
        say later what its headings mean.

        Raises:
            InputError: when a limit is exceeded.
        """
        index = self._read(logs, known)
        failed = index["failed"]
        if failed is not None and failed["code"] == NO_SHEET:
            every = self._read(logs, Headings(known.site, known.asked, every_sheet=True))
            index = {**every, "warnings": index["warnings"], "no_sheet": failed}
        (self._folder / INDEX).write_text(json.dumps(index), encoding="utf-8")

    def _read(self, logs: Logs, known: Headings) -> Entry:
        warnings: list[str] = []
        found: list[Entry] = []
        failed = None
        try:
            for member in logs(known, warnings.append):
                found.append({**self._log(member), "warned": len(warnings)})
        except InputError as error:
            failed = self._failed(error)
        return {"logs": found, "warnings": warnings, "failed": failed, "no_sheet": None}

    def _log(self, member: Member) -> Entry:
        try:
            source = member.open()
        except InputError as error:
            return {"member": member.name, "failed": self._failed(error)}
        if len(source.headings) > self._most.columns:
            raise self._too_large(f"more than {self._most.columns:,} columns")
        chunks: list[Entry] = []
        failed = None
        try:
            for part in source.parts(frozenset()):
                chunks.append(self._chunk(part))
        except InputError as error:
            failed = self._failed(error)
        about = ("name", "headings", "decimal", "repeats", "warnings", "titles")
        told = {name: getattr(source, name) for name in about}
        return {"member": member.name, "source": told, "chunks": chunks, "failed": failed}

    def _chunk(self, part: Callable[[], Chunk]) -> Entry:
        try:
            chunk = part()
        except InputError as error:
            return {"failed": self._failed(error)}
        self._rows += len(chunk.rows) + len(chunk.ragged)
        if self._rows > self._most.rows:
            raise self._too_large(f"more than {self._most.rows:,} rows")
        odd = chunk.ragged
        return {
            "failed": None,
            "typed": chunk.text is not chunk.table,
            "even": self._table(chunk.table, {ROW: pa.array(chunk.rows)}),
            "odd": self._table(
                odd.table,
                {ROW: pa.array(odd.rows), COUNT: pa.array(odd.counts), BEYOND: odd.beyond},
            )
            if len(odd)
            else None,
            "headings": [int(row) for row in chunk.headings],
            "stop": chunk.stop,
            "decimal": chunk.decimal,
            "unrun": chunk.unrun,
        }

    def _table(self, cells: pa.Table, more: Mapping[str, Any]) -> str:
        """Write a table of cells beside further columns; returns the name of its file."""
        names = [*more, *map(str, range(cells.num_columns))]
        columns = [pa.chunked_array([each]) for each in more.values()]
        table = pa.table([*columns, *cells.columns], names=names).combine_chunks()
        self._size += table.nbytes
        if self._size > self._most.size:
            raise self._too_large(f"more than {self._most.size >> 20:,} MiB once it is read")
        self._files += 1
        name = f"{self._files}.arrow"
        path = str(self._folder / name)
        with pa.OSFile(path, "wb") as file, pa.ipc.new_file(file, table.schema) as out:
            out.write_table(table)
        return name

    def _too_large(self, said: str) -> InputError:
        return InputError(f"{self._name} has {said}.", code="too-large", hint=SPLIT)

    def _failed(self, error: InputError) -> Entry:
        """An error to be raised again where the file is loaded.

        Raises:
            InputError: the error itself, where the file is too large to be read at all.
        """
        if error.code == "too-large":
            raise error
        return error.as_dict()


# -- reading -----------------------------------------------------------------------------------


def parsed_logs(folder: Path, known: Headings, warn: Callable[[str], None]) -> Iterator[Member]:
    """The logs of a file that was parsed into a folder, as ``logs_in`` gives those of a file.

    Args:
        folder: the folder.
        known: names of fields; those with which the file was parsed.
        warn: function that is called with a sentence for each part that was not read.

    Raises:
        InputError: the errors of reading the file.
    """
    index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
    warnings, told = index["warnings"], 0
    if index["no_sheet"] is not None and not known.every_sheet:
        for warning in warnings:
            warn(warning)
        raise _raised(index["no_sheet"])
    for log in index["logs"]:
        if index["no_sheet"] is None:
            for warning in warnings[told : log["warned"]]:
                warn(warning)
            told = log["warned"]
        yield Member(log["member"], partial(_source, folder, log))
    if index["no_sheet"] is None:
        for warning in warnings[told:]:
            warn(warning)
    if index["failed"] is not None:
        raise _raised(index["failed"])


def _source(folder: Path, log: Entry) -> Source:
    if "source" not in log:
        raise _raised(log["failed"])

    def parts(_: frozenset[int]) -> Iterator[Callable[[], Chunk]]:
        for chunk in log["chunks"]:
            yield partial(_read_chunk, folder, chunk)
        if log["failed"] is not None:
            raise _raised(log["failed"])

    told = log["source"]
    return Source(
        told["name"],
        tuple(told["headings"]),
        parts,
        told["decimal"],
        tuple(map(tuple, told["repeats"])),
        tuple(told["warnings"]),
        tuple(told["titles"]),
    )


def _read_chunk(folder: Path, chunk: Entry) -> Chunk:
    if chunk["failed"] is not None:
        raise _raised(chunk["failed"])
    more, table = _read_table(folder / chunk["even"], (ROW,))
    odd = Ragged.of([], [], 0)
    if chunk["odd"] is not None:
        beside, cells = _read_table(folder / chunk["odd"], (ROW, COUNT, BEYOND))
        odd = Ragged(_numbers(beside[ROW]), cells, _numbers(beside[COUNT]), beside[BEYOND])
    return Chunk(
        table,
        _numbers(more[ROW]),
        partial(table_as_text, table) if chunk["typed"] else lambda: table,
        odd,
        chunk["headings"],
        chunk["stop"],
        cast("Decimal | None", chunk["decimal"]),
        chunk["unrun"],
    )


def _read_table(path: Path, beside: tuple[str, ...]) -> tuple[dict[str, pa.Array], pa.Table]:
    """The columns beside the cells by name, and the cells, of one file."""
    with pa.memory_map(str(path)) as file:
        table = pa.ipc.open_file(file).read_all()
    table.validate(full=True)  # a fault in the process that parsed it goes no further
    more = {name: pa.concat_arrays(table[name].chunks) for name in beside if len(table)}
    empty = {name: pa.array([], table.schema.field(name).type) for name in beside}
    return {**empty, **more}, table.drop_columns(list(beside))


def _numbers(column: pa.Array) -> np.ndarray[Any, np.dtype[np.int64]]:
    return np.asarray(column.to_numpy(zero_copy_only=False), np.int64)


def _raised(told: Mapping[str, str]) -> InputError:
    return InputError(told["message"], code=told["code"], hint=told["hint"])
