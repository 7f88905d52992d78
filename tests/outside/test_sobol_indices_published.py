"""Sobol' indices against published values and another library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from optimizer.diagnostics.sensitivity import sobol_indices


def ishigami(X, a=7.0, b=0.1):
    x = np.pi * (2.0 * X - 1.0)
    return np.sin(x[:, 0]) + a * np.sin(x[:, 1]) ** 2 + b * x[:, 2] ** 4 * np.sin(x[:, 0])


def g_function(X, a):
    return np.prod((np.abs(4.0 * X - 2.0) + a) / (1.0 + a), axis=1)


def test_ishigami_closed_form():
    # Ishigami & Homma, ISUMA 1990; closed form and values in Saltelli et al., Global Sensitivity
    # Analysis (2008): S 0.3139, 0.4424, 0; T 0.5576, 0.4424, 0.2437; S13 = 0.2437, other pairs 0.
    found = sobol_indices(lambda X: ishigami(X)[None], 3, log_base=13)
    assert found.first[0] == pytest.approx([0.3139, 0.4424, 0.0], abs=0.01)
    assert found.total[0] == pytest.approx([0.5576, 0.4424, 0.2437], abs=0.01)
    assert found.pairs[0] == pytest.approx([0.0, 0.2437, 0.0], abs=0.015)


def test_g_function_closed_form():
    # Saltelli & Sobol', Reliab. Eng. Syst. Saf. 50 (1995) 225: V_i = 1 / (3 (1 + a_i)^2),
    # V = prod(1 + V_i) - 1, S_i = V_i / V, T_i = V_i prod_{j != i} (1 + V_j) / V.
    a = np.array([0.0, 1.0, 4.5, 9.0, 99.0])
    v = 1.0 / (3.0 * (1.0 + a) ** 2)
    total = np.prod(1.0 + v) - 1.0
    found = sobol_indices(lambda X: g_function(X, a)[None], 5, log_base=13)
    assert found.first[0] == pytest.approx(v / total, abs=0.01)
    assert found.total[0] == pytest.approx(v * np.prod(1.0 + v) / (1.0 + v) / total, abs=0.01)
    pair = found.pairs[0][0]
    assert pair == pytest.approx(v[0] * v[1] / total, abs=0.02)


@pytest.mark.filterwarnings("ignore")
def test_indices_agree_with_salib():
    # SALib (Iwanaga, Usher & Herman 2022; Herman & Usher, JOSS 2, 2017, 97), same number of base
    # points, its own sample.
    from SALib.analyze import sobol as analyze
    from SALib.sample import sobol as sample

    def deck(X):
        # Two settings with opposite effects, one with an optimum, one without effect.
        return expit(2.0 + X[:, 0] - X[:, 1] - 6.0 * (X[:, 2] - 0.4) ** 2 + X[:, 0] * X[:, 1])

    problem = {"num_vars": 4, "names": list("abcd"), "bounds": [[0.0, 1.0]] * 4}
    points = sample.sample(problem, 4096, calc_second_order=True, seed=1)
    theirs = analyze.analyze(problem, deck(points), calc_second_order=True, seed=1)
    ours = sobol_indices(lambda X: deck(X)[None], 4, log_base=12)
    assert ours.first[0] == pytest.approx(theirs["S1"], abs=0.02)
    assert ours.total[0] == pytest.approx(theirs["ST"], abs=0.02)
    assert ours.pairs[0] == pytest.approx(theirs["S2"][np.triu_indices(4, 1)], abs=0.03)
