"""How descriptions are weighted, and how the members of an average are allotted to them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.model.averaging import (
    BOOTSTRAPS,
    LEAST_AHEAD,
    LEAST_WEIGHT,
    TEMPER,
    shares_of,
    weights_of,
)


def pseudo_bma_plus(left_out, often):
    """Weights of pseudo-Bayesian model averaging with the Bayesian bootstrap, in plain loops.

    Yao, Vehtari, Simpson & Gelman, Bayesian Anal. 13 (2018) 917, section 3.4: in each draw every
    left-out density counts as often as a Dirichlet weight says, and the weights are the mean of
    the softmax of the n-fold weighted sums.

    Args:
        left_out: log density of each point under each description, shape (n, k).
        often: Dirichlet weights, shape (draws, n).
    """
    n, k = len(left_out), len(left_out[0])
    total = [0.0] * k
    for alpha in often:
        z = [n * sum(alpha[i] * left_out[i][j] for i in range(n)) for j in range(k)]
        shifted = [math.exp(v - max(z)) for v in z]
        for j in range(k):
            total[j] += shifted[j] / sum(shifted) / len(often)
    return total


@pytest.mark.parametrize("spread", [0.0, 0.3, 2.0])
def test_weights_equal_a_plain_computation(spread):
    rng = np.random.default_rng(4)
    left_out = -1.0 + 0.5 * rng.standard_normal((12, 4)) - spread * np.array([0.0, 0.1, 0.3, 1.0])
    evidence = rng.standard_normal(4) * (1.0 + spread)
    often = np.random.default_rng(9).dirichlet([1.0] * 12, BOOTSTRAPS)
    ahead = pseudo_bma_plus(left_out.tolist(), often.tolist())
    raw = [
        math.exp(TEMPER * float(e)) * max(a, LEAST_AHEAD)
        for e, a in zip(evidence, ahead, strict=True)
    ]
    kept = [r if r >= LEAST_WEIGHT * sum(raw) else 0.0 for r in raw]
    found = weights_of(evidence.tolist(), left_out, 9)
    np.testing.assert_allclose(found, np.array(kept) / sum(kept), rtol=1e-9, atol=1e-12)
    assert found.sum() == pytest.approx(1.0)
    assert bool(spread == 2.0) == bool(np.any(found == 0.0))


def test_weights_of_two_descriptions_agree_with_the_probability_of_the_mean_to_be_ahead():
    """With hundreds of points and clear differences the softmax of a draw is nearly 0 or 1.

    The weight is then the bootstrap probability that the sum of the differences is positive, which
    is about that of a normal mean: Phi(sqrt(n) mean / sd) (Rubin, Ann. Stat. 9, 1981, 130). 500
    draws have a standard error of at most 0.022, and the tolerance is three of them.
    """
    n = 400
    differences = np.random.default_rng(2).standard_normal(n)
    differences += 0.8 / math.sqrt(n) - differences.mean()
    left_out = np.column_stack([10.0 * differences, np.zeros(n)])
    expected = 0.5 * math.erfc(-0.8 / differences.std() / math.sqrt(2.0))
    found = weights_of([0.0, 0.0], left_out, 0)
    assert found[0] == pytest.approx(expected, abs=0.066)


def test_a_better_marginal_likelihood_or_better_left_out_densities_raise_a_weight():
    equal = np.full((20, 2), -1.0)
    np.testing.assert_allclose(weights_of([3.0, 3.0], equal, 0), [0.5, 0.5])
    assert weights_of([5.0, 0.0], equal, 0)[0] == pytest.approx(1.0 / (1.0 + math.exp(-1.0)))
    better = equal + np.array([0.05, 0.0])
    assert weights_of([3.0, 3.0], better, 0)[0] > 0.6


weights = st.lists(st.floats(0.02, 1.0), min_size=1, max_size=5)


@given(raw=weights, members=st.integers(1, 40))
def test_each_description_has_about_its_weight_of_the_members(raw, members):
    """Systematic sampling: counts differ from weight times number by less than one, also among
    every second and every fourth member."""
    w = np.sort(np.array(raw) / sum(raw))[::-1]
    found = shares_of(w, members)
    assert found.shape == (members,)
    for step in (1, 2, 4) if members % 4 == 0 else (1,):
        part = found[::step]
        counts = np.bincount(part, minlength=len(w))
        assert np.all(np.abs(counts - w * len(part)) < 1.0 + 1e-9)


@given(raw=weights, members=st.integers(1, 20))
def test_the_most_probable_description_has_a_member(raw, members):
    w = np.array(raw) / sum(raw)
    assert int(np.argmax(w)) in shares_of(w, members)
