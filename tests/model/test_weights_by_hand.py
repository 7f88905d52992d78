"""Weights of descriptions and of runs, and densities behind them, by hand from stubs."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from optimizer.gaussian_process.replicates import Groups
from optimizer.model import unstated_errors, wrong_readings
from optimizer.model.averaging import favored_of, weights_of
from optimizer.model.coordinates import LatentReadings
from optimizer.model.left_out import OwnPrecision, log_density
from optimizer.model.wrong_readings import weights_of_runs


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.model.averaging.TEMPER", 0.2)
    monkeypatch.setattr("optimizer.model.averaging.LEAST_WEIGHT", 0.02)
    monkeypatch.setattr("optimizer.model.averaging.LEAST_AHEAD", 0.001)
    monkeypatch.setattr("optimizer.model.wrong_readings.WRONG", 0.01)
    monkeypatch.setattr("optimizer.model.wrong_readings.WRONG_SD", 4.0)
    monkeypatch.setattr("optimizer.model.wrong_readings.SPOILED", 0.5)
    monkeypatch.setattr("optimizer.model.wrong_readings.LEAST_WEIGHT", 0.001)
    monkeypatch.setattr("optimizer.model.wrong_readings.FEWEST_RUNS", 8)
    monkeypatch.setattr("optimizer.model.wrong_readings.WRONG_BELOW", 0.5)


def test_descriptions_are_weighed_by_how_often_they_are_ahead_and_by_their_evidence():
    """Of two that predict alike, the evidence to the power 0.2 decides: 5 ln 3 is a factor of 3."""
    alike = np.zeros((6, 2))
    np.testing.assert_allclose(weights_of([5.0 * np.log(3.0), 0.0], alike, 0), [0.75, 0.25])
    # A description that is far ahead at each set-point has its least rivals' probability, 0.001.
    ahead = np.column_stack([np.full(6, 50.0), np.zeros(6)])
    assert weights_of([0.0, 0.0], ahead, 0).tolist() == [1.0, 0.0]
    # 0.02 is enough to count: the power of the evidence makes 49 to 1.
    found = weights_of([5.0 * np.log(48.9), 0.0], alike, 0)
    np.testing.assert_allclose(found, [48.9 / 49.9, 1.0 / 49.9])
    assert weights_of([5.0 * np.log(49.1), 0.0], alike, 0).tolist() == [1.0, 0.0]


def test_a_description_is_favored_together_with_its_twin():
    def one(name, alone=False):
        return SimpleNamespace(
            description=SimpleNamespace(name=name, says=f"as {name}", alone=alone)
        )

    found = favored_of([(one("a"), 0.4), (one("b"), 0.35), (one("b", True), 0.25)])
    assert [(f.name, f.says, f.weight) for f in found.each] == [
        ("b", "as b", 0.6), ("a", "as a", 0.4),
    ]  # fmt: skip


def test_a_run_weighs_as_it_is_probable_that_it_is_not_wrong():
    """Nine runs at settings of their own. With certain predictions and errors of variance 1 of each
    quantity, readings off by (d, 0) are wrong with the odds 0.01 / 0.99 times the densities' ratio
    of normals of variance 17 and 1 (``scipy.stats``)."""
    n = 9
    off = np.linspace(0.0, 8.0, n)
    noise = np.tile(np.eye(2), (n, 1, 1))
    # A prediction of variance v from all others has the precision block 1 / (1 + v).
    v = 1e-6
    blocks = noise / (1.0 + v)
    read = np.column_stack([off, np.zeros(n)])
    known = OwnPrecision(read, noise, blocks, (blocks @ read[..., None])[..., 0])
    pair = SimpleNamespace(own_precision=lambda: known)
    latent = LatentReadings(off, np.zeros(n), *np.ones((3, n)))
    groups = Groups.of(np.arange(float(n))[:, None])
    found = weights_of_runs(pair, groups, latent)
    normal = stats.multivariate_normal
    for k in range(n):
        right = 0.99 * normal.pdf(read[k], cov=(1.0 + v) * np.eye(2))
        wrong = 0.01 * normal.pdf(read[k], cov=(17.0 + v) * np.eye(2))
        assert found[k] == pytest.approx(max(right / (right + wrong), 1e-3), rel=1e-3)
    few = Groups.of(np.arange(7.0)[:, None])
    np.testing.assert_array_equal(weights_of_runs(None, few, None), np.ones(7))
    eight = Groups.of(np.arange(8.0)[:, None])
    with pytest.raises(AttributeError):
        weights_of_runs(None, eight, None)


def test_a_fit_that_a_wrong_reading_spoiled_is_sharpened():
    """The usual median of the squared distance is 2 ln 2; half of it is no reason to doubt."""
    spread = np.tile(np.eye(2), (5, 1, 1))
    usual = 2.0 * np.log(2.0)
    off = np.zeros((5, 2))
    off[:, 0] = np.sqrt([0.1 * usual, 0.2 * usual, 0.3 * usual, 9.0, 9.0])
    weight = np.array([1.0, 1.0, 0.5, 0.49, 0.4])
    assert wrong_readings._shrinkage(off, spread, weight) == pytest.approx(0.2 / 0.5)
    assert wrong_readings._shrinkage(off, spread, np.ones(5)) == pytest.approx(0.3 / 0.5)
    assert wrong_readings._shrinkage(2.0 * off, spread, np.ones(5)) == 1.0
    least = wrong_readings._shrinkage(0.0 * off, spread, np.ones(5))
    assert least == pytest.approx(1e-3 / (0.5 * usual))


def test_the_density_of_two_is_that_of_a_normal():
    covariance = np.array([[[2.0, 0.5], [0.5, 1.0]]])
    found = log_density(np.array([[0.3, -0.7]]), covariance)
    wanted = stats.multivariate_normal.logpdf([0.3, -0.7], cov=covariance[0])
    assert found[0] == pytest.approx(wanted)


def test_errors_that_are_learned_are_told_by_their_median(monkeypatch):
    sides = {
        "more": LatentReadings(*np.zeros((2, 3)), *np.array([[3.0, 5, 9], [4, 5, 6], [1, 1, 7]])),
        "less": LatentReadings(*np.zeros((2, 3)), *np.array([[1.0, 1, 1], [1, 1, 1], [0, 3, 1]])),
    }
    monkeypatch.setattr(unstated_errors, "latent_of", lambda readings, odds: sides[readings])
    found = unstated_errors.typical_difference("more", "less", np.zeros(3))
    np.testing.assert_allclose(found, [[4.0, 1.0], [1.0, 4.0]])
