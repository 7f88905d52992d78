"""Whether every run is still there and readable, and the way back when not.

``verify`` reads every data file and compares it with the log; ``restore`` makes an earlier version
the current one. Neither deletes anything: a restored history keeps every later version, and what
of a broken log is in the way moves into a folder of its own.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from optimizer.config import Site
from optimizer.errors import HistoryError, InputError
from optimizer.intake.identity import Fingerprints, KeyMap, hash_text, mix, run_ids
from optimizer.intake.schema import FRACTIONS, in_schema, schema_of
from optimizer.intake.values import matches
from optimizer.table import LOG, SET_ASIDE, commit_file, files_of

if TYPE_CHECKING:
    from deltalake import DeltaTable

    from optimizer.history import History

ROWS_AT_ONCE = 1 << 16
# An id as it is made of a run's content; other systems may make such ids too.
_DERIVED = "^[0-9a-f]{32}$"


@dataclass(frozen=True)
class Damage:
    """A file that is not what the log says.

    Attributes:
        file: data file, or commit of the log, inside the history.
        line: whose runs it holds; None for a commit.
        runs: how many, by the log; None when that is not known.
        reason: what is wrong.
    """

    file: str
    line: str | None
    runs: int | None
    reason: str


@dataclass(frozen=True)
class Health:
    """What ``verify`` found.

    Attributes:
        version: that was looked at; None when the log cannot be read, or there is no history.
        files, runs: that are sound.
        damaged: files that are not.
        doubled: runs that are there more than once.
        odd_ids: runs whose id looks made of their content and is not.
        left_over: files of loads that were cut short; they do no harm.
        left_over_bytes: their size.
        restorable: the latest version all of which is sound, when this one is not.
    """

    version: int | None
    files: int = 0
    runs: int = 0
    damaged: tuple[Damage, ...] = ()
    doubled: int = 0
    odd_ids: int = 0
    left_over: int = 0
    left_over_bytes: int = 0
    restorable: int | None = None

    @property
    def sound(self) -> bool:
        """Whether every run is there, readable and once."""
        return not self.damaged and not self.doubled

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.verify/1`` document."""
        return {
            "schema": "highside.verify/1",
            **self.__dict__,
            "sound": self.sound,
            "damaged": [d.__dict__ for d in self.damaged],
        }


def verify(history: History, site: Site | None = None) -> Health:
    """Reads all of the current version and compares it with the log.

    Args:
        history: what to verify.
        site: tells settings from material columns.

    Raises:
        HistoryError: when the location is no history, or was written by a newer version.
    """
    found = _Inspection(history, site or Site())
    try:
        table = history.table.open()
    except HistoryError as error:
        if error.code != "damaged-history":
            raise
        commit = Damage(LOG, None, None, error.message)
        return Health(None, damaged=(commit,), restorable=found.latest_sound())
    if table is None:
        return Health(None)
    lost = found.blank_commits(table.version())
    damaged = (*(d for _, d in lost), *found.damage(table))
    found.counting = False  # other versions hold the same runs
    left_over = found.left_over()
    return Health(
        table.version(),
        files=files_of(table).num_rows - sum(d.line is not None for d in damaged),
        runs=found.runs,
        damaged=damaged,
        doubled=found.doubled,
        odd_ids=found.odd_ids,
        left_over=len(left_over),
        left_over_bytes=sum(left_over),
        restorable=found.latest_sound() if damaged else None,
    )


def restore(history: History, version: int, site: Site | None = None) -> int:
    """Makes an earlier version the current one; the version that this makes.

    Runs added since are no longer there; loading their logs again adds them.

    Raises:
        InputError: when there is no such version, or it is the current one.
        HistoryError: when that version is damaged too, or the history cannot be written.
    """
    site = site or Site()
    with history.lock():
        try:
            table = history.table.open()
        except HistoryError as error:
            if error.code != "damaged-history" or history.folder is None:
                raise
            return _set_aside_after(history, version, site)
        if table is None:
            raise InputError(f"history '{history.location}' is empty.")
        if _Inspection(history, site).blank_commits(table.version()):
            return _set_aside_after(history, version, site)
        if version == table.version():
            raise InputError(f"version {version} is the current one.")
        _refuse_damaged(history, history.table.open(version), site)
        return history.table.restore(version)


def _refuse_damaged(history: History, table: DeltaTable | None, site: Site) -> None:
    found = _Inspection(history, site)
    found.counting = False
    damage = () if table is None else tuple(found.damage(table))
    if damage:
        raise HistoryError(
            f"that version of history '{history.location}' is damaged: {damage[0].file}: "
            f"{damage[0].reason}.",
            code="damaged-history",
            hint="'highside history --verify' names the latest version that is sound.",
        )


def _set_aside_after(history: History, version: int, site: Site) -> int:
    """Takes the commits after a version out of a log that cannot be read to its end.

    The latest goes first, so that what remains after an interruption is still a log without its
    end, and doing the same again completes it.
    """
    assert history.folder is not None
    table = history.table.peek(version)
    blank = [number for number, _ in _Inspection(history, site).blank_commits(version)]
    if table is None or blank:
        raise InputError(
            f"history '{history.location}' has no readable version {version}.",
            hint="'highside history --verify' names the latest version that is sound.",
        )
    _refuse_damaged(history, table, site)
    log, aside = history.folder / LOG, history.folder / SET_ASIDE / f"after-{version}"
    try:
        aside.mkdir(parents=True, exist_ok=True)
        (log / "_last_checkpoint").unlink(missing_ok=True)  # a hint for readers, no content
        for path in sorted(log.iterdir(), reverse=True):
            number = re.match(r"\d{20}", path.name)
            if number and int(number[0]) > version:
                path.replace(aside / path.name)
    except OSError as error:
        raise HistoryError(
            f"history '{history.location}' cannot be written: {error.strerror or error}.",
            code="unwritable-history",
            hint="Check the permissions of the folder, then do the same again.",
        ) from None
    return version


class _Inspection:
    """Reading of data files, each once however many versions have it."""

    def __init__(self, history: History, site: Site) -> None:
        self.history, self.site = history, site
        self.faults: dict[str, str | None] = {}
        self.keys = KeyMap()
        self.runs = self.doubled = self.odd_ids = 0
        self.counting = True

    # -- data files --------------------------------------------------------------------------

    def damage(self, table: DeltaTable) -> Iterator[Damage]:
        """Files of a version that are not what its log says."""
        filesystem = table.to_pyarrow_dataset().filesystem
        for file in files_of(table).to_pylist():
            path, line = unquote(file["path"]), file["partition.line"]
            if path not in self.faults:
                self.faults[path] = self._fault(filesystem, path, file)
            if fault := self.faults[path]:
                yield Damage(path, line, file["num_records"], fault)

    def _fault(self, filesystem: Any, path: str, stated: dict[str, Any]) -> str | None:
        """What is wrong with one file, None when nothing is."""
        try:
            size = filesystem.get_file_info(path).size
            if size not in (None, stated["size_bytes"]):
                return f"it has {size} bytes, the log says {stated['size_bytes']}"
            with filesystem.open_input_file(path) as source:
                file = pq.ParquetFile(source)
                rows = file.metadata.num_rows
                if stated["num_records"] not in (None, rows):
                    return f"it holds {rows} runs, the log says {stated['num_records']}"
                ends: dict[str, list[float]] = {}
                for batch in file.iter_batches(ROWS_AT_ONCE):
                    if self.counting:
                        self._count(batch, stated["partition.line"])
                    _widen(ends, batch)
        except FileNotFoundError:
            return "it is not there"
        except (OSError, ValueError, pa.ArrowException) as error:
            return "it cannot be read: " + str(error).splitlines()[0]
        for name, (low, high) in ends.items():
            said = (stated.get(f"min.{name}"), stated.get(f"max.{name}"))
            if None not in said and said != (low, high):
                return (
                    f"{name} goes from {low:g} to {high:g}, the log says {said[0]:g} to {said[1]:g}"
                )
        return None

    def _count(self, batch: pa.RecordBatch, line: str) -> None:
        """Counts runs, doubled ones, and ids that disagree with what they were made of."""
        runs = pa.Table.from_batches([batch])
        names = pa.array([line]).take(pa.array(np.zeros(len(runs), np.int64)))
        runs = in_schema(runs.append_column("line", names), schema_of(self.site)).combine_chunks()
        (whole,) = runs.to_batches() or [None]
        if whole is None:
            return
        own = self.site.space.names
        material = [
            f.name
            for f in whole.schema
            if pa.types.is_floating(f.type) and f.name not in (*own, *FRACTIONS)
        ]
        prints = Fingerprints(whole, own, material)
        ids = whole.column("run_id")
        keys = mix(hash_text(ids) ^ mix(prints.lines))
        self.runs += len(whole)
        self.doubled += len(whole) - int(self.keys.claim(keys, keys).sum())
        derived = matches(ids, _DERIVED)
        agrees = np.asarray(pc.equal(run_ids(prints.identity), ids))
        self.odd_ids += int((derived & ~agrees).sum())

    # -- the log -----------------------------------------------------------------------------

    def blank_commits(self, latest: int) -> list[tuple[int, Damage]]:
        """Commits that a power cut emptied: they would be read as adding nothing."""
        folder, found = self.history.folder, []
        if folder is None:
            return []
        for version in range(latest + 1):
            path = commit_file(folder, version)
            if path.exists() and path.stat().st_size == 0:
                damage = Damage(f"{LOG}/{path.name}", None, None, "this commit is empty")
                found.append((version, damage))
        return found

    def left_over(self) -> list[int]:
        """Sizes of data files that no commit names."""
        folder = self.history.folder
        if folder is None:
            return []
        named = set()
        for commit in (folder / LOG).glob("*.json"):
            for action in commit.read_text("utf-8").splitlines():
                if action.startswith('{"add"'):
                    named.add(unquote(json.loads(action)["add"]["path"]))
        found = folder.glob("line=*/*.parquet")
        return [p.stat().st_size for p in found if p.relative_to(folder).as_posix() not in named]

    def latest_sound(self) -> int | None:
        """The latest version that can be opened and all of whose files are sound."""
        folder, table = self.history.folder, self.history.table
        latest = -1
        if folder is None:
            now = table.open()
            latest = -1 if now is None else now.version()
        else:
            numbers = (re.match(r"\d{20}", path.name) for path in (folder / LOG).glob("*.json"))
            latest = max((int(number[0]) for number in numbers if number), default=-1)
        blank = min((number for number, _ in self.blank_commits(latest)), default=latest + 1)
        for version in range(min(latest, blank - 1), -1, -1):
            then = table.peek(version)
            if then is not None and next(self.damage(then), None) is None:
                return version
        return None


def _widen(ends: dict[str, list[float]], batch: pa.RecordBatch) -> None:
    """Takes the lowest and highest number of each column into account."""
    for field in batch.schema:
        if pa.types.is_floating(field.type):
            found = pc.min_max(batch.column(field.name)).as_py()
            if found["min"] is not None:
                low, high = ends.setdefault(field.name, [found["min"], found["max"]])
                ends[field.name] = [min(low, found["min"]), max(high, found["max"])]
