"""Errors and reconciliation against published numbers, other software and simulation.

Each value has its source beside it; "from memory" where the source was not at hand.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import chi2
from uncertainties import correlated_values, ufloat

from optimizer.measurement import build_up, n_product, reconcile, two_product, weighed_recovery
from optimizer.measurement.balancing import reconcile_streams


class TestErrors:
    # Exact first order from the three slopes printed in Wills and Finch 2016, ch. 3 (from memory):
    # dR = [c t/(f²(c-t))] df - [t(f-t)/(f(c-t)²)] dc - [c(c-f)/(f(c-t)²)] dt.
    CASES = ((1.0, 10.0, 0.2), (1.86, 18.52, 0.15), (0.90, 0.99, 0.40), (0.90, 0.99, 0.80))

    @pytest.mark.parametrize(("f", "c", "t"), CASES)
    def test_textbook_slopes(self, f, c, t):
        slopes = np.array(
            [
                c * t / (f**2 * (c - t)),
                -t * (f - t) / (f * (c - t) ** 2),
                -c * (c - f) / (f * (c - t) ** 2),
            ]
        )
        se = np.array([0.03, 0.02, 0.01])
        found = two_product(f, c, t, feed_se=se[0], product_se=se[1], reject_se=se[2])
        assert float(found.recovery_se) == pytest.approx(np.linalg.norm(slopes * se), rel=1e-12)

    @pytest.mark.parametrize(
        ("assays", "of_recovery", "of_yield"),
        [
            # Recomputed from the slopes above, 1 % relative error on each assay.
            (CASES[0], 0.3400, 1.6299),
            (CASES[1], 0.1187, 1.4852),
            (CASES[2], 1.0557, 2.4638),
            (CASES[3], 9.80, None),
        ],
    )
    def test_amplification(self, assays, of_recovery, of_yield):
        found = two_product(*assays)
        assert float(found.recovery_amplification) == pytest.approx(of_recovery, rel=1e-3)
        if of_yield:
            assert float(found.yield_amplification) == pytest.approx(of_yield, rel=1e-3)
        assert bool(found.ill_conditioned) is (assays == self.CASES[3])

    @pytest.mark.parametrize("assays", [*CASES, (0.90, 0.98, 0.50)])
    def test_published_approximation(self, assays):
        # Preprint on the uncertainty of the two-product formula, ChemRxiv 2023, item
        # 6571384a29a13c4d47d5b5fd: √2 (1 - R) / abs(R - Y) and √2 (1 - Y) / abs(R - Y). It is the
        # limit c >> t and lies up to 16 % above the exact first order.
        found = two_product(*assays)
        r, y = float(found.recovery), float(found.yield_)
        for rest, exact in ((r, found.recovery_amplification), (y, found.yield_amplification)):
            approximate = math.sqrt(2) * (1 - rest) / abs(r - y)
            assert 1.0 <= approximate / float(exact) < 1.16

    def test_published_approximation_in_numbers(self):
        # The formula of the ChemRxiv preprint above at f 0.9, c 0.98, t 0.5: 1.768 and 3.182; Monte
        # Carlo gives 1.64 and 3.05 (computed).
        found = two_product(0.90, 0.98, 0.50)
        assert float(found.recovery_amplification) == pytest.approx(1.64, rel=0.01)
        assert float(found.yield_amplification) == pytest.approx(3.05, rel=0.01)

    @pytest.mark.parametrize(("f", "c", "t"), CASES[:3])
    def test_monte_carlo(self, f, c, t):
        # 200,000 draws estimate a standard deviation to 0.16 %; the tolerance of 1 % is over six
        # standard errors, and the nonlinear part at 1 % error is below half of the tolerance.
        rng = np.random.default_rng(11)
        draws = np.array([f, c, t]) * (1 + 0.01 * rng.standard_normal((200_000, 3)))
        drawn = two_product(*draws.T, errors="mask")
        found = two_product(f, c, t, feed_se=0.01 * f, product_se=0.01 * c, reject_se=0.01 * t)
        assert np.nanstd(drawn.recovery) == pytest.approx(float(found.recovery_se), rel=0.01)
        assert np.nanstd(drawn.yield_) == pytest.approx(float(found.yield_se), rel=0.01)

    def test_first_order_begins_to_fail_where_it_is_flagged(self):
        # An almost useless split: Monte Carlo 9.88 against 9.80 (computed); tolerance 2 %.
        rng = np.random.default_rng(12)
        draws = np.array(self.CASES[3]) * (1 + 0.01 * rng.standard_normal((200_000, 3)))
        drawn = np.nanstd(two_product(*draws.T, errors="mask").recovery)
        found = two_product(*self.CASES[3])
        exact = 0.01 * float(found.recovery_amplification) * float(found.recovery)
        assert drawn / exact == pytest.approx(1.0, abs=0.02)
        assert bool(found.ill_conditioned)

    # The general formulas for products and quotients, NIST/SEMATECH e-Handbook 2.5.5.2, as coded
    # independently in the `uncertainties` package.
    def test_correlated_assays_as_uncertainties(self):
        sigma = np.array([[4e-4, 1e-4, 0.0], [1e-4, 1e-4, 5e-5], [0.0, 5e-5, 9e-4]])
        f, c, t = correlated_values([0.90, 0.99, 0.40], sigma)
        yield_ = (f - t) / (c - t)
        found = two_product(0.90, 0.99, 0.40, covariance=sigma)
        assert float(found.yield_se) == pytest.approx(yield_.s, rel=1e-9)
        assert float(found.recovery_se) == pytest.approx((yield_ * c / f).s, rel=1e-9)

    def test_weights_as_uncertainties(self):
        big_f, f, big_p, c = ufloat(200, 2), ufloat(0.1, 0.003), ufloat(50, 1), ufloat(0.3, 0.01)
        found = weighed_recovery(200, 0.1, 50, 0.3, se=(2, 0.003, 1, 0.01))
        assert float(found.recovery_se) == pytest.approx((big_p * c / (big_f * f)).s, rel=1e-9)
        assert float(found.yield_se) == pytest.approx((big_p / big_f).s, rel=1e-9)

    def test_fractions_as_uncertainties(self):
        mass = [ufloat(9.3, 0.2), ufloat(80.0, 0.5), ufloat(10.7, 0.1)]
        assay = [ufloat(18.52, 0.3), ufloat(0.15, 0.02), ufloat(2.0, 0.1)]
        metal = [m * a for m, a in zip(mass, assay, strict=True)]
        found = build_up(
            [m.n for m in mass],
            [a.n for a in assay],
            mass_se=[m.s for m in mass],
            assay_se=[a.s for a in assay],
        )
        assert float(found.head_se) == pytest.approx((sum(metal) / sum(mass)).s, rel=1e-9)
        assert_allclose(found.recovery_se, [(m / sum(metal)).s for m in metal], rtol=1e-9)
        assert_allclose(found.share_se, [(m / sum(mass)).s for m in mass], rtol=1e-9)

    def test_three_products_as_uncertainties(self):
        f = [ufloat(3.0, 0.05), ufloat(6.0, 0.1)]
        rows = ((50.0, 8.0), (2.0, 55.0), (0.2, 0.5))
        (a, b), (c, d), (e, g) = [[ufloat(v, 0.02 * v) for v in row] for row in rows]
        # Cramer's rule for two yields; the third yield is 1 minus both.
        det = (a - e) * (d - g) - (c - e) * (b - g)
        first = ((f[0] - e) * (d - g) - (c - e) * (f[1] - g)) / det
        second = ((a - e) * (f[1] - g) - (f[0] - e) * (b - g)) / det
        found = n_product([3.0, 6.0], rows, feed_se=[0.05, 0.1], products_se=0.02 * np.array(rows))
        third = 1 - first - second
        assert_allclose(found.yield_se, [first.s, second.s, third.s], rtol=1e-9)
        assert float(found.recovery_se[0, 0]) == pytest.approx((first * a / f[0]).s, rel=1e-9)
        assert float(found.recovery_se[1, 0]) == pytest.approx((second * c / f[0]).s, rel=1e-9)


class TestReconciliation:
    # Flow splitter: balances x1 = x2 + x3, x2 = x4, x3 = x5, x4 + x5 = x6, all variances 1.
    NETWORK = np.array(
        [
            [1.0, -1, -1, 0, 0, 0],
            [0, 1, 0, -1, 0, 0],
            [0, 0, 1, 0, -1, 0],
            [0, 0, 0, 1, 1, -1],
        ]
    )
    FLOWS = np.array([101.91, 64.45, 34.65, 64.20, 36.44, 98.88])

    def test_heat_exchanger_with_bypass(self):
        # S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000,
        # ch. 3. Inputs as in the public repository dr-ged-benchmarks, problem P4; answers from
        # memory and reproduced.
        found = reconcile(self.FLOWS, np.ones(6), self.NETWORK)
        assert_allclose(found.values, [100.22, 64.50, 35.72, 64.50, 35.72, 100.22], atol=0.005)
        assert found.closure.chi2 == pytest.approx(6.4075, abs=5e-5)
        assert found.closure.dof == 4
        # The 5 % point of chi-square on 4 is 9.488: these balances pass.
        assert found.closure.p_value > 0.05
        assert found.closure.p_value == pytest.approx(chi2.sf(6.4075, 4), rel=1e-4)
        assert_allclose(found.se, 0.57735, atol=5e-6)
        assert found.closure.suspects == ()

    @pytest.mark.parametrize(
        ("variances", "moved"), [((1.0, 1.0), (5.0, 5.0)), ((1.0, 3.0), (2.5, 7.5))]
    )
    def test_one_gap_is_shared_by_variance(self, variances, moved):
        # Help pages of an academic material-flow-analysis tool: import and export 10 apart.
        found = reconcile([110.0, 100.0], variances, [[1.0, -1.0]])
        assert_allclose(np.abs(found.adjustment), moved, rtol=1e-12)

    def test_closed_form(self):
        # x - V Aᵀ (A V Aᵀ)⁻¹ A x, Narasimhan and Jordache 2000 (from memory), with correlation.
        rng = np.random.default_rng(3)
        root = rng.standard_normal((6, 6))
        v = root @ root.T + np.eye(6)
        gain = v @ self.NETWORK.T @ np.linalg.inv(self.NETWORK @ v @ self.NETWORK.T)
        found = reconcile(self.FLOWS, v, self.NETWORK)
        assert_allclose(found.values, self.FLOWS - gain @ self.NETWORK @ self.FLOWS, rtol=1e-10)
        assert_allclose(found.covariance, v - gain @ self.NETWORK @ v, atol=1e-10)
        # The measurement test of maximum power, V⁻¹ a per its own error: A. C. Tamhane,
        # Technometrics 24 (1982) (from memory).
        inverse = np.linalg.inv(v)
        d, spread = inverse @ found.adjustment, inverse @ gain @ self.NETWORK @ v @ inverse
        assert_allclose(found.closure.normalized, np.abs(d) / np.sqrt(np.diag(spread)), rtol=1e-8)

    def test_unmeasured_flow_against_general_solver(self):
        x = np.array([101.91, np.nan, 34.65, 64.20, np.nan, 98.88])
        variances = np.array([1.0, 1.0, 0.25, 4.0, 1.0, 2.0])
        found = reconcile(x, variances, self.NETWORK)
        seen = ~np.isnan(x)
        other = minimize(
            lambda z: np.sum((z[seen] - x[seen]) ** 2 / variances[seen]),
            np.where(seen, x, 50.0),
            constraints={"type": "eq", "fun": lambda z: self.NETWORK @ z},
            method="SLSQP",
            options={"ftol": 1e-14},
        )
        assert_allclose(found.values, other.x, rtol=1e-6)
        assert found.closure.chi2 == pytest.approx(other.fun, rel=1e-6)
        assert found.closure.dof == 2

    def test_bilinear_against_general_solver(self):
        # Masses and assays as separate unknowns under explicit constraints: another formulation
        # and another algorithm than the one under test.
        mass = np.array([100.0, 38.0, 21.0, 44.0])
        assay = np.array([0.55, 0.95, 0.52, 0.24])
        se = np.array([1.0, 0.5, 0.5, 0.5, 0.01, 0.005, 0.02, 0.01])
        measured = np.concatenate([mass, assay])
        other = minimize(
            lambda z: np.sum(((z - measured) / se) ** 2),
            measured,
            constraints=[
                {"type": "eq", "fun": lambda z: z[0] - z[1:4].sum()},
                {"type": "eq", "fun": lambda z: z[0] * z[4] - z[1:4] @ z[5:]},
            ],
            method="SLSQP",
            options={"ftol": 1e-14, "maxiter": 500},
        )
        found = reconcile_streams(mass, assay, se[:4], se[4:])
        assert_allclose(np.concatenate([found.mass, found.assay[:, 0]]), other.x, rtol=1e-5)
        assert found.closure.chi2 == pytest.approx(other.fun, rel=1e-6)
        assert found.closure.dof == 2

    def test_errors_agree_with_simulation(self):
        # 600 repetitions of a true balance estimate a standard deviation to 2.9 %, so the tolerance
        # of 12 % is over four standard errors. Chi-square on 2 has mean 2 with a standard error
        # of 0.08; the tolerance of 0.33 is four of them. False alarms: below 1 in 1,000 in all.
        rng = np.random.default_rng(21)
        mass, assay = np.array([100.0, 40.0, 60.0]), np.array([0.56, 0.95, 0.30])
        mass_se, assay_se = np.array([1.0, 0.4, 0.6]), np.array([0.010, 0.005, 0.015])
        runs = [
            reconcile_streams(
                mass + mass_se * rng.standard_normal(3),
                assay + assay_se * rng.standard_normal(3),
                mass_se,
                assay_se,
            )
            for _ in range(600)
        ]
        score = [(run.recovery[1, 0] - 38 / 56) / run.recovery_se[1, 0] for run in runs]
        assert np.std(score) == pytest.approx(1.0, abs=0.12)
        assert np.mean(score) == pytest.approx(0.0, abs=4 / np.sqrt(600))
        assert np.mean([run.closure.chi2 for run in runs]) == pytest.approx(2.0, abs=0.33)
        # The measurement test may give false alarms in 5 %; the tolerance is 4 binomial errors.
        alarms = np.mean([bool(run.suspects) for run in runs])
        assert alarms < 0.05 + 4 * math.sqrt(0.05 * 0.95 / 600)
