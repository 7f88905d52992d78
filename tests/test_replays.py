"""The replays benchmark: known optima, equal look-ups for all methods, regret, and the report."""

from __future__ import annotations

import numpy as np
import pytest
from pymoo.problems.single import G4
from pymoo.problems.single import PressureVessel as Vessel
from skopt.benchmarks import hart6

from optimizer.history.snapshot import Snapshot
from optimizer.planning.situation import situation_of
from optimizer.plant.site import Site
from tests.benchmarks.replays import experiments, report
from tests.benchmarks.replays.__main__ import arguments, main
from tests.benchmarks.replays.campaigns import MARKS, Key, campaign, identity, problem
from tests.benchmarks.replays.functions import NAMES, functions, hartmann_objective
from tests.benchmarks.replays.methods import LIGHT, METHODS, applies, design, surface_makes_sense
from tests.benchmarks.replays.shares import ENOUGH, brief_of, log_of
from tests.benchmarks.replays.task import Task
from tests.programs import PEERS

SOME = ("gramacy", "string", "fullerenes", "suzuki")


def made_up() -> experiments.Experiment:
    """Three settings: the best misses the constraint, one fails half the time, one is ordinary."""
    X = np.array([[0.0], [0.0], [0.5], [0.5], [1.0], [1.0]])
    y = np.array([9.0, 11.0, np.nan, 8.0, 2.0, 2.0])
    c = np.array([0.3, 0.1, np.nan, -1.0, -0.5, 0.3])
    return experiments.experiment("made-up", {"x": ("", 0.5)}, (X, y, c), "nobody", True)


@pytest.mark.parametrize("name", NAMES)
def test_known_optima_are_right(name):
    # The published optimum meets the constraints, and none of 24,576 settings in ever smaller boxes
    # around it is better; settings with coarse steps stay fixed. The lattice has a point near it.
    f = functions()[name]
    where = np.array(f.where)
    assert f.objective(where[None, :])[0] == pytest.approx(f.minimum, rel=2e-5)
    assert f.constraint(where[None, :])[0] <= 1e-5
    coarse = f.space.steps > 0.0021 * f.space.span
    rng = np.random.default_rng(0)
    for width in (1.0, 0.1, 0.01):
        x = where + width * f.space.span * rng.uniform(-1, 1, (8192, len(where)))
        x = np.clip(np.where(coarse, where, x), f.space.low, f.space.low + f.space.span)
        met = f.constraint(x) <= 0.0
        assert np.all(f.objective(x[met]) >= f.minimum - 2e-5 * abs(f.minimum))
    assert Task(f, 0).regret(where)[1] < 0.11


def test_functions_agree_with_other_libraries():
    # Sources: pymoo.problems.single (G4, PressureVessel), skopt.benchmarks (hart6).
    rng = np.random.default_rng(0)
    x = rng.random((64, 6))
    np.testing.assert_allclose(hartmann_objective(x), [hart6(v) for v in x], rtol=1e-4)
    for name, other in (("g04", G4()), ("pressure_vessel", Vessel())):
        f = functions()[name]
        x = f.space.low + rng.random((4096, len(f.where))) * f.space.span
        g = other.evaluate(
            x if name == "g04" else x / [0.0625, 0.0625, 1, 1], return_values_of=["F", "G"]
        )
        np.testing.assert_allclose(f.objective(x), g[0][:, 0], rtol=1e-9)
        np.testing.assert_array_equal(f.constraint(x) <= 0, np.all(g[1] <= 0, axis=1))


def test_the_same_look_up_gives_the_same_reading_to_every_method():
    for name in SOME:
        a, b = Task(problem(name), 2), Task(problem(name), 2)
        np.testing.assert_array_equal(a.values, b.values)
        np.testing.assert_array_equal(a.y, b.y)
        other = Task(problem(name), 3)
        assert not np.array_equal(a.values, other.values)
    # A reading does not depend on look-ups of other settings; a second look-up gives the next.
    p = problem("fullerenes")
    several = np.flatnonzero([len(set(r[:, 0])) > 1 for r in p.readings])
    a, b = Task(p, 2), Task(p, 2)
    for k in several[:4]:
        a.run(p.settings[k])
    for k in several[:4][::-1]:
        b.run(p.settings[k])
    np.testing.assert_array_equal(a.y[-4:], b.y[-4:][::-1])
    a.run(p.settings[several[0]])
    assert a.y[-1] != a.y[-5]
    assert {a.y[-1], a.y[-5]} <= set(p.readings[several[0]][:, 0])


def test_the_regret_of_the_best_is_0_and_a_miss_costs_everything_or_in_proportion():
    for name in ("fullerenes", "suzuki"):
        p = problem(name)
        means = np.array([r[:, 0].mean() for r in p.readings])
        task = Task(p, 0)
        assert task.regret(p.settings[np.argmax(means)]) == (0.0, 0.0)
        assert task.regret(p.settings[np.argmin(means)]) == pytest.approx((1.0, 1.0))
        assert task.regret(None) == (1.0, 1.0)
    p = made_up()
    assert (p.scale.best, p.scale.span, p.scale.miss) == pytest.approx((4.0, 2.0, 0.2))
    task = Task.__new__(Task)
    task.problem = p
    assert task.regret(np.array([0.5])) == (0.0, 0.0)
    assert task.regret(np.array([1.0])) == pytest.approx((1.0, 1.0))
    assert task.regret(np.array([0.0])) == pytest.approx((1.0, 1.0))
    near = Task(problem("gramacy"), 0)
    missed = near.regret(np.array([0.18, 0.40]))
    assert missed[0] == 1.0
    assert 0.0 < missed[1] < 0.2


def test_a_trial_runs_the_nearest_untried_setting_and_a_report_the_nearest():
    p = problem("suzuki")
    asked = p.settings[17] + 0.2 * p.space.steps
    np.testing.assert_array_equal(p.standing(asked), p.settings[17])
    np.testing.assert_array_equal(p.trial(asked, p.settings[:3]), p.settings[17])
    tried = p.settings[[17]]
    other = p.trial(asked, tried)
    far = np.linalg.norm((p.settings - asked) / p.space.span, axis=1)
    np.testing.assert_array_equal(other, p.settings[np.argsort(far)[1]])


@pytest.mark.parametrize("name", SOME)
@pytest.mark.parametrize("method", LIGHT)
def test_every_method_names_settings_of_the_lattice(method, name):
    task = Task(problem(name), 1)
    before = len(task.values)
    choice = METHODS[method](task)
    space = task.problem.space
    for named in [choice.trial, *(v for v in choice.reports.values() if v is not None)]:
        near = space.values(space.nearest_index(named))[0]
        np.testing.assert_allclose(named, near, atol=1e-9)
    task.ask(choice.trial)
    assert len(task.values) == before + 1
    if task.problem.kind == "experiments":
        assert len(np.unique(task.values, axis=0)) == before + 1


@pytest.mark.parametrize("method", ["optuna", "botorch", "botorch-listed"])
def test_every_peer_names_settings_of_the_lattice(method):
    pytest.importorskip("botorch", reason=PEERS)
    pytest.importorskip("optuna", reason=PEERS)
    test_every_method_names_settings_of_the_lattice(method, "fullerenes")


def test_a_campaign_is_judged_at_the_marks():
    row = campaign(Key("fullerenes", 0, "random"))
    assert row["marks"] == list(MARKS)
    regrets = row["proportion"]["random"]
    assert len(regrets) == len(MARKS)
    assert all(0.0 <= r <= 1.0 for r in regrets)
    assert identity(Key("gramacy", 0, "skopt"))[-1] != identity(Key("suzuki", 0, "skopt"))[-1]


def test_the_best_reading_is_chosen_and_failures_are_padded_by_hand():
    task = Task(problem("gramacy"), 0)
    task.values = np.arange(8.0).reshape(4, 2)
    task.y, task.c = np.array([3.0, 2.0, 1.0, np.nan]), np.array([0.1, -0.1, -0.2, np.nan])
    np.testing.assert_array_equal(task.best_reading(), task.values[1])
    y, c = task.padded()
    np.testing.assert_array_equal((y[3], c[3]), (1.0, 0.1))
    task.c = np.array([0.3, 0.1, 0.2, np.nan])
    np.testing.assert_array_equal(task.best_reading(), task.values[1])


def test_our_log_keeps_the_order_and_constraint_of_the_readings():
    task = Task(problem("gramacy"), 4)
    log = log_of(task)
    grade, recovery = log["grade"].to_numpy(), log["recovery"].to_numpy()
    np.testing.assert_array_equal(np.argsort(recovery), np.argsort(task.y))
    np.testing.assert_array_equal(grade >= ENOUGH, task.c <= 0.0)


def test_a_composite_design_has_every_corner_once_and_no_two_factors_alike():
    for d in (2, 3, 4, 5, 6):
        planned = design(d, np.random.default_rng(0))
        corners = planned[: -2 * d]
        assert len(np.unique(corners, axis=0)) == len(corners) == 2 ** min(d, 4)
        assert np.allclose(np.corrcoef(corners.T), np.eye(d))
        assert planned.min() == 0.0
        assert planned.max() == 1.0
    assert surface_makes_sense(problem("hartmann_6"))
    assert not applies("surface", problem("speed_reducer"))
    assert not applies("botorch-listed", problem("gramacy"))


def test_a_missing_table_names_its_download_command(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(experiments, "PACKAGES", experiments.ROOT / "build" / "none")
    experiments.table.cache_clear()
    with pytest.raises(experiments.MissingData, match=r"pip download .*bocode==1\.0\.1"):
        experiments.table("agnp")
    kept = ["--cache", str(tmp_path / "k"), "--report", str(tmp_path / "r.md")]
    assert main(["--problems", "hplc", "--methods", "random", *kept]) == 2
    assert "olymp==0.0.1b0" in capsys.readouterr().err
    assert arguments(["--problems", "bundled"]).problems == [*NAMES, *experiments.BUNDLED]


def test_the_report_lists_where_a_peer_wins(tmp_path, capsys):
    rows = []
    for seed in range(12):
        for name, regret in (("ours", [0.3, 0.1]), ("skopt", [0.2, 0.2]), ("random", [0.3, 0.3])):
            found = {name: [r + 0.001 * seed for r in regret]}
            rows.append(
                {
                    **{"family": "gramacy", "demand": "functions", "seed": seed, "method": name},
                    **{"marks": [10, 30], "strict": found, "proportion": found},
                }
            )
    table = report.gather(rows, "strict")
    assert (
        report.losses(table, "functions", NAMES) == "- gramacy: *skopt* wins at 10 trials by 0.100."
    )
    line = report.summary(table, "functions", NAMES).splitlines()[-1]
    assert line.startswith("| skopt | 1 | 0.205 | 0.205 | +0.100 (+0.100 to +0.100) | -0.100")
    assert line.endswith("| 1, 0, 0 |")
    assert "–" in report.summary(table, "functions", NAMES, own="ours tried").splitlines()[-1]
    assert "| random | +0.000 (+0.000 to +0.000) | -0.200" in report.paired(
        table, "functions", "gramacy"
    )
    path = tmp_path / "replays.md"
    words = ["--seeds", "2", "--problems", "gramacy", "fullerenes", "--methods", "random"]
    assert main([*words, "--cache", str(tmp_path / "kept.jsonl"), "--report", str(path)]) == 0
    text = path.read_text()
    assert "### fullerenes" in text
    assert "216 combinations measured, 246 readings" in text
    assert (tmp_path / "replays-functions.svg").exists()


def test_the_best_of_a_table_is_one_of_its_settings_and_keeps_the_rule_of_run_now():
    # Here the highest recovery among sure settings differs from the highest recovery times chance.
    task = Task(problem("suzuki"), 3)
    planned = situation_of(
        Snapshot.of_table(log_of(task)),
        Site(base=task.problem.space),
        brief_of(task),
        seed=task.seed,
    )
    listed, table = METHODS["ours"](task).reports["ours listed"], task.problem.settings
    chance, recovery = planned.surrogate.outlook(
        planned.evidence.inputs_today(planned.evidence.space.nearest_index(table)),
        planned.min_grade,
        planned.evidence.feed_odds_today,
    )
    chance = chance * planned.chance_even(planned.evidence.space.nearest_index(table))
    at = np.flatnonzero(np.all(table == listed, axis=1))[0]
    assert chance[at] >= 0.9
    assert recovery[at] == pytest.approx(recovery[chance >= 0.9].max())
    assert at != np.argmax(chance * recovery)
