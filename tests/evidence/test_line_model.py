"""The models of a line: what they are fitted to, recent practice, and surfaces drawn from them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest

from optimizer.evidence import fitting, line_model
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.fitting import chance_even_of, fit_surrogate, is_exact_fit
from optimizer.evidence.line_model import LineModel, Surfaces
from optimizer.gaussian_process.kernel import LINES
from optimizer.gaussian_process.solvers import EXACT, InducingPoints
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.conftest import run_table
from tests.model.fitted_pairs import POINTS, case, dense

AIR = GRAVITY_TABLE.names.index("air")


def runs(n, line="deck-1", state=None, **columns):
    """Runs of which each has another air, and of which the last has no reading."""
    settings = GRAVITY_TABLE.values(np.tile([15, 20, 20, 30, 40], (n, 1)))
    settings[:, AIR] = 30.0 + np.arange(n)
    grade, recovery = np.full(n, 0.97), np.linspace(0.88, 0.92, n)
    grade[-1] = np.nan
    return run_table(settings, grade, recovery, state=state or ["even"] * n, line=line, **columns)


def evidence(table, line="deck-1"):
    return evidence_of(table, Site(), Brief(line=line))


# ------------------------------------------------------------------ what is fitted


class Recorder:
    """A surrogate that tells how it was made and what it was fitted to."""

    def __init__(self, names, **how):
        self.names, self.how = names, how

    def fit(self, *given):
        self.given = given
        return self


def test_the_surrogate_is_fitted_to_measured_runs_and_then_to_borrowed_ones(monkeypatch):
    monkeypatch.setattr(fitting, "Surrogate", Recorder)
    found = evidence(pa.concat_tables([runs(9, "other"), runs(6)]))
    made = fit_surrogate(found, 7)
    assert (made.names, made.how["random_state"]) == (GRAVITY_TABLE.names, 7)
    assert made.how["groupings"] == (LINES,)
    X, readings, odds, occasions = made.given
    own, other = X[:5], X[5:]
    assert own[:, :5] == pytest.approx(found.inputs[:5, :5])
    assert (own[:, -1].tolist(), other[:, -1].tolist()) == ([0.0] * 5, [1.0] * 8)
    assert readings.recovery.tolist() == [
        *np.linspace(0.88, 0.92, 6)[:5], *np.linspace(0.88, 0.92, 9)[:8],
    ]  # fmt: skip
    assert len(odds) == len(occasions.time) == 13
    alone = fit_surrogate(evidence(runs(6)), 0).given
    assert alone[0].shape == (5, 5)


def test_inducing_points_are_used_unless_all_set_points_are_asked_for(monkeypatch):
    monkeypatch.setattr(fitting, "Surrogate", Recorder)
    found = evidence(runs(6))
    assert fit_surrogate(found, 0).how["solver"] == InducingPoints(fitting.MOST_POINTS)
    assert fit_surrogate(found, 0, exact=True).how["solver"] == EXACT
    monkeypatch.setattr(fitting, "MOST_POINTS", 10)
    monkeypatch.setattr(fitting, "SEARCH_POINTS", 20)
    assert [is_exact_fit(n) for n in (10, 11)] == [True, False]
    monkeypatch.setattr(fitting, "SEARCH_POINTS", 9)
    assert [is_exact_fit(n) for n in (9, 10)] == [True, False]


def test_a_line_without_failed_runs_is_even_everywhere():
    found = chance_even_of(evidence(runs(6)))
    assert found(np.zeros((3, 5))).tolist() == [1.0, 1.0, 1.0]


def test_the_deck_is_less_surely_even_where_runs_failed():
    table = runs(12, state=["even"] * 6 + ["slugging"] * 6)
    found = evidence(table)
    chance = chance_even_of(found)(found.settings)
    assert np.all(np.diff(chance) < 0.0)
    assert chance[0] > 0.5 > chance[-1]


# ------------------------------------------------------------------ the model of a line


def test_recent_practice_is_the_median_of_the_latest_measured_runs_on_the_steps(monkeypatch):
    """Of 12 runs at an air of 30, 31, ... the last is not measured; the five before it have a
    median of 38, the four before it one of 38.5, which is between two steps."""
    found = evidence(runs(12))
    for latest, airs in ((5, {38.0}), (4, {38.0, 39.0}), (100, {35.0})):
        monkeypatch.setattr(line_model, "RECENT_RUNS", latest)
        recent = LineModel(found).recent_settings
        assert recent[AIR] in airs
        assert recent[:AIR].tolist() == found.settings[0, :AIR].tolist()
    model = LineModel(found)
    assert model.recent_inputs == pytest.approx(found.inputs[[5]], abs=1e-8)
    index = GRAVITY_TABLE.nearest_index(found.settings[:2])
    assert model.chance_even(index).tolist() == [1.0, 1.0]


def test_an_exact_fit_that_is_at_hand_is_used_and_another_one_is_made(monkeypatch):
    asked = []

    def fit(*given, **how):
        asked.append((given, how))
        return "fitted here"

    monkeypatch.setattr(line_model, "fit_surrogate", fit)
    at_hand, rough = SimpleNamespace(exact=True), SimpleNamespace(exact=False)
    assert LineModel("evidence", 3, at_hand).surrogate is at_hand
    assert not asked
    for fitted in (rough, None):
        assert LineModel("evidence", 3, fitted).surrogate == "fitted here"
    assert asked == [(("evidence", 3), {"exact": True})] * 2


# ------------------------------------------------------------------ drawn surfaces


def of_two_members():
    made = case("coupled")
    (pair,) = made.candidate.members
    return made, pair, SimpleNamespace(n_members_=2, pairs_=[pair, pair])


def test_a_surface_is_the_conditional_mean_of_the_dense_normal_given_its_anchors():
    """Away from the anchors, against Rasmussen & Williams, Gaussian Processes for Machine Learning,
    2006, A.6; at the anchors, the moments of 4000 draws (seed 5) against the same normal, whose
    standard error is 2 %."""
    made, pair, surrogate = of_two_members()
    ask = np.random.default_rng(6).random((5, 5))
    mean, covariance = dense(made, pair, ask).conditioned()
    m = POINTS + 5
    anchors, rest = POINTS + np.arange(3), POINTS + np.array([3, 4])
    at, asked = np.concatenate([anchors, m + anchors]), np.concatenate([rest, m + rest])
    surfaces = Surfaces(surrogate, ask[:3], 4000, 5)
    drawn = np.hstack(surfaces.latent(ask[:3]))
    assert drawn.mean(axis=0) == pytest.approx(mean[at], abs=0.05)
    sizes = np.sqrt(np.diag(covariance)[at])
    assert np.cov(drawn.T) == pytest.approx(
        covariance[np.ix_(at, at)], abs=0.08 * np.max(sizes) ** 2
    )
    gain = np.linalg.solve(covariance[np.ix_(at, at)], covariance[np.ix_(at, asked)])
    given = mean[asked] + (drawn - mean[at]) @ gain
    assert np.hstack(surfaces.latent(ask[3:])) == pytest.approx(given, abs=1e-3)


def test_draws_are_divided_among_the_members_and_widened_by_the_margin():
    made, pair, surrogate = of_two_members()
    ask = np.random.default_rng(6).random((4, 5))
    mean, _ = dense(made, pair, ask).conditioned()
    m = POINTS + 4
    model = LineModel(SimpleNamespace(), 5, SimpleNamespace(exact=True, **vars(surrogate)))
    once, twice = (model.surfaces(ask, 5, margin) for margin in (1.0, 2.0))
    assert once.draws == 5
    for one, two, at in zip(
        once.latent(ask), twice.latent(ask), (mean[POINTS:m], mean[m + POINTS :]), strict=True
    ):
        assert one.shape == (5, 4)
        assert two - at == pytest.approx(2.0 * (one - at), abs=1e-5)
    assert len({tuple(row) for row in once.latent(ask)[0].round(9).tolist()}) == 5
    assert Surfaces(surrogate, ask, 1, 5).latent(ask)[0].shape == (1, 4)
    grade, recovery = once.outcome(ask, 2.0)
    S, C = once.latent(ask)
    wanted, unwanted = 1 / (1 + np.exp(-(C + S) / 2)), 1 / (1 + np.exp(-(C - S) / 2))
    feed = 1 / (1 + np.exp(-2.0))
    assert recovery == pytest.approx(wanted)
    assert grade == pytest.approx(feed * wanted / (feed * wanted + (1 - feed) * unwanted))
