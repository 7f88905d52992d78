"""The run history: each run is added once and read in one order; a refusal damages nothing."""

from __future__ import annotations

import json
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from deltalake import DeltaTable, write_deltalake

import optimizer.history.storage.commits
from optimizer import Brief, suggest
from optimizer.errors import HistoryError, InputError
from optimizer.history.history import History
from optimizer.history.schema import in_schema
from optimizer.history.upkeep import verify
from optimizer.intake.settling.load import LoadOptions, load_bytes, load_logs, load_table, schema_of
from optimizer.plant.run_columns import JOINT_ERRORS
from optimizer.plant.site import Site
from tests.history.runs import RUN, run


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")


def test_an_empty_history_reads_as_an_empty_table(history: History) -> None:
    assert (history.exists, history.version) == (False, None)
    table = history.at().runs()
    assert table.schema == schema_of(Site())
    assert table.num_rows == 0
    assert history.at().summary().as_dict() == {
        "schema": "highside.history/1",
        "version": None,
        "runs": 0,
        "lines": [],
    }
    assert not history.folder.exists()  # type: ignore[union-attr]


def test_runs_are_read_by_line_then_start_then_id(history: History) -> None:
    rows = [
        run(line="B", run_id="1"),
        run(run_id="2", started_at=None),
        run(run_id="4", started_at="2025-03-02"),
        run(run_id="3", started_at="2025-03-02"),
        run(run_id="5", started_at="2025-02-02"),
    ]
    for row in rows:
        load_table([row], history)
    assert history.at().runs()["run_id"].to_pylist() == ["5", "3", "4", "2", "1"]
    assert history.at().runs(lines=["B"])["run_id"].to_pylist() == ["1"]
    assert history.at().runs(since="2025-03-01T10:00")["run_id"].to_pylist() == ["3", "4", "1"]
    since = datetime(2025, 3, 1, 10, 1, tzinfo=UTC)
    assert history.at().runs(since=since)["run_id"].to_pylist() == ["3", "4"]
    with pytest.raises(InputError, match="'soon' is not a date"):
        history.at().runs(since="soon")


def test_every_load_is_one_version_and_old_ones_stay(history: History, tmp_path: Path) -> None:
    for k in range(3):
        (tmp_path / f"{k}.csv").write_text(
            ",".join(RUN) + "\n" + ",".join(str(v) for v in run(line="ABC"[k]).values()), "utf-8"
        )
    assert load_logs([tmp_path / "0.csv", tmp_path / "1.csv"], history).version == 0
    assert load_logs([tmp_path / "2.csv"], history).version == 1
    assert load_logs([tmp_path / "2.csv"], history).version == 1  # nothing new, no commit
    assert history.at(0).runs()["line"].to_pylist() == ["A", "B"]
    assert history.at(1).runs()["line"].to_pylist() == ["A", "B", "C"]
    with pytest.raises(InputError, match=r"has no version 7\. Versions are 0 to 1"):
        history.at(7).runs()
    with pytest.raises(InputError, match="has no version 0: it is empty"):
        History(tmp_path / "new").at(0).runs()


def stored_columns(history: History) -> list[str]:
    return [field.name for field in DeltaTable(str(history.folder)).schema().fields]


def test_a_history_from_before_the_columns_of_joint_errors_loads_plans_and_grows(
    history: History, tmp_path: Path
) -> None:
    rows = [run(started_at=f"2025-03-{k:02}", feed_rate=2 + k / 10) for k in range(1, 10)]
    new = History(tmp_path / "new")
    load_table(rows, new)
    history.append(new.at().runs().drop(list(JOINT_ERRORS)))
    assert not set(JOINT_ERRORS) & set(stored_columns(history))
    before = history.at().runs(Site())
    assert all(before[name].null_count == 9 for name in JOINT_ERRORS)
    brief = Brief.from_dict({"trials": {"count": 1}})
    plans = [suggest(h.at(), Site(), brief).as_dict() for h in (history, new)]
    assert plans[0] == plans[1]
    assert load_table(rows, history).already_known == 9
    # A run of the old files that is now stated with an error is not taken for known.
    (reject,) = load_table([{**rows[0], "feed_grade_se": 0.004}], history).rejects
    assert "feed_grade_se is empty there and 0.004 here" in reject["reason"]
    stated = run(feed_grade_se=0.004, feed_grade=0.9, grade_recovery_correlation=-0.3, run_id="r")
    assert load_table([stated], history).added == 1
    assert set(JOINT_ERRORS) <= set(stored_columns(history))
    after = {r["run_id"]: r for r in history.at().runs(Site()).to_pylist()}
    assert (after["r"]["feed_grade_se"], after["r"]["grade_recovery_correlation"]) == (0.004, -0.3)
    assert [r["feed_grade_se"] for r in after.values()].count(None) == 9
    assert history.at(0).runs(Site()).drop(["source"]).equals(before.drop(["source"]))
    derived = run(started_at=None, feed_grade=0.9, grade_feed_correlation=0.2)
    assert load_table([derived], history).added == 1
    health = verify(history)
    assert (health.sound, health.odd_ids) == (True, 0)
    assert history.at().export(tmp_path / "all.csv") == 11
    assert load_logs(tmp_path / "all.csv", history).already_known == 11


def test_material_columns_may_be_added_later(history: History) -> None:
    load_table([run(run_id="1")], history)
    wet = Site.from_dict({"material": {"moisture": {"low": 0, "high": 30}}})
    load_table([run(run_id="2", moisture=12.0)], history, wet)
    load_table([run(run_id="3")], history)
    assert history.at().runs(site=wet)["moisture"].to_pylist() == [None, 12.0, None]
    assert history.at().runs()["moisture"].to_pylist() == [None, 12.0, None]
    dense = Site.from_dict({"material": {"bulk_density": {"low": 0, "high": 900}}})
    assert history.at().runs(site=dense)["bulk_density"].to_pylist() == [None] * 3


IMPERIAL = Site.from_dict(
    {
        "settings": {"feed_rate": {"unit": "lb/h", "low": 1000, "high": 9000, "step": 100}},
        "material": {"feed_grade": {"unit": "%", "low": 1, "high": 99}},
        "lines": {"A": {}, "B": {"air": {"unit": "%", "low": 0, "high": 100, "step": 1}}},
    }
)


def test_runs_are_stored_in_canonical_units_and_read_in_the_site_s(history: History) -> None:
    rows = [run(feed_rate=4000, feed_grade=80), run(line="B", feed_rate=5000, air=95)]
    assert load_table(rows, history, IMPERIAL).added == 2
    stored = history.at().runs()
    # Exact by definition: 1 lb is 0.45359237 kg [NIST SP 811 (2008), appendix B.8].
    assert stored["feed_rate"][0].as_py() == pytest.approx(4 * 0.45359237, rel=1e-12)
    assert stored["feed_grade"].to_pylist() == [0.8, None]
    assert stored["air"].to_pylist() == [30.0, 95.0]
    ours = history.at().runs(site=IMPERIAL)
    assert ours["feed_rate"].to_pylist() == pytest.approx([4000, 5000], rel=1e-12)
    assert ours["feed_grade"].to_pylist() == [80.0, None]


@pytest.mark.parametrize("name", ["runs.csv", "runs.parquet"])
def test_an_export_loads_as_the_same_runs(history: History, tmp_path: Path, name: str) -> None:
    rows = [
        run(feed_rate=4000, feed_grade=80, note='a "b", c\nd', grade=1 / 3, grade_count=12),
        run(line="B", feed_rate=5000 / 3, run_id="B1", started_at=None, material="rye"),
        run(deck_state="boiling", grade=None, recovery=None, feed_rate=3000, grade_se=0.01),
    ]
    assert load_table(rows, history, IMPERIAL).added == 3
    assert history.at().export(tmp_path / name, IMPERIAL) == 3
    assert load_logs(tmp_path / name, history, IMPERIAL).already_known == 3
    copy = History(tmp_path / "copy")
    report = load_logs(tmp_path / name, copy, IMPERIAL)
    assert (report.added, report.warnings) == (3, ()), report.rejects
    ours, theirs = (
        h.at().runs().drop(["source", "source_row", "feed_rate"]) for h in (history, copy)
    )
    assert theirs.equals(ours)
    rates = [h.at().runs()["feed_rate"].to_pylist() for h in (history, copy)]
    assert rates[0] == pytest.approx(rates[1], rel=1e-14)
    assert history.at().export(tmp_path / name, IMPERIAL, line="B") == 1
    with pytest.raises(InputError, match=r"End it in \.csv or \.parquet"):
        history.at().export(tmp_path / "runs.xls")
    assert [p for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_summary_lists_what_each_line_has(history: History) -> None:
    rows = [
        run(material="rye"),
        run(material="oats", started_at="2025-03-02"),
        run(air=31, started_at="2025-03-20T10:00", deck_state="boiling", grade=None),
        run(line="B", started_at=None),
    ]
    load_table(rows, history)
    document = history.at().summary().as_dict()
    assert (document["version"], document["runs"]) == (0, 4)
    first, second = document["lines"]
    assert {k: v for k, v in first.items() if k != "settings"} == {
        "line": "A",
        "runs": 3,
        "set_points": 2,
        "first": "2025-03-01T10:00:00Z",
        "last": "2025-03-20T10:00:00Z",
        "failed": 1,
        "materials": ["oats", "rye"],
        "gaps": [{"days": 18.42, "from": "2025-03-02T00:00:00Z", "to": "2025-03-20T10:00:00Z"}],
    }
    assert first["settings"]["air"] == {"unit": "turn", "low": 30.0, "high": 31.0}
    assert (second["first"], second["last"], second["gaps"]) == (None, None, [])
    assert [x["line"] for x in history.at().summary(line="B").as_dict()["lines"]] == ["B"]
    assert history.at().summary(since="2025-03-10").as_dict()["runs"] == 1
    json.dumps(document, allow_nan=False)


# -- refusals: nothing is written ---------------------------------------------------------------


def listing(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name != "_lock"
    }


def plain_folder(folder: Path) -> None:
    folder.mkdir()
    (folder / "thesis.txt").write_text("mine", "utf-8")


def foreign_table(folder: Path) -> None:
    write_deltalake(folder, pa.table({"x": [1]}))


def newer_table(folder: Path) -> None:
    load_table([run()], History(folder))
    DeltaTable(folder).alter.set_table_description("highside.format=2")


def broken_log(folder: Path) -> None:
    load_table([run()], History(folder))
    (folder / "_delta_log" / "00000000000000000000.json").write_text("{nonsense", "utf-8")


def lost_log(folder: Path) -> None:
    load_table([run()], History(folder))
    (folder / "_delta_log" / "00000000000000000000.json").unlink()


def lost_file(folder: Path) -> None:
    load_table([run()], History(folder))
    next(folder.rglob("*.parquet")).unlink()


def overwritten_file(folder: Path) -> None:
    load_table([run()], History(folder))
    next(folder.rglob("*.parquet")).write_bytes(b"PAR1 nothing PAR1")


PLACES = [
    (plain_folder, "is not a history: it has no table and holds 'thesis.txt'"),
    (foreign_table, "is not a run history: it lacks run_id"),
    (newer_table, "has format 2; this version of highside knows formats up to 1"),
    (broken_log, "is damaged"),
    (lost_log, "is damaged: its log has no commit"),
    (lost_file, "is damaged"),
    (overwritten_file, "is damaged"),
]


@pytest.mark.parametrize(("make", "reason"), PLACES, ids=[make.__name__ for make, _ in PLACES])
def test_an_unsuitable_folder_is_refused_and_unchanged(
    tmp_path: Path, make: Any, reason: str
) -> None:
    make(tmp_path / "place")
    before = listing(tmp_path / "place")
    history = History(tmp_path / "place")
    for use in (
        lambda: history.at().runs(),
        lambda: load_table([run(air=31)], history),
        lambda: load_table([run(air=31)], history, options=LoadOptions(dry_run=True)),
    ):
        with pytest.raises(HistoryError, match=reason) as refusal:
            use()
        assert refusal.value.hint
        assert refusal.value.exit_code == 3
    assert listing(tmp_path / "place") == before


def test_a_file_is_refused_as_a_history(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", "utf-8")
    with pytest.raises(HistoryError, match="is a file, not a folder"):
        load_table([run()], History(tmp_path / "file"))


# -- one writer at a time, all or nothing -------------------------------------------------------


def test_a_load_waits_for_a_locked_history_and_then_gives_up(history: History) -> None:
    load_table([run()], history)
    impatient = History(history.location, lock_seconds=0.05)
    with history.lock():
        with history.lock():
            pass
        with pytest.raises(HistoryError, match=r"is locked by another load. Wait for it to end"):
            load_table([run(air=31)], impatient)
        assert impatient.at().runs().num_rows == 1
    assert load_table([run(air=31)], impatient).added == 1


def test_loads_at_the_same_time_add_each_run_once(history: History) -> None:
    rows = [run(air=float(k)) for k in range(50)]
    reports = []
    threads = [
        threading.Thread(target=lambda: reports.append(load_table(rows, History(history.location))))
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(r.added for r in reports) == [0, 0, 0, 50]
    assert history.at().runs().num_rows == 50


@pytest.mark.parametrize("before", [0, 1])
def test_a_crash_before_the_commit_leaves_nothing(
    history: History, monkeypatch: pytest.MonkeyPatch, before: int
) -> None:
    load_table([run()][:before], history)

    def dies(*_: Any, **how: Any) -> None:
        raise OSError("killed")

    monkeypatch.setattr(optimizer.history.storage.commits, "create_table_with_add_actions", dies)
    monkeypatch.setattr(DeltaTable, "create_write_transaction", dies)
    with pytest.raises(HistoryError, match=r"cannot be written.*killed"):
        load_table([run(air=31), run(air=None)], history)
    monkeypatch.undo()
    # The files of the load exist, but no commit names them.
    assert len(list(history.folder.glob("line=A/*.parquet"))) == before + 1  # type: ignore[union-attr]
    assert (history.version, history.at().runs().num_rows) == (0 if before else None, before)
    assert not history.rejects_folder.exists()
    assert load_table([run(air=31), run(air=None)], history).added == 1


def test_a_failure_while_rows_are_made_commits_nothing(history: History) -> None:
    load_table([run()], history)
    batch = history.at().runs().to_batches()[0]

    def batches() -> Any:
        yield batch
        yield batch
        raise RuntimeError("the disk is gone")

    with pytest.raises(RuntimeError, match="the disk is gone"):
        history.append(batches(), batch.schema)
    assert (history.version, history.at().runs().num_rows) == (0, 1)


def test_known_runs_of_a_line_met_late_in_a_load_are_looked_up(history: History) -> None:
    rows = [run(line=name, air=float(k)) for name in "ABC" for k in range(3)]
    load_table(rows, history)
    head = ",".join(RUN)
    lines = [",".join(str(v) for v in r.values()) for r in [*rows, run(line="A", air=50.0)]]
    report = load_bytes("\n".join([head, *reversed(lines)]).encode(), history)
    assert (report.added, report.already_known) == (1, 9)


def test_vacuum_keeps_the_lock_and_the_rejects(history: History) -> None:
    load_table([run(), run(air=None)], history)
    table = DeltaTable(history.location)
    removed = table.vacuum(
        retention_hours=0, dry_run=False, enforce_retention_duration=False, full=True
    )
    assert removed == []
    assert (history.rejects_folder / "rejected.csv").exists()


def test_line_names_may_hold_any_letter(history: History) -> None:
    names = ["Deck 1/α=β", "100 %", "..", "Z:\\x"]
    load_table([run(line=name) for name in names], history)
    assert sorted(history.at().runs()["line"].to_pylist()) == sorted(names)
    assert load_table([run(line=name) for name in names], history).already_known == 4


def test_a_file_uri_is_its_folder(tmp_path: Path) -> None:
    place = tmp_path / "mill A"
    history = History(place.as_uri())
    report = load_table([run(), run(air=None)], history)
    assert report.rejects_file == str(place / "_rejected" / "rejected.csv")
    assert load_table([run()], History(place)).already_known == 1


def test_unsupported_stores_are_refused() -> None:
    with pytest.raises(InputError, match="would be gone when the command ends"):
        History("memory://runs")
    with pytest.raises(InputError, match="this kind of address is not known"):
        History("nonsense://runs").at().runs()


def test_a_dry_run_of_a_log_without_a_usable_row_is_not_reported_as_damage(tmp_path):
    from optimizer.intake.settling.load import load_bytes

    history = History(tmp_path / "history")
    log = b"line,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery\n"
    load_bytes(log + b"deck-1,2,2.4,2,450,37,0.98,0.93\n", history)
    report = load_bytes(b"{}", history, options=LoadOptions(dry_run=True))
    assert (report.added, report.unreadable) == (0, ("upload",))


def test_a_slow_reader_holds_one_file_at_a_time(tmp_path: Path) -> None:
    # A load indexes the known runs more slowly than they are read; a scan of all files used to
    # run ahead of it and hold most of a large history in memory.
    lines, rows = 12, 20_000
    names = pa.array([f"deck-{k}" for k in range(lines)]).take(
        pa.array([k for k in range(lines) for _ in range(rows)])
    )
    full = {"line": names, "run_id": pa.array([f"{k:032x}" for k in range(lines * rows)])}
    schema = schema_of(Site())
    history = History(tmp_path / "h")
    table = in_schema(pa.table(full), schema)
    history.append(table)
    before = pa.total_allocated_bytes()
    scan, held, seen = history.at().batches(), 0, 0
    for batch in scan:
        time.sleep(0.03)
        held = max(held, pa.total_allocated_bytes() - before)
        seen += len(batch)
    assert seen == lines * rows
    assert held < 2 * table.nbytes / lines
