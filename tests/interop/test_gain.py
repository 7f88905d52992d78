"""The gain of a trial by its definition, over stated draws of the function and its constraints."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.gaussian_process.inputs import Inputs
from optimizer.interop import gain
from optimizer.interop.gain import Gain
from optimizer.planning.acquisition import DRAWS, MOST_MEMBERS

MEAN, VARIANCE = [[0.2, -0.4], [0.5, 0.1]], [0.09, 0.25]  # two draws at two trials


class StatedDraws:
    """Draws with stated values at base points and stated means and variances elsewhere."""

    def __init__(self, values, mean=MEAN, variance=VARIANCE):
        self.values = np.array(values, dtype=float)
        self.stated = np.array(mean, dtype=float), np.array(variance, dtype=float)

    def conditional(self, points):
        assert isinstance(points, Inputs)
        return self.stated

    def extend(self, point):
        """A further base point whose value is its coordinate, in every draw."""
        more = np.broadcast_to(point, (*self.values.shape[:-1], 1))
        return StatedDraws(np.concatenate([self.values, more], axis=-1), *self.stated)


def process(center=0.0, spread=1.0):
    return SimpleNamespace(readings_=SimpleNamespace(center=center, spread=spread))


def gain_of(monkeypatch, *drawn, scales=((0.0, 1.0),) * 3):
    """A gain whose first draws are of the function and the others of its constraints."""
    left = list(drawn)
    monkeypatch.setattr(gain, "_drawn", lambda *_: left.pop(0))
    first, *others = (process(*scale) for _, scale in zip(drawn, scales, strict=False))
    return Gain(first, others, np.zeros((2, 1)), 1, 0)


def improvement(best, mean, variance):
    """Mean of max(best - y, 0) for a normal y, by the textbook's formula."""
    sd = np.sqrt(variance)
    z = (best - mean) / sd
    return sd * (z * norm.cdf(z) + norm.pdf(z))


AT = np.array([[0.1], [0.9]])


def test_the_gain_is_the_mean_improvement_on_the_lowest_value_of_each_draw(monkeypatch):
    drawn = StatedDraws([[0.3, 0.7], [0.6, -0.2]])
    found = gain_of(monkeypatch, drawn, scales=((100.0, 3.0),))
    for k in range(2):
        each = [improvement(b, MEAN[s][k], VARIANCE[k]) for s, b in enumerate((0.3, -0.2))]
        assert np.exp(found.log_gain(AT)[k]) == pytest.approx(3.0 * np.mean(each))


def test_a_gain_counts_where_all_constraints_are_met_in_their_own_scale(monkeypatch):
    """In the scale of the first constraint 0 is (0 - 2)/4 = -0.5, in that of the second 0.25. In
    the first draw only the second base point meets both, just so; in the second draw none does, and
    the bar is by the range of all values above the highest: 0.7 + 1.0, as the range is 0.9."""
    function = StatedDraws([[-0.2, 0.7], [0.6, 0.5]])
    one = StatedDraws([[-0.6, -0.5], [-0.4, -0.6]], [[-0.7, 0.0], [-0.2, -0.5]], [0.04, 0.01])
    two = StatedDraws([[0.3, 0.25], [0.0, 0.26]], [[0.3, 0.1], [0.0, 0.2]], [0.16, 0.09])
    scales = ((5.0, 1.0), (2.0, 4.0), (-0.5, 2.0))
    found = gain_of(monkeypatch, function, one, two, scales=scales)
    for k in range(2):
        each = [
            improvement(best, MEAN[s][k], VARIANCE[k])
            * norm.cdf((-0.5 - one.stated[0][s, k]) / np.sqrt(one.stated[1][k]))
            * norm.cdf((0.25 - two.stated[0][s, k]) / np.sqrt(two.stated[1][k]))
            for s, best in enumerate((0.7, 0.7 + 1.0))
        ]
        assert np.exp(found.log_gain(AT)[k]) == pytest.approx(np.mean(each))


def test_without_a_point_that_meets_the_constraints_the_bar_is_the_highest_value_and_the_range(
    monkeypatch,
):
    function, never = StatedDraws([[1.0, 5.0]]), StatedDraws([[0.1, 0.2]])
    assert gain_of(monkeypatch, function, never)._best.tolist() == [5.0 + 4.0]


def test_a_picked_trial_may_be_the_one_to_beat(monkeypatch):
    found = gain_of(monkeypatch, StatedDraws([[0.3, 0.7], [0.6, -0.2]]))
    before = found.log_gain(AT)
    found.extend(np.array([[0.1]]))
    assert found._best.tolist() == [0.1, -0.2]
    assert np.all(found.log_gain(AT) < before)


@pytest.mark.parametrize(
    ("members", "kept"),
    [(1, [0]), (8, list(range(8))), (9, [0, 2, 4, 6, 8]), (16, [0, 2, 4, 6, 8, 10, 12, 14])],
)
def test_draws_are_antithetic_and_share_members_evenly(monkeypatch, members, kept):
    assert MOST_MEMBERS == 8, "The rows above are for eight members."
    stacked = members > 1
    posterior = SimpleNamespace(hyperparameters=SimpleNamespace(stacked=stacked))
    asked = []
    made = SimpleNamespace(
        posteriors_=list(range(members)), stacks=lambda step: asked.append(step) or [posterior]
    )
    monkeypatch.setattr(gain, "ProcessDraws", lambda *given: given)
    base = Inputs(np.zeros((3, 1)))
    of, points, normals = gain._drawn(made, base, 2, np.random.default_rng(0))
    assert (of, points) == (posterior, base)
    assert list(range(members))[:: asked[0]] == kept
    draws = 2 * (DRAWS // len(kept) // 2)
    assert normals.shape == ((len(kept),) if stacked else ()) + (draws, 3 + 2)
    half = draws // 2
    assert np.array_equal(normals[..., :half, :], -normals[..., half:, :])
    assert len(np.unique(normals)) == normals.size
