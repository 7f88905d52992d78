"""Verifies a history, and restores an earlier version when it is damaged.

``verify`` reads every file and compares it with the log and with its hash; ``restore`` makes an
earlier version the current one. Neither deletes a file: a restored history keeps every later
version, and files of a broken log that prevent its use are moved into a separate folder.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from contextlib import ExitStack
from functools import cached_property
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from urllib.parse import unquote

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from optimizer.errors import HistoryError, InputError, reason_of
from optimizer.history.arrow import matches
from optimizer.history.changes import recorded_runs
from optimizer.history.health import Damage, Health, Restored
from optimizer.history.identity import Fingerprints, hash_text, mix, run_ids
from optimizer.history.issued import RESTORED
from optimizer.history.issued_numbers import highest_numbers
from optimizer.history.schema import CORRELATIONS, FRACTIONS, in_schema, schema_of
from optimizer.history.storage.event_log import Event, events_until
from optimizer.history.storage.log_hashes import (
    HINT,
    LOG,
    LogState,
    inspect_log,
    kept_hashes,
    log_files,
    read_file,
    version_of,
)
from optimizer.history.storage.place import Place
from optimizer.history.storage.run_files import DataFile, is_changed, stated_files, stated_hash
from optimizer.history.storage.table import SET_ASIDE, RunTable, files_of
from optimizer.numerics.key_map import KeyMap
from optimizer.plant.gates import gates_among
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from deltalake import DeltaTable
    from numpy.typing import NDArray

    from optimizer.history.history import History

ROWS_AT_ONCE = 1 << 16
# The form of an id that is made from a run's content; ids of other systems may have this form, too.
_DERIVED = "^[0-9a-f]{32}$"
_OUT_OF_REACH = ("unreachable-history", "unreadable-history")
BLANK = "this commit is empty"
CHANGED = "its bytes are not those that were written"


def verify(history: History, site: Site | None = None) -> Health:
    """Reads every file of the current version and compares it with the log.

    Args:
        history: the history to verify.
        site: the plant, which says which columns are settings and which are material variables;
            the defaults when None.

    Raises:
        HistoryError: when the location is not a history, or was written by a newer version of
            highside.
    """
    with _Inspection(history, site or Site()) as found:
        return _health(history, found)


def _health(history: History, found: _Inspection) -> Health:
    """The result of verifying the current version of a history."""
    try:
        table = history.table.open()
    except HistoryError as error:
        changed = [] if error.code in _OUT_OF_REACH else found.log_damage()
        if error.code != "damaged-history" and not changed:
            raise
        # The commits alone, without the changed checkpoints, may still describe the whole table.
        table = found.peek(found.log.latest) if found.log.expendable else None
        if table is None:
            whole = Damage(LOG, None, None, error.message.rstrip("."))
            return Health(None, damaged=(whole, *changed), restorable=found.latest_sound())
    log_damage = found.log_damage()
    if table is None:
        return Health(None, damaged=tuple(log_damage))
    blank = [d for d in log_damage if d.reason == BLANK]
    damaged = (*blank, *found.damage(table), *(d for d in log_damage if d not in blank))
    unhashed = len(found.log.unknown) + found.unhashed
    found.counting = False  # other versions hold the same runs
    left_over = found.left_over()
    return Health(
        table.version(),
        files=files_of(table).num_rows - sum(d.line is not None for d in damaged),
        runs=found.runs,
        damaged=damaged,
        doubled=found.doubled,
        odd_ids=found.odd_ids,
        unhashed=unhashed,
        left_over=len(left_over),
        left_over_bytes=sum(left_over),
        restorable=found.latest_sound() if damaged else None,
    )


def restore(
    history: History,
    version: int,
    site: Site | None = None,
    *,
    by: str | None = None,
    reason: str | None = None,
) -> Restored:
    """Makes an earlier version the current one.

    Runs that were added after that version are no longer there; loading their logs again adds them.

    Args:
        history: the history to restore.
        version: number of the version to make the current one.
        site: the plant, as for ``verify``; the defaults when None.
        by: who restores it; None where that is not known.
        reason: why it is restored; None where nobody said. A damaged log cannot keep it.

    Raises:
        InputError: when there is no such version, or it is the current one.
        HistoryError: when that version is damaged, too, or the history cannot be written.
        Overtaken: when another commit came first; nothing was restored.
    """
    with history.lock(), _Inspection(history, site or Site()) as found:
        found.counting = False
        try:
            table = history.table.open()
        except HistoryError as error:
            changed = error.code not in _OUT_OF_REACH and found.log_damage()
            if error.code != "damaged-history" and not changed:
                raise
            return Restored(version, _set_aside_after(history, version, found))
        if found.log_damage():
            return Restored(version, _set_aside_after(history, version, found))
        if table is None:
            raise InputError(f"history '{history.location}' is empty.")
        if version == table.version():
            raise InputError(f"version {version} is the current one.")
        _refuse_damaged(history, history.table.open(version), found)
        numbers = highest_numbers(history.at().events)
        about = {"version": version, "numbers": numbers}
        about |= {} if reason is None else {"reason": reason}
        event = Event(RESTORED, history.clock(), by, about)
        return Restored(version, history.table.restore(version, [event]))


def _refuse_damaged(history: History, table: DeltaTable | None, found: _Inspection) -> None:
    """Raises an error when a file of a version is damaged."""
    damage = () if table is None else tuple(found.damage(table))
    if damage:
        raise HistoryError(
            f"that version of history '{history.location}' is damaged: {damage[0].file}: "
            f"{damage[0].reason}.",
            code="damaged-history",
            hint="'highside history --verify' names the latest version that is sound.",
        )


def _set_aside_after(history: History, version: int, found: _Inspection) -> int:
    """Moves the commits after a version, and changed checkpoints, out of a damaged log.

    The latest commit is moved first, and its hash before it. So if the work is interrupted, what
    remains is still a log that lacks its end, and restoring again completes the work.
    """
    table = found.peek(version)
    if table is None or min(found.log.unfit, default=version + 1) <= version:
        raise InputError(
            f"history '{history.location}' has no readable version {version}.",
            hint="'highside history --verify' names the latest version that is sound.",
        )
    _refuse_damaged(history, table, found)
    filesystem, aside = history.place.filesystem, f"{SET_ASIDE}/after-{version}"
    try:
        kept, present = kept_hashes(filesystem), log_files(filesystem)
        if present.pop(HINT, None) is not None:  # it only helps readers to start faster
            filesystem.delete_file(f"{LOG}/{HINT}")
        filesystem.create_dir(aside)
        for name in sorted(kept.keys() | present.keys(), reverse=True):
            number = re.match(r"\d{20}", name)
            if number and (int(number[0]) > version or name in found.log.expendable):
                paths = [*kept.get(name, ()), *([f"{LOG}/{name}"] if name in present else ())]
                for path in paths:
                    filesystem.move(path, f"{aside}/{path.rpartition('/')[2]}")
    except (OSError, pa.ArrowException) as error:
        raise HistoryError(
            f"history '{history.location}' cannot be written: {reason_of(error)}.",
            code="unwritable-history",
            hint="Check the permissions of the folder, then try again.",
        ) from None
    history.table.keep_hashes(version)
    return version


class _Inspection:
    """Inspects the data files and the log of a history.

    Each data file is read only once, even if several versions contain it. While ``counting`` is
    True, the runs that are read are counted.
    """

    def __init__(self, history: History, site: Site) -> None:
        self.history, self.site = history, site
        self.faults: dict[str, str | None] = {}
        self.keys = KeyMap()
        self.runs = self.doubled = self.odd_ids = self.unhashed = 0
        self.counting = True
        self.closing = ExitStack()

    def __enter__(self) -> _Inspection:
        return self

    def __exit__(self, *_: object) -> None:
        self.closing.close()

    # -- data files --------------------------------------------------------------------------

    def damage(self, table: DeltaTable) -> Iterator[Damage]:
        """Files of a version that differ from what its log states."""
        for file in stated_files(files_of(table)):
            if file.path not in self.faults:
                self.faults[file.path] = self._fault(file)
            if fault := self.faults[file.path]:
                yield Damage(file.path, file.line, file.runs, fault)

    def _fault(self, stated: DataFile) -> str | None:
        """What is wrong with one file; None when the file is sound."""
        path = stated.path
        try:
            content = read_file(self.history.place.filesystem, path)
        except FileNotFoundError:
            return "it is missing"
        except PermissionError as error:
            raise self.history.place.damaged(error) from None
        except (OSError, pa.ArrowException) as error:
            return f"it cannot be read: {reason_of(error)}"
        if len(content) != stated.size:
            return f"it has {len(content)} bytes, the log says {stated.size}"
        changed = is_changed(path, content)
        self.unhashed += self.counting and stated_hash(path) is None
        try:
            fault = self._disagreement(content, stated, self.counting and not changed)
        except Exception as error:
            return f"it cannot be read: {reason_of(error)}"
        return fault or (CHANGED if changed else None)

    def _disagreement(self, content: bytes, stated: DataFile, counting: bool) -> str | None:
        """How the runs of a file differ from what the log states; None when they agree."""
        file = pq.ParquetFile(io.BytesIO(content))
        rows = file.metadata.num_rows
        if stated.runs not in (None, rows):
            return f"it holds {rows} runs, the log says {stated.runs}"
        ends: dict[str, list[float]] = {}
        for batch in file.iter_batches(ROWS_AT_ONCE):
            if counting:
                self._count(batch, stated.line)
            _widen(ends, batch)
        for name, (low, high) in ends.items():
            if name not in stated.low or name not in stated.high:
                continue
            first, last = stated.low[name], stated.high[name]
            if (first, last) != (low, high):
                return f"{name} goes from {low:g} to {high:g}, the log says {first:g} to {last:g}"
        return None

    def _count(self, batch: pa.RecordBatch, line: str) -> None:
        """Counts runs, doubled runs, and ids that disagree with the content of their runs."""
        runs = pa.Table.from_batches([batch])
        names = pa.array([line]).take(pa.array(np.zeros(len(runs), np.int64)))
        runs = in_schema(runs.append_column("line", names), schema_of(self.site)).combine_chunks()
        (whole,) = runs.to_batches() or [None]
        if whole is None:
            return
        prints, ids = self._prints(whole), whole.column("run_id")
        keys = mix(hash_text(ids) ^ mix(prints.lines))
        self.runs += len(whole)
        self.doubled += len(whole) - int(self.keys.claim(keys, keys).sum())
        odd = matches(ids, _DERIVED) & ~np.asarray(pc.equal(run_ids(prints.identity), ids))
        if odd.any():  # a corrected run keeps the id of its former content
            odd &= ~np.isin(mix(keys ^ mix(prints.content)), self._on_record)
        self.odd_ids += int(odd.sum())

    def _prints(self, runs: pa.RecordBatch) -> Fingerprints:
        # The gates that the runs have, whatever the site file says of them by now.
        names = self.site.setting_names
        gates = {name: gates_among(runs.schema.names, name) for name in names}
        own = (*names, *chain.from_iterable(gates.values()))
        material = [
            f.name
            for f in runs.schema
            if pa.types.is_floating(f.type) and f.name not in (*own, *FRACTIONS, *CORRELATIONS)
        ]
        return Fingerprints(runs, own, material, gates)

    @cached_property
    def _on_record(self) -> NDArray[np.uint64]:
        """Hashes of line, id and content of the runs that corrections on record left."""
        try:
            events = events_until(self.history.place.filesystem, self.log.latest)
        except (OSError, ValueError, KeyError, pa.ArrowException):
            return np.zeros(0, np.uint64)  # the damage of the log is told elsewhere
        runs = recorded_runs(events)
        if runs is None:
            return np.zeros(0, np.uint64)
        prints = self._prints(runs)
        keys = mix(hash_text(runs.column("run_id")) ^ mix(prints.lines))
        return mix(keys ^ mix(prints.content))

    # -- the log -----------------------------------------------------------------------------

    @cached_property
    def log(self) -> LogState:
        """State of the files of the log, compared with their hashes."""
        try:
            return inspect_log(self.history.place.filesystem)
        except (OSError, pa.ArrowException) as error:
            raise self.history.place.damaged(error) from None

    def log_damage(self) -> list[Damage]:
        """Files of the log that are changed, missing or empty."""
        reasons = {
            **dict.fromkeys(self.log.changed, CHANGED),
            **dict.fromkeys(self.log.lost, "it is missing"),
            **dict.fromkeys(self.log.blank, BLANK),
        }
        return [Damage(f"{LOG}/{name}", None, None, why) for name, why in sorted(reasons.items())]

    def left_over(self) -> list[int]:
        """Sizes in bytes of the data files that no commit names.

        Empty on an object store, and when a changed log does not tell which files it names.
        """
        folder = self.history.folder
        if folder is None or self.log.changed:
            return []
        named = set()
        for commit in (folder / LOG).glob("*.json"):
            for action in commit.read_bytes().splitlines():
                if action.startswith(b'{"add"'):
                    named.add(unquote(json.loads(action)["add"]["path"]))
        found = folder.glob("line=*/*.parquet")
        return [p.stat().st_size for p in found if p.relative_to(folder).as_posix() not in named]

    def latest_sound(self) -> int | None:
        """The latest version that can be opened and whose files are all sound; None if none is."""
        unfit = min(self.log.unfit, default=self.log.latest + 1)
        for version in range(min(self.log.latest, unfit - 1), -1, -1):
            then = self.peek(version)
            if then is not None and next(self.damage(then), None) is None:
                return version
        return None

    def peek(self, version: int) -> DeltaTable | None:
        """Opens the table at a version from its commits; None when they cannot be read."""
        if not self.log.expendable:
            return self.history.table.peek(version)
        return self._without_checkpoints.peek(version)

    @cached_property
    def _without_checkpoints(self) -> RunTable:
        """A temporary table with copies of the commits and without the changed checkpoints."""
        folder = self.closing.enter_context(TemporaryDirectory())
        log = Path(folder, LOG)
        log.mkdir()
        for name in self.log.sizes:
            if version_of(name) is not None:
                content = read_file(self.history.place.filesystem, f"{LOG}/{name}")
                (log / name).write_bytes(content)
        return RunTable(Place(folder), 0.0)


def _widen(ends: dict[str, list[float]], batch: pa.RecordBatch) -> None:
    """Widens the range of each column, ``ends``, to include the numbers of a batch."""
    for field in batch.schema:
        if pa.types.is_floating(field.type):
            found = pc.min_max(batch.column(field.name)).as_py()
            if found["min"] is not None:
                low, high = ends.setdefault(field.name, [found["min"], found["max"]])
                ends[field.name] = [min(low, found["min"]), max(high, found["max"])]
