"""The decks of other laws: balances, ranges, the true optimum, and what each law promises."""

from __future__ import annotations

import ast
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import attainable
from tests.benchmarks import other_laws as command
from tests.benchmarks.trials import __main__ as trials
from tests.benchmarks.trials import report
from tests.benchmarks.trials.decks import (
    ALL_FAMILIES,
    DEMANDS,
    JUDGE_FROM,
    REGION,
    Problem,
    draw,
    problem,
)
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS
from tests.benchmarks.trials.other_laws import OTHER_LAWS, cliff, deck, idle, ridge
from tests.benchmarks.trials.task import Task

LAWS = tuple(OTHER_LAWS)
SEEDS = range(8)
# The optimum of a deck takes half a second: by default one deck of a family, the others as proofs.
EVERY = [
    pytest.param(family, seed, marks=[pytest.mark.proof] if seed != SEEDS[0] else [])
    for family in LAWS
    for seed in SEEDS
]


@cache
def lattice() -> np.ndarray:
    """2,000 lattice points of the region without any order, in their units."""
    rng = np.random.default_rng(77)
    first, last = np.array(REGION.first), np.array(REGION.last)
    return GRAVITY_TABLE.values(rng.integers(first, last + 1, (2000, 5)))


@cache
def moderate(family: str, seed: int) -> Problem:
    return problem(family, "moderate", seed)


def test_they_run_only_when_a_command_names_them():
    assert not set(LAWS) & set(ALL_FAMILIES)
    assert trials.arguments([]).families == ["beans", "grain", "ores", "outsider"]
    assert trials.arguments(["--families", *LAWS]).families == list(LAWS)
    assert command.arguments([]).families == list(LAWS)
    assert command.arguments([]).first < JUDGE_FROM


def test_they_import_nothing_of_the_project_but_each_other():
    for path in Path(deck.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                names = {node.module or ""}
            else:
                continue
            for name in names:
                own = name.startswith("tests.benchmarks.trials.other_laws")
                assert own or name.partition(".")[0] not in ("optimizer", "cli", "tests"), name


def test_the_ranges_are_those_of_the_region():
    # Source: the benchmark's region, from the settings that a site starts from.
    first, last = np.array([REGION.first]), np.array([REGION.last])
    assert GRAVITY_TABLE.names == deck.NAMES
    np.testing.assert_array_equal(GRAVITY_TABLE.values(first)[0], deck.LOW)
    np.testing.assert_array_equal(GRAVITY_TABLE.values(last)[0], deck.HIGH)
    np.testing.assert_array_equal(deck.scaled(np.array([deck.LOW, deck.HIGH])), [[-1] * 5, [1] * 5])


@pytest.mark.parametrize("family", LAWS)
def test_a_seed_decides_a_deck_and_its_readings(family):
    (a, feed), (b, same) = (draw(family, np.random.default_rng(5)) for _ in range(2))
    assert feed == same
    first, second = (d.measure(lattice(), feed, np.random.default_rng(6)) for d in (a, b))
    np.testing.assert_array_equal(first.grade, second.grade)
    np.testing.assert_array_equal(first.recovery, second.recovery)
    np.testing.assert_array_equal(first.deck_state, second.deck_state)


@pytest.mark.proof
@pytest.mark.parametrize("family", LAWS)
def test_members_differ(family):
    found = [moderate(family, seed) for seed in SEEDS]
    grades = np.array([p.deck.run(lattice()[:200], p.material).grade for p in found])
    for i, j in np.argwhere(np.triu(np.ones((len(found), len(found))), 1)):
        assert np.abs(grades[i] - grades[j]).max() > 0.02
    # What separates well on one is not what separates well on another.
    assert np.corrcoef(grades)[np.triu_indices(len(found), 1)].min() < 0.2
    assert len({p.feed_grade for p in found}) == len(found)
    # Two decks of straight lines can be best in the same corner.
    assert len({tuple(p.best_settings) for p in found}) > len(found) // 2


@pytest.mark.parametrize(("family", "seed"), EVERY)
def test_shares_are_shares_and_wanted_and_unwanted_add_up_to_the_feed(family, seed):
    p = moderate(family, seed)
    corners = np.array(list(np.ndindex(2, 2, 2, 2, 2)))
    values = np.vstack([lattice(), deck.LOW + corners * (deck.HIGH - deck.LOW)])
    truth = p.deck.run(values, p.material)
    for share in (truth.grade, truth.recovery):
        assert np.all((share > 0.0) & (share < 1.0))
    assert np.all((truth.failure >= 0.0) & (truth.failure <= 1.0))
    # Mass balance of 1 t of feed, in tonnes: wanted and unwanted material in the product and in
    # the rest are what was fed (definitions of grade and recovery).
    f = p.feed_grade
    wanted = f * truth.recovery
    product = wanted / truth.grade
    unwanted = product - wanted
    assert np.all((unwanted > 0.0) & (unwanted < 1.0 - f))
    score = p.deck.scores(deck.scaled(values))[1]
    np.testing.assert_allclose(unwanted / (1.0 - f), p.deck.share(score), rtol=1e-9)


@pytest.mark.parametrize(("family", "seed"), EVERY)
def test_the_grade_asked_for_is_as_hard_as_on_the_other_families(family, seed):
    p = moderate(family, seed)
    truth = p.deck.run(lattice(), p.material)
    met = (truth.grade >= p.min_grade) & (truth.failure <= 0.05)
    # 2,000 points: three standard errors of a share of 0.15 are 0.024.
    assert met.mean() == pytest.approx(DEMANDS["moderate"], abs=0.024)
    assert p.min_grade > p.feed_grade + 0.02
    # Settings that meet the grade by chance leave something to gain.
    assert np.median(truth.recovery[met]) < p.best - 0.03


@pytest.mark.parametrize(("family", "seed"), EVERY)
def test_the_true_optimum_is_found_from_any_seed_and_nobody_finds_more(family, seed):
    p = moderate(family, seed)
    two = [attainable(p.deck, p.material, p.min_grade, REGION, seed=s) for s in (1, 2)]
    assert two[0].recovery == pytest.approx(two[1].recovery, abs=1e-3)
    truth = p.deck.run(lattice(), p.material)
    met = (truth.grade >= p.min_grade) & (truth.failure <= 0.05)
    for found in two:
        assert found.recovery >= truth.recovery[met].max()
        assert found.grade >= p.min_grade
        assert found.failure <= 0.05
    assert Task(p, starts=0).gaps(p.best_settings) == pytest.approx((0.0, 0.0), abs=1e-12)


@pytest.mark.parametrize("family", LAWS)
def test_readings_scatter_about_the_truth(family):
    p = moderate(family, 0)
    calm = replace(p.deck, noise=0.0)
    values = lattice()[calm.run(lattice(), p.material).failure < 1e-3][:1]
    many = np.repeat(values, 20_000, axis=0)
    truth = calm.run(values, p.material)
    read = calm.measure(many, p.material, np.random.default_rng(1))
    ran = read.deck_state == "even"
    g, r = truth.grade[0], truth.recovery[0]
    # A counted share has variance g (1 - g) / n (binomial); means to five standard errors.
    spread = np.sqrt(g * (1.0 - g) / read.grade_count)
    assert np.std(read.grade[ran]) == pytest.approx(spread, rel=0.05)
    assert np.mean(read.grade[ran]) == pytest.approx(g, abs=5 * spread / np.sqrt(ran.sum()))
    assert np.std(read.recovery[ran]) == pytest.approx(read.recovery_se, rel=0.05)
    assert np.mean(read.recovery[ran]) == pytest.approx(r, abs=5 * read.recovery_se / 141)
    count = read.grade[ran] * read.grade_count
    np.testing.assert_allclose(count, np.rint(count), atol=1e-9)
    noisy = p.deck.measure(many, p.material, np.random.default_rng(1))
    assert np.nanstd(noisy.recovery) > 1.1 * np.nanstd(read.recovery)


@pytest.mark.parametrize(("family", "seed"), [("ridge", 1), ("cliff", 1001), ("idle", 1)])
def test_runs_fail_as_often_as_they_should(family, seed):
    p = moderate(family, seed)
    chance = p.deck.run(lattice(), p.material).failure
    read = [p.deck.measure(lattice(), p.material, np.random.default_rng(k)) for k in range(20)]
    failed = np.array([np.isnan(each.grade) for each in read])
    np.testing.assert_array_equal(failed, [np.isnan(each.recovery) for each in read])
    np.testing.assert_array_equal(failed, [each.deck_state != "even" for each in read])
    error = np.sqrt(np.sum(chance * (1.0 - chance)) / len(read)) / len(chance)
    assert failed.mean() == pytest.approx(chance.mean(), abs=5 * error + 1e-9)
    assert chance.mean() > 0.01


# ------------------------------------------------------------------ what each law promises


def effects(p: Problem) -> np.ndarray:
    """Largest change of either score and of the chance of failure with each setting alone; (5,)."""
    found = []
    for j in range(5):
        moved = lattice()[:300].copy()
        moved[:, j] = deck.LOW[j] + deck.HIGH[j] - moved[:, j]
        a, b = p.deck.run(lattice()[:300], p.material), p.deck.run(moved, p.material)
        changes = (a.grade - b.grade, a.recovery - b.recovery, a.failure - b.failure)
        found.append(np.abs(changes).max())
    return np.array(found)


@pytest.mark.parametrize(("family", "seed"), EVERY)
def test_the_idle_setting_alone_has_no_effect(family, seed):
    p = moderate(family, seed)
    found = effects(p)
    if family == "idle":
        assert found[p.deck.idle] == 0.0
        found = np.delete(found, p.deck.idle)
    assert found.min() > 0.02


def test_any_setting_can_be_idle_or_act_against_the_usual_direction():
    drawn = [draw("idle", np.random.default_rng(seed))[0] for seed in range(60)]
    assert {d.idle for d in drawn} == {d.against for d in drawn} == set(range(5))
    assert all(d.idle != d.against for d in drawn)


@pytest.mark.parametrize("seed", SEEDS)
def test_one_setting_acts_against_the_usual_direction(seed):
    d, _ = draw("idle", np.random.default_rng(seed))
    # Usual directions of the recovery, a fact of the trade: common practice.
    usual = {"feed_rate": -1, "end_raise": -1, "side_tilt": -1, "eccentric_speed": 1, "air": 1}
    step = 0.1 * np.eye(5)
    up, down = d.scores(step)[0], d.scores(-step)[0]
    for j, name in enumerate(deck.NAMES):
        expected = {d.idle: 0, d.against: -usual[name]}.get(j, usual[name])
        assert np.sign(np.round(up[j] - down[j], 12)) == expected, name


@pytest.mark.proof
def test_the_best_settings_are_on_the_border_of_a_range_for_some_and_inside_for_others():
    def on_border(p: Problem) -> bool:
        x = np.delete(deck.scaled(p.best_settings)[0], p.deck.idle)
        return bool(np.any(np.abs(x) > 1.0 - 1e-9))

    found = [on_border(moderate("idle", seed)) for seed in range(12)]
    assert 2 <= sum(found) <= 10


@pytest.mark.proof
@pytest.mark.parametrize("seed", SEEDS)
def test_beyond_the_edge_the_grade_is_the_feed_s_or_the_deck_fails(seed):
    p = moderate("cliff", seed)
    d = p.deck
    fails = d.border_at < cliff.NOWHERE
    at, width = (d.border_at, d.border_width) if fails else (d.edge_at, d.edge_width)
    assert (d.edge_at == cliff.NOWHERE) == fails
    to_edge = deck.scaled(lattice()) @ d.edge
    truth = d.run(lattice(), p.material)
    before, beyond = to_edge < at - 8 * width, to_edge > at + 8 * width
    assert beyond.mean() > 0.1 < before.mean()
    if fails:
        assert truth.failure[before].max() < 0.01 < 0.99 < truth.failure[beyond].min()
    else:
        assert truth.failure.max() < 1e-9
        upgrade = truth.grade - p.feed_grade
        assert np.abs(upgrade[beyond]).max() < 0.01 < upgrade[before].min()
    # The best lies before the edge, and closer to it than a twentieth of the way across.
    way = 2.0 * np.abs(d.edge).sum()
    assert 0.0 < at - deck.scaled(p.best_settings)[0] @ d.edge < 0.05 * way


def test_some_cliffs_fail_and_some_collapse_in_all_directions():
    drawn = [draw("cliff", np.random.default_rng(seed))[0] for seed in range(40)]
    fails = np.mean([d.border_at < cliff.NOWHERE for d in drawn])
    assert 0.25 < fails < 0.75
    rising = np.mean([d.edge > 0.0 for d in drawn], axis=0)
    assert np.all((rising > 0.2) & (rising < 0.8))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_ridge_runs_along_a_diagonal(seed):
    d, _ = draw("ridge", np.random.default_rng(seed))
    on = np.flatnonzero(d.across)
    assert len(on) in (2, 3)
    assert ridge.TILT in on
    assert deck.NAMES.index("eccentric_speed") not in on
    assert d.across @ d.along == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose([np.linalg.norm(d.across), np.linalg.norm(d.along)], 1.0)
    assert not d.along[d.across == 0.0].any()
    # Without the smooth additions, the recovery is level along the crest and falls to both sides.
    bare = replace(
        d, shift=np.zeros(5), waves=np.zeros((2, 5)), products=np.zeros((2, 5, 5)), walk=np.zeros(2)
    )
    crest = d.crest * d.across + np.outer(np.linspace(-0.4, 0.4, 5), d.along)
    np.testing.assert_allclose(bare.scores(crest)[0], d.level[0], atol=1e-12)
    for side in (-1.0, 1.0):
        fallen = bare.scores(crest + side * d.width * d.across)[0]
        # One width off a Gaussian crest, 1 - exp(-1/2) of the height is lost.
        np.testing.assert_allclose(d.level[0] - fallen, d.height[0] * (1.0 - np.exp(-0.5)))


def test_the_shares_follow_the_curves_that_they_name():
    z = np.linspace(-3.0, 3.0, 41)
    # Sources: the normal distribution function of scipy.stats; the complementary log-log link,
    # whose inverse is ln(-ln(1 - p)) (McCullagh & Nelder, Generalized Linear Models, 1989, 4.3).
    np.testing.assert_allclose(ridge.RidgeDeck.share(z), norm.cdf(z), rtol=1e-12)
    p = idle.IdleDeck.share(np.minimum(z, 2.0))
    np.testing.assert_allclose(np.log(-np.log1p(-p)), np.minimum(z, 2.0), atol=1e-10)
    # Half of 1 + z / sqrt(1 + z²) is the distribution function of Student's t with 2 degrees of
    # freedom at z √2 (closed form; compared with scipy.stats).
    from scipy.stats import t

    np.testing.assert_allclose(cliff.CliffDeck.share(z), t.cdf(z * np.sqrt(2.0), 2), rtol=1e-12)


# ------------------------------------------------------------------ the report


def test_the_report_counts_decks_that_meet_the_grade():
    def row(seed: int, gaps: list[float]) -> dict:
        return {
            **{"family": "f", "demand": "moderate", "seed": seed, "best": 0.9},
            **{"marks": [8, 12, 16, 20, 30], "strict": {"m": gaps}, "proportion": {"m": gaps}},
        }

    rows = [
        row(0, [0.9, 0.9, 0.5, 0.3, 0.0]),
        row(1, [0.9, 0.3, 0.2, 0.9, 0.1]),
        row(2, [0.9, 0.0, 0.1, 0.0, 0.2]),
    ]
    lines = command.met(rows, "moderate").splitlines()
    assert lines[0] == "| family | method | decks | 12 trials | 16 trials | 20 trials | 30 trials |"
    assert lines[2:] == [
        "| f | m | 3 | 2 of 3 | 3 of 3 | 2 of 3 | 3 of 3 |",
        "| all | m | 3 | 2 of 3 | 3 of 3 | 2 of 3 | 3 of 3 |",
    ]


def test_a_judge_s_run_has_the_families_for_judging_alone_too():
    assert command.arguments(["--judge"]).families == [*LAWS, *JUDGE_LAWS]
    assert command.arguments(["--judge", "--families", "idle"]).families == ["idle"]


def test_the_reports_say_what_is_prior_and_what_is_method(tmp_path):
    cached, written = tmp_path / "kept.jsonl", tmp_path / "report.md"
    for main, families in ((command.main, ["idle"]), (trials.main, ["outsider"])):
        words = ["--decks", "1", "--demands", "moderate", "--methods", "random", "skopt"]
        words += ["--families", *families, "--cache", str(cached), "--report", str(written)]
        main(words)
        text = written.read_text(encoding="utf-8")
        assert report.PRIOR_AND_METHOD in text
        assert f"| {families[0]} | 1 | 16 |" in text
