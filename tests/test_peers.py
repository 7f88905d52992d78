"""What the peers of the closed-loop benchmarks are given: noise, coordinates, outcomes."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.measurement.run_readings import RunReadings
from optimizer.model.coordinates import to_latent
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials import campaigns, report
from tests.benchmarks.trials.decks import REGION, problem
from tests.benchmarks.trials.methods import LIGHT, METHODS
from tests.benchmarks.trials.task import Task
from tests.programs import PEERS


@pytest.fixture
def peer():
    pytest.importorskip("botorch", reason=PEERS)
    from tests.benchmarks.trials import peer_botorch

    return peer_botorch


def beans() -> Task:
    return Task(problem("beans", "moderate", 3), 12)


def test_every_peer_is_kept_by_the_code_that_it_is_given():
    assert set(campaigns._PEERS) == set(METHODS) - set(LIGHT)
    sources, package = campaigns._PEERS["botorch-all"]
    assert package == "botorch"
    assert "optimizer/model/deck_coordinates.py" in sources
    assert all((campaigns.ROOT / source).exists() for source in sources)


def test_a_peer_gets_the_variances_that_our_model_gets(peer):
    task = beans()
    grade, recovery, grade_variance, recovery_variance = peer.known(task)
    even = task.even
    assert 3 <= even.sum() < 12
    read = RunReadings.from_shares(
        task.grade[even],
        task.recovery[even],
        recovery_se=task.recovery_se[even],
        grade_count=task.grade_count[even],
    )
    np.testing.assert_array_equal(grade[even], read.grade_logit)
    np.testing.assert_array_equal(grade_variance[even], read.grade_variance)
    np.testing.assert_array_equal(recovery[even], read.recovery_logit)
    np.testing.assert_array_equal(recovery_variance[even], read.recovery_variance)
    # Binomial variance of a logit, 1 / (n p (1 - p)), where both kinds are common (delta method).
    common = np.abs(read.grade - 0.5) < 0.45
    expected = 1.0 / (task.grade_count[even] * read.grade * (1.0 - read.grade))
    np.testing.assert_allclose(read.grade_variance[common], expected[common], rtol=0.1)
    # A failed run is the worst reading with the variance of that reading.
    worst = np.argmin(read.grade_logit)
    assert np.all(grade[~even] == read.grade_logit[worst])
    assert np.all(grade_variance[~even] == read.grade_variance[worst])


def test_without_readings_a_peer_knows_nothing(peer):
    task = beans()
    task.grade = task.recovery = np.full(12, np.nan)
    for values, expected in zip(peer.known(task), (0.0, 0.0, 1.0, 1.0), strict=True):
        np.testing.assert_array_equal(values, expected)


def test_a_peer_s_coordinates_are_ours_and_fill_the_unit_cube(peer):
    rng = np.random.default_rng(1)
    unit = rng.random((500, 5))
    found = peer.coupled(unit)
    assert found.min() >= 0.0
    assert found.max() <= 1.0
    corners = peer.coupled(np.array(list(np.ndindex(2, 2, 2, 2, 2)), dtype=float))
    np.testing.assert_allclose([corners.min(axis=0), corners.max(axis=0)], [[0] * 5, [1] * 5])
    # Up to scale and origin of each, they are those of our model at the same settings.
    low, high = GRAVITY_TABLE.values(np.array([REGION.first, REGION.last]))
    own = deck_coordinates_of(GRAVITY_TABLE)(GRAVITY_TABLE.to_unit(low + unit * (high - low)))
    for j in range(5):
        assert np.corrcoef(own[:, j], found[:, j])[0, 1] == pytest.approx(1.0, abs=1e-9)


def test_a_peer_s_search_follows_the_slopes_of_the_coordinates(peer):
    import torch

    X = torch.rand(4, 2, 5, dtype=torch.double, generator=torch.Generator().manual_seed(2))
    inside = (0.05 + 0.9 * X).requires_grad_()
    assert peer._Coupled().transform(inside).shape == X.shape
    # Source: torch's own check of derivatives.
    assert torch.autograd.gradcheck(peer._Map.apply, (inside,), eps=1e-4, atol=1e-4, rtol=1e-3)


def test_the_known_noise_reaches_the_fit(peer):
    import torch

    task = beans()
    X = torch.tensor(peer.to_unit(task.values))
    for latent, scatter in np.ndindex(2, 2):
        given = peer.Given(latent=bool(latent), noise=True, scatter=bool(scatter), coupled=True)
        outcomes = peer._Outcomes(task, given)
        grade, recovery, g, r = peer.known(task)
        variances = [r, g]
        if latent:
            variances = to_latent(grade, recovery, g, r, outcomes.feed_odds)[2:]
        for j, variance in enumerate(variances):
            likelihood = peer._process(X, outcomes, given, j).likelihood
            Y = outcomes.readings[:, j]
            # The library works with outcomes of variance 1.
            fixed = likelihood.noise_covar.noise.detach().numpy()
            np.testing.assert_allclose(fixed, variance / np.var(Y, ddof=1), rtol=1e-6)
            assert (likelihood.second_noise_covar is not None) == bool(scatter)


def test_only_what_is_given_is_used(peer):
    import torch

    task = beans()
    outcomes = peer._Outcomes(task, peer.Given())
    assert outcomes.variances is None
    X = torch.tensor(peer.to_unit(task.values))
    plain = peer._process(X, outcomes, peer.Given(), 0)
    assert not hasattr(plain, "input_transform")
    coupled = peer._process(X, outcomes, peer.Given(coupled=True), 0)
    assert isinstance(coupled.input_transform, peer._Coupled)


def test_each_report_of_a_peer_has_a_line_of_its_own_in_the_figures(peer):
    looks = [report.LOOK[name] for name in report.LOOK if name.startswith("botorch")]
    assert len(set(looks)) == len(looks) == len([m for m in METHODS if "botorch" in m]) + 1
