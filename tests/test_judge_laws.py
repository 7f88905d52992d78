"""The decks of the judge's laws: who may draw them, balances, the true optimum, and each law."""

from __future__ import annotations

import ast
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import cauchy

from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import attainable, demanding_grade
from tests.benchmarks import judge_decks
from tests.benchmarks import other_laws as command
from tests.benchmarks.trials import __main__ as trials
from tests.benchmarks.trials.campaigns import behind, stamp
from tests.benchmarks.trials.decks import (
    ALL_FAMILIES,
    DEMANDS,
    JUDGE_FROM,
    REGION,
    Problem,
    draw,
    problem,
)
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS, deck
from tests.benchmarks.trials.other_laws import OTHER_LAWS
from tests.benchmarks.trials.other_laws.deck import scaled
from tests.benchmarks.trials.task import Task

LAWS = tuple(JUDGE_LAWS)
# Decks that no report uses: a judge's report starts at JUDGE_FROM and has fewer than 4,000 decks.
SEEDS = range(JUDGE_FROM + 4000, JUDGE_FROM + 4006)
# The optimum of a deck takes half a second: by default one deck of a family, the others as proofs.
EVERY = [
    pytest.param(family, seed, marks=[pytest.mark.proof] if seed != SEEDS[0] else [])
    for family in LAWS
    for seed in SEEDS
]


@cache
def lattice() -> np.ndarray:
    """2,000 lattice points of the region without any order, in their units."""
    rng = np.random.default_rng(78)
    first, last = np.array(REGION.first), np.array(REGION.last)
    return GRAVITY_TABLE.values(rng.integers(first, last + 1, (2000, 5)))


@cache
def moderate(family: str, seed: int) -> Problem:
    return problem(family, "moderate", seed)


@pytest.mark.parametrize("family", LAWS)
def test_seeds_of_the_development_half_are_refused(family, capsys):
    with pytest.raises(ValueError, match=f"{family}.*for judging alone.*{JUDGE_FROM}"):
        problem(family, "moderate", JUDGE_FROM - 1)
    for read in (trials.arguments, command.arguments):
        with pytest.raises(SystemExit):
            read(["--families", family, "--first", "1000"])
        assert "for judging alone, say --judge" in capsys.readouterr().err
        assert read(["--families", family, "--judge"]).families == [family]


def test_they_run_only_when_a_command_names_them():
    assert not set(LAWS) & {*ALL_FAMILIES, *OTHER_LAWS}
    assert not set(LAWS) & {*trials.arguments([]).families, *command.arguments([]).families}


def test_they_import_nothing_but_the_interface_of_the_decks():
    for path in Path(deck.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = {alias.name for alias in node.names} if isinstance(node, ast.Import) else set()
            if isinstance(node, ast.ImportFrom):
                names = {node.module or ""}
            for name in names:
                own = name.startswith("tests.benchmarks.trials.judge_laws")
                own |= name == "tests.benchmarks.trials.other_laws.deck"
                assert own or name.partition(".")[0] not in ("optimizer", "cli", "tests"), name


def test_nothing_of_the_product_knows_them_and_a_kept_row_depends_on_them(monkeypatch, tmp_path):
    assert not any("judge" in file for file in behind("optimizer.planning.planner"))
    from tests.benchmarks.trials import campaigns

    before = stamp.__wrapped__("random")
    kept = tuple(s for s in campaigns._DECKS if not s.endswith("judge_laws"))
    assert len(kept) == len(campaigns._DECKS) - 1
    monkeypatch.setattr(campaigns, "_DECKS", kept)
    assert stamp.__wrapped__("random") != before


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
    grades = np.array([p.deck.run(lattice()[:400], p.material).grade for p in found])
    # What separates well on one is not what separates well on another.
    assert np.corrcoef(grades)[np.triu_indices(len(found), 1)].min() < 0.2
    assert len({p.feed_grade for p in found}) == len(found)
    assert len({tuple(p.best_settings) for p in found}) == len(found)


@pytest.mark.parametrize(("family", "seed"), EVERY)
def test_shares_are_shares_and_wanted_and_unwanted_add_up_to_the_feed(family, seed):
    p = moderate(family, seed)
    corners = np.array(list(np.ndindex(2, 2, 2, 2, 2)))
    low, high = (GRAVITY_TABLE.values(np.array([i]))[0] for i in (REGION.first, REGION.last))
    values = np.vstack([lattice(), low + corners * (high - low)])
    truth = p.deck.run(values, p.material)
    for share in (truth.grade, truth.recovery):
        assert np.all((share > 0.0) & (share < 1.0))
    assert np.all((truth.failure >= 0.0) & (truth.failure <= 1.0))
    # Mass balance of 1 t of feed, in tonnes (definitions of grade and recovery).
    wanted = p.feed_grade * truth.recovery
    unwanted = wanted / truth.grade - wanted
    assert np.all((unwanted > 0.0) & (unwanted < 1.0 - p.feed_grade))


@pytest.mark.parametrize(("family", "seed"), EVERY)
def test_the_grade_asked_for_is_as_hard_as_on_the_other_families(family, seed):
    p = moderate(family, seed)
    truth = p.deck.run(lattice(), p.material)
    met = (truth.grade >= p.min_grade) & (truth.failure <= 0.05)
    # 2,000 points: three standard errors of a share of 0.15 are 0.024.
    assert met.mean() == pytest.approx(DEMANDS["moderate"], abs=0.024)
    assert p.min_grade > p.feed_grade + 0.02
    # Settings that meet the grade by chance leave something to gain.
    assert 0.6 < p.best < 0.995
    assert np.median(truth.recovery[met]) < p.best - 0.02
    assert 0.01 < truth.failure.mean() < 0.4


def test_a_deck_that_leaves_no_grade_to_ask_for_is_drawn_again():
    deck, feed = draw("grain", np.random.default_rng(5205))
    assert demanding_grade(deck, feed, DEMANDS["moderate"], REGION) == 0.0
    again = moderate("grain", 5205)
    assert again.min_grade > again.feed_grade


@pytest.mark.parametrize(("family", "seed"), EVERY)
def test_the_true_optimum_is_found_from_any_seed_and_nobody_finds_more(family, seed):
    p = moderate(family, seed)
    two = [attainable(p.deck, p.material, p.min_grade, REGION, seed=s) for s in (1, 2)]
    assert two[0].recovery == pytest.approx(two[1].recovery, abs=2e-3)
    truth = p.deck.run(lattice(), p.material)
    met = (truth.grade >= p.min_grade) & (truth.failure <= 0.05)
    for found in two:
        assert found.recovery >= truth.recovery[met].max()
        assert found.grade >= p.min_grade
        assert found.failure <= 0.05
    # The best fails in at most 5 % of runs, but a gap counts recovery times the chance of an even
    # deck, so that safer settings can have a little more.
    assert (truth.recovery * (1.0 - truth.failure))[met].max() < p.best + 0.01
    assert Task(p, starts=0).gaps(p.best_settings) == pytest.approx((0.0, 0.0), abs=1e-12)


@pytest.mark.parametrize("family", LAWS)
def test_readings_scatter_about_the_truth(family):
    p = moderate(family, SEEDS[0])
    calm = replace(p.deck, noise=np.zeros(2))
    values = lattice()[calm.run(lattice(), p.material).failure < 5e-3][:1]
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
    noisy = p.deck.measure(many, p.material, np.random.default_rng(1))
    assert np.nanstd(noisy.grade) + np.nanstd(noisy.recovery) > 1.05 * (spread + read.recovery_se)


@pytest.mark.parametrize("family", LAWS)
def test_runs_fail_as_often_as_they_should(family):
    p = moderate(family, SEEDS[0])
    chance = p.deck.run(lattice(), p.material).failure
    read = [p.deck.measure(lattice(), p.material, np.random.default_rng(k)) for k in range(20)]
    failed = np.array([np.isnan(each.grade) for each in read])
    np.testing.assert_array_equal(failed, [each.deck_state != "even" for each in read])
    error = np.sqrt(np.sum(chance * (1.0 - chance)) / len(read)) / len(chance)
    assert failed.mean() == pytest.approx(chance.mean(), abs=5 * error + 1e-9)


@pytest.mark.proof
def test_the_table_of_decks_has_a_row_for_each_family_and_the_figures_of_its_decks():
    found = [judge_decks.figures(moderate("valley", seed)) for seed in SEEDS]
    table = judge_decks.table({"valley": found}).splitlines()
    assert len(table) == 3
    share = np.mean([f["met, %"] for f in found])
    # 15 % of the region meets the moderate grade on a deck that hardly ever fails.
    assert share == pytest.approx(15.0, abs=1.0)
    assert table[2].startswith(f"| valley | 6 | {share:.1f} (")


# ------------------------------------------------------------------ what each law promises


@pytest.mark.parametrize("seed", SEEDS)
def test_on_terraces_only_the_order_of_settings_chooses_the_level(seed):
    d, feed = draw("terraces", np.random.default_rng(seed))
    x = scaled(lattice())
    weights = d.weights(x)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)
    # Most settings lie outside every band on their way, and there no small move changes the level.
    settled = weights.max(axis=1) == 1.0
    assert settled.mean() > 0.2
    moved = d.weights(x[settled] + 1e-9)
    np.testing.assert_allclose(moved, weights[settled], atol=1e-6)
    # Without what acts inside a level there are exactly eight outcomes.
    bare = replace(d, loss=np.zeros((2, 5)))
    recovery, _ = bare.split(x[settled], feed, np.zeros((2, int(settled.sum()))))
    assert len(np.unique(np.round(recovery, 9))) <= 8
    # Source: scipy's distribution function of Cauchy's law.
    ends = cauchy.cdf(d.level[0])
    assert np.all(np.isclose(recovery[:, None], ends).any(axis=1))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_pair_of_settings_helps_the_unwanted_dose_more_than_each_alone(seed):
    d, _ = draw("kinetics", np.random.default_rng(seed))
    i, j = d.pair
    corner = -np.ones((4, 5))
    corner[1, i] = corner[2, j] = corner[3, i] = corner[3, j] = 1.0
    with np.errstate(divide="ignore"):
        log = np.log(d.doses(corner)[1])
        alone = np.log(replace(d, together=0.0).doses(corner)[1])
    assert log[3] - log[1] - log[2] + log[0] == pytest.approx(np.log1p(d.together))
    assert alone[3] - alone[1] - alone[2] + alone[0] == pytest.approx(0.0, abs=1e-9)


def test_every_factor_of_a_dose_is_at_most_one_at_its_peak():
    d, _ = draw("kinetics", np.random.default_rng(1))
    u = np.linspace(-1.0, 1.0, 201)
    for kind in range(3):
        bare = replace(
            d,
            kind=np.full((3, 5), kind),
            half=np.full((3, 5), 0.3),
            least=np.zeros((3, 5)),
            dose=np.ones(3),
            together=0.0,
        )
        found = bare.doses(np.repeat(u[:, None], 5, axis=1))
        assert found.max() == pytest.approx(1.0, abs=1e-3)
        rising = np.diff(found[0])
        assert {0: np.all(rising >= 0), 1: np.all(rising <= 0), 2: (rising > 0).any()}[kind]


@pytest.mark.proof
@pytest.mark.parametrize("seed", SEEDS)
def test_in_a_valley_grade_and_recovery_are_best_in_different_places(seed):
    p = moderate("valley", seed)
    d, x = p.deck, scaled(lattice())
    truth = d.run(lattice(), p.material)
    assert np.abs(np.corrcoef(truth.grade, truth.recovery)[0, 1]) < 0.6
    for a in d.turned:
        np.testing.assert_allclose(a @ a.T, np.eye(5), atol=1e-12)
    # Along the parabola the grade falls by the walk alone.
    t = np.linspace(-0.7, 0.7, 15)
    y = np.zeros((15, 5))
    y[:, 1], y[:, 0] = t, d.at + d.bend * (t**2 - 0.33)
    _, grade = d.split(y @ d.turned[0], p.material, np.zeros((2, 15)))
    peak = 1.0 / np.sqrt(1.0 + ((t - d.along[0]) / d.along[1]) ** 2)
    quality = (grade - p.feed_grade) / (1.0 - p.feed_grade)
    np.testing.assert_allclose(quality, d.upgrade * (d.ground + (1.0 - d.ground) * peak))
    # The scatter of the grade is larger on the flanks than on the floor.
    near = np.abs(x @ d.turned[0][0] - d.at) < 2.0
    assert near.any()
    flank = y.copy()
    flank[:, 0] += d.width
    scatter = [
        np.std([d.split(z @ d.turned[0], p.material, s * np.ones((2, 15)))[1] for s in (-1, 1)])
        for z in (y[7:8].repeat(15, 0), flank[7:8].repeat(15, 0))
    ]
    assert scatter[1] > 3.0 * scatter[0]


@pytest.mark.parametrize("seed", SEEDS)
def test_hills_are_two_of_unequal_height_and_one_setting_ripples(seed):
    d, feed = draw("hills", np.random.default_rng(seed))
    calm = replace(d, pull=np.zeros(5), ripple=0.0)
    _, grade = calm.split(np.linspace(d.centre[0], d.centre[1], 41), feed, np.zeros((2, 41)))
    between = grade.min()
    assert grade[0] > between + 0.02
    assert grade[-1] > between + 0.005
    assert np.abs(grade[0] - grade[-1]) > 1e-4
    # The band that fails lies between the hills, and neither top fails.
    chance = d.failure(np.linspace(d.centre[0], d.centre[1], 401))
    assert chance.max() == pytest.approx(d.band_fails, abs=1e-6)
    assert chance[0] == chance[-1] == 0.0
    # Two to three periods: the recovery turns at least three times along the rippling setting.
    x = np.tile(d.centre[0], (401, 1))
    x[:, d.rippling] = np.linspace(-1.0, 1.0, 401)
    flat = replace(d, pull=np.zeros(5), height=np.zeros((2, 2)))
    recovery, _ = flat.split(x, feed, np.zeros((2, 401)))
    turns = np.count_nonzero(np.diff(np.sign(np.diff(recovery))))
    assert 3 <= turns <= 7
