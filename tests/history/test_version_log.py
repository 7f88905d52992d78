"""What each version of a history did, as its commits tell; the number of added runs is checked by
counting the runs of each version with DuckDB, an independent reader."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import duckdb
import pandas as pd
import pytest
from deltalake import DeltaTable

from optimizer.errors import HistoryError, InputError, ValueRefused
from optimizer.history.history import History
from optimizer.history.storage.commits import MARK
from optimizer.history.storage.version_log import version_entries
from optimizer.history.upkeep import restore
from optimizer.intake.settling.load import LoadOptions, load_logs, load_table
from optimizer.intake.settling.load_options import Correcting
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.plant.site import Site

SITE = Site()


def row(k: int, **more) -> dict:
    return {"run_id": f"r{k}", "line": "deck-1", "feed_rate": 2.0, "end_raise": 2.0,
            "side_tilt": 1.5, "eccentric_speed": 420.0, "air": 3.0 + k / 100, "grade": 0.98,
            "recovery": 0.9, **more}  # fmt: skip


def load(history: History, *rows: dict, file: str = "rows", **options) -> None:
    load_table(rows, history, SITE, file=file, options=LoadOptions(**options))


def counted(history: History, version: int) -> int:
    """The number of runs of a version, counted by DuckDB in the files that the table names."""
    files = DeltaTable(history.location, version=version).file_uris()
    return duckdb.sql(f"select count(*) from read_parquet({files})").fetchall()[0][0]


def test_versions_are_told_newest_first_with_their_files_lines_and_events(tmp_path):
    pd.DataFrame([row(k) for k in range(5)]).to_csv(tmp_path / "a.csv", index=False)
    others = [row(k, line="deck-2") for k in range(10, 13)]
    pd.DataFrame(others).to_csv(tmp_path / "b.csv", index=False)
    history = History(tmp_path / "history")
    load_logs([tmp_path / "a.csv", tmp_path / "b.csv"], history, SITE)
    load(history, row(20), file="one")
    correct(history, SITE, "r1", {"grade": 0.97}, reason="typo", by="ana")
    withdraw(history, SITE, "r2", reason="mixed up")
    reinstate(history, SITE, "r2", reason="it was right")
    load(history, row(1, grade=0.96), row(30), row(31), correcting=Correcting("lab", "ben"))
    restore(history, 1, SITE, by="cleo", reason="too far")
    told = history.versions(100)
    assert [each.version for each in told] == list(range(history.version, -1, -1))
    by = {each.version: each for each in told}
    assert dict(by[0].added) == {"deck-1": 5, "deck-2": 3}
    assert dict(by[0].sources) == {"a.csv": 5, "b.csv": 3}
    assert (by[1].deed, dict(by[1].added), by[1].only) == ("loaded", {"deck-1": 1}, "r20")
    assert dict(by[1].sources) == {"one": 1}
    assert [event.what for event in by[0].events] == ["described"]
    done = [(e.version, e.what, e.by, e.about["reason"]) for v in (2, 3, 4) for e in by[v].events]
    assert done == [
        (2, "corrected", "ana", "typo"), (3, "withdrawn", None, "mixed up"),
        (4, "reinstated", None, "it was right"),
    ]  # fmt: skip
    assert all(by[k].deed == "told" and not by[k].added for k in (2, 3, 4))
    assert (dict(by[5].added), [e.what for e in by[5].events]) == ({"deck-1": 2}, ["corrected"])
    assert (by[6].deed, by[6].operation) == ("told", "RESTORE")
    (event,) = by[6].events
    assert (event.by, event.about["version"], event.about["reason"]) == ("cleo", 1, "too far")
    for each in told:
        assert abs(datetime.now(UTC) - each.at) < timedelta(days=1)
    changed = {3: -1, 4: 1, 6: counted(history, 1) - counted(history, 5)}
    for version in range(1, 7):
        more = sum(by[version].added.values()) + changed.get(version, 0)
        assert counted(history, version) == counted(history, version - 1) + more


def test_one_file_of_runs_from_several_logs_is_told_by_log(tmp_path):
    for name, first in (("a.csv", 0), ("b.csv", 10)):
        rows = [row(k) for k in range(first, first + 4 + first // 10)]
        pd.DataFrame(rows).to_csv(tmp_path / name, index=False)
    history = History(tmp_path / "history")
    load_logs([tmp_path / "a.csv", tmp_path / "b.csv"], history, SITE)
    (only,) = history.versions(1)
    assert dict(only.sources) == {"a.csv": 4, "b.csv": 5}
    assert only.only is None


def test_merged_files_new_columns_and_other_programs_are_told_as_such(tmp_path, monkeypatch):
    monkeypatch.setattr("optimizer.history.storage.table.MOST_SMALL_FILES", 2)
    history = History(tmp_path / "history")
    for k in range(3):
        load(history, row(k))
    assert [each.deed for each in history.versions(100)] == ["merged", *["loaded"] * 3]
    DeltaTable(history.location).alter.set_table_properties({"delta.appendOnly": "false"})
    assert history.versions(1)[0].deed == "other"
    assert history.versions(1)[0].operation == "SET TBLPROPERTIES"


def test_only_the_versions_that_are_asked_for_are_read(tmp_path, monkeypatch):
    history = History(tmp_path / "history")
    for k in range(6):
        load(history, row(k))
    opened = []
    from optimizer.history.storage import version_log

    real = version_log.read_file
    monkeypatch.setattr(version_log, "read_file", lambda f, p: opened.append(p) or real(f, p))
    assert [each.version for each in history.versions(2, latest=4)] == [4, 3]
    assert [path[-6:-5] for path in opened] == ["4", "3"]


def test_versions_that_are_not_there_are_refused_and_lost_ones_end_the_list(tmp_path):
    history = History(tmp_path / "history")
    assert history.versions(10) == ()
    for k in range(3):
        load(history, row(k))
    with pytest.raises(InputError, match="has no version 9"):
        history.versions(10, latest=9)
    log = tmp_path / "history" / "_delta_log"
    (log / f"{0:020d}.json").unlink()
    found = version_entries(history.place.filesystem, 2, 10, MARK)
    assert [each.version for each in found] == [2, 1]
    (log / f"{1:020d}.json").write_text("{", encoding="utf-8")
    with pytest.raises(HistoryError, match="is damaged"):
        history.versions(10)


def test_a_lost_file_leaves_the_names_of_its_logs_unknown(tmp_path):
    for name in ("a.csv", "b.csv"):
        pd.DataFrame([row(k + ord(name[0])) for k in range(2)]).to_csv(tmp_path / name, index=False)
    history = History(tmp_path / "history")
    load_logs([tmp_path / "a.csv", tmp_path / "b.csv"], history, SITE)
    for file in (tmp_path / "history").glob("line=*/*.parquet"):
        file.unlink()
    (only,) = history.versions(1)
    assert (dict(only.added), dict(only.sources)) == ({"deck-1": 3}, {})


def test_a_refused_correction_names_each_field(tmp_path):
    history = History(tmp_path / "history")
    load(history, row(1))
    with pytest.raises(ValueRefused, match="run 'r1': ") as refused:
        correct(history, SITE, "r1", {"grade": 1.2, "air": None, "note": "x"}, reason="typo")
    assert set(refused.value.faults) == {"grade", "air"}
    assert "1.2" in refused.value.faults["grade"]
    assert json.loads(json.dumps(refused.value.as_dict()))["code"] == "value"
