"""The evaluation code of the closed-loop benchmarks: gaps, noise, kept rows, ratios, faults."""

from __future__ import annotations

import ast
import inspect
import json
from dataclasses import replace

import numpy as np
import pytest

from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import random_deck, random_material
from tests.benchmarks import calibration, robustness, transfer
from tests.benchmarks.trials import outsider, report
from tests.benchmarks.trials.campaigns import Kept, behind, each
from tests.benchmarks.trials.decks import ALL_FAMILIES, DEMANDS, REGION, problem
from tests.benchmarks.trials.methods import LIGHT, METHODS, padded
from tests.benchmarks.trials.task import Task
from tests.programs import PEERS


@pytest.mark.parametrize("family", ALL_FAMILIES)
def test_no_setting_exceeds_the_attainable_optimum(family):
    # Seed 3, 4,096 uniform settings. The optimum is the best setting that fails in at most 5 % of
    # runs, but a gap counts recovery times the chance of an even deck: hence the tolerance.
    p = problem(family, "moderate", 3)
    task = Task(p, starts=0)
    assert task.gaps(p.best_settings) == pytest.approx((0.0, 0.0), abs=1e-12)
    values = GRAVITY_TABLE.values(REGION.sample(4096, np.random.default_rng(3)))
    truth = p.deck.run(values, p.material)
    met = (truth.grade >= p.min_grade) & (truth.failure <= 0.05)
    assert met.mean() == pytest.approx(DEMANDS["moderate"], abs=0.02)
    gaps = np.array([task.gaps(v) for v in values[met]])
    assert gaps.min() > -0.01
    assert np.all(gaps[:, 0] <= gaps[:, 1] + 1e-12)


def test_a_missed_grade_costs_everything_or_in_proportion():
    p = problem("beans", "moderate", 3)
    task = Task(p, starts=0)
    assert task.gaps(None) == (p.best, p.best)
    values = GRAVITY_TABLE.values(REGION.sample(512, np.random.default_rng(4)))
    truth = p.deck.run(values, p.material)
    missed = np.flatnonzero((truth.grade < p.min_grade) & (truth.failure < 0.01))
    strict, share = np.array([task.gaps(v) for v in values[missed]]).T
    assert np.all(strict == p.best)
    recovery = truth.recovery[missed] * (1 - truth.failure[missed])
    short = (p.min_grade - truth.grade[missed]) / (p.min_grade - p.feed_grade)
    by_hand = np.maximum(p.best - recovery, 0) + p.best * short
    np.testing.assert_allclose(share, np.minimum(by_hand, p.best), atol=1e-12)
    assert (share < p.best).any()


def test_the_same_run_has_the_same_noise_for_every_method():
    a, b = Task(problem("grain", "moderate", 2)), Task(problem("grain", "moderate", 2))
    np.testing.assert_array_equal(a.grade, b.grade)
    even = a.values[np.flatnonzero(a.even)[0]]
    other = a.values[np.flatnonzero(a.even)[1]]
    a.run(even)
    b.run(other)
    a.run(even)
    b.run(even)
    assert a.recovery[-1] == b.recovery[-1]
    assert a.recovery[-1] != a.recovery[-2]


def test_the_best_reading_meets_the_grade_where_one_does():
    task = Task(problem("grain", "moderate", 2), starts=0)
    task.values = np.arange(20.0).reshape(4, 5)
    task.grade = np.array([0.90, 0.99, 0.98, np.nan])
    task.recovery = np.array([0.99, 0.50, 0.60, np.nan])
    task.min_grade = 0.97
    np.testing.assert_array_equal(task.best_reading(), task.values[2])
    task.min_grade = 0.995
    np.testing.assert_array_equal(task.best_reading(), task.values[1])
    task.grade = task.recovery = np.full(4, np.nan)
    assert task.best_reading() is None


def test_peers_receive_failed_runs_as_the_worst_reading():
    task = Task(problem("beans", "moderate", 3))
    grade, recovery = padded(task)
    assert not task.even.all()
    assert np.all(recovery[~task.even] == recovery[task.even].min())
    assert np.all(grade[~task.even] == grade[task.even].min())


@pytest.mark.parametrize("method", LIGHT)
def test_every_method_stays_inside_the_region(method):
    task = Task(problem("outsider", "moderate", 1))
    choice = METHODS[method](task)
    named = [choice.trial, *(v for v in choice.reports.values() if v is not None)]
    index = GRAVITY_TABLE.nearest_index(np.array(named))
    assert REGION.contains(index).all()
    np.testing.assert_allclose(GRAVITY_TABLE.values(index), named, atol=1e-9)


def test_peers_stay_inside_the_region():
    pytest.importorskip("botorch", reason=PEERS)
    pytest.importorskip("optuna", reason=PEERS)
    for method in set(METHODS) - set(LIGHT):
        test_every_method_stays_inside_the_region(method)


def test_the_outsider_shares_no_code_with_the_simulation():
    nodes = ast.walk(ast.parse(inspect.getsource(outsider)))
    names = {n.module for n in nodes if isinstance(n, ast.ImportFrom)}
    assert names == {"__future__", "dataclasses"}
    assert "optimizer" not in outsider.__dict__


def test_an_outsider_without_steepness_does_not_upgrade():
    # By the definition of a partition curve, zero steepness gives a product of the feed's grade.
    deck, feed = outsider.random_outsider(np.random.default_rng(0))
    values = GRAVITY_TABLE.values(REGION.sample(64, np.random.default_rng(0)))
    dull = replace(deck, steepness=0.0).run(values, feed)
    np.testing.assert_allclose(dull.grade, feed.feed_grade, atol=1e-12)
    sharp = replace(deck, steepness=1e4, dragged=0.0).run(values, feed)
    assert np.all(sharp.grade >= feed.feed_grade - 1e-9)
    assert np.ptp(deck.run(values, feed).grade) > 0.05


def test_a_recovery_of_one_has_a_reading():
    # Seed 0 has settings whose simulated recovery rounds to 1; these once gave no reading.
    rng = np.random.default_rng(0)
    deck, material = random_deck(rng, "grain"), random_material(rng, "grain")
    values = GRAVITY_TABLE.values(REGION.sample(4096, rng))
    read = deck.measure(values, material, rng)
    even = read.deck_state == "even"
    assert np.isfinite(read.recovery[even]).all()


def _double(key: int) -> dict:
    return {"double": 2 * key}


def test_finished_rows_are_kept_and_a_truncated_row_is_run_again(tmp_path):
    path = tmp_path / "kept.jsonl"
    first = each(_double, [1, 2], Kept(path), lambda k: (k,))
    path.write_text(path.read_text() + '\n{"key": [3], "dou')
    kept = Kept(path)
    assert set(kept.rows) == {(1,), (2,)}
    kept.rows[(1,)]["double"] = -1
    again = each(_double, [1, 2, 3], kept, lambda k: (k,))
    assert [r["double"] for r in first] == [2, 4]
    assert [r["double"] for r in again] == [-1, 4, 6]
    assert [json.loads(x)["key"] for x in path.read_text().splitlines() if x.endswith("}")] == [
        [1],
        [2],
        [3],
    ]


def test_the_stamp_of_ours_covers_what_the_planner_imports():
    found = behind("optimizer.planning.planner")
    parts = ("planning/planner", "model/surrogate", "gaussian_process/process")
    assert {f"optimizer/{part}.py" for part in parts} <= found
    assert "optimizer/measurement/run_readings.py" in found
    assert not any(f.startswith(("optimizer/intake", "optimizer/simulation")) for f in found)


def test_the_verdict_is_the_ratio_of_medians_to_the_best_peer():
    rng = np.random.default_rng(1)
    rows = []
    for seed in range(40):
        base = float(rng.uniform(0.08, 0.12))
        for name, factor in (("ours", 0.5), ("botorch", 1.0), ("random", 3.0)):
            gaps = {name: [base * factor] * 2}
            rows.append(
                {
                    **{"family": "f", "demand": "d", "seed": seed, "method": name},
                    **{"marks": [8, 12], "strict": gaps, "proportion": gaps},
                }
            )
    table = report.gather(rows, "strict")
    verdict = report.ratios(table, "d").splitlines()
    assert len(verdict) == 4
    assert verdict[2].startswith("| f | 8 | botorch |")
    assert verdict[2].count("| 0.50 (0.50–0.50) |") == 2
    assert "| f | random | 40 |" in report.medians(table, "d")


def rows_of(family: str, gaps: dict[str, list[float]]) -> list[dict]:
    """Kept rows of two marks, one deck for each gap."""
    return [
        {
            **{"family": family, "demand": "d", "seed": seed, "method": name},
            **{"marks": [12, 20], "strict": {name: [2 * gap, gap]}, "proportion": {}},
        }
        for name, values in gaps.items()
        for seed, gap in enumerate(values)
    ]


def test_methods_stand_side_by_side_with_median_and_mean():
    rows = rows_of("g", {"skopt": [0.1, 0.2, 0.6], "ours": [0.1, 0.1, 0.7]})
    table = report.together(report.gather([*rows, *rows_of("f", {"ours": [0.2]})], "strict"))
    assert report.beside(table, "d").splitlines() == [
        "| family | decks | trials | ours | skopt |",
        "|---|---|---|---|---|",
        "| g | 3 | 12 | 0.200 (0.600) | 0.400 (0.600) |",
        "| g | 3 | 20 | 0.100 (0.300) | 0.200 (0.300) |",
        "| f | 1 | 12 | 0.400 (0.400) |  |",
        "| f | 1 | 20 | 0.200 (0.200) |  |",
        "| all | 4 | 12 | 0.300 (0.550) | 0.400 (0.600) |",
        "| all | 4 | 20 | 0.150 (0.275) | 0.200 (0.300) |",
    ]


def test_the_interval_of_a_ratio_keeps_the_gaps_of_a_deck_together():
    rng = np.random.default_rng(2)
    hard = rng.lognormal(-2.0, 0.7, 200)
    mine = hard * rng.lognormal(np.log(0.7), 0.1, 200)
    rows = rows_of("f", {"ours": mine.tolist(), "skopt": hard.tolist()})
    gaps = {name: g for (_, _, name), g in report.gather(rows, "strict").items()}
    found = report.compared(gaps, 1, np.mean)
    assert found.value == pytest.approx(mine.mean() / hard.mean())
    # Delta method for a ratio of paired means (Cochran 1977, Sampling Techniques, 6.2): the
    # residuals mine - ratio * hard alone scatter, so that hard decks do not widen the interval.
    se = np.std(mine - found.value * hard, ddof=1) / np.sqrt(200) / hard.mean()
    assert (found.low, found.high) == pytest.approx(
        (found.value - 1.96 * se, found.value + 1.96 * se), abs=0.3 * se
    )
    assert report.compared({"ours": gaps["ours"]}, 1) is None


def test_a_peer_without_a_gap_makes_the_ratio_infinite_and_not_a_crash():
    rows = rows_of("f", {"ours": [0.1, 0.1], "skopt": [0.0, 0.0]})
    gaps = {name: g for (_, _, name), g in report.gather(rows, "strict").items()}
    assert report.compared(gaps, 1).value == np.inf
    assert "| inf (" in report.ratios(report.gather(rows, "strict"), "d")


def test_the_worst_family_is_named():
    rows = rows_of("f", {"ours": [0.3, 0.4], "skopt": [0.5, 0.5]})
    rows += rows_of("g", {"ours": [0.1, 0.2], "skopt": [0.05, 0.05]})
    said = report.worst(report.together(report.gather(rows, "strict")), "d")
    assert said.startswith("Worst family at 20 trials by our mean gap: **f**, 0.350.")
    assert "By the ratio of medians to the best peer: **g**, 3.00 (2.00–4.00) of skopt." in said
    assert report.worst(report.gather(rows_of("f", {"skopt": [0.1]}), "strict"), "d") == ""


def test_all_families_together_and_the_share_of_missed_grades():
    best = 0.9
    rows = [
        {"family": f, "demand": "d", "seed": s, "marks": [8, 12], "best": best, "strict": {"a": g}}
        for f, s, g in (("f", 0, [best, 0.1]), ("f", 1, [best, 0.3]), ("g", 0, [0.2, best]))
    ]
    both = report.together(report.gather(rows, "strict"))
    np.testing.assert_allclose(np.median(both["d", "all", "a"].values, axis=0), [best, 0.3])
    assert len(both["d", "f", "a"].seeds) == 2
    assert report.misses(rows, "d").splitlines()[2] == "| a | 3 | 67 % | 33 % |"


def test_trials_needed_are_counted_when_the_gap_stays():
    near, far = transfer.NEAR_ENOUGH, 0.2
    assert transfer.needed([far, near, far, near, near, far]) == 3
    assert transfer.needed([far] * 5 + [near]) == transfer.LAST + 1


def test_a_misleading_line_has_mirrored_settings():
    values = GRAVITY_TABLE.values(REGION.sample(32, np.random.default_rng(0)))
    turned = transfer._mirrored(values)
    np.testing.assert_allclose(transfer._mirrored(turned), values, atol=1e-9)
    np.testing.assert_allclose(turned[:, 2] + values[:, 2], 5.0, atol=1e-9)
    np.testing.assert_array_equal(turned[:, :2], values[:, :2])


def test_a_sister_resembles_the_line_and_a_misleading_line_does_not():
    # Seed 3: truth of the line at the settings of the other line's even runs, against its readings.
    p = problem("beans", "moderate", 3)
    found = {}
    for kind in ("sister", "misleading"):
        log = transfer.sister_runs(p, kind)
        assert log.num_rows == transfer.RUNS
        values = np.column_stack([log[n].to_numpy() for n in GRAVITY_TABLE.names])
        recovery = log["recovery"].to_numpy()
        read = np.isfinite(recovery)
        truth = p.deck.run(values[read], p.material).recovery
        found[kind] = np.corrcoef(truth, recovery[read])[0, 1]
    assert found["sister"] > 0.8
    assert found["misleading"] < 0.3


def test_faults_are_planted_as_documented():
    p = problem("beans", "moderate", 3)
    clean, gross = Task(p, 60), robustness.Gross(p, 60)
    differs = (clean.grade != gross.grade) & clean.even
    assert 1 <= differs.sum() <= 8
    swapped = robustness.Swapped(p, 8)
    for k in range(8):
        pair = (clean.grade[k], clean.recovery[k])
        expected = pair[::-1] if k in (3, 4, 5) else pair
        np.testing.assert_array_equal((swapped.grade[k], swapped.recovery[k]), expected)
    drifting = robustness.Drifting(p, 12)
    moved = drifting.now()
    assert moved.deck.scale == pytest.approx(1.0 + 12 * robustness.CREEP)
    assert drifting.gaps(moved.best_settings)[0] == pytest.approx(0.0, abs=1e-12)
    changing = robustness.NewMaterial(p, robustness.CHANGED_AT + 1)
    assert changing.feed_grade[-1] != changing.feed_grade[0]
    assert changing.min_grade != p.min_grade


def test_reliability_is_the_share_that_met_the_grade():
    bins = len(calibration.BINS) - 1
    n, said, met = np.zeros(bins), np.zeros(bins), np.zeros(bins)
    n[2], said[2], met[2] = 100, 25, 35
    found = {"anywhere": {"n": n, "said": said, "met": met, "grade": 0.9, "recovery": 0.7}}
    rows = [{"family": "f", "kind": "spread", "runs": 12, "found": found}]
    last = calibration.reliability(rows).splitlines()[-1]
    assert "0.35 (100)" in last
    assert last.endswith("| 0.100 | -0.100 |")
    assert calibration.coverage(rows).splitlines()[-1].endswith("| 90 (90–90) | 70 (70–70) | no |")
