"""Linear reconciliation and reconciliation of streams: results, refusals, properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from optimizer.errors import InputError
from optimizer.measurement import build_up, reconcile, two_product
from optimizer.measurement.balancing import reconcile_streams

NAN = np.nan
# One balance: a feed splits into two outlets.
SPLITTER = [[1.0, -1.0, -1.0]]
thorough = settings(max_examples=150, deadline=None, derandomize=True)


class TestReconcile:
    def test_unmeasured_is_estimated(self):
        found = reconcile([100.0, 60.0, NAN], [1.0, 1.0, 1.0], SPLITTER)
        assert_allclose(found.values, [100.0, 60.0, 40.0])
        assert_allclose(found.se, [1.0, 1.0, np.sqrt(2.0)])
        assert found.closure.dof == 0
        assert np.isnan(found.closure.p_value)

    def test_reports_what_is_not_determined(self):
        # Two unmeasured outlets of one splitter: only their sum is determined.
        found = reconcile([10.0, NAN, NAN], [1.0, 1.0, 1.0], SPLITTER)
        assert found.undetermined == (1, 2)
        assert_allclose(found.values[0], 10.0)
        assert reconcile([NAN, NAN], [1.0, 1.0], [[1.0, -1.0]]).undetermined == (0, 1)

    def test_exact_values_do_not_move(self):
        found = reconcile([10.0, 6.0, 5.0], [0.0, 1.0, 1.0], SPLITTER)
        assert_allclose(found.values, [10.0, 5.5, 4.5])
        assert found.se[0] == pytest.approx(0.0, abs=1e-12)

    def test_repeated_balance_counts_once(self):
        found = reconcile([10.0, 6.0, 5.0], [1.0, 1.0, 1.0], [*SPLITTER, [2.0, -2.0, -2.0]])
        assert found.closure.dof == 1

    def test_totals_and_full_variance(self):
        found = reconcile([1.0, 2.0], [[2.0, 1.0], [1.0, 2.0]], [[1.0, 1.0]], 4.0)
        assert_allclose(found.values, [1.5, 2.5])

    @pytest.mark.parametrize("wrong", range(6))
    def test_points_at_the_wrong_measurement(self, wrong):
        balances = [
            [1, -1, -1, 0, 0, 0],
            [0, 1, 0, -1, 0, 0],
            [0, 0, 1, 0, -1, 0],
            [0, 0, 0, 1, 1, -1],
        ]
        flows = np.array([100.0, 64.0, 36.0, 64.0, 36.0, 100.0])
        correlated = np.eye(6)
        correlated[0, 5] = correlated[5, 0] = 0.6
        for variance in (np.ones(6), correlated):
            found = reconcile(flows + 8.0 * np.eye(6)[wrong], variance, balances)
            assert found.closure.suspects == (wrong,)
            assert found.closure.p_value < 1e-4

    def test_one_balance_has_several_suspects(self):
        found = reconcile([100.0, 60.0, 50.0], [1.0, 1.0, 1.0], SPLITTER)
        assert found.closure.suspects == (0, 1, 2)

    @pytest.mark.parametrize(
        ("values", "variances", "totals", "text"),
        [
            ([1.0, 2.0], [1.0, 1.0], 0.0, r"balances of shape \(m, 2\)"),
            ([1.0, 2.0, 3.0], [1.0, -1.0, 1.0], 0.0, r"measurement 1 \(2\) has variance -1"),
            ([1.0, 2.0, 3.0], [1.0, NAN, 1.0], 0.0, "has variance nan"),
            ([1.0, np.inf, 3.0], [1.0, 1.0, 1.0], 0.0, "must be finite"),
            ([1.0, 2.0, 3.0], [0.0, 0.0, 0.0], 0.0, "contradict each other"),
            ([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], [0.0, 5.0], "contradict each other"),
            ([1.0, 2.0, 3.0], np.ones((3, 3)), 0.0, "not positive definite"),
        ],
    )
    def test_refuses(self, values, variances, totals, text):
        balances = SPLITTER if np.ndim(totals) == 0 else SPLITTER * 2
        with pytest.raises(InputError, match=text):
            reconcile(values, variances, balances, totals)

    @thorough
    @given(st.integers(0, 2**32 - 1), st.integers(3, 7), st.integers(1, 3), st.booleans())
    def test_closes_and_never_widens(self, seed, n, m, missing):
        rng = np.random.default_rng(seed)
        balances = rng.integers(-1, 2, (m, n)).astype(float)
        variances = rng.uniform(0.01, 4.0, n)
        values = rng.normal(size=n) * 10
        if missing:
            values[rng.integers(n)] = NAN
        found = reconcile(values, variances, balances)
        seen = ~np.isnan(found.values)
        closed = balances[~(np.abs(balances[:, ~seen]).sum(axis=1) > 0)]
        assert_allclose(closed @ np.where(seen, found.values, 0.0), 0.0, atol=1e-9)
        measured = ~np.isnan(values)
        assert (found.se[measured] <= np.sqrt(variances[measured]) * (1 + 1e-9)).all()


class TestReconcileStreams:
    def test_middlings_and_two_components(self):
        # Built from yields 0.5, 0.3, 0.2 with the feed unmeasured: exact data are not adjusted.
        mass = np.array([NAN, 50.0, 30.0, 20.0])
        assay = np.array([[NAN, NAN], [0.9, 0.05], [0.5, 0.4], [0.1, 0.3]])
        found = reconcile_streams(mass, assay, 0.1, 0.001)
        assert_allclose(found.mass, [100.0, 50.0, 30.0, 20.0], rtol=1e-9)
        assert_allclose(found.assay[0], [0.62, 0.205], rtol=1e-9)
        assert_allclose(found.recovery[1:].sum(axis=0), 1.0, rtol=1e-12)
        assert found.undetermined == ()

    def test_without_masses_yields_follow_from_assays(self):
        found = reconcile_streams([NAN] * 3, [0.9, 0.99, 0.4], assay_se=[0.009, 0.0099, 0.004])
        formula = two_product(0.9, 0.99, 0.4, feed_se=0.009, product_se=0.0099, reject_se=0.004)
        assert found.recovery[1, 0] == pytest.approx(float(formula.recovery), rel=1e-8)
        assert found.recovery_se[1, 0] == pytest.approx(float(formula.recovery_se), rel=1e-6)
        assert found.undetermined == tuple(f"mass of stream {i}" for i in range(3))

    def test_weighed_route_has_its_error(self):
        found = reconcile_streams([NAN, 40.0, 60.0], [NAN, 0.95, 0.3], [NAN, 0.4, 0.6], 0.01)
        built = build_up([40.0, 60.0], [0.95, 0.3], mass_se=[0.4, 0.6], assay_se=0.01)
        assert found.recovery[1, 0] == pytest.approx(float(built.recovery[0]), rel=1e-8)
        assert found.recovery_se[1, 0] == pytest.approx(float(built.recovery_se[0]), rel=1e-6)
        assert_allclose(found.mass, [100.0, 40.0, 60.0])
        assert_allclose(found.mass_se, [np.hypot(0.4, 0.6), 0.4, 0.6])

    def test_units_do_not_matter(self):
        # A second component in parts per billion, masses in grams.
        mass = np.array([100.0, 39.0, 61.0])
        assay = np.array([[0.56, 0.20], [0.95, 0.02], [0.30, 0.33]])
        plain = reconcile_streams(mass, assay, 1.0, 0.01)
        assay[:, 1] *= 1e9
        scaled = reconcile_streams(1e6 * mass, assay, 1e6, [[0.01, 1e7]])
        assert plain.closure.dof == scaled.closure.dof == 3
        assert_allclose(scaled.recovery, plain.recovery, rtol=1e-6)
        assert_allclose(scaled.recovery_se, plain.recovery_se, rtol=1e-5)

    def test_names_what_is_not_determined(self):
        found = reconcile_streams(
            [NAN] * 4, [0.5, 0.9, 0.4, 0.1], assay_se=0.01, names=["feed", "a", "b", "c"]
        )
        assert "yield of a" in found.undetermined
        assert "assay of a" not in found.undetermined
        assert np.isnan(found.recovery[1:]).all()

    def test_error_that_depends_on_an_unknown_one_is_unknown(self):
        found = reconcile_streams([NAN, 40.0, 60.0], [NAN, 0.95, 0.3], NAN, [NAN, 0.01, 0.01])
        assert np.isnan(found.recovery_se[1, 0])
        assert found.assay_se[1, 0] == pytest.approx(0.01)

    def test_unknown_errors_leave_no_test(self):
        found = reconcile_streams([100.0, 40.0, 61.0], [0.6, 0.95, 0.37])
        assert found.closure.dof == 2
        assert np.isnan(found.closure.p_value)
        assert np.isnan(found.recovery_se).all() or np.isnan(found.recovery_se[1:]).all()

    def test_stops_at_the_limits(self):
        found = reconcile_streams(
            [100.0, 40.0, 60.0], [0.30, 0.95, 0.02], 0.5, [0.01] * 3, names=["f", "p", "r"], pure=1
        )
        assert found.at_bound == ("assay of r",)
        assert found.assay[2, 0] == 0.0
        assert found.recovery[1, 0] == 1.0

    def test_traces_are_not_set_to_zero(self):
        # Grams per tonne as mass fractions: assays of about 1e-6 still determine the split.
        assay = np.array([0.60, 0.95, 0.30])
        for mass in ([NAN] * 3, [100.0, 40.0, 61.0]):
            rich, traces = reconcile_streams(mass, assay), reconcile_streams(mass, 1e-6 * assay)
            assert_allclose(traces.recovery, rich.recovery, rtol=1e-6)
            assert traces.at_bound == ()

    def test_infinite_mass_stops_at_its_bound(self):
        # An unweighed reject as rich as the feed, beside a richer product, has an infinite mass.
        found = reconcile_streams([NAN, 1.0, NAN], [0.3, 0.9, 0.3], assay_se=0.01, names="fpr")
        assert found.at_bound == ("mass of r",)

    def test_points_at_the_wrong_weight(self):
        # A weight enters three balances here, so its error has a distinct pattern.
        mass = np.array([100.0, 50.0, 38.0, 20.0])
        assay = np.array([[0.62, 0.205], [0.9, 0.05], [0.5, 0.4], [0.1, 0.3]])
        found = reconcile_streams(mass, assay, 1.0, 0.005, names=["feed", "a", "b", "c"])
        assert found.suspects == ("mass of b",)

    @pytest.mark.parametrize(
        ("mass", "assay", "mass_se", "text"),
        [
            ([1.0, 1.0], [0.5, 0.5], 0.1, "feed and at least two outlets"),
            ([1.0, -1.0, 1.0], [0.5] * 3, 0.1, "mass of stream 1 is -1; it must lie between"),
            ([1.0, 1.0, 1.0], [0.5, 97.2, 0.5], 0.1, "assay of stream 1 is 97.2.*0.972"),
            ([1.0, 1.0, 1.0], [0.5] * 3, 0.0, "standard error of 0; no measurement is exact"),
            ([0.0, NAN, 0.0], [0.5] * 3, 0.1, "every mass weighed is zero"),
            ([np.inf, 1.0, 1.0], [0.5] * 3, 0.1, "mass of stream 0 is inf"),
            ([1.0, 1.0, 1.0], [0.5] * 4, 0.1, r"masses \(3,\), assays \(4, 1\)"),
            ([1.0, 1.0, 1.0], [0.5] * 3, [0.1] * 2, "do not belong together"),
        ],
    )
    def test_refuses(self, mass, assay, mass_se, text):
        with pytest.raises(InputError, match=text):
            reconcile_streams(mass, assay, mass_se, 0.01, pure=1.0)

    @thorough
    @given(st.integers(0, 2**32 - 1))
    def test_exact_data_fit_exactly_whatever_is_missing(self, seed):
        rng = np.random.default_rng(seed)
        s, k = rng.integers(3, 6), rng.integers(1, 4)
        share, outlets = rng.dirichlet(np.ones(s - 1)), rng.uniform(0.05, 0.95, (s - 1, k))
        mass, assay = np.append(1.0, share) * 100, np.vstack([share @ outlets, outlets])
        mass[rng.random(s) < 0.4], assay[rng.random((s, k)) < 0.2] = NAN, NAN
        found = reconcile_streams(mass, assay, 1.0, 0.01, pure=1.0)
        assert found.closure.chi2 < 1e-9

    @thorough
    @given(
        arrays(float, 4, elements=st.floats(1.0, 100.0)),
        arrays(float, 4, elements=st.floats(0.02, 0.98)),
        st.sets(st.integers(0, 7), max_size=3),
    )
    def test_closes_whatever_the_numbers(self, mass, assay, missing):
        measured = np.concatenate([mass, assay])
        measured[list(missing)] = NAN
        found = reconcile_streams(measured[:4], measured[4:], 0.5, 0.02, pure=1.0)
        metal = found.mass * found.assay[:, 0]
        if not np.isnan(found.mass).any():
            assert found.mass[1:].sum() == pytest.approx(found.mass[0], rel=1e-9)
        if not np.isnan(metal).any():
            assert metal[1:].sum() == pytest.approx(metal[0], rel=1e-9)
        recovery = found.recovery[~np.isnan(found.recovery)]
        assert ((recovery >= 0) & (recovery <= 1)).all()
        se = np.concatenate([found.mass_se, found.assay_se[:, 0]])
        seen = ~np.isnan(measured) & ~np.isnan(se)
        limit = np.repeat([0.5, 0.02], 4)
        assert (se[seen] <= limit[seen] * (1 + 1e-6)).all()
