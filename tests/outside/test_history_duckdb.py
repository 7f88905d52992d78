"""The history read by an independent engine, compared with the logs that were loaded.

DuckDB (https://duckdb.org) reads the CSV logs and the history's Parquet files with its own readers.
The names of the Parquet files come from the transaction log by the Delta protocol (see
``test_history_readback``). Both tables are compared inside DuckDB, after merges of small files, a
restored version and runs loaded twice.
"""

from __future__ import annotations

import json
from pathlib import Path
from urllib.parse import unquote

import duckdb
import pytest

import optimizer.history.storage.table
from optimizer.history.history import History
from optimizer.history.upkeep import restore
from optimizer.intake.settling.load import load_logs
from tests.faults import write_log

COLUMNS = (
    "run_id, line, started_at, feed_rate, end_raise, side_tilt, eccentric_speed, air, grade, "
    "recovery"
)


def files_by_protocol(folder: Path) -> dict[str, str]:
    """The line of each data file of the latest version, by path."""
    files: dict[str, str] = {}
    for entry in sorted((folder / "_delta_log").glob("*.json")):
        for action in map(json.loads, entry.read_text("utf-8").splitlines()):
            if "add" in action:
                path = str(folder / unquote(action["add"]["path"]))
                files[path] = action["add"]["partitionValues"]["line"]
            if "remove" in action:
                del files[str(folder / unquote(action["remove"]["path"]))]
    return files


def test_duckdb_finds_in_the_history_what_it_finds_in_the_logs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(optimizer.history.storage.table, "MOST_SMALL_FILES", 3)
    history = History(tmp_path / "history")
    for k in range(9):
        log = tmp_path / f"log-{k}.csv"
        write_log(log, 400 * k, 500)  # each overlaps with the next
        load_logs([log], history)
        if k == 5:
            restore(history, 2)
            for again in range(k + 1):
                load_logs([tmp_path / f"log-{again}.csv"], history)
    files = files_by_protocol(tmp_path / "history")
    assert len(files) < 15 < 3 * (history.version or 0)  # small files were merged
    base = duckdb.connect()
    base.execute(f"""
        create view went_in as select distinct {COLUMNS}
        from read_csv('{tmp_path}/log-*.csv', types = {{'grade': 'varchar'}})
        where grade <> 'high'
    """)
    parts = " union all ".join(
        f"select *, '{line}' as line from read_parquet('{path}', hive_partitioning = false)"
        for path, line in files.items()
    )
    base.execute(f"create view kept as select {COLUMNS} from ({parts})")

    def figures(view: str) -> str:
        return (
            f"select * replace (started_at::date as started_at, grade::double as grade) from {view}"
        )

    (n,) = base.execute("select count(*) from kept").fetchone()
    assert n == 3700 - 3700 // 50
    for one, other in (("went_in", "kept"), ("kept", "went_in")):
        lost = base.execute(f"{figures(one)} except all {figures(other)}").fetchall()
        assert lost == []
