"""A history after changes, read by an independent engine, equals what the export writes.

DuckDB (https://duckdb.org) reads the files that the Delta library lists, with its own Parquet
reader, and takes the line from the folder names (Hive partitions). The export is the CSV file of
``history --export``, read by DuckDB as well; both are compared inside DuckDB by value.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import duckdb
import numpy as np
import pytest
from deltalake import DeltaTable

import optimizer.history.storage.table
from optimizer.errors import InputError
from optimizer.history.changes import changes_of
from optimizer.history.history import History
from optimizer.history.upkeep import verify
from optimizer.intake.settling.load import load_corrections, load_table
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.plant.site import Site
from tests.history.runs import run

SITE = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 0, "high": 20}}})
COLUMNS = (
    "run_id, line, started_at, material, feed_rate, end_raise, side_tilt, eccentric_speed, air, "
    "grade, recovery, deck_state, note, moisture"
)


def loaded(history: History, first: int, count: int) -> None:
    rows = [
        run(run_id=f"r{k}", line=f"deck {k % 3}", air=float(k % 80), grade=0.9 + k / 1e4,
            started_at=f"2025-03-{1 + k % 28:02d} 10:00")
        for k in range(first, first + count)
    ]  # fmt: skip
    load_table(rows, history, SITE)


def changed_at_random(history: History, folder: Path, random: np.random.Generator) -> None:
    """One change of a random kind and run; a change that is refused changes nothing."""
    k, kind = int(random.integers(0, 60)), int(random.integers(0, 5))
    grade = round(float(random.uniform(0.5, 0.99)), 4)
    with suppress(InputError):
        if kind == 0:
            correct(history, SITE, f"r{k}", {"grade": grade, "note": f"n{k}"}, reason="test")
        elif kind == 1:
            correct(history, SITE, f"r{k}", {"moisture": 10 + k / 10}, reason="test")
        elif kind == 2:
            withdraw(history, SITE, f"r{k}", reason="test")
        elif kind == 3:
            gone = {c.run_id for c in changes_of(history.at(), SITE).changes}
            reinstate(history, SITE, str(random.choice(sorted(gone or {"none"}))), reason="test")
        else:
            log = folder / "lab.csv"
            log.write_text(f"run_id,line,grade\nr{k},deck {k % 3},{grade}\n", "utf-8")
            load_corrections(log, history, SITE, reason="test")


@pytest.mark.parametrize("seed", [1, 2])
def test_duckdb_finds_in_the_latest_version_what_the_export_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    monkeypatch.setattr(optimizer.history.storage.table, "MOST_SMALL_FILES", 4)
    history, random = History(tmp_path / "history"), np.random.default_rng(seed)
    for first in range(0, 60, 12):
        loaded(history, first, 12)
        for _ in range(6):
            changed_at_random(history, tmp_path, random)
    kinds = {change.what for change in changes_of(history.at(), SITE).changes}
    assert kinds == {"corrected", "withdrawn", "reinstated"}
    table = DeltaTable(history.location)
    assert len(table.file_uris()) < len(table.history())  # small files were merged
    count = history.at().export(tmp_path / "runs.csv", SITE)
    base = duckdb.connect()
    files = ", ".join(f"'{uri.removeprefix('file://')}'" for uri in table.file_uris())
    base.execute("set timezone = 'UTC'")
    base.execute(
        f"create view kept as select {COLUMNS} from read_parquet([{files}], "
        "hive_partitioning = true, union_by_name = true, hive_types = {'line': varchar})"
    )
    base.execute(
        f"create view written as select {COLUMNS} from read_csv('{tmp_path}/runs.csv', "
        "types = {'started_at': 'timestamptz', 'material': 'varchar', 'note': 'varchar', "
        "'moisture': 'double', 'run_id': 'varchar', 'air': 'double'})"
    )
    (n,) = base.execute("select count(*) from kept").fetchone()
    assert n == count == verify(history, SITE).runs
    for one, other in (("kept", "written"), ("written", "kept")):
        lost = base.execute(f"select * from {one} except all select * from {other}").fetchall()
        assert lost == []
    assert verify(history, SITE).sound
