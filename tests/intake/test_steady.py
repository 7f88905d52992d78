"""Readings over time: how stretches are found, when they are steady, and the runs made of them."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from statsmodels.stats.stattools import durbin_watson

from optimizer.errors import InputError
from optimizer.history.history import History
from optimizer.history.storage.samples import SampleStore
from optimizer.intake.settling.load import LoadOptions, load_table
from optimizer.intake.stretches.steady import FEWEST, LEVEL, chance

START = datetime.datetime(2025, 3, 1, 8, tzinfo=datetime.UTC)
SETTINGS = {
    "line": "deck-1", "feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 1.5,
    "eccentric_speed": 450.0, "air": 38.0,
}  # fmt: skip


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")


def readings(grade, recovery=None, minutes=2.0, start=START, **columns) -> pa.Table:
    """Readings at one setting, ``minutes`` apart."""
    n = len(grade)
    times = [start + datetime.timedelta(minutes=minutes * k) for k in range(n)]
    rng = np.random.default_rng(3)
    table = {
        **{name: [value] * n for name, value in SETTINGS.items()},
        "started_at": pa.array(times, pa.timestamp("us", "UTC")),
        "grade": np.asarray(grade, float),
        "recovery": 0.9 + rng.normal(0, 0.005, n) if recovery is None else np.asarray(recovery),
    }
    return pa.table(
        {**table, **{k: v if isinstance(v, list) else [v] * n for k, v in columns.items()}}
    )


def one(history: History, table: pa.Table) -> dict:
    load_table(table, history, options=LoadOptions(samples=True))
    (run,) = history.at().runs().to_pylist()
    return run


# -- the test ----------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [6, 10, 20])
def test_chance_has_its_stated_level_for_independent_readings(n: int) -> None:
    # 20,000 draws: a share of 0.1 has a standard error of 0.002. The beta distribution is an
    # approximation; 0.01 allows for it at n = 6.
    rng = np.random.default_rng(n)
    chances = np.array([chance(x) for x in rng.normal(size=(20_000, n))])
    for level in (0.025, 0.1, 0.5):
        assert np.mean(chances <= level) == pytest.approx(level, abs=0.01)


def test_ratio_is_the_durbin_watson_statistic_of_another_library() -> None:
    rng = np.random.default_rng(1)
    draws = rng.normal(size=(200, 8))
    ratios = np.array([durbin_watson(x - x.mean()) for x in draws])
    chances = np.array([chance(x) for x in draws])
    assert (np.argsort(ratios) == np.argsort(chances)).all()
    half = np.array([chance(x) for x in draws[np.abs(ratios - 2.0) < 0.02]])
    assert half == pytest.approx(0.5, abs=0.02)  # the distribution is symmetric around 2


def test_few_steady_stretches_are_called_unsettled() -> None:
    rng = np.random.default_rng(5)
    stretches = [
        readings(
            0.97 + rng.normal(0, 0.005, 12),
            0.9 + rng.normal(0, 0.01, 12),
            start=START + datetime.timedelta(hours=k),
        )
        for k in range(200)
    ]
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        history = History(Path(folder) / "h")
        load_table(pa.concat_tables(stretches), history, options=LoadOptions(samples=True))
        settled = history.at().runs()["settled"].to_pylist()
    assert len(settled) == 200
    # About 12 are expected (a stretch has settled when one of seven possible beginnings passes).
    assert settled.count(False) < 0.12 * len(settled)
    assert 0 < LEVEL < 0.5


# -- a stretch to a run ------------------------------------------------------------------------


def test_readings_before_settling_are_left_out_of_the_mean(history: History) -> None:
    rng = np.random.default_rng(2)
    way = [0.88, 0.905, 0.925, 0.945]
    steady = 0.97 + rng.normal(0, 0.002, 10)
    run = one(history, readings([*way, *steady], grade_count=100))
    assert run["settled"] is True
    assert 8 <= run["samples"] <= 10
    assert run["grade"] == pytest.approx(steady[-run["samples"] :].mean())
    assert run["grade_count"] == 100 * run["samples"]
    begin = START + datetime.timedelta(minutes=2 * (14 - run["samples"]))
    assert run["started_at"] == begin
    assert run["deck_state"] == "even"


def test_a_stretch_that_never_settles_is_kept_and_flagged(history: History) -> None:
    run = one(history, readings(np.linspace(0.85, 0.97, 14)))
    assert run["settled"] is False
    assert (run["samples"], run["deck_state"]) == (7, "even")
    assert run["grade"] == pytest.approx(np.linspace(0.85, 0.97, 14)[7:].mean())


def test_slow_surging_is_not_steady(history: History) -> None:
    surge = 0.96 + 0.01 * np.sin(np.arange(24) * 2 * np.pi / 12)
    assert one(history, readings(surge))["settled"] is False


def test_too_few_readings_are_not_tested(history: History) -> None:
    run = one(history, readings([0.95, 0.96, 0.97][: FEWEST - 1]))
    assert (run["settled"], run["samples"]) == (None, 3)
    assert run["grade"] == pytest.approx(0.96)


def test_a_single_reading_is_kept_unchanged(history: History) -> None:
    run = one(history, readings([0.95], grade_se=0.01))
    assert (run["settled"], run["samples"], run["grade_se"]) == (None, 1, 0.01)


def test_standard_error_of_the_mean_is_never_below_that_of_the_counts(history: History) -> None:
    rng = np.random.default_rng(8)
    grade = 0.97 + rng.normal(0, 0.004, 12)
    run = one(history, readings(grade))
    used = grade[-run["samples"] :]
    # Neighbors are alike by r: n (1 - r) / (1 + r) readings are independent.
    off = used - used.mean()
    alike = off[1:] @ off[:-1] / (off @ off)
    assert alike > 0.1
    independent = len(used) * (1.0 - alike) / (1.0 + alike)
    assert run["grade_se"] == pytest.approx(used.std(ddof=1) / np.sqrt(independent))
    counted = History(history.folder.parent / "counted")
    run = one(counted, readings(np.full(8, 0.96), grade_count=50))
    assert run["grade_se"] == pytest.approx(np.sqrt(0.96 * 0.04 / (50 * run["samples"])))


def test_averaging_does_not_reduce_the_error_of_one_sample_of_the_feed(history: History) -> None:
    stated = {"feed_grade": 0.9, "feed_grade_se": 0.004, "feed_grade_count": 800}
    stated["grade_recovery_correlation"] = -0.3
    run = one(history, readings(np.full(8, 0.96), **stated))
    assert run["samples"] > 1
    assert {name: run[name] for name in stated} == pytest.approx(stated)


def test_standard_error_allows_for_correlated_neighbors(history: History) -> None:
    rng = np.random.default_rng(12)
    grade = np.full(24, 0.97)
    for k in range(1, 24):
        grade[k] = 0.97 + 0.4 * (grade[k - 1] - 0.97) + rng.normal(0, 0.004)
    run = one(history, readings(grade))
    used = grade[-run["samples"] :]
    off = used - used.mean()
    r = (off[1:] @ off[:-1]) / (off @ off)
    assert r > 0.1
    naive = used.std(ddof=1) / np.sqrt(len(used))
    assert run["grade_se"] == pytest.approx(naive * np.sqrt((1 + r) / (1 - r)))


@pytest.mark.parametrize(
    ("second", "runs"),
    [
        ({"minutes": 2.0, "start": START + datetime.timedelta(minutes=12)}, 1),
        ({"start": START + datetime.timedelta(minutes=21)}, 2),
        ({"start": START + datetime.timedelta(minutes=12), "air": 39.0}, 2),
        ({"start": START + datetime.timedelta(minutes=12), "line": "deck-2"}, 2),
        ({"start": START + datetime.timedelta(minutes=12), "material": "b"}, 2),
        ({"start": START + datetime.timedelta(minutes=12), "deck_state": "boiling"}, 2),
    ],
)
def test_what_ends_a_stretch(history: History, second: dict, runs: int) -> None:
    same = {"material": "a", "deck_state": "even"}
    start = {k: second.pop(k) for k in ("minutes", "start") if k in second}
    rng = np.random.default_rng(4)
    parts = [
        readings(0.97 + rng.normal(0, 0.003, 6), **same),
        readings(0.97 + rng.normal(0, 0.003, 6), **start, **{**same, **second}),
    ]
    order = np.random.default_rng(0).permutation(12)  # the order of the rows does not matter
    load_table(
        pa.concat_tables(parts).take(pa.array(order)), history, options=LoadOptions(samples=True)
    )
    assert history.at().runs().num_rows == runs


@pytest.mark.parametrize(("ids", "runs"), [(["a"] * 4 + ["b"] * 4, 2), (list("abcdefgh"), 1)])
def test_run_ids_divide_trials_and_number_readings(history: History, ids: list, runs: int) -> None:
    rng = np.random.default_rng(4)
    load_table(
        readings(0.97 + rng.normal(0, 0.003, 8), run_id=ids),
        history,
        options=LoadOptions(samples=True),
    )
    kept = history.at().runs()["run_id"].to_pylist()
    assert len(kept) == runs
    assert runs == 1 or kept == ["a", "b"]


# -- what is kept ------------------------------------------------------------------------------


def test_every_reading_is_reachable_under_its_run(history: History) -> None:
    rng = np.random.default_rng(2)
    grade = [0.88, 0.905, 0.925, 0.945, *(0.97 + rng.normal(0, 0.002, 10))]
    run = one(history, readings(grade))
    store = SampleStore(history.samples_folder)
    kept = store.read([run["run_id"]])
    assert kept is not None
    assert kept["grade"].to_pylist() == pytest.approx(grade)
    assert sum(kept["averaged"].to_pylist()) == run["samples"]
    assert store.read(["another"]).num_rows == 0  # type: ignore[union-attr]


def test_loading_again_adds_nothing_and_a_reading_twice_counts_once(history: History) -> None:
    table = readings(0.97 + np.random.default_rng(2).normal(0, 0.002, 8))
    report = load_table(
        pa.concat_tables([table, table]), history, options=LoadOptions(samples=True)
    )
    assert (report.read, report.readings, report.already_known) == (16, 8, 8)
    assert (report.added, report.files[0].as_dict()["readings"]) == (1, 8)
    again = load_table(table, history, options=LoadOptions(samples=True))
    assert (again.added, again.already_known) == (0, 8)
    assert history.at().runs().num_rows == 1
    assert SampleStore(history.samples_folder).read().num_rows == 8  # type: ignore[union-attr]


def test_dry_run_of_readings_gives_an_equal_report_and_writes_nothing(history: History) -> None:
    table = readings(0.97 + np.random.default_rng(2).normal(0, 0.002, 8))
    dry = load_table(table, history, options=LoadOptions(samples=True, dry_run=True)).as_dict()
    assert not history.folder.exists()  # type: ignore[union-attr]
    wet = load_table(table, history, options=LoadOptions(samples=True)).as_dict()
    assert {**dry, "version": 0} == wet


def test_a_disputed_run_rejects_each_of_its_readings(history: History) -> None:
    rng = np.random.default_rng(2)
    load_table(
        readings(0.97 + rng.normal(0, 0.002, 6), run_id="t1"),
        history,
        options=LoadOptions(samples=True),
    )
    later = readings(0.95 + rng.normal(0, 0.002, 6), run_id="t1")
    report = load_table(later, history, options=LoadOptions(samples=True))
    assert (report.read, report.rejected) == (6, 6)
    assert [r["row"] for r in report.rejects] == [1, 2, 3, 4, 5, 6]
    assert "run_id 't1' of line 'deck-1' is already known" in report.rejects[0]["reason"]


def test_ordinary_loads_never_merge(history: History) -> None:
    table = readings(0.97 + np.random.default_rng(2).normal(0, 0.002, 8))
    report = load_table(table, history)
    assert report.added == history.at().runs().num_rows == 8
    assert any("load it with --samples" in warning for warning in report.warnings)
    assert history.at().runs()["samples"].null_count == 8
    assert not history.samples_folder.exists()


def test_readings_without_times_are_refused(history: History) -> None:
    table = readings([0.97, 0.96]).drop_columns(["started_at"])
    report = load_table(table, history, options=LoadOptions(samples=True))
    assert "readings over time need a column started_at" in report.files[0].error  # type: ignore[operator]


def test_exported_runs_keep_what_they_were_made_of(history: History, tmp_path: Path) -> None:
    run = one(history, readings(0.97 + np.random.default_rng(2).normal(0, 0.002, 8)))
    from optimizer.intake.settling.load import load_logs

    for name in ("runs.csv", "runs.parquet"):
        history.at().export(tmp_path / name)
        copy = History(tmp_path / f"copy-{name}")
        load_logs(tmp_path / name, copy)
        (same,) = copy.at().runs().to_pylist()
        assert (same["samples"], same["settled"]) == (run["samples"], True)
        assert same["run_id"] == run["run_id"]


def test_histories_from_before_readings_are_read_and_appended_to(history: History) -> None:
    from optimizer.intake.settling.load import schema_of
    from optimizer.plant.site import Site

    old = pa.schema([f for f in schema_of(Site()) if f.name not in ("samples", "settled")])
    row = {**SETTINGS, "run_id": "r1", "deck_state": "even", "grade": 0.97, "recovery": 0.9}
    history.append(pa.Table.from_pylist([{**dict.fromkeys(old.names), **row}], old))
    assert history.at().runs()["samples"].to_pylist() == [None]
    load_table(readings([0.97, 0.96, 0.98]), history, options=LoadOptions(samples=True))
    assert sorted(history.at().runs()["samples"].is_valid().to_pylist()) == [False, True]
    assert {f.name: f.type for f in history.at().runs().schema}["settled"] == pa.bool_()


def test_a_history_with_readings_is_not_taken_for_a_foreign_folder(history: History) -> None:
    history.samples_folder.mkdir(parents=True)
    assert history.version is None
    (history.folder / "something").mkdir()  # type: ignore[operator]
    with pytest.raises(Exception, match="is not a history"):
        _ = history.version


def test_an_option_without_effect_on_a_folder_is_reported(history: History, tmp_path: Path) -> None:
    from optimizer.intake.settling.load import load_logs

    with pytest.raises(InputError, match="no log at"):
        load_logs(tmp_path / "nothing*.csv", history, samples=True)
