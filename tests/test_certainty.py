"""The benchmark of certainty: what a plan says beside the truth, wrong readings, repeats."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm, ttest_1samp
from statsmodels.stats.proportion import proportion_confint

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from tests.benchmarks.calibration import Key, history
from tests.benchmarks.certainty import __main__ as command
from tests.benchmarks.certainty import plans, repeats, tables, wrong
from tests.benchmarks.trials.decks import EVERY_FAMILY, JUDGE_FROM, problem
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS
from tests.benchmarks.trials.task import settings_of

SEED = JUDGE_FROM + 4000


def test_a_judge_s_run_has_every_family_and_a_development_run_none_for_judging_alone():
    assert command.arguments(["--judge"]).families == list(EVERY_FAMILY)
    found = command.arguments([]).families
    assert found == [f for f in EVERY_FAMILY if f not in JUDGE_LAWS]
    assert command.arguments(["--judge", "--families", "ridge"]).families == ["ridge"]
    names = [command.arguments(w).report.name for w in ([], ["--wrong"], ["--repeats"])]
    assert names == ["certainty.md", "certainty_wrong.md", "certainty_repeats.md"]
    with pytest.raises(SystemExit):
        command.arguments(["--wrong", "--repeats"])


# ------------------------------------------------------------------ plans


def test_a_row_holds_what_the_plan_says_and_the_truth_at_its_settings():
    key = Key("idle", "moderate", 3, "spread", 12)
    row = plans.judged(key)
    task = history(key)
    plan = suggest(Snapshot.of_table(task.table()), brief=task.brief(), seed=task.seed)
    now = settings_of(plan.run_now.settings)
    assert row["chance"] == pytest.approx(plan.run_now.chance_of_grade, abs=1e-5)
    assert (row["strict"], row["proportion"]) == pytest.approx(task.gaps(now), abs=1e-5)
    truth = task.problem.deck.run(now[None, :], task.problem.material)
    assert row["met"] == (truth.grade[0] >= task.min_grade)
    assert row["confidence"] == 0.9
    assert 0.0 <= row["even"] <= 1.0
    # 15 % of all settings meet the moderate grade; of those that run even, some more.
    assert 0.13 < row["meet"] < 0.3
    assert set(row["cover"]) == {"anywhere", "near"}
    assert all(
        0.0 <= row["cover"][at][q] <= 1.0 for at in row["cover"] for q in ("grade", "recovery")
    )


def test_a_history_without_readings_is_not_sure_and_has_no_intervals(monkeypatch):
    task = history(Key("beans", "moderate", 3, "spread", 4))
    task.grade = task.recovery = np.full(4, np.nan)
    task.state = ["boiling"] * 4
    monkeypatch.setattr(plans, "history", lambda key: task)
    row = plans.judged(Key("beans", "moderate", 3, "spread", 4))
    assert row["chance"] is None
    assert row["strict"] == pytest.approx(task.problem.best, abs=1e-5)
    assert row["cover"] == {"anywhere": None}
    assert not tables.says_sure(row)
    assert "| beans | spread 4 | 1 | 0 % |" in tables.certainty([row])
    assert tables.coverage([row]).endswith("| beans | spread 4 |  |  |  |  |")


# ------------------------------------------------------------------ wrong readings


@pytest.mark.parametrize(
    ("change", "share", "read"),
    [
        (wrong.complement, 0.988, 0.012),
        (wrong.digits_swapped, 0.988, 0.898),
        (wrong.digits_swapped, 0.998, 0.989),
        (wrong.digits_swapped, 0.0471, 0.407),
        (wrong.digits_swapped, 0.999, 0.099),
        (wrong.digits_swapped, 1.0, 0.099),
        (wrong.ten_times_too_low, 0.988, 0.0988),
    ],
)
def test_a_reading_is_mistyped_as_people_do(change, share, read):
    assert change(share) == pytest.approx(read, abs=1e-12)


def test_one_reading_in_twenty_is_wrong_and_the_rest_of_the_history_is_the_same():
    kinds = set()
    for seed in range(SEED, SEED + 6):
        key = Key("terraces", "moderate", seed, "spread", 80)
        clean, spoiled = history(key), history(key)
        errors = wrong.spoil(spoiled, np.random.default_rng((seed, 23)))
        kinds |= {kind for _, kind in errors}
        assert len(errors) == round(clean.even.sum() / 20)
        rows = sorted(row for row, _ in errors)
        changed = (clean.grade != spoiled.grade) | (clean.recovery != spoiled.recovery)
        assert sorted(np.flatnonzero(changed & clean.even)) == rows
        np.testing.assert_array_equal(clean.values, spoiled.values)
        np.testing.assert_array_equal(clean.even, spoiled.even)
        for row, kind in errors:
            a, b = (t.grade[row] for t in (clean, spoiled))
            c, d = (t.recovery[row] for t in (clean, spoiled))
            if kind == "swapped":
                assert (b, d) == (c, a)
            else:
                assert (a == b) != (c == d)
    assert kinds == set(wrong.KINDS)


def test_a_pair_without_wrong_readings_has_no_difference(monkeypatch):
    monkeypatch.setattr(wrong, "spoil", lambda task, rng: [])
    row = wrong.judged(Key("cliff", "moderate", 1, "spread", 10))
    assert row["clean"] == row["wrong"]


# ------------------------------------------------------------------ repeats


@pytest.mark.parametrize("family", ["ores", "outsider", "ridge", "valley"])
def test_any_deck_is_read_with_the_count_and_the_weighing_of_the_repeats(family):
    p = repeats.counted(problem(family, "moderate", SEED))
    values = np.repeat(p.best_settings[None, :], 2000, axis=0)
    read = p.deck.measure(values, p.material, np.random.default_rng(1))
    # The outsider counts three samples of equal size.
    assert read.grade_count in (repeats.COUNTED, 198)
    assert read.recovery_se == repeats.WEIGHED
    counts = read.grade[np.isfinite(read.grade)] * read.grade_count
    np.testing.assert_allclose(counts, np.rint(counts), atol=1e-9)
    original = problem(family, "moderate", SEED)
    usual = original.deck.measure(values, p.material, np.random.default_rng(1))
    # The scatter from run to run is the same; the weighing is better.
    assert np.nanstd(read.recovery) < np.nanstd(usual.recovery)


def test_a_history_has_three_set_points_of_eight_runs_each():
    task, at = repeats.replicated(Key("hills", "moderate", SEED, "repeats", 60))
    assert task.values.shape == (60, 5)
    assert [int(np.all(task.values == v, axis=1).sum()) for v in at] == [8, 8, 8]
    # Other set-points are run once or so: spread over the region.
    assert len(np.unique(task.values, axis=0)) > 60 - 3 * 8
    places = np.flatnonzero(np.all(task.values == at[0], axis=1))
    assert np.diff(places).max() > 1


def test_the_interval_of_repeats_is_student_s():
    readings = np.random.default_rng(4).normal(0.8, 0.01, 8)
    # Source: scipy's interval of a one-sample t test.
    found = ttest_1samp(readings, 0.0).confidence_interval(0.9)
    assert repeats.interval_of_mean(readings) == pytest.approx((found.low, found.high))
    covered = [
        a <= 0.8 <= b
        for a, b in (
            repeats.interval_of_mean(np.random.default_rng(k).normal(0.8, 0.01, 8))
            for k in range(2000)
        )
    ]
    # 2,000 samples: three standard errors of a share of 0.9 are 0.02.
    assert np.mean(covered) == pytest.approx(0.9, abs=0.02)


def test_both_intervals_are_given_at_each_set_point():
    row = repeats.judged(Key("cliff", "moderate", 2, "repeats", 60))
    assert len(row["points"]) == 3
    for point in row["points"]:
        assert point["n"] <= 8
        for name in ("model", "repeats"):
            low, high = point[name]
            assert 0.0 < low < high < 1.1
            assert abs(0.5 * (low + high) - point["true"]) < 0.1


# ------------------------------------------------------------------ tables


def row(family: str, chance: float | None, met: bool, gap: float = 0.1) -> dict[str, Any]:
    return {
        **{"family": family, "kind": "spread", "runs": 10, "chance": chance, "even": 0.95},
        **{"confidence": 0.9, "met": met, "strict": 2 * gap, "proportion": gap, "meet": 0.2},
        "cover": {"anywhere": {"grade": 0.9, "recovery": 0.8}, "near": None},
    }


def test_a_share_has_wilson_s_interval():
    # Source: statsmodels' interval of a proportion.
    low, high = proportion_confint(7, 9, method="wilson")
    assert tables.share(7, 9) == f"78 % ({100 * low:.0f}–{100 * high:.0f})"
    assert tables.share(0, 0) == "none"


def test_of_the_sure_plans_the_true_ones_are_counted_and_the_worst_family_is_named():
    rows = [row("f", 0.96, True)] * 3 + [row("f", 0.92, False)] + [row("f", 0.5, True)] * 2
    rows += [row("g", 0.98, True, 0.3)] * 3 + [row("g", None, False, 0.3)]
    first, *_, last = tables.certainty(rows).splitlines()[2:]
    cells = [c.strip() for c in first.strip("|").split("|")]
    assert cells[:5] == ["f", "spread 10", "6", "67 %", "50 %"]
    assert cells[5] == tables.share(3, 4)
    assert cells[6:10] == ["0.950", "0.800", "0.833", "20 %"]
    assert cells[10:] == ["0.200", "0.200", "0.100", "0.100"]
    assert last.startswith("| all | spread 10 | 10 | 70 % |")
    said = tables.worst(rows)
    assert "**f**, over all its histories 3 of 4 sure plans meet the grade" in said
    assert "mean gap in proportion: **g**, 0.300" in said
    assert tables.worst([row("f", 0.5, True)]).startswith("No plan says sure.")
    assert "| f | spread 10 | 90 (90–90) | 80 (80–80) |  |  |" in tables.coverage(rows)


def test_rows_are_grouped_by_history_family_and_over_all():
    rows = [row("f", 0.9, True), {**row("f", 0.9, True), "runs": 40}, row("g", 0.9, True)]
    found = {key: len(own) for key, own in tables.by_history(rows).items()}
    assert found == {
        **{("f", "spread 10"): 1, ("f", "spread 40"): 1, ("f", "all"): 2, ("g", "spread 10"): 1},
        **{("all", "spread 10"): 2, ("all", "spread 40"): 1, ("all", "all"): 3},
    }


def test_the_difference_of_pairs_and_its_interval():
    rng = np.random.default_rng(5)
    rows = []
    for change in rng.normal(0.05, 0.1, 200):
        pair = {
            "clean": row("f", 0.95, True, 0.1),
            "wrong": row("f", 0.95, False, 0.1 + float(change)),
        }
        rows.append({"family": "f", "kind": "spread", "runs": 40, **pair})
    changes = np.array([r["wrong"]["proportion"] - 0.1 for r in rows])
    low, high = tables.resampled(changes, np.mean)
    # Source: the normal interval of a mean, to which the bootstrap's tends.
    half = norm.ppf(0.975) * changes.std() / np.sqrt(200)
    assert (low, high) == pytest.approx((changes.mean() - half, changes.mean() + half), abs=0.002)
    strict, proportion = tables.wrong(rows).splitlines()[2:]
    assert f"| {changes.mean():+.3f} ({low:+.3f} to {high:+.3f}) |" in proportion
    assert f"| {2 * np.median(changes):+.3f} (" in strict
    assert proportion.endswith("| 200 of 200 | 0 of 200 |")
    assert "**f**" in tables.worst_wrong(rows)


def test_widths_and_coverage_of_both_intervals():
    points = [
        {"n": 8, "true": 0.80, "model": [0.78, 0.82], "repeats": [0.79, 0.81]},
        {"n": 8, "true": 0.80, "model": [0.79, 0.81], "repeats": [0.81, 0.83]},
    ]
    line = tables.repeats([{"family": "f", "points": points}]).splitlines()[2]
    cells = [c.strip() for c in line.strip("|").split("|")]
    assert cells[:4] == ["f", "2", "0.0300", "0.0200"]
    assert cells[4] == "1.50 (1.25–1.75)"
    assert cells[5:] == [tables.share(2, 2), tables.share(1, 2)]


def test_a_row_is_kept_by_the_code_behind_it(monkeypatch):
    key = Key("idle", "moderate", 3, "spread", 12)
    found = {mode.identity(key)[0] for mode in command.MODES.values()}
    assert found == {"certainty", "wrong", "repeats"}
    stamped = SimpleNamespace(args=None)
    monkeypatch.setattr(plans, "stamp", lambda *files: setattr(stamped, "args", files) or "x")
    plans.identity(key)
    assert stamped.args[0] == "ours"
    assert [a.rsplit("/", 1)[-1] for a in stamped.args[1:]] == ["plans.py", "calibration.py"]
