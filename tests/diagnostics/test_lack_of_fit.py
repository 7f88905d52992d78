"""The test of whether set-points stray from the surface more than replicates scatter."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from optimizer.diagnostics.noise import lack_of_fit
from optimizer.gaussian_process.replicates import Groups
from tests.model.fitted_pairs import NAMES, case, dense
from tests.model.simulated_runs import fit, measured


def model_of(pair):
    """As much of a line's model as the test needs."""
    return SimpleNamespace(surrogate=SimpleNamespace(pairs_=[pair]))


@pytest.mark.parametrize("name", NAMES)
def test_the_f_test_equals_its_definition(name, monkeypatch):
    """Residuals of sharpness and of balance about the fitted surface, a linear smoother H of the
    mean readings of both, written as plain matrices.

    Draper & Smith, Applied Regression Analysis, section 2.1 (from memory), gives the F test; the
    degrees of freedom are the expected sum of squares of a surface that fits.
    """
    monkeypatch.setattr("optimizer.diagnostics.noise.FEWEST_DOF", 0)
    made = case(name)
    (pair,) = made.candidate.members
    known, groups = dense(made, pair, np.empty((0, 5))), made.groups
    u = len(groups.points)
    average = np.linalg.pinv(known.rows)
    noise = average @ known.noise @ average.T
    whole = known.covariance + noise
    smoother = known.covariance @ np.linalg.inv(whole)
    rest = np.eye(2 * u) - smoother
    off = rest @ (average @ known.read - known.mean)
    expected = rest @ whole @ rest.T
    found = lack_of_fit(model_of(pair))
    for k, quantity in enumerate(("sharpness", "balance")):
        own, y = slice(k * u, (k + 1) * u), getattr(made.latent, quantity)
        variance = np.diag(noise)[own]
        dof = np.sum(np.diag(expected)[own] / variance)
        pure = len(y) - u
        within = np.sum(groups.scatter(y) / (variance * groups.count)) / pure
        ratio = np.sum(off[own] ** 2 / variance) / dof / within
        result = getattr(found, quantity)
        assert result.dof == pytest.approx(dof, rel=1e-6)
        assert result.replicate_dof == pytest.approx(pure)
        assert result.ratio == pytest.approx(ratio, rel=1e-6)
        assert result.p_value == pytest.approx(f_distribution.sf(ratio, dof, pure), rel=1e-6)


def test_runs_that_are_held_to_be_wrong_take_no_degrees_of_freedom():
    """Two wrong runs at settings of their own, beside the fit that never saw them."""
    rng = np.random.default_rng(1)
    X = np.vstack([np.repeat(rng.random((12, 5)), 3, axis=0), rng.random((14, 5))])
    grade, recovery = measured(X, rng)
    recovery[-2:] *= 0.1
    model = fit(X, grade, recovery, members=1)
    assert model.run_weights_[-2:].max() < 0.01
    found = lack_of_fit(SimpleNamespace(surrogate=model))
    singles = len(X) - len(Groups.of(X).points)
    assert found.sharpness.replicate_dof == pytest.approx(singles, abs=0.05)
    without = lack_of_fit(
        SimpleNamespace(surrogate=fit(X[:-2], grade[:-2], recovery[:-2], members=1))
    )
    assert found.sharpness.dof == pytest.approx(without.sharpness.dof, abs=0.2)
    assert found.sharpness.ratio == pytest.approx(without.sharpness.ratio, rel=0.03)
